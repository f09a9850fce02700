"""The review file and the annotation file: exact round trip, and refusal of what is not right."""

from __future__ import annotations

import dataclasses
import json
import math
import os
import types
import typing
from enum import StrEnum
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from rxmeasure.errors import ImageChangedError, MarksError, ReviewFileError, WriteError
from rxmeasure.marks import (
    CanalMarks,
    FilmKind,
    Landmark,
    LandmarkState,
    MarksOrigin,
    ReviewMarks,
    Settings,
)
from rxmeasure.radiograph import ImageSource, Polarity, Radiograph
from rxmeasure.record.migrations import FORMAT, VERSION, migrate
from rxmeasure.record.review_file import (
    check_image,
    load_review,
    read_marks,
    review_path,
    save_review,
)
from rxmeasure.record.schema import (
    MARKS_SCHEMA_PATH,
    REVIEW_SCHEMA_PATH,
    as_text,
    marks_schema,
    review_schema,
)
from rxmeasure.review import Review


def strategy_of(kind: object) -> st.SearchStrategy:
    """Any value that the type hint allows, finite numbers and whole text only."""
    simple = {
        str: st.text(max_size=8),
        float: st.floats(allow_nan=False, allow_infinity=False),
        int: st.integers(-(2**53), 2**53),
        bool: st.booleans(),
        type(None): st.none(),
    }
    if kind in simple:
        return simple[kind]
    origin, arguments = typing.get_origin(kind), typing.get_args(kind)
    if origin is tuple and arguments[-1] is Ellipsis:
        return st.lists(strategy_of(arguments[0]), max_size=2).map(tuple)
    if origin is tuple:
        return st.tuples(*map(strategy_of, arguments))
    if origin in (typing.Union, types.UnionType):
        return st.one_of(*map(strategy_of, arguments))
    if issubclass(kind, StrEnum):
        return st.sampled_from(kind)
    hints = typing.get_type_hints(kind)
    return st.builds(
        kind,
        **{
            f.name: st.deferred(lambda t=hints[f.name]: strategy_of(t))
            for f in dataclasses.fields(kind)
        },
    )


REVIEWS = strategy_of(Review)


def an_image(**changes) -> ImageSource:
    facts = {
        "file_name": "film.png",
        "format": "PNG",
        "sha256": "ab" * 32,
        "rows": 3,
        "columns": 4,
        "bits": 8,
        "lossy": False,
    }
    return ImageSource(**{**facts, **changes})


def a_review(**changes) -> Review:
    facts = {
        "software_version": "0.1.0",
        "created_utc": "2025-03-01T09:30:00Z",
        "image": an_image(),
        "polarity_reason": "as stored",
        "spacing_attribute": None,
        "marks": ReviewMarks(
            film_kind=FilmKind.POSTOPERATIVE,
            tooth="46",
            canals=(CanalMarks(name="MB", clicks_px=((0.0, 1.0), (2.0, 1.5))),),
        ),
        "calibration": None,
        "canals": (),
        "verdicts": (),
        "tooth_summaries": (),
        "warnings": (),
    }
    return Review(**{**facts, **changes})


@pytest.fixture
def saved(tmp_path: Path) -> Path:
    path = tmp_path / "film.png.rxreview.json"
    save_review(a_review(), path)
    return path


def changed(path: Path, change) -> Path:
    tree = json.loads(path.read_text())
    change(tree)
    path.write_text(json.dumps(tree))
    return path


def test_the_file_lies_beside_the_image() -> None:
    assert review_path("films/a.b.dcm") == Path("films/a.b.dcm.rxreview.json")


@settings(max_examples=40, deadline=None, suppress_health_check=list(HealthCheck))
@given(review=REVIEWS)
def test_every_review_returns_exactly(review: Review, tmp_path_factory) -> None:
    path = tmp_path_factory.getbasetemp() / "round.rxreview.json"
    save_review(review, path)
    again = load_review(path)
    assert again == review
    assert repr(again) == repr(review)  # -0.0 and the kind of each number too
    first = path.read_bytes()
    save_review(again, path)
    assert path.read_bytes() == first


@settings(max_examples=300, deadline=None)
@given(value=st.floats(allow_nan=False, allow_infinity=False))
def test_floats_return_to_the_last_bit(value: float, tmp_path_factory) -> None:
    path = tmp_path_factory.getbasetemp() / "float.rxreview.json"
    marks = ReviewMarks(film_kind=FilmKind.RECALL, settings=Settings(safety_mm=value))
    save_review(a_review(marks=marks), path)
    assert math.copysign(1.0, value) == math.copysign(1.0, read_marks(path).settings.safety_mm)
    assert read_marks(path).settings.safety_mm == value


