"""Searching finds what a plain loop over the reviews finds."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import replace

import pytest

from rxmeasure.criteria.results import Outcome
from rxmeasure.review import Review
from rxmeasure.store import Search, Store
from rxmeasure.store.header import search_entries

Films = Callable[..., Review]
RULES = ("zero_two", "extrusion")


@pytest.fixture
def reviews(store: Store, other_film: Films) -> dict[int, Review]:
    """Thirty reviews that differ in all that can be searched, by record."""
    rng = random.Random(10_001)
    saved = {}
    for k in range(30):
        film = other_film(
            k,
            tooth=rng.choice(("16", "26", "")),
            visit=f"2025-{rng.randint(1, 12):02d}-{rng.randint(1, 28):02d}",
            reader=rng.choice(("a", "b")),
        )
        verdicts = tuple(
            replace(v, rule_id=rng.choice(RULES), outcome=rng.choice(list(Outcome)))
            for v in film.verdicts[: rng.randint(0, 3)]
        )
        film = replace(film, verdicts=verdicts)
        saved[store.save_review(film, based_on=0, tags=_tags(k)).record_id] = film
    return saved


def _tags(number: int) -> tuple[str, ...]:
    return tuple(name for name, step in (("even", 2), ("third", 3)) if number % step == 0)


def _fits(number: int, film: Review, search: Search) -> bool:
    marks = film.marks
    verdicts = {(v.rule_id, str(v.outcome)) for v in film.verdicts}
    return (
        search.tooth in (None, marks.tooth)
        and search.owner in (None, marks.reader)
        and (search.since or "") <= marks.visit <= (search.until or "9999")
        and (search.tag is None or search.tag in _tags(number))
        and (
            (search.rule, search.outcome) == (None, None)
            or any(
                search.rule in (None, rule) and search.outcome in (None, outcome)
                for rule, outcome in verdicts
            )
        )
    )


SEARCHES = (
    Search(),
    Search(tooth="16"),
    Search(tooth=""),
    Search(since="2025-03-01", until="2025-08-31"),
    Search(rule="zero_two"),
    Search(outcome="not met"),
    Search(rule="extrusion", outcome="met"),
    Search(tag="even"),
    Search(tag="third", owner="a", tooth="26"),
    Search(rule="zero_two", outcome="borderline", since="2025-02-01", tag="even"),
    Search(tag="neither"),
)


def test_found_is_what_fits_newest_date_first(store: Store, reviews: dict[int, Review]) -> None:
    for search in SEARCHES:
        order = sorted(
            (film.marks.visit, record_id)
            for k, (record_id, film) in enumerate(reviews.items())
            if _fits(k, film, search)
        )
        expected = [record_id for _, record_id in reversed(order)]
        assert [f.record_id for f in store.find(search)] == expected, search
        assert store.count(search) == len(expected)
        assert [f.record_id for f in store.find(search, limit=3, skip=2)] == expected[2:5]


def test_only_the_newest_revision_is_searched(store: Store, review: Review) -> None:
    store.save_review(review, based_on=0, tags=("old",))
    store.save_review(replace(review, verdicts=()), based_on=1, tags=("new",))
    assert store.find(Search(tag="old")) == ()
    assert store.find(Search(rule=review.verdicts[0].rule_id)) == ()
    assert [f.number for f in store.find(Search(tag="new"))] == [2]


@pytest.mark.parametrize(
    ("visit", "date"), [("2025-03-14", "2025-03-14"), ("2025-03-14 b", "2025-03-14"), ("one", None)]
)
def test_the_date_is_that_of_the_visit_else_of_the_review(
    other_film: Films, visit: str, date: str | None
) -> None:
    film = other_film(1, visit=visit)
    assert search_entries(film)["date"] == (date or film.created_utc[:10])


def test_rows_for_statistics_say_what_the_reviews_say(
    store: Store, reviews: dict[int, Review]
) -> None:
    store.save("key", subject="case", content=[], based_on=0)
    rows = list(store.review_rows())
    assert [row.record_id for row in rows] == list(reviews)
    for row in rows:
        film = reviews[row.record_id]
        (canal,) = film.canals
        assert (row.canal, row.confirmed, row.calibrated) == (canal.name, True, True)
        assert (row.tooth, row.owner, row.date) == (
            film.marks.tooth,
            film.marks.reader,
            film.marks.visit,
        )
        assert row.measures == {
            m.name: (m.value, m.u, m.p_true) for m in canal.measures if m.value is not None
        }
        assert [(v.rule_id, v.field, v.outcome) for v in row.verdicts] == [
            (v.rule_id, v.field, str(v.outcome)) for v in film.verdicts
        ]
    some = list(store.review_rows(Search(tag="third")))
    assert [row.record_id for row in some] == list(reviews)[::3]
