"""The audit: its laws, what it counts, and what it leaves out."""

from __future__ import annotations

import random
from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import pytest
from core.audit.conftest import ZERO_TWO, audit_of, row

from rxmeasure.agreement.kappa import cohen_kappa, ratings_from_table
from rxmeasure.audit.clinic_log import FilmEntry
from rxmeasure.audit.dates import Period
from rxmeasure.audit.planning import plan_films
from rxmeasure.audit.reaudit import compare_audits
from rxmeasure.audit.results import Audit
from rxmeasure.audit.rows import AuditRow, KeptVerdict, RefusedRecord
from rxmeasure.audit.statistics.denominators import Level
from rxmeasure.audit.statistics.sampling import SamplingMethod
from rxmeasure.criteria.criterion import published_rule_sets
from rxmeasure.criteria.results import Outcome
from rxmeasure.criteria.rules import Band, BandsRule
from rxmeasure.errors import AuditError
from rxmeasure.marks import FilmKind

RULE_SETS = published_rule_sets()


def levels(audit: Audit) -> dict[Level, tuple[int, int, int]]:
    """Met, judged and not judged at each level."""
    return {r.count.level: (r.count.n_met, r.count.n_judged, r.count.n_excluded)
            for r in audit.levels}  # fmt: skip


def reasons(audit: Audit) -> dict[str, int]:
    return {reason.text: reason.count for reason in audit.left_out}


def numbers(audit: Audit) -> Audit:
    """The audit without the moment it was made."""
    return replace(audit, created_utc="")


def test_order_of_rows_does_not_matter(clinic) -> None:
    broken = [RefusedRecord(name=f"{k}.rxreview.json", found="not JSON") for k in range(3)]
    again = [replace(r, reader="reader-2", taken="2025-01-01") for r in clinic.rows[:40]]
    records = [*clinic.rows, *again, *broken]
    shuffled = list(records)
    random.Random(7).shuffle(shuffled)
    others = (RULE_SETS["zero_three"], RULE_SETS["half_two"])
    one = audit_of(records, other_rule_sets=others)
    assert numbers(one) == numbers(audit_of(shuffled, other_rule_sets=others))
    assert one.n_second_reader > 0


def test_every_patient_twice_narrows_the_interval(clinic) -> None:
    twins = [replace(r, patient="twin-" + r.patient) for r in clinic.rows]
    once, twice = audit_of(clinic.rows), audit_of([*clinic.rows, *twins])
    for one, two in zip(once.levels, twice.levels, strict=True):
        assert (two.count.n_met, two.count.n_judged) == (
            2 * one.count.n_met,
            2 * one.count.n_judged,
        )
        widths = [i.high - i.low for i in (one.count.proportion.interval,
                                           two.count.proportion.interval)]  # fmt: skip
        # calc: half the variance; Student's t and the middle of Wilson's interval move it a little.
        assert widths[1] / widths[0] == pytest.approx(2.0**-0.5, abs=0.03)


def test_every_canal_twice_within_its_patient_does_not(clinic) -> None:
    copies = [replace(r, canal=r.canal + " copy") for r in clinic.rows]
    once, twice = audit_of(clinic.rows), audit_of([*clinic.rows, *copies])
    one, two = (a.levels[0].count.proportion.interval for a in (once, twice))
    assert two.low == pytest.approx(one.low, abs=0.01)
    assert two.high == pytest.approx(one.high, abs=0.01)


def test_same_limits_give_the_same_result(clinic) -> None:
    same = replace(ZERO_TWO, id="our_own", version="9")
    audit = audit_of(clinic.rows, other_rule_sets=(same,))
    assert len(audit.rule_changes) == 3
    for change in audit.rule_changes:
        pair = change.paired
        assert (pair.gained, pair.lost, pair.difference, pair.interval) == (0, 0, 0.0, None)
    here = audit_of([replace(r, verdict=None) for r in clinic.rows], rule_set=same)
    there = audit_of([replace(r, verdict=None) for r in clinic.rows])
    assert here.levels == there.levels