def test_shipped_schemas_are_those_of_the_dataclasses() -> None:
    for path, schema in (
        (REVIEW_SCHEMA_PATH, review_schema()),
        (MARKS_SCHEMA_PATH, marks_schema()),
    ):
        Draft202012Validator.check_schema(schema)
        assert path.read_text(encoding="utf-8") == as_text(schema), (
            "run: python -m rxmeasure.record.schema"
        )


def test_saved_text_is_readable(saved: Path) -> None:
    text = saved.read_text()
    assert text.startswith(f'{{\n "format": "{FORMAT}",\n "format_version": {VERSION},\n')
    assert "[ 0.0, 1.0 ]" in text
    assert os.listdir(saved.parent) == [saved.name]


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_numbers_that_are_not_finite_are_not_saved(tmp_path: Path, saved: Path, bad: float) -> None:
    before = saved.read_bytes()
    marks = ReviewMarks(film_kind=FilmKind.RECALL, settings=Settings(safety_mm=bad))
    with pytest.raises(
        ReviewFileError, match=r"not finite, at \$\.review\.marks\.settings\.safety"
    ):
        save_review(a_review(marks=marks), saved)
    assert saved.read_bytes() == before


def test_broken_text_is_not_saved(saved: Path) -> None:
    image = an_image(file_name=os.fsdecode(b"film\xff.png"))
    with pytest.raises(
        ReviewFileError, match=r"broken characters, at \$\.review\.image\.file_name"
    ):
        save_review(a_review(image=image), saved)


def test_array_scalars_are_kept_as_plain_numbers(saved: Path) -> None:
    image = an_image(rows=np.int64(3), lossy=np.bool_(False))
    marks = ReviewMarks(
        film_kind=FilmKind.RECALL, settings=Settings(safety_mm=np.float32(0.5), seed=np.uint8(7))
    )
    save_review(a_review(image=image, marks=marks), saved)
    again = load_review(saved)
    assert type(again.image.rows) is int
    assert again.image.lossy is False
    assert again.marks.settings == Settings(safety_mm=0.5, seed=7)


def test_no_right_to_write_is_a_write_error(tmp_path: Path) -> None:
    with pytest.raises(WriteError, match="no folder"):
        save_review(a_review(), tmp_path / "absent" / "a.rxreview.json")


def _set(*keys_and_value):
    *keys, last, value = keys_and_value

    def change(tree) -> None:
        for key in keys:
            tree = tree[key]
        tree[last] = value

    return change


def _drop(*keys):
    *path, last = keys

    def change(tree) -> None:
        for key in path:
            tree = tree[key]
        del tree[last]

    return change


@pytest.mark.parametrize(
    ("change", "place"),
    [
        (_set("review", "surprise", 1), r"at \$\.review:.*surprise"),
        (_set("surprise", 1), r"at \$:.*surprise"),
        (_drop("review", "verdicts"), r"at \$\.review:.*verdicts"),
        (_set("review", "created_utc", 3), r"at \$\.review\.created_utc"),
        (_set("review", "image", "rows", "3"), r"at \$\.review\.image\.rows"),
        (_set("review", "image", "rows", 3.5), r"at \$\.review\.image\.rows"),
        (_set("review", "image", "lossy", 0), r"at \$\.review\.image\.lossy"),
        (_set("review", "image", "rows", True), r"at \$\.review\.image\.rows"),
        (_set("review", "marks", "film_kind", "panoramic"), r"at \$\.review\.marks\.film_kind"),
        (
            _set("review", "marks", "canals", 0, "clicks_px", 1, [1.0, 2.0, 3.0]),
            r"at \$\.review\.marks\.canals\[0\]\.clicks_px\[1\]",
        ),
        (
            _set("review", "marks", "canals", 0, "clicks_px", 1, 0, None),
            r"at \$\.review\.marks\.canals\[0\]\.clicks_px\[1\]\[0\]",
        ),
        (_set("review", "calibration", {"row_mm": 0.02}), r"at \$\.review\.calibration"),
        (_set("review", []), r"at \$\.review"),
        (_set("review", "image", "rows", 2**53 + 1), r"beyond 2\*\*53, at \$\.review\.image\.rows"),
        (_set("review", "image", "rows", 9007199254740994.0), r"at \$\.review\.image\.rows"),
        (_set("review", "image", "rows", 10**400), r"beyond 2\*\*53, at \$\.review\.image\.rows"),
        (_set("review", "reader", "\ud800"), r"broken characters, at \$\.review\.reader"),
        (_set("review", "\ud800", 1), r"broken characters, at \$\.review"),
    ],
)
def test_what_does_not_fit_is_refused_with_its_place(saved: Path, change, place: str) -> None:
    with pytest.raises(ReviewFileError, match=place):
        load_review(changed(saved, change))


