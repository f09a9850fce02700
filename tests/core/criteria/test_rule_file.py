"""Reading criteria files: the published ones, a clinic's own, and wrong ones."""

import re

import pytest
from own_rule import HEAD

from rxmeasure.criteria.criterion import (
    BandsRule,
    CombinationRule,
    FlagRule,
    ReaderRule,
    ScoreRule,
    default_rule_set_ids,
    describe,
    load_rule_set,
    load_rule_sets,
    pick_rule_sets,
    published_rule_sets,
)
from rxmeasure.criteria.toml_lines import key_lines
from rxmeasure.errors import CriterionError
from rxmeasure.marks import FilmKind
from rxmeasure.measure_names import MEASURES

OWN = (
    HEAD
    + """\
[[field.band]]
label = "long"
outcome = "not met"
below = 0.0

[[field.band]]
label = "good"
outcome = "met"
at_least = 0.0
at_most = 1.5

[[field.band]]
label = "short"
outcome = "not met"
above = 1.5

[[field]]
name = "density"
kind = "yes_no"
measure = "void_free"
met_when = "yes"
label_yes = "dense"
label_no = "void"
source = "Protocol of the sample teaching clinic"
status = "choice"

[[field]]
name = "overall"
kind = "all"
fields = ["length", "density"]
label_met = "good"
label_not_met = "poor"
source = "Protocol of the sample teaching clinic"
status = "choice"
"""
)


def saved(tmp_path, text, name="own.toml"):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


def test_own_file_is_read(tmp_path):
    rule_set = load_rule_set(saved(tmp_path, OWN))
    assert rule_set.id == "own_rule"
    assert [field.name for field in rule_set.fields] == ["length", "density", "overall"]
    rule_sets = load_rule_sets([tmp_path / "own.toml"])
    assert rule_sets["own_rule"] == rule_set
    assert set(published_rule_sets()) < set(rule_sets)


def test_file_with_byte_order_mark_and_windows_lines_is_read(tmp_path):
    path = tmp_path / "own.toml"
    path.write_bytes(b"\xef\xbb\xbf" + OWN.replace("\n", "\r\n").encode())
    assert load_rule_set(path) == load_rule_set(saved(tmp_path, OWN, "plain.toml"))


def test_picking(tmp_path):
    ids = ("zero_three", "zero_two", "zero_three")
    assert [r.id for r in pick_rule_sets(ids)] == ["zero_three", "zero_two"]
    with pytest.raises(CriterionError, match="'own_rule', which does not exist"):
        pick_rule_sets(["own_rule"])
    known = load_rule_sets([saved(tmp_path, OWN)])
    assert pick_rule_sets(["own_rule"], among=known)[0].id == "own_rule"


def test_published_sets_are_there():
    assert set(published_rule_sets()) == {
        "zero_two",
        "half_two",
        "zero_three",
        "minus_one_two",
        "three_field_score",
        "status_code",
        "strict_visual",
        "post_space",
        "post_gap",
        "apex_coverage",
        "tip_within_three",
        "extrusion",
        "gross_extrusion",
    }


def test_published_fields_name_measures_sources_and_units():
    for rule_set in published_rule_sets().values():
        for field in rule_set.fields:
            assert field.source
            if isinstance(field.rule, BandsRule):
                assert MEASURES[field.rule.measure].unit == field.rule.unit


# Identifiers of the sources, from the papers themselves.
@pytest.mark.parametrize(
    ("rule_set", "field", "identifier", "status"),
    [
        ("zero_two", "length", "10.1007/s00784-011-0671-3", "read"),
        ("zero_two", "length", "10.3290/j.ohpd.a31661", "read"),
        ("half_two", "length", "2015/135120", "read"),
        ("zero_three", "length", "2014/751274", "read"),
        ("minus_one_two", "length", "Tronstad 2000", "read"),
        ("three_field_score", "overall", "S0099-2399(10)00726-0", "read"),
        ("status_code", "length code", "JOMR 2020 11(2) e4", "read"),
        ("strict_visual", "overall", "10.1111/j.1365-2591.2006.01180.x", "from memory"),
        ("post_gap", "post gap", "Moshonov 2005", "from memory"),
        ("extrusion", "core", "10.1111/iej.13209", "read"),
        ("extrusion", "sealer puff", "PMC9429671", "read"),
    ],
)
def test_published_sources(rule_set, field, identifier, status):
    found = published_rule_sets()[rule_set].field(field)
    assert identifier in found.source
    assert found.status == status