def test_a_wider_rule_loses_none_a_narrower_one_gains_none(clinic) -> None:
    def limit(high: float):
        field = ZERO_TWO.field("length")
        assert isinstance(field.rule, BandsRule)
        _, inside, above = field.rule.bands
        bands = (field.rule.bands[0], replace(inside, high=high), replace(above, low=high))
        changed = replace(field, rule=replace(field.rule, bands=bands))
        fields = tuple(changed if f.name == "length" else f for f in ZERO_TWO.fields)
        return replace(ZERO_TWO, id=f"to_{high:g}", fields=fields)

    audit = audit_of(clinic.rows, other_rule_sets=(limit(3.0), limit(1.0)))
    wide, narrow = (c.paired for c in audit.rule_changes if c.level is Level.TOOTH)
    assert wide.lost == narrow.gained == 0
    assert wide.gained > 0
    assert narrow.lost > 0
    assert wide.interval.low <= wide.difference <= wide.interval.high


def test_counts_by_hand() -> None:
    met, not_met = Outcome.MET, Outcome.NOT_MET
    records = [
        row("p1 16 MB1"), row("p1 16 MB2", confirmed=False), row("p1 16 DB"), row("p1 16 P"),
        row("p2 46 MB"), row("p2 46 ML", not_met), row("p2 46 D"),
        row("p3 11 single", met), row("p4 35 single", not_met),
        row("p5 23 single", Outcome.CANNOT_BE_JUDGED, calibrated=False),
    ]  # fmt: skip
    audit = audit_of(records)
    # By hand: root MB and tooth 16 hang on MB2; root M and tooth 46 fail; 23 has no scale.
    assert levels(audit) == {
        Level.CANAL: (6, 8, 2), Level.ROOT: (4, 6, 2), Level.TOOTH: (1, 3, 2),
    }  # fmt: skip
    assert audit.levels[0].count.why_excluded == (
        ("film without a scale", 1), ("marks not confirmed by a person", 1),
    )  # fmt: skip
    assert (audit.n_patients, audit.n_films, audit.n_canals) == (5, 5, 10)


def test_proposals_stand_apart_and_never_count() -> None:
    own = [row("p1 11 single"), row("p2 11 single", Outcome.NOT_MET)]
    proposed = [row(f"q{k} 21 single", confirmed=False) for k in range(6)]
    proposed.append(row("q9 21 single", Outcome.NOT_MET, confirmed=False))
    alone, both = audit_of(own), audit_of([*own, *proposed])
    assert [r.count.proportion for r in both.levels] == [r.count.proportion for r in alone.levels]
    assert (both.proposals.met, both.proposals.total) == (6, 7)
    assert (alone.proposals.met, alone.proposals.total) == (0, 0)
    assert both.charts == alone.charts


def test_borderline_canals_lie_on_the_side_of_their_values() -> None:
    near = Outcome.BORDERLINE
    records = [
        row("p1 11 single", near, short_mm=1.95), row("p2 11 single", near, short_mm=2.05),
        row("p3 11 single", near, short_mm=None), row("p4 11 single"),
        row("p5 11 single", Outcome.NOT_MET),
    ]  # fmt: skip
    audit = audit_of(records)
    for result in audit.levels:
        assert (result.count.n_met, result.count.n_judged) == (2, 4)
        assert (result.least_met, result.n_borderline, result.most_met) == (1, 2, 3)
    assert audit.levels[0].count.why_excluded == (
        ("borderline, without values to tell the side", 1),
    )


def test_what_is_left_out_is_counted_with_its_reason() -> None:
    records = [
        row("p1 11 single"), row("p2 21 single"),
        row("p1 11 single", film="later.png", taken="2025-06-01"),
        row("p2 21 single", reader="reader-2", confirmed=False),
        row("p3 11 single", film_kind=FilmKind.MASTER_CONE),
        row("p4 11 single", taken="2024-12-31"), row("p5 11 single", taken=""),
        row("p6 99 single"), row("p7 11 single", patient=""),
        RefusedRecord(name="broken.rxreview.json", found="broken.rxreview.json is not JSON."),
    ]  # fmt: skip
    audit = audit_of(records, period=Period(since="2025-01-01", until="2025-12-31"))
    assert reasons(audit) == {
        "another film of the canal counts": 1, "another review of the film counts": 1,
        "another kind of film": 1, "outside the period": 1, "no date": 1,
        "no tooth number (FDI)": 1, "no patient pseudonym": 1, "review file refused": 1,
    }  # fmt: skip
    refused = next(r for r in audit.left_out if r.unit == "files")
    assert refused.names == ("broken.rxreview.json: broken.rxreview.json is not JSON.",)
    assert audit.n_canals == 2
    assert audit.proposals.total == 0
    assert audit.n_second_reader == 1
    assert sum(reasons(audit).values()) + audit.n_canals == len(records)


