"""A film of test specimens: flat discs beside an aluminium step wedge, with exact truth.

The discs' true radiopacity follows from the physics: the thickness of aluminium
behind which the beam leaves the same signal as behind the disc.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from rxmeasure.geometry import FloatArray
from rxmeasure.marks import PointPx
from rxmeasure.phantom.curves import Float32
from rxmeasure.phantom.imaging import render
from rxmeasure.phantom.materials import Material, aluminium_equivalent_mm
from rxmeasure.phantom.parameters import ImagingParameters


@dataclass(frozen=True, slots=True, kw_only=True)
class DiscParameters:
    """One flat disc; ``centre_mm`` is (row, col) from the picture's upper left corner."""

    name: str
    material: Material
    thickness_mm: float
    centre_mm: tuple[float, float]
    radius_mm: float = 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SpecimenParameters:
    """A wedge and discs that lie on the detector; equal parameters give equal pixels.

    Attributes
    ----------
    seed : int
        Drives the noise.
    steps : int
    first_mm, step_mm : float
        Thickness of the first step; what each further step adds.
    step_size_mm : tuple of float
        A step's size along the wedge and across it.
    wedge_start_mm : tuple of float
        Centre of the first step, (row, col) from the upper left corner.
    wedge_deg : float
        Direction of the wedge: 0 to the right, along a row;
        positive turns it downwards.
    discs : tuple of DiscParameters
    """

    seed: int
    steps: int = 10
    first_mm: float = 1.0
    step_mm: float = 1.0
    step_size_mm: tuple[float, float] = (3.0, 6.0)
    wedge_start_mm: tuple[float, float] = (4.5, 3.0)
    wedge_deg: float = 0.0
    discs: tuple[DiscParameters, ...] = ()
    shape: tuple[int, int] = (320, 420)
    pitch_mm: float = 0.075
    imaging: ImagingParameters = field(
        default_factory=lambda: ImagingParameters(window=(-0.1, 3.0), scatter=0.03)
    )
    supersampling: int = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class StepTruth:
    """One step of the wedge."""

    centre_px: PointPx
    thickness_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class DiscTruth:
    """One disc; ``equivalent_mm_al`` is exact for the primary beam."""

    name: str
    material: str
    thickness_mm: float
    centre_px: PointPx
    radius_px: float
    equivalent_mm_al: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SpecimenTruth:
    """Exact geometry and radiopacity of a specimen film."""

    seed: int
    tube_kv: int
    mm_per_px: float
    steps: tuple[StepTruth, ...]
    discs: tuple[DiscTruth, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SpecimenFilm:
    """A synthetic specimen film and its truth; fields as of `Phantom`."""

    pixels: NDArray[np.uint16]
    truth: SpecimenTruth
    parameters: SpecimenParameters


def make_specimen_film(p: SpecimenParameters) -> SpecimenFilm:
    """Render a specimen film by Beer-Lambert ray sums."""
    pixels = render(
        _thickness_maps(p),
        p.imaging,
        shape=p.shape,
        supersampling=p.supersampling,
        pitch_mm=p.pitch_mm,
        mm_per_px=p.pitch_mm,
        rng=np.random.default_rng([p.seed, 3]),
    )
    return SpecimenFilm(pixels=pixels, truth=_truth(p), parameters=p)


def random_specimen(seed: int) -> SpecimenParameters:
    """Random wedge, discs and imaging; ranges are a choice round usual set-ups.

    Wedges reach 10 to 15 mm; discs are of gutta-percha and of both sealers, 0.8 to 1.2 mm
    thick, the dense sealer thinner so that the wedge reaches it. Scatter is that of a bench
    set-up, without a scattering body.
    """
    rng = np.random.default_rng([seed, 11])
    steps = int(rng.integers(8, 13))
    step_mm = float(rng.choice((1.0, 1.2)))
    discs = (
        ("gutta-percha", Material.GUTTA_PERCHA, rng.uniform(0.8, 1.2)),
        ("sealer A", Material.CALCIUM_SILICATE_SEALER, rng.uniform(0.8, 1.2)),
        ("sealer B", Material.EPOXY_RESIN_SEALER, rng.uniform(0.3, 0.55)),
    )
    imaging = ImagingParameters(
        tube_kv=int(rng.choice((60, 65, 70))),
        blur_fwhm_mm=float(rng.uniform(0.08, 0.15)),
        scatter=float(rng.uniform(0.0, 0.05)),
        quanta_per_mm2=float(rng.uniform(2e6, 8e6)),
        response=str(rng.choice(("log", "linear"))),
        window=(-0.1, 3.0),
        gamma=float(rng.uniform(0.7, 1.4)),
        bits=int(rng.choice((8, 12))),
        inverted=False,
    )
    return SpecimenParameters(
        seed=seed,
        steps=steps,
        step_mm=step_mm,
        step_size_mm=(float(rng.uniform(2.4, 2.6)), float(rng.uniform(4.0, 7.0))),
        wedge_start_mm=(5.0, 2.2),
        wedge_deg=float(rng.uniform(-1.0, 3.0)),
        discs=tuple(
            DiscParameters(
                name=name,
                material=material,
                thickness_mm=float(thickness),
                centre_mm=(17.0, 5.5 + 10.5 * k),
                radius_mm=float(rng.uniform(3.0, 4.5)),
            )
            for k, (name, material, thickness) in enumerate(discs)
        ),
        imaging=imaging,
    )


def _wedge_axes(p: SpecimenParameters) -> tuple[FloatArray, FloatArray]:
    """Unit vectors (row, col) along the wedge and across it."""
    turn = np.deg2rad(p.wedge_deg)
    along = np.array([np.sin(turn), np.cos(turn)])
    return along, np.array([along[1], -along[0]])


def _thickness_maps(p: SpecimenParameters) -> dict[Material, Float32]:
    """Thickness in mm of each material on the sub-pixel grid."""
    k = p.supersampling
    rows, cols = ((np.arange(n * k) + 0.5).astype(np.float32) * (p.pitch_mm / k) for n in p.shape)
    r, c = rows[:, None], cols[None, :]
    maps: dict[Material, Float32] = {}
    along, across = _wedge_axes(p)
    dr, dc = r - p.wedge_start_mm[0], c - p.wedge_start_mm[1]
    step = np.floor((dr * along[0] + dc * along[1]) / p.step_size_mm[0] + 0.5)
    inside = (step >= 0) & (step < p.steps)
    inside &= np.abs(dr * across[0] + dc * across[1]) <= p.step_size_mm[1] / 2
    aluminium = np.where(inside, p.first_mm + step * p.step_mm, 0.0)
    maps[Material.ALUMINIUM] = aluminium.astype(np.float32)
    for disc in p.discs:
        covered = np.hypot(r - disc.centre_mm[0], c - disc.centre_mm[1]) <= disc.radius_mm
        thickness = (covered * disc.thickness_mm).astype(np.float32)
        maps[disc.material] = maps.get(disc.material, np.float32(0.0)) + thickness
    return maps


def _truth(p: SpecimenParameters) -> SpecimenTruth:
    def px(point_mm: FloatArray) -> PointPx:
        r, c = np.asarray(point_mm) / p.pitch_mm - 0.5
        return (round(float(r), 4), round(float(c), 4))

    along, _ = _wedge_axes(p)
    start = np.array(p.wedge_start_mm)
    return SpecimenTruth(
        seed=p.seed,
        tube_kv=p.imaging.tube_kv,
        mm_per_px=p.pitch_mm,
        steps=tuple(
            StepTruth(
                centre_px=px(start + n * p.step_size_mm[0] * along),
                thickness_mm=p.first_mm + n * p.step_mm,
            )
            for n in range(p.steps)
        ),
        discs=tuple(
            DiscTruth(
                name=d.name,
                material=d.material.name.lower(),
                thickness_mm=d.thickness_mm,
                centre_px=px(np.array(d.centre_mm)),
                radius_px=d.radius_mm / p.pitch_mm,
                equivalent_mm_al=aluminium_equivalent_mm(
                    d.material, d.thickness_mm, tube_kv=p.imaging.tube_kv
                ),
            )
            for d in p.discs
        ),
    )
