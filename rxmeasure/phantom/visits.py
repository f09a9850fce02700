"""Two films of one tooth, a year apart: another angle, another receptor, healing in between.

Depths and angles are a choice: roots lean up to about 15 degrees along the beam against their
crowns, the two films differ by 2 to 6 degrees.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from rxmeasure.geometry import FloatArray, as_points
from rxmeasure.marks import FilmKind
from rxmeasure.phantom.anatomy import root_curve, root_profile
from rxmeasure.phantom.beam_view import crown_plane, root_points_px, seen
from rxmeasure.phantom.make import Phantom, make_phantom
from rxmeasure.phantom.parameters import (
    BeamParameters,
    ImagingParameters,
    LesionParameters,
    PhantomError,
    PhantomParameters,
    TissueParameters,
    ToothParameters,
)
from rxmeasure.phantom.sampling import fits_on_film, random_parameters
from rxmeasure.phantom.scene import main_frame

#: What becomes of a lesion, and the share of its diameter that the second visit finds.
COURSES = {
    "none": (0.0, 0.0),
    "gone": (0.0, 0.0),
    "shrunk": (0.4, 0.85),
    "same": (1.0, 1.0),
    "grown": (1.15, 1.6),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Visits:
    """Parameters of the two films and what became of the lesion; see `COURSES`."""

    first: PhantomParameters
    second: PhantomParameters
    course: str

    def make(self) -> tuple[Phantom, Phantom]:
        """Both films."""
        return make_phantom(self.first), make_phantom(self.second)


def random_lesion(
    seed: int, parameters: PhantomParameters, *, diameter_mm: float | None = None, root: int = 0
) -> LesionParameters:
    """A lesion at the tip of a root; 1.5 to 8 mm wide without ``diameter_mm``."""
    rng = np.random.default_rng([seed, 5])
    wide = float(np.exp(rng.uniform(np.log(1.5), np.log(8.0))))
    wide = wide if diameter_mm is None else diameter_mm
    ratio = float(np.exp(rng.normal(0.0, 0.12)))
    lobes = tuple(
        (k, float(rng.uniform(0.0, 0.18 / k)), float(rng.uniform(0.0, 2.0 * np.pi)))
        for k in (2, 3, 4)
    )
    return LesionParameters(
        root=root,
        along_mm=wide * np.sqrt(ratio),
        across_mm=wide / np.sqrt(ratio),
        lobes=lobes,
        beyond_apex_mm=float(wide * rng.uniform(0.1, 0.4)),
        bone_lost_mm=float(min(0.9 * wide + 1.0, 0.8 * parameters.bone.ridge_mm)),
        edge_mm=float(rng.uniform(0.3, 0.9)),
        depth_mm=float(rng.uniform(-1.0, 1.0)),
    )


def scaled_lesion(lesion: LesionParameters, share: float) -> LesionParameters:
    """The same lesion with ``share`` of its diameters, its centre moving with its size."""
    return replace(
        lesion,
        along_mm=lesion.along_mm * share,
        across_mm=lesion.across_mm * share,
        beyond_apex_mm=lesion.beyond_apex_mm * share,
        bone_lost_mm=lesion.bone_lost_mm * min(share, 1.0),
    )


def with_lesions(
    parameters: PhantomParameters, lesions: Sequence[LesionParameters]
) -> PhantomParameters:
    """The same film with these lesions and no other."""
    return replace(parameters, lesions=tuple(lesions), bone=replace(parameters.bone, lesion_mm=0.0))


def random_visits(
    seed: int,
    *,
    course: str | None = None,
    diameter_mm: float | None = None,
    kind: str | None = None,
    shape: tuple[int, int] = (1200, 900),
    pitch_mm: float = 0.03,
) -> Visits:
    """Parameters of two recall films of one random tooth.

    Parameters
    ----------
    seed : int
        Equal arguments give equal parameters.
    course : str, optional
        One of `COURSES`; at random without it.
    diameter_mm : float, optional
        Of the lesion at the first visit.
    kind : str, optional
        Of `rxmeasure.phantom.sampling.KINDS`.
    shape, pitch_mm
        Of the first film.

    Raises
    ------
    PhantomError
        For an unknown course, or where no second film holds the whole tooth.
    """
    rng = np.random.default_rng([seed, 6])
    chosen = course or str(rng.choice(list(COURSES)))
    if chosen not in COURSES:
        raise PhantomError(
            found=f"a course '{chosen}'.",
            needed=f"one of {', '.join(COURSES)}.",
            next_step="Correct the course.",
        )
    base = random_parameters(
        seed, film_kind=FilmKind.RECALL, kind=kind, shape=shape, pitch_mm=pitch_mm,
        reference_file=False,
    )  # fmt: skip
    tissue = TissueParameters(seed=seed, visit=0, correlation=float(rng.uniform(0.5, 0.8)))
    first = replace(
        base,
        tooth=_with_depth(rng, base.tooth),
        neighbours=tuple(
            replace(_with_depth(rng, t), depth_mm=float(rng.normal(0.0, 0.7)))
            for t in base.neighbours
        ),
        bone=replace(base.bone, tissue=tissue),
    )
    root = int(rng.integers(len(base.tooth.roots)))
    lesion = random_lesion(seed, base, diameter_mm=diameter_mm, root=root)
    share = float(rng.uniform(*COURSES[chosen]))
    first = with_lesions(first, () if chosen == "none" else (lesion,))
    second = _second_film(rng, first)
    second = with_lesions(second, (scaled_lesion(lesion, share),) if share > 0.0 else ())
    return Visits(first=first, second=second, course=chosen)


def _with_depth(rng: np.random.Generator, tooth: ToothParameters) -> ToothParameters:
    """The roots of a molar diverge along the beam too."""
    lean = float(rng.normal(0.0, 4.0))
    spread = 8.0 if len(tooth.roots) > 1 else 4.0
    roots = tuple(
        replace(r, lean_deg=float(np.clip(lean + rng.normal(0.0, spread), -16.0, 16.0)))
        for r in tooth.roots
    )
    crown = replace(tooth.crown, lean_deg=float(lean + rng.normal(0.0, 6.0)))
    return replace(tooth, crown=crown, roots=roots)


def _second_film(rng: np.random.Generator, first: PhantomParameters) -> PhantomParameters:
    pitch = float(rng.choice((0.02, 0.025, 0.03, 0.04))) * first.pitch_mm / 0.03
    shape = tuple(round(n * first.pitch_mm / pitch) for n in first.shape)
    angle, direction = rng.uniform(2.0, 6.0), rng.uniform(0.0, 2.0 * np.pi)
    again = replace(
        first,
        pitch_mm=pitch,
        shape=(shape[0], shape[1]),
        magnification=first.magnification * float(rng.uniform(0.97, 1.03)),
        beam=BeamParameters(
            vertical_deg=float(angle * np.sin(direction)),
            horizontal_deg=float(angle * np.cos(direction)),
            receptor_tilt_deg=(float(rng.normal(0.0, 3.0)), float(rng.normal(0.0, 3.0))),
        ),
        exposure=1,
        tooth=_restored(rng, first.tooth),
        bone=replace(
            first.bone,
            crest_below_neck_mm=first.bone.crest_below_neck_mm + float(rng.uniform(0.0, 0.4)),
            tissue=replace(first.bone.tissue, visit=1) if first.bone.tissue else None,
        ),
        imaging=_other_imaging(rng, first.imaging),
    )
    for attempt in range(60):
        spread = 1.0 - attempt / 60.0
        place = rng.normal(0.0, 1.5 * spread, 2)
        candidate = replace(
            again,
            rotation_deg=first.rotation_deg + float(rng.normal(0.0, 4.0 * spread)),
            shift_mm=(first.shift_mm[0] + float(place[0]), first.shift_mm[1] + float(place[1])),
        )
        if fits_on_film(candidate, 0.5):
            return candidate
    raise PhantomError(
        found=f"a second film of {shape[0] * pitch:.0f} mm x {shape[1] * pitch:.0f} mm.",
        needed="room for the whole tooth.",
        next_step="Choose more or larger pixels.",
    )


def _restored(rng: np.random.Generator, tooth: ToothParameters) -> ToothParameters:
    """A temporary filling is replaced by composite or a crown."""
    if tooth.crown.coronal != "temporary":
        return tooth
    coronal = str(rng.choice(("composite", "metal", "temporary"), p=(0.6, 0.3, 0.1)))
    return replace(tooth, crown=replace(tooth.crown, coronal=coronal))


def _other_imaging(rng: np.random.Generator, old: ImagingParameters) -> ImagingParameters:
    response = str(rng.choice(("log", "linear"), p=(0.6, 0.4)))
    gamma = rng.uniform(0.55, 0.85) if response == "linear" else rng.uniform(0.8, 1.25)
    return replace(
        old,
        tube_kv=int(rng.choice((60, 65, 70))),
        blur_fwhm_mm=float(rng.uniform(0.06, 0.16)),
        scatter=float(rng.uniform(0.05, 0.20)),
        quanta_per_mm2=float(rng.uniform(1.5e6, 8.0e6)),
        response=response,
        gamma=float(gamma),
        window=(float(rng.uniform(0.15, 0.4)), float(rng.uniform(2.4, 3.1))),
        sharpen=float(rng.choice((0.0, 0.0, rng.uniform(0.2, 0.8)))),
        bits=int(rng.choice((8, 12))),
        edge=str(rng.choice(("none", "white", "black"), p=(0.5, 0.3, 0.2))),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PointMap:
    """Where the same points of the tooth lie in the first and in the second film, shape (N, 2).

    ``part``: ``"root 0"``, ``"crown"`` ... Points of a root are on its axis and both outlines.
    """

    part: str
    first_px: FloatArray
    second_px: FloatArray


def point_maps(visits: Visits) -> tuple[PointMap, ...]:
    """Exact correspondence of the parts of the main tooth; apices are in `apex_map`."""
    first, second = visits.first, visits.second
    tooth = first.tooth
    maps = []
    for index, root in enumerate(tooth.roots):
        axis = root_curve(root, tooth.crown.height_mm)
        profile = root_profile(root, tooth.crown.height_mm)
        s = np.arange(tooth.crown.height_mm, root.length_mm, 0.5)
        half = np.interp(s, profile.s, profile.a)
        points = np.concatenate([axis.at(s), axis.at(s, half), axis.at(s, -half)])
        maps.append(_map(f"root {index}", visits, index, points))
    half_crown = 0.8 * tooth.crown.half_width_mm
    y, x = np.meshgrid(
        np.linspace(1.0, tooth.crown.height_mm, 8), np.linspace(-half_crown, half_crown, 5)
    )
    points = np.column_stack([y.ravel(), x.ravel()])
    a, b = (seen(main_frame(p), crown_plane(tooth), p).to_px(points) for p in (first, second))
    return (*maps, PointMap(part="crown", first_px=a, second_px=b))


def apex_map(visits: Visits) -> PointMap:
    """The radiographic apices, one for each root."""
    tooth = visits.first.tooth
    tips = [
        _map("", visits, k, (axis := root_curve(r, tooth.crown.height_mm)).at([axis.length]))
        for k, r in enumerate(tooth.roots)
    ]
    return PointMap(
        part="apices",
        first_px=as_points(np.concatenate([t.first_px for t in tips])),
        second_px=as_points(np.concatenate([t.second_px for t in tips])),
    )


def _map(part: str, visits: Visits, root: int, points_mm: FloatArray) -> PointMap:
    a, b = (
        root_points_px(main_frame(p), p.tooth, root, points_mm, p)
        for p in (visits.first, visits.second)
    )
    return PointMap(part=part, first_px=a, second_px=b)