@pytest.mark.parametrize(
    ("raw", "message"),
    [
        (b"", "not JSON: Expecting value at line 1, column 1"),
        (b'{\n "format": ', "not JSON: Expecting value at line 2"),
        (b"[1, 2]", "without the heading"),
        (b"{}", "without the heading"),
        (b'{"format": "rxmeasure-review", "format_version": true}', "without the heading"),
        (b'{"format": "rxmeasure-review", "format_version": -1}', "without the heading"),
        (b"\xef\xbb\xbf{}", "byte order mark, at line 1"),
        ("{}".encode("utf-16"), "not UTF-8 at line 1"),
        (b'{\n"a":\n"\xff"}', "not UTF-8 at line 3"),
        (b'{"a": [{"b": 1, "c": 2, "b": 3}]}', r"'b' twice in one object, at \$\.a\[0\]"),
        (b'{"a": [1, NaN]}', r"not finite, at \$\.a\[1\]"),
        (b'{"a": {"b c": -Infinity}}', r"not finite, at \$\.a\['b c'\]"),
        (b'{"a": 1e999}', r"not finite, at \$\.a"),
        (b'{"a": ' + b"9" * 5000 + b"}", "too long to be read"),
        (b'{"a": ' + b"[" * 40 + b"]" * 40 + b"}", "nested more than 32"),
        (b"[" * 90_000 + b"]" * 90_000, "nested more than 32"),
        (b'{"a":' * 90_000 + b"1" + b"}" * 90_000, "nested more than 32"),
        (b"[" * 200_000 + b"]" * 200_000, "more than 100,000 values"),
        (b"[" + b"0," * 100_000 + b"0]", "more than 100,000 values"),
    ],
)
@pytest.mark.parametrize(
    ("read", "error"), [(load_review, ReviewFileError), (read_marks, MarksError)]
)
def test_hostile_files(tmp_path: Path, raw: bytes, message: str, read, error) -> None:
    path = tmp_path / "a.rxreview.json"
    path.write_bytes(raw)
    if "heading" in message and read is read_marks:
        message = r"at \$" if b"rxmeasure-review" not in raw else message
        error = (MarksError, ReviewFileError)
    with pytest.raises(error, match=message):
        read(path)


def test_huge_files_are_not_read(tmp_path: Path) -> None:
    path = tmp_path / "a.rxreview.json"
    with path.open("wb") as file:
        file.truncate(2**40)  # sparse: takes no room
    with pytest.raises(ReviewFileError, match="larger than 32 MiB"):
        load_review(path)
    toml = path.rename(tmp_path / "a.toml")
    with pytest.raises(MarksError, match="larger than 1 MiB"):
        read_marks(toml)


def test_a_file_full_of_faults_is_refused_soon(saved: Path) -> None:
    def change(tree) -> None:
        tree["review"]["verdicts"] = [[]] * 40_000

    with pytest.raises(ReviewFileError, match=r"at \$\.review\.verdicts\[0\]"):
        load_review(changed(saved, change))


def test_what_is_not_a_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ReviewFileError, match="is not a file"):
        load_review(tmp_path)
    fifo = tmp_path / "pipe.json"
    os.mkfifo(fifo)
    with pytest.raises(ReviewFileError, match="is not a file"):
        load_review(fifo)
    with pytest.raises(ReviewFileError, match="cannot be read"):
        load_review(tmp_path / "absent.json")


def test_newer_versions_are_refused(saved: Path) -> None:
    with pytest.raises(ReviewFileError, match=f"version {VERSION + 1}, made by a newer program"):
        load_review(changed(saved, _set("format_version", VERSION + 1)))


def test_older_versions_are_brought_step_by_step() -> None:
    steps = {
        0: lambda d: {**d, "review": {**d["review"], "b": d["review"]["a"]}},
        1: lambda d: {**d, "review": {"c": d["review"]["b"] + 1}},
    }
    old = {"format": FORMAT, "format_version": 0, "review": {"a": 1}}
    new = migrate(old, steps=steps, version=2)
    assert new == {"format": FORMAT, "format_version": 2, "review": {"c": 2}}
    assert old == {"format": FORMAT, "format_version": 0, "review": {"a": 1}}
    with pytest.raises(ReviewFileError, match="version 0"):
        migrate(old, steps={1: steps[1]}, version=2)


