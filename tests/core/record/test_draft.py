"""The draft: unfinished marks return exactly, and what is not a draft is refused."""

from __future__ import annotations

import json
import math
import os
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from rxmeasure.errors import ReviewFileError, WriteError
from rxmeasure.marks import (
    CanalMarks,
    FilmKind,
    Landmark,
    LandmarkState,
    LengthReference,
    NominalShape,
    Override,
    ReviewMarks,
    Settings,
)
from rxmeasure.radiograph import ImageSource
from rxmeasure.record import draft as draft_module
from rxmeasure.record.draft import (
    FILM_DRAFTS,
    FORMAT,
    VERSION,
    Draft,
    DraftSort,
    draft_path,
    drop_draft,
    load_draft,
    save_draft,
)
from rxmeasure.record.form_draft import FORM_DRAFTS, FormDraft, form_draft_path
from rxmeasure.record.schema import (
    as_text,
    draft_schema,
    form_draft_schema,
    series_draft_schema,
)
from rxmeasure.record.series_draft import SERIES_DRAFTS

TEXT = st.text(max_size=8)
NUMBER = st.floats(allow_nan=False, allow_infinity=False)
POINT = st.tuples(NUMBER, NUMBER)
POINTS = st.lists(POINT, max_size=3).map(tuple)
LANDMARK = st.builds(
    Landmark, point_px=st.none() | POINT, state=st.sampled_from(LandmarkState), label=TEXT
)
CANAL = st.builds(
    CanalMarks,
    name=TEXT,
    clicks_px=POINTS,
    radiographic_apex=LANDMARK,
    core_end=LANDMARK,
    nominal=st.none() | st.builds(NominalShape, size=NUMBER, taper=NUMBER),
    locator_reading_mm=st.none() | NUMBER,
)
REFERENCE = st.builds(
    LengthReference, kind=TEXT, points_px=POINTS, length_mm=NUMBER, tip_size=st.none() | NUMBER
)
MARKS = st.builds(
    ReviewMarks,
    film_kind=st.sampled_from(FilmKind),
    tooth=TEXT,
    canals=st.lists(CANAL, max_size=2).map(tuple),
    references=st.lists(REFERENCE, max_size=2).map(tuple),
    use_detector_spacing=st.booleans(),
    settings=st.builds(Settings, safety_mm=NUMBER, seed=st.integers(-(2**53), 2**53)),
    overrides=st.lists(
        st.builds(Override, canal=TEXT, rule_id=TEXT, verdict=TEXT, reason=TEXT), max_size=2
    ).map(tuple),
)
IMAGE = ImageSource(
    file_name="film.png", format="PNG", sha256="ab" * 32, rows=3, columns=4, bits=8, lossy=False
)
DRAFTS = st.builds(
    Draft,
    image=st.just(IMAGE),
    inverted=st.booleans(),
    marks=MARKS,
    canal=TEXT,
    step=TEXT,
    saved_utc=TEXT,
    software_version=TEXT,
)
#: One click along a canal, a known length begun without its length.
BEGUN = Draft(
    image=IMAGE,
    inverted=True,
    marks=ReviewMarks(
        film_kind=FilmKind.POSTOPERATIVE,
        tooth="46",
        canals=(CanalMarks(name="MB", clicks_px=((0.1, 1.0),)), CanalMarks(name="D", clicks_px=())),
        references=(LengthReference(kind="file", points_px=((2.0, 1.5),), length_mm=0.0),),
    ),
    canal="MB",
    step="canals",
    saved_utc="2025-03-01T09:30:00+00:00",
    software_version="0.1.0",
)


@pytest.fixture
def saved(tmp_path: Path) -> Path:
    path = tmp_path / "film.png.rxdraft.json"
    save_draft(BEGUN, path)
    return path


def changed(path: Path, change: Callable[[Any], None]) -> Path:
    tree = json.loads(path.read_text())
    change(tree)
    path.write_text(json.dumps(tree))
    return path


def test_the_file_lies_beside_the_image() -> None:
    assert draft_path("films/a.b.dcm") == Path("films/a.b.dcm.rxdraft.json")


def test_unfinished_marks_return(saved: Path) -> None:
    assert load_draft(saved) == BEGUN
    assert os.listdir(saved.parent) == [saved.name]