def test_a_person_s_verdict_rules_and_is_counted() -> None:
    by_hand = KeptVerdict(outcome=Outcome.MET, overridden=True)
    records = [row("p1 11 single", short_mm=5.0, verdict=by_hand), row("p2 11 single")]
    audit = audit_of(records, other_rule_sets=(RULE_SETS["zero_three"],))
    assert audit.levels[0].count.n_met == 2
    assert audit.n_overridden == 1
    # The rule sets are compared by value, the override aside.
    assert audit.rule_changes[0].paired.first_met == 1


def test_reviews_judged_by_another_rule_set_are_judged_now() -> None:
    audit = audit_of([row("p1 11 single", None), row("p2 11 single", None, short_mm=4.0)])
    assert audit.n_judged_here == 2
    assert levels(audit)[Level.CANAL] == (1, 2, 0)
    assert [w.code for w in audit.warnings] == ["judged-here"]


def entry(film: str, **changes) -> FilmEntry:
    plain = FilmEntry(
        film=film, date="2025-03-14", patient="", operator="op-1", kind="post-operative",
        receptor=None, acceptable=None, retake_of="", reason="",
    )  # fmt: skip
    return replace(plain, **changes)


def test_only_the_films_of_the_plan() -> None:
    records = [row(f"p{k} 11 single") for k in range(30)]
    log = [entry(f"p{k}-11.png") for k in range(40)]
    log.append(entry("again.png", retake_of="p0-11.png", reason="apex missed"))
    plan = plan_films(log, SamplingMethod.RANDOM, per_kind=20, seed="spring", period=Period())
    chosen = set(plan.groups[0].chosen)
    assert len(chosen) == 20
    assert "p0-11.png" not in chosen
    audit = audit_of(records, sample=plan)
    reviewed = chosen & {r.film for r in records}
    assert audit.n_films == len(reviewed)
    missing = next(r for r in audit.left_out if r.unit == "films")
    assert set(missing.names) == chosen - reviewed
    assert reasons(audit)["not in the sample"] == 30 - len(reviewed)
    assert "seed 'spring'" in audit.sampling


def test_operators_and_dates_come_from_the_log() -> None:
    records = [row(f"p{k} 11 single", taken="") for k in range(4)]
    log = [
        entry("p0-11.png"), entry("p1-11.png", operator="op-2", date="2025-04-01"),
        entry("p2-11.png", patient="another"),
    ]  # fmt: skip
    audit = audit_of(records, films=log)
    assert [(s.name, s.total) for s in audit.operators] == [
        ("op-1", 1), ("op-2", 1), ("operator not named", 2),
    ]  # fmt: skip
    assert [m.month for m in audit.charts[0].months] == ["2025-03", "2025-04"]
    codes = {w.code for w in audit.warnings}
    assert {"film-not-in-log", "other-patient-in-log", "undated"} <= codes


def test_run_chart_by_month_and_operator() -> None:
    """Twelve good months, then twelve bad ones of one operator: a signal for him alone."""
    records = []
    for month in range(24):
        for k in range(10):
            taken = f"{2024 + month // 12}-{month % 12 + 1:02d}-03"
            for operator, outcome in (
                ("op-1", Outcome.MET if k < (9 if month < 12 else 4) else Outcome.NOT_MET),
                ("op-2", Outcome.MET if k < 6 + (month * 7) % 3 else Outcome.NOT_MET),
            ):
                place = f"{operator}-{month}-{k} 11 single"
                records.append(row(place, outcome, taken=taken, operator=operator))
    audit = audit_of(records)
    charts = {chart.name: chart.chart for chart in audit.charts}
    assert list(charts) == ["all operators", "op-1", "op-2"]
    assert charts["op-1"].shifted
    assert not charts["op-2"].shifted
    assert charts["op-1"].longest_run == 12


def second_reader(rows: Iterable[AuditRow], **changes: Any) -> list[AuditRow]:
    """The same rows as another reader read them."""
    return [replace(r, reader="reader-2", **changes) for r in rows]


def test_two_readers_who_say_the_same_agree_wholly(clinic) -> None:
    audit = audit_of([*clinic.rows, *second_reader(clinic.rows)])
    assert [r.criterion for r in audit.second_readers] == [
        "all criteria", "length", "density", "taper",
    ]  # fmt: skip
    for found in audit.second_readers:
        assert found.n_same == found.n_canals > 100
        assert found.kappa is not None
        assert found.kappa.estimate == pytest.approx(1.0)


