"""Attenuation of the phantom's materials and the tube's spectrum, from cached tables.

``.tools/make_attenuation_table.py`` writes the two tables and holds every
composition with its source.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from functools import cache
from importlib.resources import files

import numpy as np

from rxmeasure.geometry import FloatArray


class Material(IntEnum):
    """Materials in the order of the attenuation table's columns."""

    AIR = 0
    SOFT_TISSUE = 1
    DENTINE = 2
    ENAMEL = 3
    CORTICAL_BONE = 4
    GUTTA_PERCHA = 5
    EPOXY_RESIN_SEALER = 6
    CALCIUM_SILICATE_SEALER = 7
    STEEL = 8
    SILICONE = 9
    METAL_RESTORATION = 10
    COMPOSITE = 11
    TEMPORARY_FILLING = 12
    ALUMINIUM = 13


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Beam:
    """A tube's beam as the detector sees it.

    Attributes
    ----------
    tube_kv : int
    weights : ndarray, shape (B,)
        Share of the detected signal in each energy bin without any object; sums to 1.
    attenuation_per_mm : ndarray, shape (M, B)
        Linear attenuation of each `Material` in each bin, 1/mm.
    """

    tube_kv: int
    weights: FloatArray
    attenuation_per_mm: FloatArray

    def transmission(self, thickness_mm: FloatArray) -> FloatArray:
        """Detected signal behind thicknesses, shape (..., M) in mm; 1 without any object."""
        return np.asarray(
            np.exp(-np.asarray(thickness_mm) @ self.attenuation_per_mm) @ self.weights
        )


def _rows(name: str) -> tuple[list[str], FloatArray]:
    text = (files("rxmeasure.phantom") / name).read_text(encoding="utf-8")
    lines = [line for line in text.splitlines() if not line.startswith("#")]
    return lines[0].split(","), np.array([[float(v) for v in x.split(",")] for x in lines[1:]])


@cache
def attenuation_table() -> tuple[FloatArray, FloatArray]:
    """Energies in keV, shape (E,), and linear attenuation in 1/mm, shape (E, M)."""
    names, values = _rows("attenuation.csv")
    if names[1:] != [m.name.lower() for m in Material]:
        raise RuntimeError("attenuation.csv and Material list different materials")
    return values[:, 0], values[:, 1:]


@cache
def beam(tube_kv: int = 65) -> Beam:
    """Beam of a 60, 65 or 70 kV tube with 2 mm Al, seen by an energy-integrating detector."""
    _, spectra = _rows("spectra.csv")
    rows = spectra[spectra[:, 0] == tube_kv]
    if len(rows) == 0:
        raise ValueError(f"no spectrum for {tube_kv} kV")
    energies, table = attenuation_table()
    # Absorption edges lie between table rows, so each bin is interpolated in log-log.
    mu = np.array(
        [
            np.exp(np.interp(np.log(rows[:, 1]), np.log(energies), np.log(table[:, m])))
            for m in range(table.shape[1])
        ]
    )
    return Beam(tube_kv=tube_kv, weights=rows[:, 2] / rows[:, 2].sum(), attenuation_per_mm=mu)


def aluminium_equivalent_mm(
    material: Material, thickness_mm: float = 1.0, *, tube_kv: int = 65
) -> float:
    """Thickness of aluminium in mm that darkens the film as much as the material does.

    The radiopacity of ISO 6876 (sealers) and ISO 6877 (points), which compare a
    1 mm thick disc with an aluminium step wedge.
    """
    from scipy.optimize import brentq

    b = beam(tube_kv)

    def signal(m: Material, t: float) -> float:
        return float(np.exp(-b.attenuation_per_mm[m] * t) @ b.weights)

    target = signal(material, thickness_mm)
    return float(brentq(lambda t: signal(Material.ALUMINIUM, t) - target, 0.0, 500.0))
