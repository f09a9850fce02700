"""From a CSV file of ratings to all statistics of the exercise."""

from __future__ import annotations

from pathlib import Path

import pytest

from rxmeasure.agreement.drift import Drift, Reading, drift
from rxmeasure.agreement.kappa import cohen_kappa
from rxmeasure.agreement.ratings import Scale, ratings_of
from rxmeasure.agreement.ratings_file import read_rating_rows
from rxmeasure.agreement.resampling import IntervalChoice
from rxmeasure.agreement.results import Agreement, Refused
from rxmeasure.agreement.study import StudyPlan, agreement_study
from rxmeasure.agreement.study_file import HEADER, write_study
from rxmeasure.agreement.weights import Weights
from rxmeasure.errors import AgreementError

FEW = IntervalChoice(draws=100)


@pytest.fixture
def ratings_csv(tmp_path: Path):
    def write(text: str, encoding: str = "utf-8") -> Path:
        path = tmp_path / "ratings.csv"
        path.write_bytes(text.encode(encoding))
        return path

    return write


def study(path: Path, **more):
    return agreement_study(read_rating_rows(path), StudyPlan(choice=FEW, **more))


PAIR = "unit,rater,rating\n" + "".join(
    f"film {k},{rater},{rating}\n"
    for k, ratings in enumerate(["11", "12", "22", "33", "31", "22"])
    for rater, rating in zip("AB", ratings, strict=True)
)


def test_rows_columns_and_delimiters(ratings_csv):
    text = "\ufeffRater;Unit;Note;Rating;Cluster\r\nA;film 1;x;1,5;p1\r\n\r\nB;film 1;;;p1\r\n"
    (row,) = read_rating_rows(ratings_csv(text))
    assert (row.unit, row.rater, row.rating, row.cluster, row.line) == (
        "film 1", "A", "1.5", "p1", 2,
    )  # fmt: skip
    assert (row.criterion, row.session) == ("", "")


@pytest.mark.parametrize(
    ("text", "needle"),
    [
        ("", "columns"),
        ("unit,rater\na,b\n", "rating"),
        ("unit,rater,rating,rating\na,b,1,2\n", "each once"),
        ("unit,rater,rating\n", "without ratings"),
        ("unit,rater,rating\na,b\n", "line 2"),
        ("unit,rater,rating\na,b,1\n,b,1\n", "line 3"),
        ('unit,rater,rating\na,b,"1\n', "line"),
    ],
)
def test_files_that_are_wrong(ratings_csv, text, needle):
    with pytest.raises(AgreementError, match=needle):
        read_rating_rows(ratings_csv(text))


def test_files_that_are_no_text(ratings_csv, tmp_path):
    with pytest.raises(AgreementError, match="UTF-8"):
        read_rating_rows(ratings_csv("unit,rater,rating\nä,b,1\n", "utf-16"))
    with pytest.raises(AgreementError, match="cannot be read"):
        read_rating_rows(tmp_path / "none.csv")


@pytest.mark.parametrize(
    ("text", "plan", "needle"),
    [
        (PAIR, {"scale": Scale.ORDINAL, "categories": ("1", "2")}, "line 8"),
        (PAIR, {"scale": Scale.ORDINAL, "categories": ("2", "1", "3")}, "low to high"),
        (PAIR, {"scale": Scale.RATIO, "categories": ("1", "2")}, "categories"),
        (PAIR, {"scale": Scale.ORDINAL, "key": "C"}, "key"),
        (PAIR.replace(",1\n", ",good\n"), {"scale": Scale.ORDINAL}, "a number"),
        (PAIR + "film 0,A,2\n", {"scale": Scale.ORDINAL}, "twice in one session"),
        (PAIR + "film 0,A,2\n", {"scale": Scale.ORDINAL, "key": "A"}, "different key"),
        (
            "unit,rater,rating,session\na,x,1,spring\na,y,1,2\n",
            {"scale": Scale.ORDINAL},
            "spring",
        ),
        (
            "unit,rater,rating,session\na,x,1,2025-03-14\na,y,1,2\n",
            {"scale": Scale.ORDINAL},
            "one kind",
        ),
        (
            "unit,rater,rating,cluster\na,x,1,p1\na,y,1,p2\n",
            {"scale": Scale.ORDINAL},
            "second cluster",
        ),
        (
            "unit,rater,rating,cluster\na,x,1,p1\nb,y,1,\n",
            {"scale": Scale.ORDINAL},
            "without a cluster",
        ),
    ],
)
def test_ratings_that_are_wrong(ratings_csv, text, plan, needle):
    with pytest.raises(AgreementError, match=needle):
        study(ratings_csv(text), **plan)