def test_kappa_of_two_readers_is_that_of_their_cross_table() -> None:
    rows = []
    said = [(Outcome.MET, Outcome.MET)] * 40 + [(Outcome.MET, Outcome.NOT_MET)] * 10
    said += [(Outcome.NOT_MET, Outcome.MET)] * 6 + [(Outcome.NOT_MET, Outcome.NOT_MET)] * 24
    for k, pair in enumerate(said):
        for reader, outcome in zip(("reader-1", "reader-2"), pair, strict=True):
            kept = row(f"p{k} 11 single", outcome, reader=reader)
            rows.append(replace(kept, fields=(("length", outcome),)))
    found = {r.criterion: r for r in audit_of(rows).second_readers}
    table = [[24, 6], [10, 40]]
    expected = cohen_kappa(ratings_from_table(table, scale="nominal")).estimate
    assert found["all criteria"].kappa.estimate == pytest.approx(expected)
    assert found["length"].kappa.estimate == pytest.approx(expected)
    assert found["length"].n_same == 64
    interval = found["length"].kappa.interval
    assert interval.low < expected < interval.high
    # Nothing is kept of the density: all readings are the same, and kappa has no meaning.
    assert found["density"].kappa is None
    assert found["density"].why_none


def test_kappa_warns_of_prevalence_and_of_changing_readers() -> None:
    rows = []
    for k in range(60):
        for reader in ("reader-1", "reader-2" if k % 2 else "reader-3"):
            rare = (k == 0) != (reader == "reader-1" and k == 1)
            outcome = Outcome.NOT_MET if rare and reader == "reader-1" else Outcome.MET
            rows.append(row(f"p{k} 11 single", reader=reader, verdict=KeptVerdict(outcome=outcome)))
    found = audit_of(rows).second_readers[0]
    assert found.n_readers == 3
    assert found.kappa.statistic == "Fleiss' kappa"
    assert "prevalence" in {caution.code for caution in found.kappa.cautions}


def test_proposals_are_no_second_reading() -> None:
    rows = [row("p1 11 single"), row("p2 11 single")]
    assert audit_of([*rows, *second_reader(rows, confirmed=False)]).second_readers == ()


def test_re_audit_compares_the_same_rules_in_periods_apart(clinic) -> None:
    first = audit_of(clinic.rows, period=Period(since="2025-01-01", until="2025-06-30"))
    second = audit_of(clinic.rows, period=Period(since="2025-07-01"))
    changes = {c.name: c.change for c in compare_audits(first, second).shares}
    teeth = changes["teeth that meet"]
    then, now = (levels(a)[Level.TOOTH] for a in (first, second))
    assert teeth.difference == pytest.approx(now[0] / now[1] - then[0] / then[1])
    assert teeth.interval.low < teeth.difference < teeth.interval.high
    with pytest.raises(AuditError, match="ends before the later"):
        compare_audits(second, first)
    by_other = audit_of(clinic.rows, rule_set=RULE_SETS["zero_three"],
                        period=Period(since="2025-07-01"))  # fmt: skip
    with pytest.raises(AuditError, match="different ones do not compare"):
        compare_audits(first, by_other)


@pytest.mark.parametrize(
    ("ask", "text"),
    [
        (lambda: audit_of([]), "source is empty"),
        (lambda: audit_of([row("p1 99 single")]), "no tooth number"),
        (lambda: audit_of([row("p 11 s")], rule_set=RULE_SETS["tip_within_three"]), "tip_within"),
        (lambda: Period(since="14.3.2025"), "YYYY-MM-DD"),
        (lambda: Period(since="2025-02-01", until="2025-01-31"), "Exchange"),
    ],
)
def test_audits_that_are_refused(ask, text: str) -> None:
    with pytest.raises(AuditError, match=text):
        ask()


def test_one_patient_gives_counts_without_interval() -> None:
    audit = audit_of([row("p1 11 single"), row("p1 21 single")])
    assert [r.count.proportion for r in audit.levels] == [None, None, None]
    assert levels(audit)[Level.TOOTH] == (2, 2, 0)


def test_bands_used_here_are_those_of_the_rule() -> None:
    """The test of wider and narrower rules rests on this order of bands."""
    rule = ZERO_TWO.field("length").rule
    assert isinstance(rule, BandsRule)
    assert [type(b) for b in rule.bands] == [Band] * 3
    assert rule.band_of(1.0) is rule.bands[1]
