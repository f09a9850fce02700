"""A reader at work in a window of its own, until it is killed: started by `test_crash`.

``crash_child.py FILM MARKS`` reviews a film, ``crash_child.py FILM FILM`` compares two visits. For
every edit it prints a digest of the marks when the state takes it, and ``shown`` when all that
follows from it, the draft among them, has been asked for.
"""

from __future__ import annotations

import hashlib
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from plugin.window import Reader

TESTS = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(TESTS))

NUDGES = 30
#: Corners of the outline that is drawn on the first visit, px.
CORNERS = ((130.0, 110.0), (130.0, 150.0), (170.0, 150.0), (170.0, 110.0))


def digest(marks: object) -> str:
    """Marks in few letters; equal marks, equal letters."""
    return hashlib.sha256(repr(marks).encode()).hexdigest()[:16]


def tell_edits(changed: Any, marks: Callable[[], object]) -> None:
    """Print each edit, before and after all others hear of it."""
    changed.connect(lambda: print(digest(marks()), flush=True), priority=1000)
    changed.connect(lambda: print("shown", flush=True), priority=-1000)


def review(reader: Reader, marks_file: Path) -> None:
    """Review one film."""
    from rxmeasure.record.review_file import read_marks

    tell_edits(reader.film.marks_changed, lambda: reader.marks)
    reader.review(read_marks(marks_file))
    reader.press("rx_step_canals")


def recall(reader: Reader) -> None:
    """Make visits of two films, date them, and outline a lesion on the first."""
    from plugin.window import Key

    series = reader.state.series
    tell_edits(series.marks_changed, lambda: series.marks)
    reader.press("rx_step_recall")
    reader.press("rx_add_all")
    reader.write("rx_visit_date_1", "2023-01-10")
    reader.write("rx_visit_date_2", "2024-01-12")
    reader.press("rx_recall_lesions")
    reader.press("rx_tool_outline")
    reader.state.choose_film(series.film_of(1))
    for point in CORNERS:
        reader.click(point)
    reader.on_picture(Key.Key_Return)


def main() -> None:
    """Work on films, then move the points about."""
    from plugin.window import Key, Reader

    first, second = Path(sys.argv[1]), Path(sys.argv[2])
    of_visits = second.suffix == first.suffix
    reader = Reader([first, second] if of_visits else [first])
    if of_visits:
        recall(reader)
    else:
        review(reader, second)
    reader.on_picture(Key.Key_N)
    for k in range(NUDGES):
        reader.on_picture((Key.Key_Left, Key.Key_Down, Key.Key_Right)[k % 3])
    reader.close()
    print("done", flush=True)


if __name__ == "__main__":
    main()
