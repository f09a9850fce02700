"""Audit arithmetic: published values, other software, laws, refusals."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from rxmeasure.agreement.resampling import IntervalChoice
from rxmeasure.audit.statistics.comparison import difference, paired_difference
from rxmeasure.audit.statistics.denominators import CanalRecord, Level, denominators
from rxmeasure.audit.statistics.proportions import (
    bootstrapped_proportion,
    clustered_proportion,
    interval_width,
    proportion,
)
from rxmeasure.audit.statistics.run_chart import MonthCount, run_chart
from rxmeasure.audit.statistics.sampling import (
    Case,
    consecutive_sample,
    random_sample,
    sample_size,
)
from rxmeasure.errors import AgreementError
from rxmeasure.tooth import root_of

outcomes = st.lists(st.tuples(st.booleans(), st.integers(0, 5)), min_size=4, max_size=40)


@pytest.mark.parametrize(
    ("met", "total", "low", "high"),
    [(84, 108, 0.691, 0.846), (95, 100, 0.888, 0.978), (20, 20, 0.839, 1.000)],
)
def test_wilson(met, total, low, high):
    # calc
    found = proportion(met, total)
    assert found.interval.low == pytest.approx(low, abs=5.1e-4)
    assert found.interval.high == pytest.approx(high, abs=5.1e-4)


@given(st.integers(0, 60), st.integers(1, 60), st.sampled_from([0.8, 0.95, 0.99]))
def test_wilson_as_other_software_gives_it(met, total, level):
    other = pytest.importorskip("statsmodels.stats.proportion")
    assume(met <= total)
    found = proportion(met, total, level=level).interval
    expected = other.proportion_confint(met, total, alpha=1.0 - level, method="wilson")
    assert (found.low, found.high) == pytest.approx(expected, abs=1e-9)


def test_newcombe():
    # memory: Newcombe 1998, example a, method 10: 56/70 less 48/80 is 0.2000, 0.0524 to 0.3339.
    found = difference(proportion(48, 80), proportion(56, 70))
    assert found.difference == pytest.approx(0.2)
    assert found.interval.low == pytest.approx(0.0524, abs=5.1e-5)
    assert found.interval.high == pytest.approx(0.3339, abs=5.1e-5)
    assert found.rules_out_none


@given(st.integers(0, 30), st.integers(1, 30), st.integers(0, 30), st.integers(1, 30))
def test_newcombe_as_other_software_gives_it(a, n, b, m):
    other = pytest.importorskip("statsmodels.stats.proportion")
    assume(a <= n and b <= m)
    found = difference(proportion(a, n), proportion(b, m)).interval
    expected = other.confint_proportions_2indep(b, m, a, n, method="newcomb", compare="diff")
    assert (found.low, found.high) == pytest.approx(expected, abs=1e-9)


def test_swapping_audits_turns_the_difference_round():
    first, second = proportion(30, 50), proportion(41, 50)
    there, back = difference(first, second), difference(second, first)
    assert there.interval.low == pytest.approx(-back.interval.high)
    assert there.difference == pytest.approx(-back.difference)
    with pytest.raises(AgreementError, match="one level"):
        difference(first, proportion(41, 50, level=0.9))


def test_sandwich_as_other_software_gives_it():
    regression = pytest.importorskip("statsmodels.api")
    rng = np.random.default_rng(2)
    clusters = rng.integers(0, 25, size=120)
    met = rng.random(120) < rng.beta(2, 1, size=25)[clusters]
    fit = regression.OLS(met.astype(float), np.ones(120)).fit(
        cov_type="cluster", cov_kwds={"groups": clusters}
    )
    found = clustered_proportion(list(met), [str(c) for c in clusters])
    binomial = met.mean() * (1.0 - met.mean()) / 120
    assert found.design_effect == pytest.approx(float(fit.bse[0]) ** 2 / binomial)
    assert found.share == pytest.approx(float(fit.params[0]))


@given(outcomes, st.randoms(use_true_random=False))
def test_order_and_names_do_not_matter(rows, random):
    assume(len({c for _, c in rows}) > 1)
    shuffled = list(rows)
    random.shuffle(shuffled)

    def found(rows, prefix):
        return clustered_proportion([m for m, _ in rows], [f"{prefix}{c}" for _, c in rows])

    one, other = found(rows, "p"), found(shuffled, "patient ")
    assert one.interval.low == pytest.approx(other.interval.low, abs=1e-12)
    assert one.interval.high == pytest.approx(other.interval.high, abs=1e-12)
    assert 0.0 <= one.interval.low <= one.share <= one.interval.high <= 1.0
    assert one.interval.low < one.interval.high


@given(outcomes)
def test_met_and_not_met_mirror_each_other(rows):
    assume(len({c for _, c in rows}) > 1)
    clusters = [str(c) for _, c in rows]
    met = clustered_proportion([m for m, _ in rows], clusters).interval
    not_met = clustered_proportion([not m for m, _ in rows], clusters).interval
    assert met.low == pytest.approx(1.0 - not_met.high, abs=1e-12)


def test_copies_within_a_patient_add_nothing():
    """Three canals that always fare alike: the interval is that of the patients."""
    met = [True, False, True, True, False, True, True, True, False, True] * 3
    patients = [str(k) for k in range(30)]
    alone = clustered_proportion(met, patients)
    copied = clustered_proportion([m for m in met for _ in range(3)],
                                  [p for p in patients for _ in range(3)])  # fmt: skip
    assert copied.interval.low == pytest.approx(alone.interval.low, abs=0.01)
    assert copied.design_effect == pytest.approx(3.0 * alone.design_effect)
    assert proportion(copied.met, copied.total).interval.low > copied.interval.low + 0.03


def test_all_met_counts_patients_not_canals():
    canals = clustered_proportion([True] * 60, [str(k // 3) for k in range(60)])
    assert canals.share == canals.interval.high == 1.0
    assert canals.design_effect is None
    # calc: 20 / (20 + 2.0930^2), Student's t with 19 degrees of freedom.
    assert canals.interval.low == pytest.approx(0.8203, abs=5e-4)
    assert canals.interval.low < proportion(60, 60).interval.low


def test_drawing_patients_again_gives_about_the_same_interval():
    rng = np.random.default_rng(8)
    clusters = np.repeat(np.arange(60), 3)
    met = list(rng.random(180) < rng.beta(3, 1.5, size=60)[clusters])
    names = [str(c) for c in clusters]
    sandwich = clustered_proportion(met, names)
    drawn = bootstrapped_proportion(met, names, choice=IntervalChoice(draws=2000))
    assert drawn.interval.low == pytest.approx(sandwich.interval.low, abs=0.02)
    assert drawn.interval.high == pytest.approx(sandwich.interval.high, abs=0.02)
    assert drawn.design_effect == pytest.approx(sandwich.design_effect)
    with pytest.raises(AgreementError, match="every draw is the same"):
        bootstrapped_proportion([True] * 4, ["a", "a", "b", "b"], choice=IntervalChoice())


def test_interval_over_patients_covers_and_the_one_over_canals_does_not():
    """95 % intervals over 400 audits of 40 patients; 0.95 has a standard deviation of 0.011."""
    rng = np.random.default_rng(20)
    names = [str(k // 4) for k in range(160)]
    hits = np.zeros(2)
    for _ in range(400):
        # Canals of one patient share his chance: beta with mean 0.7, intraclass correlation 1/3.
        met = list(rng.random(160) < np.repeat(rng.beta(1.4, 0.6, size=40), 4))
        over_patients = clustered_proportion(met, names).interval
        over_canals = proportion(sum(met), 160).interval
        hits += [i.low <= 0.7 <= i.high for i in (over_patients, over_canals)]
    assert 0.92 <= hits[0] / 400 <= 0.98
    assert hits[1] / 400 < 0.90


@pytest.mark.parametrize(
    "ask",
    [
        lambda: proportion(1, 0),
        lambda: proportion(3, 2),
        lambda: proportion(1, 2, level=1.5),
        lambda: clustered_proportion([], []),
        lambda: clustered_proportion([True], ["a", "b"]),
        lambda: clustered_proportion([True, False], ["a", "a"]),
    ],
)
def test_shares_that_are_refused(ask):
    with pytest.raises(AgreementError):
        ask()


def chart(shares, **more):
    counts = [
        MonthCount(month=f"m{k}", met=round(s * 100), total=100) for k, s in enumerate(shares)
    ]
    return run_chart(counts, **more)


def test_run_chart_limits():
    # read: the same formulas in an R script; calc for 10, 12 and 24 points.
    for number, run, crossings in ((10, 6, 2), (12, 7, 3), (24, 8, 8)):
        found = chart([0.4, 0.6] * (number // 2))
        assert (found.longest_run_limit, found.crossings_limit) == (run, crossings)
        assert not found.shifted


def test_run_chart_tells_a_shift():
    found = chart([0.5, 0.52, 0.49, 0.51, 0.5, 0.53, 0.7, 0.72, 0.69, 0.71, 0.74, 0.7])
    assert found.median == pytest.approx(0.61)
    assert (found.longest_run, found.crossings) == (6, 1)
    assert found.few_crossings
    assert not found.long_run
    assert found.shifted


def test_points_on_the_median_neither_break_nor_lengthen_a_run():
    shares = [0.6] * 7 + [0.5, 0.5] + [0.6] + [0.4] * 8
    found = chart(shares, median=0.5)
    assert found.n_useful == 16
    assert (found.longest_run, found.longest_run_limit, found.crossings) == (8, 7, 1)
    assert found.long_run


def test_months_without_cases_have_no_share():
    counts = [MonthCount(month=str(k), met=k % 2, total=1) for k in range(12)]
    counts.insert(3, MonthCount(month="empty", met=0, total=0))
    assert "empty" not in run_chart(counts).months
    with pytest.raises(AgreementError, match="10 or more"):
        run_chart(counts[:6])
    with pytest.raises(AgreementError, match="no more units"):
        run_chart([MonthCount(month="1", met=2, total=1)])


CASES = [
    Case(case_id=f"case-{k:03d}", date=f"2025-{1 + k % 9:02d}-01", group="ab"[k % 2])
    for k in range(120)
]


def chosen(plan) -> set[str]:
    return {name for group in plan.groups for name in group.chosen}


def test_random_sample_can_be_drawn_again():
    plan = random_sample(CASES, per_group=20, seed="spring")
    assert [len(g.chosen) for g in plan.groups] == [20, 20]
    assert plan == random_sample(list(reversed(CASES)), per_group=20, seed="spring")
    assert chosen(plan) <= chosen(random_sample(CASES, per_group=30, seed="spring"))
    assert chosen(plan) != chosen(random_sample(CASES, per_group=20, seed="autumn"))


def test_random_sample_takes_each_case_equally_often():
    times = {case.case_id: 0 for case in CASES}
    for seed in range(300):
        for name in chosen(random_sample(CASES, per_group=20, seed=str(seed))):
            times[name] += 1
    # calc: 100 expected, standard deviation sqrt(300 / 3 * 2 / 3) = 8.2; 120 cases.
    assert min(times.values()) > 67
    assert max(times.values()) < 133


def test_consecutive_sample_leaves_none_out():
    plan = consecutive_sample(CASES, per_group=8, start_date="2025-04-01")
    for group in plan.groups:
        own = sorted((c.date, c.case_id) for c in CASES
                     if c.group == group.group and c.date >= "2025-04-01")  # fmt: skip
        assert list(group.chosen) == [name for _, name in own[:8]]
    short = consecutive_sample(CASES, per_group=100)
    assert [g.short_by for g in short.groups] == [40, 40]


@pytest.mark.parametrize(
    "ask",
    [
        lambda: random_sample([], per_group=1, seed="x"),
        lambda: random_sample(CASES, per_group=0, seed="x"),
        lambda: random_sample(CASES, per_group=1, seed=""),
        lambda: random_sample([*CASES, CASES[0]], per_group=1, seed="x"),
        lambda: consecutive_sample([Case(case_id="a")], per_group=1),
    ],
)
def test_samples_that_are_refused(ask):
    with pytest.raises(AgreementError):
        ask()


def canal(place: str, met: bool | None, why: str = "") -> CanalRecord:
    patient, tooth, root, name = place.split()
    return CanalRecord(
        patient=patient, tooth=tooth, root=root, canal=name, met=met, why_not_judged=why
    )


def test_three_denominators():
    records = [
        canal("p1 16 MB MB1", True), canal("p1 16 MB MB2", None, "not seen"),
        canal("p1 16 DB DB", True), canal("p1 16 P P", True),
        canal("p2 46 M MB", True), canal("p2 46 M ML", False), canal("p2 46 D D", True),
        canal("p3 11 R R", True),
    ]  # fmt: skip
    found = {count.level: count for count in denominators(records)}
    # By hand: the root MB and the tooth 16 are excluded, the root M and the tooth 46 fail.
    assert {level: (c.n_met, c.n_judged, c.n_excluded) for level, c in found.items()} == {
        Level.CANAL: (6, 7, 1), Level.ROOT: (4, 5, 1), Level.TOOTH: (1, 2, 1),
    }  # fmt: skip
    assert found[Level.ROOT].why_excluded == (("not seen", 1),)
    assert found[Level.CANAL].proportion.n_clusters == 3
    assert found[Level.CANAL].proportion.share == pytest.approx(6 / 7)


def test_one_patient_gives_counts_without_interval():
    canals, _, _ = denominators([canal("p1 11 R R", True), canal("p1 21 R R", False)])
    assert (canals.n_met, canals.n_judged, canals.proportion) == (1, 2, None)
    with pytest.raises(AgreementError, match="twice"):
        denominators([canal("p1 11 R R", True), canal("p1 11 R R", False)])


@pytest.mark.parametrize(
    ("width", "expected"), [(0.1, 0.5), (0.1, 0.8), (0.2, 0.95), (0.05, 0.9), (0.3, 0.0)]
)
def test_sample_size_is_the_fewest(width, expected):
    number = sample_size(width=width, expected=expected)
    assert interval_width(expected, number) <= width < interval_width(expected, number - 1)
    assert sample_size(width=width, expected=expected, design_effect=1.5) >= 1.5 * number
    assert sample_size(width=width, expected=expected, level=0.99) > number


def test_sample_size_for_ten_points_round_a_half():
    # calc: z^2 / w^2 - z^2 = 380.3 for Wilson's interval at 0.5, so 381.
    assert sample_size(width=0.1, expected=0.5) == 381


@pytest.mark.parametrize(
    "wrong",
    [
        {"width": 10, "expected": 0.5}, {"width": 0.0, "expected": 0.5},
        {"width": 0.1, "expected": 80}, {"width": 0.1, "expected": 0.5, "design_effect": 0.5},
        {"width": 0.1, "expected": 0.5, "level": 95},
    ],
)  # fmt: skip
def test_sample_sizes_that_are_refused(wrong):
    with pytest.raises(AgreementError):
        sample_size(**wrong)


def test_paired_difference_as_other_software_gives_it():
    regression = pytest.importorskip("statsmodels.api")
    rng = np.random.default_rng(3)
    clusters = rng.integers(0, 30, size=150)
    first = rng.random(150) < 0.6
    second = np.where(rng.random(150) < 0.2, ~first, first)
    change = second.astype(float) - first
    fit = regression.OLS(change, np.ones(150)).fit(
        cov_type="cluster", cov_kwds={"groups": clusters}, use_t=True
    )
    found = paired_difference(list(first), list(second), [str(c) for c in clusters])
    assert found.difference == pytest.approx(float(fit.params[0]))
    low, high = fit.conf_int()[0]
    assert (found.interval.low, found.interval.high) == pytest.approx((low, high))
    assert found.gained - found.lost == found.second_met - found.first_met


def test_no_change_has_no_interval():
    same = [True, False, True]
    found = paired_difference(same, same, ["a", "b", "c"])
    assert (found.gained, found.lost, found.difference, found.interval) == (0, 0, 0.0, None)
    with pytest.raises(AgreementError):
        paired_difference([], [], [])


@pytest.mark.parametrize(
    ("tooth", "canal", "root"),
    [
        ("16", "MB1", "MB"), ("16", "MB2", "MB"), ("27", "DB", "DB"), ("26", "P", "P"),
        ("26", "PAL", "P"), ("46", "ML", "M"), ("36", "DL", "D"), ("37", "mb", "M"),
        ("14", "B", "B"), ("24", "P", "P"), ("15", "B", ""), ("31", "L", ""), ("11", "single", ""),
        ("46", "1", "1"), ("75", "MB", "MB"), ("99", "D", "D"),
    ],
)  # fmt: skip
def test_root_of_a_canal(tooth, canal, root):
    assert root_of(tooth, canal) == root


def test_a_change_alike_in_every_patient_claims_no_certainty():
    found = paired_difference([True] * 6, [False] * 6, ["a", "a", "b", "b", "c", "c"])
    assert (found.lost, found.difference, found.interval) == (6, -1.0, None)
    halves = paired_difference([True, True] * 3, [True, False] * 3, list("aabbcc"))
    assert (halves.difference, halves.interval) == (-0.5, None)
