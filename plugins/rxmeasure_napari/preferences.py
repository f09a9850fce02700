"""Habits of the person who reads: the only place that reads napari's settings of this plugin.

Nothing of a patient or a review is ever kept there. What can be chosen, and
its bounds, stands in ``napari.yaml``. No Qt.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from rxmeasure.marks import FilmKind
from rxmeasure.report.options import DecimalMark, ReportOptions, ToothNotation

PLUGIN = "rxmeasure"

_DECIMAL_MARKS = {"point": DecimalMark.POINT, "comma": DecimalMark.COMMA}
#: How an unknown plugin (KeyError) and a damaged settings file show themselves; pydantic's
#: errors are ValueErrors, and a file that holds no mapping fails an assertion.
_UNREADABLE = (KeyError, OSError, ValueError, TypeError, AttributeError, AssertionError)


@dataclass(frozen=True, slots=True, kw_only=True)
class Preferences:
    """Habits of one person.

    Attributes
    ----------
    reader : str
        Pseudonym for new reviews.
    tooth_notation : ToothNotation
    decimal_mark : DecimalMark
    film_kind : FilmKind
        Proposed for a film that was never reviewed.
    file_length_mm : float or None
        Usual length of a file, proposed for a new known length; None: ask.
    live_tracing : bool
        Trace while the pointer moves.
    report_on_keep : bool
        Write the report beside the image whenever a review is kept.
    show_layer_lists : bool
        Show napari's lists of layers in the ready window.
    """

    reader: str = ""
    tooth_notation: ToothNotation = ToothNotation.FDI
    decimal_mark: DecimalMark = DecimalMark.POINT
    film_kind: FilmKind = FilmKind.POSTOPERATIVE
    file_length_mm: float | None = None
    live_tracing: bool = True
    report_on_keep: bool = False
    show_layer_lists: bool = False

    def report_options(self) -> ReportOptions:
        """How a report writes numbers and teeth."""
        return ReportOptions(decimal_mark=self.decimal_mark, tooth_notation=self.tooth_notation)


def read_preferences() -> Preferences:
    """Preferences as they stand; the defaults where napari's settings cannot be read."""
    settings = _settings()
    if settings is None:
        return Preferences()
    writing, review, window = settings.writing, settings.review, settings.window
    return Preferences(
        reader=writing.reader.strip(),
        tooth_notation=ToothNotation(writing.tooth_notation),
        decimal_mark=_DECIMAL_MARKS[writing.decimal_mark],
        film_kind=FilmKind(review.film_kind),
        file_length_mm=review.file_length_mm or None,
        live_tracing=review.live_tracing,
        report_on_keep=review.report_on_keep,
        show_layer_lists=window.show_layer_lists,
    )


def on_change(callback: Callable[[Preferences], object]) -> Callable[[], None]:
    """Call back with the new preferences after each change; return what ends it."""
    settings = _settings()
    if settings is None:
        return lambda: None
    changed = settings.events.changed

    def tell(event: object = None) -> None:
        callback(read_preferences())

    changed.connect(tell)

    def end() -> None:
        changed.disconnect(tell)

    return end


def _settings() -> Any | None:
    from napari.settings import get_plugin_settings

    try:
        return get_plugin_settings(PLUGIN)
    except _UNREADABLE:
        return None