@settings(max_examples=150, deadline=None, suppress_health_check=list(HealthCheck))
@given(draft=DRAFTS)
def test_every_draft_returns_exactly(draft: Draft, tmp_path_factory: Any) -> None:
    path = tmp_path_factory.getbasetemp() / "round.rxdraft.json"
    save_draft(draft, path)
    again = load_draft(path)
    assert again == draft
    assert repr(again) == repr(draft)  # -0.0 and the kind of each number too
    first = path.read_bytes()
    save_draft(again, path)
    assert path.read_bytes() == first


@pytest.mark.parametrize(
    ("sort", "schema"),
    [
        (FILM_DRAFTS, draft_schema()),
        (SERIES_DRAFTS, series_draft_schema()),
        (FORM_DRAFTS, form_draft_schema()),
    ],
)
def test_the_shipped_schema_is_that_of_the_dataclasses(
    sort: DraftSort[Any], schema: dict[str, Any]
) -> None:
    Draft202012Validator.check_schema(schema)
    assert sort.schema_path.read_text(encoding="utf-8") == as_text(schema), (
        "run: python -m rxmeasure.record.schema"
    )


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_numbers_that_are_not_finite_are_not_saved(saved: Path, bad: float) -> None:
    before = saved.read_bytes()
    marks = replace(BEGUN.marks, canals=(CanalMarks(name="MB", clicks_px=((bad, 1.0),)),))
    with pytest.raises(ReviewFileError, match=r"not finite, at \$\.draft\.marks\.canals\[0\]"):
        save_draft(replace(BEGUN, marks=marks), saved)
    assert saved.read_bytes() == before


def test_broken_text_is_not_saved(saved: Path) -> None:
    image = replace(IMAGE, file_name=os.fsdecode(b"film\xff.png"))
    with pytest.raises(ReviewFileError, match=r"broken characters, at \$\.draft\.image\.file"):
        save_draft(replace(BEGUN, image=image), saved)


def test_a_folder_that_is_not_there_is_a_write_error(tmp_path: Path) -> None:
    with pytest.raises(WriteError, match="no folder"):
        save_draft(BEGUN, tmp_path / "absent" / "a.rxdraft.json")


def test_a_draft_is_dropped_and_none_there_is_well(saved: Path, tmp_path: Path) -> None:
    drop_draft(saved)
    assert os.listdir(tmp_path) == []
    drop_draft(saved)
    saved.mkdir()
    with pytest.raises(WriteError, match="cannot be taken away"):
        drop_draft(saved)


@pytest.mark.parametrize(
    ("raw", "message"),
    [
        (b"", "not JSON: Expecting value at line 1, column 1"),
        (b"[1, 2]", "without the heading of a draft"),
        (b'{"format": "rxmeasure-review", "format_version": 1}', "without the heading of a draft"),
        (b'{"format": "rxmeasure-draft", "format_version": true}', "without the heading"),
        (b'{"format": "rxmeasure-draft", "format_version": -1}', "without the heading"),
        (b'{"format": "rxmeasure-draft", "format_version": 0}', "a draft of version 0"),
        (b'{"format": "rxmeasure-draft", "format_version": 2}', "made by a newer program"),
        (b'{"format": "rxmeasure-draft", "format_version": 1}', r"at \$: 'draft'"),
        (b'{"a": [1, NaN]}', r"not finite, at \$\.a\[1\]"),
        (b"[" * 90_000, "nested more than 32|not JSON"),
    ],
)
def test_what_is_not_a_draft_is_refused(saved: Path, raw: bytes, message: str) -> None:
    saved.write_bytes(raw)
    with pytest.raises(ReviewFileError, match=message):
        load_draft(saved)


def test_unknown_entries_are_refused_with_their_place(saved: Path) -> None:
    changed(saved, lambda tree: tree["draft"].update(surprise=1))
    with pytest.raises(ReviewFileError, match=r"at \$\.draft:.*surprise"):
        load_draft(saved)


