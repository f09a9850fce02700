"""A criterion of the reader's own; the bands that a test adds make it whole."""

HEAD = """\
id = "own_rule"
version = "1"
title = "The sample teaching clinic's length rule"
film_kinds = ["post-operative"]

[[field]]
name = "length"
kind = "bands"
measure = "fill_to_apex_core_mm"
unit = "mm"
source = "Protocol of the sample teaching clinic"
status = "choice"

"""
