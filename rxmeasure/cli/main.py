"""The ``rxmeasure`` command."""

from __future__ import annotations

import click

from rxmeasure import __version__
from rxmeasure.cli.verb_group import VerbGroup

_HERE = "rxmeasure.cli"

#: Verb -> module, command in it, its line in the list. Modules are imported when called.
VERBS: dict[str, tuple[str, str, str]] = {
    "review": (
        f"{_HERE}.review",
        "review",
        "Scale, trace, measure and judge films; keep a review file.",
    ),
    "batch": (f"{_HERE}.batch", "batch", "Measure many films in one run that can go on later."),
    "open": (f"{_HERE}.open", "open", "Open films in the window and review them there."),
    "report": (f"{_HERE}.report", "report", "Write a review as an HTML page and a PDF."),
    "dicom": (
        f"{_HERE}.dicom",
        "dicom",
        "Write a review as DICOM objects, read a structured report.",
    ),
    "archive": (
        f"{_HERE}.archive",
        "archive",
        "Find and fetch films in a DICOM archive, send results to it.",
    ),
    "deidentify": (
        f"{_HERE}.deidentify",
        "deidentify",
        "Copy films and reviews without identity.",
    ),
    "info": (f"{_HERE}.info", "info", "Say what is in an image file, and all versions."),
    "calibrate": (f"{_HERE}.calibrate", "calibrate", "Find the scale of one film."),
    "trace": (f"{_HERE}.trace", "trace", "Trace canals, fills or files from a few clicks."),
    "propose": (
        f"{_HERE}.propose",
        "propose",
        "Propose filled canals with no click, or one.",
    ),
    "measure": (f"{_HERE}.measure", "measure", "Measure the canals of one film."),
    "judge": (f"{_HERE}.judge", "judge", "Judge a film, or values typed in, by criteria."),
    "radiopacity": (
        f"{_HERE}.radiopacity",
        "radiopacity",
        "Radiopacity in mm of aluminium, from a step wedge on the film.",
    ),
    "compare": (
        f"{_HERE}.compare",
        "compare",
        "Compare visits of one tooth: lesions, fills, scores, next recall.",
    ),
    "align": (f"{_HERE}.align", "align", "Bring two films of one tooth together."),
    "lesion": (f"{_HERE}.lesion", "lesion", "Measure one periapical lesion."),
    "rules": (f"{_HERE}.rules", "rules", "List, show and check criteria."),
    "tooth": (f"{_HERE}.tooth", "tooth", "Tooth numbers, usual canals and lengths."),
    "working-length": (
        f"{_HERE}.working_length",
        "working_length",
        "Working-length arithmetic: ratio, correction, locator, projection.",
    ),
    "fit": (
        f"{_HERE}.fit",
        "fit",
        "Fit arithmetic: diameters, trimming, seating, carrier, backfill, sealer.",
    ),
    "agreement": (
        f"{_HERE}.agreement",
        "agreement",
        "Agreement of raters and of repeated readings, with intervals.",
    ),
    "course": (
        f"{_HERE}.course",
        "course",
        "Rubric, hidden keys, blind marking and marks of a course.",
    ),
    "store": (f"{_HERE}.store", "store", "Keep reviews in a store, with every revision."),
    "audit": (f"{_HERE}.audit", "audit", "Audit a clinic's reviews: choose films, count, report."),
    "phantom": (f"{_HERE}.phantom", "phantom", "Make synthetic films with known truth."),
}


@click.group(cls=VerbGroup, verbs=VERBS, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="rxmeasure")
def main() -> None:
    """Measure root-canal treatment on intra-oral radiographs.

    Length, fit, voids, taper and extrusion, each with its uncertainty and the
    source of its scale. A teaching and review aid; not a diagnosis.

    Points are ROW,COL in pixels; the centre of the first pixel is 0,0. Numbers
    are typed with a decimal point.
    """


if __name__ == "__main__":
    main()
