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


class Undoable(Generic[Value]):
    """What a person edits, one value after the other; every edit can be taken back.

    Subclasses say what the value is now (`_now`) and how another takes its place (`_take`).
    """

    def __init__(self) -> None:
        self._done: list[_Memory[Value]] = []
        self._undone: list[_Memory[Value]] = []

    def _now(self) -> Value:
        raise NotImplementedError

    def _take(self, value: Value) -> None:
        raise NotImplementedError

    def _change(self, label: str, value: Value) -> None:
        """Take a new value; an equal one is no edit."""
        now = self._now()
        if value == now:
            return
        self._done.append(_Memory(label, now))
        del self._done[:-UNDO_DEPTH]
        self._undone.clear()
        self._take(value)

    @property
    def undo_label(self) -> str:
        """What undo would take back; empty when nothing."""
        return self._done[-1].label if self._done else ""

    @property
    def redo_label(self) -> str:
        """What redo would do again; empty when nothing."""
        return self._undone[-1].label if self._undone else ""

    def undo(self) -> None:
        """Take the last edit back."""
        self._step(self._done, self._undone)

    def redo(self) -> None:
        """Do the edit again that was taken back last."""
        self._step(self._undone, self._done)

    def _step(self, source: list[_Memory[Value]], target: list[_Memory[Value]]) -> None:
        if not source:
            return
        memory = source.pop()
        target.append(_Memory(memory.label, self._now()))
        self._take(memory.value)
