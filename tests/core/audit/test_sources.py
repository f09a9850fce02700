"""Where rows come from: review files, a table, a store."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import pytest
from core.audit.conftest import ZERO_TWO, audit_of, row

from rxmeasure.audit.audit import AuditRequest, run_audit
from rxmeasure.audit.review_folder import ReviewFolder
from rxmeasure.audit.rows import RefusedRecord
from rxmeasure.audit.rows_file import RowsFile, write_rows
from rxmeasure.audit.stored_rows import stored_rows
from rxmeasure.criteria.by_value import measures_of
from rxmeasure.criteria.criterion import published_rule_sets
from rxmeasure.criteria.results import Outcome
from rxmeasure.errors import AuditError
from rxmeasure.marks import MarksOrigin
from rxmeasure.phantom.clinic import MEASURED_FOR
from rxmeasure.reading import read_radiograph
from rxmeasure.record.review_file import SUFFIX, read_marks, save_review
from rxmeasure.review import Review, review_film

MEASURES = measures_of([published_rule_sets()[rule_id] for rule_id in MEASURED_FOR])


@pytest.fixture(scope="module")
def reviews(sample_images: Path) -> dict[str, Review]:
    """Real reviews: one canal with a scale, two without."""
    return {
        name: review_film(
            read_radiograph(sample_images / name),
            read_marks((sample_images / name).with_suffix(".marks.toml")),
        )
        for name in ("adequate_premolar.png", "curved_molar.tif")
    }


@pytest.fixture
def folder(tmp_path: Path, reviews: dict[str, Review]) -> Path:
    for name, review in reviews.items():
        below = tmp_path / name.partition(".")[0]
        below.mkdir()
        save_review(review, below / (name + SUFFIX))
    return tmp_path


def test_rows_of_review_files(folder: Path, reviews: dict[str, Review]) -> None:
    rows = list(ReviewFolder(folder).rows(ZERO_TWO, MEASURES))
    places = [(r.patient, r.tooth, r.canal, r.film, r.taken, r.calibrated) for r in rows]
    assert places == [
        ("sample-adequate-premolar", "35", "single", "adequate_premolar.png", "2024-02-29", True),
        ("sample-curved-molar", "46", "M", "curved_molar.tif", "2024-02-29", False),
        ("sample-curved-molar", "46", "D", "curved_molar.tif", "2024-02-29", False),
    ]
    review = reviews["adequate_premolar.png"]
    overall = next(v for v in review.verdicts if (v.rule_id, v.field) == ("zero_two", "overall"))
    assert rows[0].verdict.outcome is overall.outcome
    known = {m.name: m for m in review.canals[0].measures}
    assert {m.name for m in rows[0].measures} == MEASURES & known.keys()
    assert all(known[m.name] == m for m in rows[0].measures)
    audit = run_audit(ReviewFolder(folder), AuditRequest(rule_set=ZERO_TWO))
    assert audit.levels[0].count.why_excluded == (("film without a scale", 2),)


def test_damaged_files_are_counted_and_named(folder: Path) -> None:
    first = next(folder.rglob("*" + SUFFIX))
    whole = first.read_bytes()
    for name, data in (
        ("cut", whole[: len(whole) // 2]), ("empty", b""), ("latin", b"\xff\xfe"),
        ("other", b'{"format": "something"}'),
        ("changed", whole.replace(b'"format_version": 1', b'"format_version": 99')),
    ):  # fmt: skip
        (folder / (name + SUFFIX)).write_bytes(data)
    audit = run_audit(ReviewFolder(folder), AuditRequest(rule_set=ZERO_TWO))
    (refused,) = (r for r in audit.left_out if r.unit == "files")
    assert refused.count == 5
    assert [n.partition(SUFFIX)[0] for n in refused.names] == [
        "changed", "cut", "empty", "latin", "other",
    ]  # fmt: skip
    assert audit.n_canals == 3


def test_proposals_in_review_files_are_not_confirmed(
    tmp_path: Path, reviews: dict[str, Review]
) -> None:
    review = reviews["adequate_premolar.png"]
    canal = replace(review.marks.canals[0], origin=MarksOrigin.NOT_CONFIRMED)
    proposed = replace(review, marks=replace(review.marks, canals=(canal,)))
    save_review(proposed, tmp_path / ("a.png" + SUFFIX))
    audit = run_audit(ReviewFolder(tmp_path), AuditRequest(rule_set=ZERO_TWO))
    assert audit.proposals.total == 1
    assert [r.count.n_judged for r in audit.levels] == [0, 0, 0]


def test_an_empty_folder_is_refused(tmp_path: Path) -> None:
    with pytest.raises(AuditError, match="no review file"):
        run_audit(ReviewFolder(tmp_path), AuditRequest(rule_set=ZERO_TWO))


def test_a_table_gives_the_rows_back(tmp_path: Path, clinic) -> None:
    path = tmp_path / "canals.csv"
    write_rows(path, clinic.rows, ZERO_TWO, MEASURES)
    again = list(RowsFile(path).rows(ZERO_TWO, MEASURES))
    others = tuple(published_rule_sets()[r] for r in MEASURED_FOR[1:])
    one, two = (audit_of(rows, other_rule_sets=others) for rows in (clinic.rows, again))
    assert replace(one, created_utc="") == replace(two, created_utc="")
    # Kept verdicts are of one rule set; by another one nothing is kept.
    other = published_rule_sets()["half_two"]
    assert {r.verdict for r in RowsFile(path).rows(other, MEASURES)} == {None}


def test_a_table_with_decimal_commas(tmp_path: Path) -> None:
    path = tmp_path / "canals.csv"
    path.write_text(
        "patient;tooth;canal;film;film_kind;fill_to_apex_core_mm;fill_to_apex_core_mm:u;void_free\n"
        "p1;11;single;a.png;post-operative;1,25;0,1;yes\n\n"
        "p2;11;single;b.png;post-operative;;;no\n",
        encoding="utf-8-sig",
    )
    first, second = RowsFile(path).rows(ZERO_TWO, MEASURES)
    core = next(m for m in first.measures if m.name == "fill_to_apex_core_mm")
    assert (core.value, core.u) == (1.25, 0.1)
    assert {m.name: m.value for m in second.measures} == {
        "fill_to_apex_core_mm": None, "void_free": False,
    }  # fmt: skip


HEADER = (
    "patient,tooth,canal,film,film_kind,taken,confirmed,rule_id,rule_version,outcome,void_count"
)


@pytest.mark.parametrize(
    ("line", "text"),
    [
        ("p,11,s,a,film,,,,,,", "line 3: the film kind 'film'"),
        ("p,11,s,a,recall,14.3.25,,,,,", "line 3: '14.3.25' under taken"),
        ("p,11,s,a,recall,,maybe,,,,", "line 3: 'maybe' under confirmed"),
        ("p,11,s,a,recall,,,zero_two,1,good,", "line 3: 'good' under outcome"),
        ("p,11,s,a,recall,,,,,met,", "line 3: an outcome without its rule set"),
        ("p,11,s,a,recall,,,,,,many", "line 3: 'many' under void_count"),
        ("p,11,s,a,recall,,,,,,inf", "line 3: 'inf' under void_count"),
        ("p,11,s,a,recall", "line 3: 5 cells"),
        ('p,11,s,"a,recall,,,,,,', "line 3: unexpected end"),
    ],
)
def test_wrong_lines_are_named(tmp_path: Path, line: str, text: str) -> None:
    path = tmp_path / "canals.csv"
    path.write_text(f"{HEADER}\np,11,s,b,recall,,,,,,\n{line}\n", encoding="utf-8")
    with pytest.raises(AuditError, match=text):
        list(RowsFile(path).rows(ZERO_TWO, {"void_count"}))


def test_columns_that_nobody_knows_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "canals.csv"
    path.write_text("patient,tooth,canal,film,film_kind,opperator\n", encoding="utf-8")
    with pytest.raises(AuditError, match="opperator"):
        RowsFile(path).rows(ZERO_TWO, MEASURES)


@dataclass(frozen=True, slots=True, kw_only=True)
class StoreVerdict:
    """As a store lists it."""

    rule_id: str
    rule_version: str
    field: str
    outcome: str


@dataclass(frozen=True, slots=True, kw_only=True)
class StoreCanal:
    """As a store lists it."""

    image_sha256: str
    owner: str
    patient: str | None
    date: str
    tooth: str
    film_kind: str
    canal: str
    confirmed: bool
    calibrated: bool
    measures: dict[str, tuple[float | bool | str, float | None, float | None]]
    verdicts: tuple[StoreVerdict, ...]


def test_rows_of_a_store(reviews: dict[str, Review], folder: Path) -> None:
    """What a store lists of a review gives the same audit as its file."""
    listed = []
    for review in reviews.values():
        for canal in review.canals:
            listed.append(
                StoreCanal(
                    image_sha256=review.image.sha256,
                    owner=review.marks.reader,
                    patient=review.marks.patient_pseudonym,
                    date=review.marks.visit,
                    tooth=review.marks.tooth,
                    film_kind=str(review.marks.film_kind),
                    canal=canal.name,
                    confirmed=True,
                    calibrated=review.calibration is not None,
                    measures={
                        m.name: (m.value, m.u, m.p_true)
                        for m in canal.measures
                        if m.value is not None
                    },
                    verdicts=tuple(
                        StoreVerdict(
                            rule_id=v.rule_id,
                            rule_version=v.rule_version,
                            field=v.field,
                            outcome=str(v.outcome),
                        )
                        for v in review.verdicts
                        if v.canal == canal.name
                    ),
                )
            )
    others = tuple(published_rule_sets()[r] for r in MEASURED_FOR[1:])
    request = AuditRequest(rule_set=ZERO_TWO, other_rule_sets=others)
    from_files = run_audit(ReviewFolder(folder), request)
    from_store = audit_of(list(stored_rows(listed, ZERO_TWO, MEASURES)), other_rule_sets=others)
    same = {"created_utc": "", "source": ""}
    assert replace(from_store, **same) == replace(from_files, **same)


def test_refused_records_have_a_name() -> None:
    audit = audit_of([row("p1 11 s", Outcome.MET), RefusedRecord(name="a", found="b")])
    assert [r.names for r in audit.left_out] == [("a: b",)]
