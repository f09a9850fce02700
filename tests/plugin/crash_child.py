"""A reader at work in a window of its own, until it is killed: started by `test_crash`.

For every edit it prints a digest of the marks when the state takes it, and ``shown`` when all that
follows from it, the draft among them, has been asked for.
"""

from __future__ import annotations

import hashlib
import sys
from pathlib import Path

TESTS = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(TESTS))

NUDGES = 30


def digest(marks: object) -> str:
    """Marks in few letters; equal marks, equal letters."""
    return hashlib.sha256(repr(marks).encode()).hexdigest()[:16]


def main() -> None:
    """Review one film, then move its points about."""
    from plugin.window import Key, Reader

    from rxmeasure.record.review_file import read_marks

    film, marks = Path(sys.argv[1]), read_marks(Path(sys.argv[2]))
    reader = Reader([film])
    changed = reader.film.marks_changed
    changed.connect(lambda: print(digest(reader.marks), flush=True), priority=1000)
    changed.connect(lambda: print("shown", flush=True), priority=-1000)
    reader.review(marks)
    reader.press("rx_step_canals")
    reader.on_picture(Key.Key_N)
    for k in range(NUDGES):
        reader.on_picture((Key.Key_Left, Key.Key_Down, Key.Key_Right)[k % 3])
    reader.close()
    print("done", flush=True)


if __name__ == "__main__":
    main()