def test_defaults_exist_and_fit_their_film():
    for kind in FilmKind:
        ids = default_rule_set_ids(kind)
        assert ids
        for rule_id in ids:
            assert kind in published_rule_sets()[rule_id].film_kinds
    assert default_rule_set_ids(FilmKind.POSTOPERATIVE)[0] == "zero_two"
    assert "gross_extrusion" in default_rule_set_ids(FilmKind.RECALL)


def test_text_of_every_rule():
    for rule_set in published_rule_sets().values():
        text = describe(rule_set)
        assert (text.id, text.version, text.title) == (
            rule_set.id,
            rule_set.version,
            rule_set.title,
        )
        for field, words in zip(rule_set.fields, text.fields, strict=True):
            assert words.source == field.source
            assert words.status == str(field.status)
            assert words.lines
            for label in field.labels():
                assert any(label in line for line in words.lines)
    lines = describe(published_rule_sets()["half_two"]).fields[0].lines
    assert lines == (
        "below 0 mm: overfilled (technical grade) (not met)",
        "at least 0 and below 0.5 mm: unclassified by this rule (unclassified)",
        "at least 0.5 and at most 2 mm: adequate (met)",
        "above 2 mm: underfilled (not met)",
    )
    score = describe(published_rule_sets()["three_field_score"]).fields[-1].lines
    assert score[1] == "exactly 2: satisfactory (met)"


def test_kinds_of_the_published_fields():
    sets = published_rule_sets()
    assert isinstance(sets["three_field_score"].field("overall").rule, ScoreRule)
    assert isinstance(sets["zero_two"].field("overall").rule, CombinationRule)
    assert isinstance(sets["status_code"].field("coronal seal code").rule, ReaderRule)
    assert isinstance(sets["gross_extrusion"].field("gross extrusion").rule, FlagRule)
    assert sets["gross_extrusion"].field("gross extrusion").labels() == {}


def line_in(text, needle, nth=1):
    """Line (from 1) of the nth line that contains the needle."""
    hits = [n for n, line in enumerate(text.split("\n"), start=1) if needle in line]
    return hits[nth - 1]