def test_an_older_draft_is_read_through_its_step(
    saved: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def as_old(tree: Any) -> None:
        tree["format_version"] = VERSION - 1
        tree["draft"]["place"] = tree["draft"].pop("step")

    def rename(document: dict[str, Any]) -> dict[str, Any]:
        inner = dict(document["draft"])
        inner["step"] = inner.pop("place")
        return {**document, "draft": inner}

    changed(saved, as_old)
    monkeypatch.setitem(draft_module.STEPS, VERSION - 1, rename)
    assert load_draft(saved) == BEGUN


def _nodes(tree: Any, trail: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Trails of all entries, inner ones too."""
    entries = tree.items() if isinstance(tree, dict) else enumerate(tree)
    for key, value in entries:
        yield (*trail, key)
        if isinstance(value, (dict, list)):
            yield from _nodes(value, (*trail, key))


ANY_JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | TEXT,
    lambda inner: st.lists(inner, max_size=2) | st.dictionaries(TEXT, inner, max_size=2),
    max_leaves=4,
)


@settings(max_examples=400, deadline=None, suppress_health_check=list(HealthCheck))
@given(data=st.data())
def test_a_draft_with_one_entry_changed_is_read_or_refused(
    data: st.DataObject, tmp_path_factory: Any
) -> None:
    path = tmp_path_factory.getbasetemp() / "entry.rxdraft.json"
    save_draft(BEGUN, path)
    tree = json.loads(path.read_text())
    *trail, last = data.draw(st.sampled_from(list(_nodes(tree))))
    inner = tree
    for key in trail:
        inner = inner[key]
    if data.draw(st.booleans()):
        del inner[last]
    else:
        inner[last] = data.draw(ANY_JSON)
    path.write_text(json.dumps(tree))
    _read_or_refused(path)


@settings(max_examples=400, deadline=None, suppress_health_check=list(HealthCheck))
@given(data=st.data())
def test_damaged_bytes_are_read_or_refused(data: st.DataObject, tmp_path_factory: Any) -> None:
    path = tmp_path_factory.getbasetemp() / "bytes.rxdraft.json"
    save_draft(BEGUN, path)
    raw = bytearray(path.read_bytes())
    start = data.draw(st.integers(0, len(raw)))
    stop = data.draw(st.integers(start, min(len(raw), start + 40)))
    raw[start:stop] = data.draw(st.binary(max_size=8))
    path.write_bytes(raw)
    _read_or_refused(path)


@given(cut=st.integers(0, 10_000))
def test_a_draft_cut_short_is_refused(cut: int, tmp_path_factory: Any) -> None:
    path = tmp_path_factory.getbasetemp() / "cut.rxdraft.json"
    save_draft(BEGUN, path)
    raw = path.read_bytes().rstrip()
    path.write_bytes(raw[: cut % len(raw)])
    with pytest.raises(ReviewFileError):
        load_draft(path)


@pytest.mark.parametrize("value", [9007199254740994.0, 1e300])
def test_a_whole_number_too_large_to_keep_is_refused(saved: Path, value: float) -> None:
    tree = json.loads(saved.read_text())
    tree["draft"]["image"]["rows"] = value
    saved.write_text(json.dumps(tree))
    with pytest.raises(ReviewFileError, match=r"\$\.draft\.image\.rows"):
        load_draft(saved)


def _read_or_refused(path: Path) -> None:
    try:
        draft = load_draft(path)
    except ReviewFileError:
        return
    save_draft(draft, path)  # what is read is whole: it can be kept again
    assert load_draft(path) == draft


def test_the_heading_comes_first(saved: Path) -> None:
    assert saved.read_text().startswith(f'{{"format": "{FORMAT}", "format_version": {VERSION}, ')


@given(
    levels=st.lists(st.tuples(TEXT, TEXT), max_size=4).map(tuple),
    comment=TEXT,
    based_on=st.integers(0, 9),
)
def test_a_form_returns_exactly(
    levels: tuple[tuple[str, str], ...],
    comment: str,
    based_on: int,
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    draft = FormDraft(
        rater="s-1", role="student", course="c", ticket="T", based_on=based_on, levels=levels,
        comment=comment, saved_utc="2026-03-02T08:00:00+00:00", software_version="0.1.0",
    )  # fmt: skip
    path = form_draft_path(
        tmp_path_factory.getbasetemp(), rater="s-1", role="student", course="c", ticket="T"
    )
    path.write_bytes(FORM_DRAFTS.as_bytes(draft))
    assert FORM_DRAFTS.load(path) == draft


def test_forms_of_two_people_or_roles_lie_apart(tmp_path: Path) -> None:
    whose = [("s-1", "student", "c", "T"), ("s-2", "student", "c", "T"), ("s-1", "rater", "c", "T")]
    paths = {
        form_draft_path(tmp_path, rater=rater, role=role, course=course, ticket=ticket)
        for rater, role, course, ticket in whose
    }
    assert len(paths) == len(whose)
    assert not [path for path in paths if "s-1" in path.name]
