"""What can be undone and done again. No Qt, no napari."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Generic, TypeVar

#: Steps that can be undone (choice: a long review has some hundred edits).
UNDO_DEPTH = 500

Value = TypeVar("Value")


@dataclass(frozen=True, slots=True)
class _Memory(Generic[Value]):
    """One step: what was done, and the value on its other side."""

    label: str
    value: Value


class History(Generic[Value]):
    """Values before each edit, and those that undo took back."""

    def __init__(self) -> None:
        self._done: list[_Memory[Value]] = []
        self._undone: list[_Memory[Value]] = []

    @property
    def undo_label(self) -> str:
        """What undo would take back; empty when nothing."""
        return self._done[-1].label if self._done else ""

    @property
    def redo_label(self) -> str:
        """What redo would do again; empty when nothing."""
        return self._undone[-1].label if self._undone else ""

    def remember(self, label: str, before: Value) -> None:
        """Note an edit and the value before it."""
        self._done.append(_Memory(label, before))
        del self._done[:-UNDO_DEPTH]
        self._undone.clear()

    def back(self, now: Value) -> Value | None:
        """The value before the last edit; None when there is none."""
        return _step(self._done, self._undone, now)

    def forth(self, now: Value) -> Value | None:
        """The value that undo took back last; None when there is none."""
        return _step(self._undone, self._done, now)


def _step(source: list[_Memory[Value]], target: list[_Memory[Value]], now: Value) -> Value | None:
    if not source:
        return None
    memory = source.pop()
    target.append(_Memory(memory.label, now))
    return memory.value
