"""Canals that were measured before, so that only what changed is measured again."""

from __future__ import annotations

import threading
from dataclasses import dataclass

from rxmeasure.calibration.scale import Calibration
from rxmeasure.filling.results import CanalMeasurement
from rxmeasure.marks import CanalMarks, FilmKind, Settings

#: Measured canals kept (choice: a tooth has at most five; several films and an undo or two).
KEPT = 32


@dataclass(frozen=True, slots=True, kw_only=True)
class CanalInputs:
    """All that a canal's measurement depends on.

    Pixels, their pitch and range follow from the file's hash and from whether
    its grey levels were turned.
    """

    image_sha256: str
    turned: bool
    calibration: Calibration | None
    canal: CanalMarks
    film_kind: FilmKind
    settings: Settings


class CanalMemory:
    """The last canals measured, with their Monte Carlo draws. Safe between threads."""

    def __init__(self, kept: int = KEPT) -> None:
        self._kept = kept
        self._measured: dict[CanalInputs, CanalMeasurement] = {}
        self._lock = threading.Lock()

    def recall(self, inputs: CanalInputs) -> CanalMeasurement | None:
        """Return what was measured from equal inputs, or None."""
        with self._lock:
            measured = self._measured.pop(inputs, None)
            if measured is not None:
                self._measured[inputs] = measured
            return measured

    def keep(self, inputs: CanalInputs, measured: CanalMeasurement) -> None:
        """Remember one canal; the one that was asked for longest ago is forgotten."""
        with self._lock:
            self._measured.pop(inputs, None)
            self._measured[inputs] = measured
            while len(self._measured) > self._kept:
                del self._measured[next(iter(self._measured))]