def test_pair_is_what_the_statistic_itself_gives(ratings_csv):
    (part,) = study(ratings_csv(PAIR), scale=Scale.ORDINAL, categories=("1", "2", "3"))
    table = [[1, 1], [1, 2], [2, 2], [3, 3], [3, 1], [2, 2]]
    direct = cohen_kappa(ratings_of(table, scale="ordinal"), weights="quadratic")
    (pair,) = part.pairs
    weighted = next(r for r in pair.results if r.method == "quadratic")
    assert weighted.estimate == direct.estimate
    assert weighted.interval == direct.interval
    assert part.category_counts == (("1", 4), ("2", 5), ("3", 3))
    assert (part.n_units, part.n_ratings, part.raters) == (6, 12, ("A", "B"))
    assert part.against_key == part.within_rater == part.drift == ()


def test_words_in_order_are_an_ordinal_scale(ratings_csv):
    named = PAIR.replace(",1\n", ",poor\n").replace(",2\n", ",fair\n").replace(",3\n", ",good\n")
    by_word = study(ratings_csv(named), scale=Scale.ORDINAL, categories=("poor", "fair", "good"))[0]
    by_number = study(ratings_csv(PAIR), scale=Scale.ORDINAL)[0]
    assert [r.estimate for r in by_word.pairs[0].results] == [
        r.estimate for r in by_number.pairs[0].results
    ]
    assert by_word.category_counts == (("poor", 4), ("fair", 5), ("good", 3))


def test_each_criterion_apart(ratings_csv):
    rows = "unit,rater,rating,criterion\n" + "".join(
        f"{unit},{rater},{rating},{criterion}\n"
        for criterion, ratings in (("length", ["11", "22", "12"]), ("density", ["11", "22", "33"]))
        for unit, pair in zip("abc", ratings, strict=True)
        for rater, rating in zip("AB", pair, strict=True)
    )
    length, density = study(ratings_csv(rows), scale=Scale.NOMINAL)
    assert (length.criterion, density.criterion) == ("length", "density")
    assert length.pairs[0].results[0].observed == pytest.approx(2 / 3)
    assert density.pairs[0].results[0].estimate == 1.0
    assert [label for label, _ in length.category_counts] == ["1", "2"]
    assert [label for label, _ in density.category_counts] == ["1", "2", "3"]


SESSIONS = "unit,rater,rating,session\n" + "".join(
    f"film {k},{who},{rating},{session}\n"
    for k in range(8)
    for who, rating, session in [("key", 1 + k % 3, ""), ("A", 1 + k % 3, 1)]
    + [("A", min(4, 1 + k % 3 + step), 2 + step) for step in (0, 1)]
)


def test_first_readings_are_compared_and_later_ones_serve_repeats_and_drift(ratings_csv):
    (part,) = study(ratings_csv(SESSIONS), scale=Scale.ORDINAL, key="key")
    assert part.raters == ("A",)
    assert all(isinstance(result, Refused) for result in part.all_raters)
    (key,) = part.against_key
    assert {result.estimate for result in key.results} == {1.0}
    (repeat,) = part.within_rater
    assert repeat.results[0].n_units == 8
    found = part.drift[0].result
    assert isinstance(found, Drift)
    assert [s.mean_difference for s in found.sessions] == [0.0, 0.0, 1.0]
    assert [s.equal_share for s in found.sessions] == [1.0, 1.0, 0.0]
    # calc: slope of 0, 0, 1 over 1, 2, 3 is 0.5; residuals 1/6, -1/3, 1/6 and one degree of
    # freedom: t 12.7062 times sqrt(1/6 / 2) = 3.668.
    assert found.leaning.estimate == pytest.approx(0.5)
    assert found.leaning.interval.high == pytest.approx(0.5 + 3.668, abs=1e-3)
    assert found.closeness.estimate == pytest.approx(-0.5)


