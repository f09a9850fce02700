"""What changed, on cards in a window: signs with words, numbers, fills, the next recall."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from drawn_visits import drawn_film, drawn_series, film_marks, lesion, visit
from qtpy.QtWidgets import QApplication, QWidget
from rxmeasure_napari.recall_changes import ChangeCards
from shown import Shown

from rxmeasure.recall.change import ChangeVerdict
from rxmeasure.recall.comparison import FillChange
from rxmeasure.recall.scores import published_scales, score
from rxmeasure.recall.series import LesionMark, Series
from rxmeasure.report.cautions import RECALL_CAUTIONS
from rxmeasure.report.numbers import Numbers
from rxmeasure.report.series_words import SIGNS, root_change

POINT = Numbers()


@pytest.fixture
def cards(qtbot: Any) -> Shown:
    return Shown(qtbot, ChangeCards())


def show(cards: Shown, series: Series | None, numbers: Numbers = POINT) -> None:
    cards.widget.show_changes(series, numbers)
    QApplication.processEvents()


def fill(quantity: str, changed: bool | None, *, canal: str = "MB", unit: str = "mm") -> FillChange:
    return FillChange(
        canal=canal,
        quantity=quantity,
        before=1,
        after=2,
        unit=unit,
        difference=None if changed is None else (1.25 if changed else 0.0),
        least_significant=None if unit == "1" or changed is None else 0.5,
        changed=changed,
        text=f"Why of {quantity}.",
    )


@pytest.mark.parametrize(
    ("before", "after", "verdict"),
    [
        (60.0, 30.0, ChangeVerdict.REDUCED),
        (30.0, 60.0, ChangeVerdict.ENLARGED),
        (60.0, 61.0, ChangeVerdict.UNCHANGED),
        (8.0, 9.0, ChangeVerdict.CANNOT_BE_TOLD),
        (60.0, None, ChangeVerdict.NOT_VISIBLE),
        (None, 60.0, ChangeVerdict.NEW),
        (None, None, ChangeVerdict.NONE_VISIBLE),
    ],
)
def test_each_verdict_has_its_sign_and_word(
    cards: Shown, before: float | None, after: float | None, verdict: ChangeVerdict
) -> None:
    series = drawn_series(before, after)
    assert series.lesion_changes[0].verdict is verdict
    show(cards, series)
    assert cards.text("rx_change_root_M") == "Root M (mesial)"
    assert cards.text("rx_change_verdict_M") == f"{SIGNS[verdict]} {verdict}"
    assert cards.text("rx_change_reason_M") == series.lesion_changes[0].reason
    cards.assert_fits()


def test_numbers_are_those_of_core_and_all_of_them_on_demand(cards: Shown) -> None:
    numbers = Numbers(decimal_mark=",")
    series = drawn_series(60.0, 40.0)
    show(cards, series, numbers)
    words = root_change(series.lesion_changes[0], numbers)
    area, *others = words.rows
    for text in (
        area.values,
        area.difference,
        f"{area.percent} (95 %: {area.interval})",
        area.least_significant,
    ):
        assert text in cards.all_text()
    for row in others:
        assert row.values not in cards.all_text()
    cards.click("rx_changes_all")
    for row in words.rows:
        assert row.quantity.capitalize() in cards.all_text()
        assert row.values in cards.all_text()
    cards.assert_fits()


def test_the_latest_pair_stands_in_front_and_any_pair_can(cards: Shown) -> None:
    series = drawn_series(60.0, 50.0, 30.0)
    show(cards, series)
    box = cards.find("rx_changes_pair")
    assert [box.itemText(k) for k in range(box.count())] == [
        "Visit 2 to 3: 2022-03-01 to 2023-03-01",
        "Visit 1 to 2: 2021-03-01 to 2022-03-01",
        "Visit 1 to 3: 2021-03-01 to 2023-03-01",
    ]
    for before, after in ((2, 3), (1, 3), (1, 2)):
        if (before, after) != (2, 3):
            cards.choose(
                "rx_changes_pair",
                next(
                    box.itemText(k)
                    for k in range(3)
                    if f"Visit {before} to {after}" in box.itemText(k)
                ),
            )
        (change,) = (c for c in series.lesion_changes if (c.before, c.after) == (before, after))
        assert root_change(change, POINT).rows[0].values in cards.all_text()
    show(cards, drawn_series(60.0, 50.0, 31.0))  # marked anew: the same pair
    assert box.currentText().startswith("Visit 1 to 2")
    show(cards, drawn_series(60.0, 50.0, 31.0, 20.0))  # a new visit: the latest pair
    assert box.currentText().startswith("Visit 3 to 4")


def test_fills_tell_what_changed_and_gather_what_did_not(cards: Shown) -> None:
    series = replace(
        drawn_series(60.0, 40.0),
        fill_changes=(
            fill("fill end to apex", False),
            fill("fill length", True),
            fill("new voids", False, unit="1"),
            fill("puff", None, unit="mm2"),
            fill("fill length", False, canal="DB"),
        ),
    )
    show(cards, series)
    assert cards.text("rx_change_fill_MB_fill_length") == (
        "≠ changed MB: fill length, 1.2 mm (least significant 0.5 mm) Why of fill length."
    )
    assert cards.text("rx_change_fill_MB_puff") == "? cannot be told MB: puff Why of puff."
    assert cards.text("rx_change_fill_MB_unchanged") == (
        "= unchanged MB: fill end to apex, no new voids"
    )
    assert cards.text("rx_change_fill_DB_unchanged") == "= unchanged DB: fill length"
    cards.click("rx_changes_all")
    assert "0.0 mm (least significant 0.5 mm)" in cards.text("rx_change_fill_MB_fill_end_to_apex")
    cards.assert_fits()


def test_no_card_of_fills_without_fills(cards: Shown) -> None:
    show(cards, drawn_series(60.0, 40.0))
    assert cards.widget.findChild(QWidget, "rx_change_fills") is None


def test_the_next_recall_has_its_reason_and_source(cards: Shown) -> None:
    outcome = published_scales()["outcome_three_way"]
    given = score(outcome, "M", "uncertain")
    show(cards, drawn_series(visits=(visit(1, 60.0), visit(2, 40.0, scores=(given,)))))
    assert cards.text("rx_change_due_date") == "Next recall: 2023-03-01"
    assert cards.text("rx_change_due_reason").startswith("Not healed")
    assert outcome.source in cards.text("rx_change_due_source")
    assert "from memory" in cards.text("rx_change_due_source")
    show(cards, drawn_series(60.0, 40.0))
    assert cards.text("rx_change_due_date") == "Next recall: none proposed"


def test_warnings_and_cautions_are_shown(cards: Shown) -> None:
    films = [(drawn_film(1), film_marks()), (drawn_film(2), film_marks(scaled=False))]
    show(cards, drawn_series(60.0, 45.0, films=films, pixel_ratios=[]))
    text = cards.all_text()
    assert "! No scale at visit 2" in text
    for caution in RECALL_CAUTIONS:
        assert f"⚠ {caution.head}" in text


def test_a_lesion_without_a_number_says_why(cards: Shown) -> None:
    seeded = LesionMark(root="M", seed_px=(150.0, 130.0))  # noise is no lesion
    series = drawn_series(visits=(visit(1, 60.0), visit(2, 60.0, lesions=(seeded,))))
    show(cards, series)
    assert cards.text("rx_change_verdict_M") == "? cannot be told"
    assert cards.text("rx_change_reason_M") == series.visits[1].lesions[0].declined


def test_several_roots_have_a_card_each(cards: Shown) -> None:
    visits = (
        visit(1, 60.0, lesions=(lesion(60.0), lesion(None, "1"))),
        visit(2, 40.0, lesions=(lesion(40.0), lesion(None, "1"))),
    )
    show(cards, drawn_series(visits=visits))
    assert cards.text("rx_change_verdict_M") == "▼ reduced"
    assert cards.text("rx_change_root_1") == "Root 1"
    assert cards.text("rx_change_verdict_1") == "○ none visible"


def test_nothing_to_compare(cards: Shown) -> None:
    show(cards, drawn_series(60.0, 40.0))
    show(cards, None)
    assert (
        cards.all_text()
        == "No comparison yet: it takes two visits with a finding at the same root."
    )
    assert not cards.find("rx_changes_pair").isVisible()


def test_hostile_names_are_told_as_they_are(cards: Shown) -> None:
    name = "<b>x</b>" * 12
    visits = tuple(visit(n, 60.0, lesions=(lesion(60.0, name),)) for n in (1, 2))
    series = replace(
        drawn_series(visits=visits), fill_changes=(fill("fill length", True, canal=name),)
    )
    show(cards, series)
    assert name in cards.text(f"rx_change_root_{name}")
    assert name in cards.text(f"rx_change_fill_{name}_fill_length")
    cards.assert_fits()