# (old text, new text, word in the message, line where the message must point)
WRONG = {
    "unknown key": ("at_most = 1.5", "at_moost = 1.5", "unknown key 'at_moost'", "at_moost"),
    "unknown top key": ('version = "1"', 'version = "1"\nauthor = "x"', "'author'", "author"),
    "unknown field key": ('met_when = "yes"', 'met_when = "yes"\nlimit = 2', "'limit'", "limit ="),
    "unknown measure": (
        "fill_to_apex_core_mm",
        "fill_to_apex_mm",
        "unknown measure 'fill_to_apex_mm'",
        "fill_to_apex_mm",
    ),
    "overlap": ("above = 1.5", "above = 1.4", "overlap", ("[[field.band]]", 3)),
    "overlap in the limit": (
        "above = 1.5",
        "at_least = 1.5",
        "overlap",
        ("[[field.band]]", 3),
    ),
    "gap": ("above = 1.5", "above = 1.6", "a gap between", ("[[field.band]]", 3)),
    "limit in no band": ("at_most = 1.5", "below = 1.5", "a gap between", ("[[field.band]]", 3)),
    "unordered limits": (
        "at_least = 0.0\nat_most = 1.5",
        "at_least = 1.5\nat_most = 0.0",
        "holds no value",
        ("[[field.band]]", 2),
    ),
    "unordered bands": ("above = 1.5", "below = -1.0", "out of order", ("[[field.band]]", 3)),
    "both limits": (
        "at_least = 0.0",
        "at_least = 0.0\nabove = 0.0",
        "both 'at_least' and 'above'",
        "above = 0.0",
    ),
    "no open lower end": (
        "below = 0.0",
        "at_least = -9.0\nbelow = 0.0",
        "first band",
        ("[[field.band]]", 1),
    ),
    "no open upper end": (
        "above = 1.5",
        "above = 1.5\nat_most = 9.0",
        "last band",
        ("[[field.band]]", 3),
    ),
    "infinite limit": ("above = 1.5", "above = inf", "above = inf", "above = inf"),
    "limit is text": ("above = 1.5", 'above = "1.5"', "above = '1.5'", 'above = "1.5"'),
    "limit is a yes": ("above = 1.5", "above = true", "above = True", "above = true"),
    "unit": ('unit = "mm"', 'unit = "px"', "unit = 'px'", "unit ="),
    "no unit": ('unit = "mm"\n', "", "no text for 'unit'", ("[[field]]", 1)),
    "no source": (
        'source = "Protocol of the sample teaching clinic"\n',
        "",
        "no text for 'source'",
        ("[[field]]", 1),
    ),
    "empty source": (
        'source = "Protocol of the sample teaching clinic"',
        'source = " "',
        "source = ' '",
        'source = " "',
    ),
    "bad status": ('status = "choice"', 'status = "sure"', "status = 'sure'", 'status = "sure"'),
    "bad outcome": ('outcome = "met"', 'outcome = "good"', "outcome = 'good'", 'outcome = "good"'),
    "bad kind": ('kind = "bands"', 'kind = "band"', "kind = 'band'", 'kind = "band"'),
    "bad film kind": (
        '["post-operative"]',
        '["postoperative"]',
        "film_kinds = 'postoperative'",
        "film_kinds",
    ),
    "film kind without the measure": (
        '["post-operative"]',
        '["post-operative", "preoperative"]',
        "not measured on films of kind preoperative",
        "fill_to_apex_core_mm",
    ),
    "film kinds no list": ('["post-operative"]', '"post-operative"', "film_kinds", "film_kinds"),
    "same field twice": ('name = "density"', 'name = "length"', "second field", ("name =", 2)),
    "same label twice": ('label = "short"', 'label = "long"', "'long' twice", ("[[field]]", 1)),
    "stroke in a name": ('name = "length"', 'name = "a/b"', "a/b", "a/b"),
    "bad id": ('id = "own_rule"', 'id = "Own Rule"', "Own Rule", "Own Rule"),
    "id of a published set": (
        'id = "own_rule"',
        'id = "zero_two"',
        "the id 'zero_two' of a published rule set",
        "zero_two",
    ),
    "field used before it stands": (
        'fields = ["length", "density"]',
        'fields = ["length", "taper"]',
        "'taper', which is no field above",
        "taper",
    ),
    "same field twice in a combination": (
        'fields = ["length", "density"]',
        'fields = ["length", "length"]',
        "'length' twice",
        "fields =",
    ),
    "numeric measure for yes or no": (
        'measure = "void_free"',
        'measure = "fill_length_mm"',
        "unit 'mm'",
        "fill_length_mm",
    ),
    "ratio for yes or no": (
        'measure = "void_free"',
        'measure = "fill_length_ratio"',
        "neither yes or no nor a count",
        "fill_length_ratio",
    ),
    "yes/no measure for bands": (
        'measure = "fill_to_apex_core_mm"',
        'measure = "void_free"',
        "unit 'bool'",
        ("void_free", 1),
    ),
    "met_when": ('met_when = "yes"', "met_when = true", "met_when", "met_when"),
    "overall must combine": (
        'name = "density"',
        'name = "overall"',
        "a field named 'overall' of kind 'yes_no'",
        "yes_no",
    ),
    "syntax": ("at_least = 0.0", "at_least = ", "not valid TOML", "at_least = "),
    "key twice": ('unit = "mm"', 'unit = "mm"\nunit = "mm"', "not valid TOML", ("unit =", 2)),
    "open text": ('label = "good"', 'label = "good', "not valid TOML", 'label = "good'),
}