def test_dates_drift_per_thirty_days(ratings_csv):
    text = SESSIONS
    for number, date in (("1", "2025-01-01"), ("2", "2025-01-31"), ("3", "2025-03-02")):
        text = text.replace(f",{number}\n", f",{date}\n")
    found = study(ratings_csv(text), scale=Scale.ORDINAL, key="key")[0].drift[0].result
    assert found.leaning.estimate == pytest.approx(0.5)
    assert found.leaning.unit == "per 30 days"


def test_two_sessions_are_no_drift():
    readings = [Reading(session=str(k), when=k, rating=1.0, key=1.0) for k in (1, 2)]
    with pytest.raises(AgreementError, match="three sessions"):
        drift(readings, scale=Scale.ORDINAL)


def test_numbers_give_limits_and_method_error(ratings_csv):
    text = "unit;rater;rating\n" + "".join(
        f"{unit};{rater};{reading}\n"
        for unit, (a, b) in enumerate([("20,1", "20,4"), ("18,0", "17,8"), ("22,5", "22,9")])
        for rater, reading in (("A", a), ("B", b))
    )
    (part,) = study(ratings_csv(text), scale=Scale.RATIO, unit="mm")
    found = {r.statistic: r for r in part.pairs[0].results}
    # calc: differences -0.3, 0.2, -0.4; sum of squares 0.29 over 6.
    assert found["bias"].estimate == pytest.approx(-0.5 / 3)
    assert found["Dahlberg's method error"].estimate == pytest.approx((0.29 / 6) ** 0.5)
    assert found["bias"].unit == "mm"
    assert len([r for r in part.all_raters if r.statistic.startswith("ICC")]) == 6


def test_clusters_are_drawn(ratings_csv):
    text = PAIR.replace("rating\n", "rating,cluster\n", 1)
    lines = text.splitlines()
    lines[1:] = [f"{line},p{k // 4}" for k, line in enumerate(lines[1:])]
    (part,) = study(ratings_csv("\n".join(lines)), scale=Scale.ORDINAL, weights=Weights.LINEAR)
    assert part.clustered
    intervals = [r.interval for r in part.pairs[0].results if isinstance(r, Agreement)]
    assert intervals
    assert all("clusters" in interval.method for interval in intervals)


def test_the_rater_who_stands_apart_is_seen_by_leaving_him_out(ratings_csv):
    text = "unit,rater,rating\n" + "".join(
        f"film {k},{rater},{rating}\n"
        for k in range(9)
        for rater, rating in (("A", k % 3), ("B", k % 3), ("C", (k + k // 3) % 3))
    )
    (part,) = study(ratings_csv(text), scale=Scale.NOMINAL)
    alphas = {c.first: c.results[0].estimate for c in part.left_out}
    assert alphas["C"] == 1.0
    assert max(alphas["A"], alphas["B"], part.all_raters[0].estimate) < 0.9


def test_csv_holds_no_formula(ratings_csv, tmp_path):
    text = PAIR.replace(",A,", ",=1+1,").replace(",B,", ",@B,")
    parts = study(ratings_csv(text), scale=Scale.ORDINAL)
    write_study(tmp_path / "out.csv", parts)
    import csv

    with (tmp_path / "out.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert tuple(rows[0]) == HEADER
    pair = [row for row in rows if row["compared"] == "pair"]
    assert {(row["first"], row["second"]) for row in pair} == {("'=1+1", "'@B")}
    for row, result in zip(pair, parts[0].pairs[0].results, strict=True):
        assert float(row["estimate"]) == result.estimate
        assert float(row["low"]) == result.interval.low