def test_an_older_file_is_read_through_its_step(saved: Path, monkeypatch) -> None:
    from rxmeasure.record import migrations

    def rename(document):
        review = dict(document["review"])
        review["software_version"] = review.pop("program")
        return {**document, "review": review}

    def as_old(tree) -> None:
        tree["format_version"] = 0
        tree["review"]["program"] = tree["review"].pop("software_version")

    changed(saved, as_old)
    with pytest.raises(ReviewFileError, match="version 0"):
        load_review(saved)
    monkeypatch.setitem(migrations.STEPS, 0, rename)
    assert load_review(saved) == a_review()


TOML_MARKS = """
film_kind = "post-operative"
tooth = "46"

[[canals]]
name = "MB"
clicks_px = [[100, 200], [300.5, 220]]
core_end = { point_px = [298, 219], state = "marked" }
nominal = { size = 30, taper = 0.04 }

[[references]]
kind = "file"
points_px = [[10, 20], [300, 25]]
length_mm = 21
"""


def test_marks_from_toml_with_defaults(tmp_path: Path) -> None:
    path = tmp_path / "marks.toml"
    path.write_text(TOML_MARKS)
    marks = read_marks(path)
    canal = marks.canals[0]
    assert canal.clicks_px == ((100.0, 200.0), (300.5, 220.0))
    assert canal.core_end == Landmark(point_px=(298.0, 219.0), state=LandmarkState.MARKED)
    assert canal.orifice == Landmark()
    assert marks.references[0].length_mm == 21.0
    assert marks.settings == Settings()
    assert marks.film_kind is FilmKind.POSTOPERATIVE


def test_marks_from_json_and_from_a_review_are_the_same(saved: Path) -> None:
    tree = json.loads(saved.read_text())["review"]["marks"]
    annotation = saved.with_name("marks.json")
    annotation.write_text(json.dumps({"format_version": 1, **tree}))
    assert read_marks(annotation) == read_marks(saved) == a_review().marks


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (TOML_MARKS + "a = [1\n\n2]", "line 17"),
        (TOML_MARKS.replace("tooth", "film_kind"), "line 3"),  # the same key twice
        (TOML_MARKS.replace("tooth", "tooh"), "tooh"),
        (TOML_MARKS.replace("= 21", '= "21"'), r"at \$\.references\[0\]\.length_mm"),
        (TOML_MARKS.replace("= 21", "= nan"), r"not finite, at \$\.references\[0\]\.length_mm"),
        (TOML_MARKS.replace("= 21", "= 1979-05-27"), r"at \$\.references\[0\]\.length_mm"),
        (TOML_MARKS.replace("[100, 200]", "[100]"), r"at \$\.canals\[0\]\.clicks_px\[0\]"),
        (TOML_MARKS.replace("film_kind", "format_version = 2\nfilm_kind"), "format_version"),
        (TOML_MARKS + "[settings]\nseed = 9007199254740994.0", r"at \$\.settings\.seed"),
        ('tooth = "46"', "film_kind"),
        ("a = " + "[" * 3000 + "]" * 3000, "nested more than 32"),
        ("a = " + "9" * 5000, "number"),
    ],
)
def test_wrong_annotation_files(tmp_path: Path, text: str, message: str) -> None:
    path = tmp_path / "marks.toml"
    path.write_text(text)
    with pytest.raises(MarksError, match=message):
        read_marks(path)


def test_another_image_is_refused_but_may_be_overridden() -> None:
    def film(**changes) -> Radiograph:
        return Radiograph(
            pixels=np.zeros((3, 4), dtype=np.float32),
            value_min=0.0,
            value_max=255.0,
            source=an_image(**changes),
            polarity=Polarity(turned=False, reason="as stored"),
        )

    check_image(a_review(), film(file_name="renamed.png"))
    with pytest.raises(ImageChangedError, match="cdcdcdcdcdcd") as caught:
        check_image(a_review(), film(sha256="cd" * 32))
    assert caught.value.overridable


def test_marks_of_an_older_file_were_placed_by_hand(saved: Path) -> None:
    def as_before(tree) -> None:
        del tree["review"]["marks"]["canals"][0]["origin"]

    (canal,) = load_review(changed(saved, as_before)).marks.canals
    assert canal.origin is MarksOrigin.BY_HAND


def test_an_annotation_file_may_say_that_nobody_confirmed_a_canal(tmp_path: Path) -> None:
    path = tmp_path / "film.marks.toml"
    path.write_text(
        'film_kind = "recall"\n[[canals]]\nname = "1"\nclicks_px = [[0, 1], [2, 3]]\n'
        'origin = "not confirmed"\n'
    )
    (canal,) = read_marks(path).canals
    assert not canal.confirmed