@pytest.mark.parametrize("case", WRONG)
def test_wrong_files_are_refused_with_their_line(tmp_path, case):
    old, new, message, where = WRONG[case]
    text = OWN.replace(old, new, 1)
    assert text != OWN
    with pytest.raises(CriterionError) as caught:
        load_rule_set(saved(tmp_path, text))
    assert message in caught.value.found
    expected = line_in(text, *(where if isinstance(where, tuple) else (where,)))
    assert re.search(r"own\.toml, line (\d+):", caught.value.found).group(1) == str(expected)
    assert caught.value.needed
    assert caught.value.next_step


def test_unfinished_file_names_its_last_line(tmp_path):
    with pytest.raises(CriterionError, match="line 4"):
        load_rule_set(saved(tmp_path, 'id = "a"\nversion = "1"\ntitle = "b"\nfilm_kinds = ['))


def test_empty_file_is_refused(tmp_path):
    with pytest.raises(CriterionError, match="no text for 'id'"):
        load_rule_set(saved(tmp_path, ""))


def test_file_that_cannot_be_read_is_refused(tmp_path):
    with pytest.raises(CriterionError, match="cannot be read"):
        load_rule_set(tmp_path / "missing.toml")
    with pytest.raises(CriterionError, match="is not a file"):
        load_rule_set(tmp_path)
    (tmp_path / "binary.toml").write_bytes(b"\xff\xfe\x00id")
    with pytest.raises(CriterionError, match="UTF-8"):
        load_rule_set(tmp_path / "binary.toml")


def test_two_files_with_one_id_are_refused(tmp_path):
    paths = [saved(tmp_path, OWN, "a.toml"), saved(tmp_path, OWN, "b.toml")]
    with pytest.raises(CriterionError, match=r"b\.toml, line 1: the id 'own_rule'"):
        load_rule_sets(paths)


def test_flags_stay_out_of_combinations(tmp_path):
    text = OWN.replace(
        'kind = "yes_no"\nmeasure = "void_free"\nmet_when = "yes"\n',
        'kind = "flag"\nmeasure = "gross_extrusion"\nprompt = "Look at it."\n',
    )
    with pytest.raises(CriterionError, match="which is a flag"):
        load_rule_set(saved(tmp_path, text))


def test_counts_may_be_banded_by_whole_numbers(tmp_path):
    text = OWN.replace('"fill_to_apex_core_mm"\nunit = "mm"', '"void_count"\nunit = "1"')
    text = text.replace("below = 0.0", "at_most = 0")
    text = text.replace("at_least = 0.0\nat_most = 1.5", "at_least = 1\nat_most = 2")
    rule = (
        load_rule_set(saved(tmp_path, text.replace("above = 1.5", "at_least = 3"))).fields[0].rule
    )
    assert [rule.band_of(n).label for n in (0, 1, 2, 3, 9)] == [
        "long",
        "good",
        "good",
        "short",
        "short",
    ]
    with pytest.raises(CriterionError, match="a gap between"):
        load_rule_set(saved(tmp_path, text.replace("above = 1.5", "at_least = 4")))


def test_lines_of_keys_in_awkward_toml():
    text = '''\
a = """
[not.a.header]
b = 1
"""
list = [
  "x]", # ] not the end
  "y",
]
'q r' = { s = 1 }
[one."two"]
# c = 0
c.d = 'v = "'
[[one.rows]]
e = 1
[[one.rows]]
e = """ x \\""" = """
f = 2
'''
    lines = key_lines(text)
    assert lines[("a",)] == 1
    assert ("b",) not in lines
    assert lines[("list",)] == 5
    assert lines[("q r",)] == 9
    assert lines[("one", "two")] == 10
    assert lines[("one", "two", "c", "d")] == 12
    assert lines[("one", "rows", 0, "e")] == 14
    assert lines[("one", "rows", 1, "f")] == 17
