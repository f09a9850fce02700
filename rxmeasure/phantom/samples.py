"""Sample films of the sample teaching clinic: phantoms from fixed seeds, with their marks.

Nothing in them comes from a patient. The marks carry the scatter of a person's clicks.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from rxmeasure.geometry import FloatArray
from rxmeasure.marks import (
    CanalMarks,
    FilmKind,
    Landmark,
    LandmarkState,
    LengthReference,
    NominalShape,
    PointPx,
    ReviewMarks,
)
from rxmeasure.phantom.make import make_phantom
from rxmeasure.phantom.parameters import (
    CanalParameters,
    FileParameters,
    PhantomParameters,
    PuffParameters,
    VoidParameters,
    with_imaging,
)
from rxmeasure.phantom.sampling import random_parameters
from rxmeasure.phantom.truth import CanalTruth, PhantomTruth, noisy_clicks
from rxmeasure.phantom.writing import write_phantom

_SHAPE, _PITCH_MM = (700, 520), 0.05
#: Scatter of a person's clicks.
_CLICK_SD_MM = 0.12


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One sample film.

    ``change`` turns random parameters into the case; ``canals`` is how many the tooth has,
    ``clicks`` how many on each; ``tooth`` is the FDI number.
    """

    name: str
    seed: int
    kind: str
    tooth: str
    change: Callable[[PhantomParameters], PhantomParameters]
    film_kind: FilmKind = FilmKind.POSTOPERATIVE
    format: str = "png"
    orientation: int = 1
    canals: int = 1
    clicks: int = 3
    reference_label: str = ""


def make_case(case: Case, folder: Path) -> Path:
    """Make a sample: image, ``NAME.truth.json`` and the annotation file ``NAME.marks.toml``."""
    phantom = make_phantom(parameters_of(case))
    path = write_phantom(
        phantom, folder, case.name, format=case.format, orientation=case.orientation
    )
    text = marks_toml(marks_of(case, phantom.truth, phantom.parameters.seed))
    (folder / f"{case.name}.marks.toml").write_text(text, encoding="utf-8")
    return path


def parameters_of(case: Case) -> PhantomParameters:
    """The case's parameters: the first seed of its thousand that suits, then its changes."""
    seeds = range(case.seed * 1000, case.seed * 1000 + 1000)
    p = next(p for p in (_random(case, seed) for seed in seeds) if _suits(case, p))
    upper, right = case.tooth[0] in "12", case.tooth[0] in "14"
    return case.change(replace(p, tooth_number=case.tooth, upper=upper, mirrored=right == upper))


def _random(case: Case, seed: int) -> PhantomParameters:
    return random_parameters(
        seed,
        film_kind=case.film_kind,
        kind=case.kind,
        shape=_SHAPE,
        pitch_mm=_PITCH_MM,
        reference_file=bool(case.reference_label),
    )


def _suits(case: Case, p: PhantomParameters) -> bool:
    sound = all(n.crown.coronal != "metal" for n in p.neighbours)
    upright = p.shape == _SHAPE
    return len(p.tooth.canals) == case.canals and sound and upright and len(p.neighbours) == 2


# What sets each case apart.


def _fill(canal: CanalParameters, **changes: Any) -> CanalParameters:
    """A canal with a plain, sound fill, then the changes."""
    plain = replace(
        canal, voids=(), puffs=(), hourglass=None, stripped_mm=None, post=None, tip="rounded",
        start_below_orifice_mm=0.5, foramen_offset_mm=0.4,
    )  # fmt: skip
    plain = replace(plain, **changes)
    if "core_to_apex_mm" in changes and "sealer_to_apex_mm" not in changes:
        plain = replace(plain, sealer_to_apex_mm=plain.core_to_apex_mm - 0.2)
    return plain


def _canals(p: PhantomParameters, *fills: dict[str, Any]) -> PhantomParameters:
    canals = tuple(_fill(c, **f) for c, f in zip(p.tooth.canals, fills, strict=True))
    return replace(p, tooth=replace(p.tooth, canals=canals))


def _plain(
    p: PhantomParameters, *, coronal: str = "composite", **imaging: Any
) -> PhantomParameters:
    """Even exposure and a restoration that lets the coronal reference be seen."""
    tooth = replace(p.tooth, crown=replace(p.tooth.crown, coronal=coronal))
    usual: dict[str, Any] = {"response": "log", "gamma": 1.0, "window": (0.25, 2.7), "edge": "none",
             "blur_fwhm_mm": 0.10, "quanta_per_mm2": 6.0e6}  # fmt: skip
    return with_imaging(replace(p, tooth=tooth, supersampling=3), **(usual | imaging))


def _bent(p: PhantomParameters, *turns_deg: tuple[float, ...]) -> PhantomParameters:
    roots = tuple(replace(r, turns_deg=t) for r, t in zip(p.tooth.roots, turns_deg, strict=True))
    return replace(p, tooth=replace(p.tooth, roots=roots))


def _adequate(p: PhantomParameters) -> PhantomParameters:
    return _canals(
        _bent(_plain(p), (9.0,)),
        {"core_to_apex_mm": 0.8, "size": 35, "taper": 0.04, "depth_ratio": 1.3,
         "film_mm": (0.02, 0.04)},
    )  # fmt: skip


def _short(p: PhantomParameters) -> PhantomParameters:
    return _canals(
        _bent(_plain(p, edge="black"), (-6.0,)),
        {"core_to_apex_mm": 3.3, "size": 40, "taper": 0.04, "depth_ratio": 1.1},
    )


def _overfilled(p: PhantomParameters) -> PhantomParameters:
    puff = PuffParameters(area_mm2=1.1)
    return _canals(
        _bent(_plain(p, coronal="temporary"), (12.0,)),
        {"core_to_apex_mm": -0.7, "sealer_to_apex_mm": -0.7, "size": 35, "taper": 0.05,
         "puffs": (puff,), "foramen_offset_mm": 0.0, "sealer": "calcium-silicate"},
    )  # fmt: skip


def _voids(p: PhantomParameters) -> PhantomParameters:
    faults = (
        VoidParameters(kind="lateral", to_end_mm=2.6, length_mm=1.6, width_mm=0.22, side=1),
        VoidParameters(kind="transverse", to_end_mm=5.2, length_mm=0.35, angle_deg=8.0),
        VoidParameters(kind="bubble", to_end_mm=8.6, length_mm=0.5, offset=0.3, side=-1,
                       content="air"),
    )  # fmt: skip
    return _canals(
        _bent(_plain(p), (7.0,)),
        {"core_to_apex_mm": 1.1, "size": 40, "taper": 0.05, "max_width_mm": 1.2,
         "depth_ratio": 1.2, "voids": faults},
    )  # fmt: skip


def _two_canals(p: PhantomParameters) -> PhantomParameters:
    # A straight piece of wire of known length lies where the file would.
    wire = replace(p.files[0], kind="wire", length_mm=15.0, size=70, bend_deg=0.0)
    return _canals(
        replace(_bent(_plain(p), (5.0,)), files=(wire,)),
        {"core_to_apex_mm": 0.6, "size": 30, "taper": 0.04, "offset_mm": -0.8,
         "offset_apex_mm": -0.3, "max_width_mm": 0.85},
        {"core_to_apex_mm": 2.4, "size": 30, "taper": 0.04, "offset_mm": 0.8,
         "offset_apex_mm": 0.3, "max_width_mm": 0.85},
    )  # fmt: skip


def _curved(p: PhantomParameters) -> PhantomParameters:
    return _canals(
        _bent(_plain(p, edge="white", response="linear", gamma=0.65), (32.0,), (-12.0,)),
        {"core_to_apex_mm": 0.5, "size": 25, "taper": 0.05},
        {"core_to_apex_mm": 1.4, "size": 30, "taper": 0.06},
    )


def _working_length(p: PhantomParameters) -> PhantomParameters:
    file = FileParameters(canal=0, size=15, tip_to_apex_mm=1.4)
    return replace(_bent(_plain(p, coronal="open"), (-10.0,)), files=(file,))


CASES = {
    case.name: case
    for case in (
        Case(name="adequate_premolar", seed=11, kind="premolar", tooth="35", change=_adequate,
             reference_label="file size 15 beside the tooth"),
        Case(name="short_incisor", seed=12, kind="upper incisor", tooth="11", change=_short,
             format="dicom"),
        Case(name="overfilled_with_puff", seed=13, kind="premolar", tooth="44",
             change=_overfilled, format="tiff", reference_label="file beside the tooth"),
        Case(name="voids_canine", seed=14, kind="canine", tooth="23", change=_voids,
             reference_label="file beside the tooth"),
        Case(name="two_canals_premolar", seed=15, kind="premolar", tooth="14",
             change=_two_canals, format="jpeg", orientation=3, canals=2,
             reference_label="wire beside the tooth"),
        Case(name="curved_molar", seed=16, kind="lower molar", tooth="46", change=_curved,
             format="tiff", canals=2, clicks=4),
        Case(name="working_length_premolar", seed=17, kind="premolar", tooth="45",
             change=_working_length, film_kind=FilmKind.WORKING_LENGTH),
    )
}  # fmt: skip


# What a person would mark on it.


def marks_of(case: Case, truth: PhantomTruth, seed: int) -> ReviewMarks:
    """Marks as a person would make them: the truth with the scatter of clicks."""
    rng = np.random.default_rng([seed, 4])
    references = []
    for file in truth.files:
        axis = np.asarray(file.axis_px)
        picks = axis[np.linspace(0, len(axis) - 1, 2 if file.kind == "wire" else 4).astype(int)]
        points = picks + rng.normal(0.0, _CLICK_SD_MM / truth.mm_per_px, picks.shape)
        references.append(
            LengthReference(
                kind="line" if file.kind == "wire" else "file",
                points_px=tuple(_point(q) for q in points),
                length_mm=round(file.length_mm, 1),
                tip_size=float(file.size),
                label=case.reference_label or "file in the canal",
            )
        )
    return ReviewMarks(
        film_kind=case.film_kind,
        tooth=case.tooth,
        patient_pseudonym=f"sample-{case.name.replace('_', '-')}",
        visit="2024-02-29",
        canals=tuple(_canal_marks(case, c, truth, rng) for c in truth.canals),
        references=tuple(references),
        reader="the sample teaching clinic",
    )


def _canal_marks(
    case: Case, canal: CanalTruth, truth: PhantomTruth, rng: np.random.Generator
) -> CanalMarks:
    clicks = noisy_clicks(canal, rng, sd_mm=_CLICK_SD_MM, count=case.clicks, start="reference")
    points = tuple(_point(c) for c in clicks)
    orifice = np.array(canal.orifice_px) + rng.normal(0.0, _CLICK_SD_MM / canal.mm_per_px, 2)
    label = "incisal edge" if case.kind == "upper incisor" else "cusp tip"
    file = next((f for f in truth.files if f.canal == canal.name), None)
    filled = canal.content != "tissue"
    return CanalMarks(
        name=canal.name,
        clicks_px=points,
        coronal_reference=Landmark(point_px=points[0], state=LandmarkState.MARKED, label=label),
        orifice=Landmark(
            point_px=_point(orifice), state=LandmarkState.MARKED, label="chamber floor"
        ),
        nominal=NominalShape(size=float(canal.size), taper=canal.taper) if filled else None,
        stop_to_tip_mm=round(file.length_mm, 1) if file else None,
    )


def _point(px: FloatArray) -> PointPx:
    return (round(float(px[0]), 1), round(float(px[1]), 1))


def _value(value: object) -> str:
    if isinstance(value, tuple):
        return "[" + ", ".join(_value(v) for v in value) + "]"
    return json.dumps(value)


def _landmark(mark: Landmark) -> str:
    return (
        f"{{ point_px = {_value(mark.point_px)}, state = {_value(mark.state.value)}, "
        f"label = {_value(mark.label)} }}"
    )


def marks_toml(marks: ReviewMarks) -> str:
    """The fields that a person gave, as TOML."""
    lines = [
        "# Points are [row, col] in pixels; the centre of the first pixel is [0, 0].",
        f"film_kind = {_value(marks.film_kind.value)}",
        f"tooth = {_value(marks.tooth)}",
        f"patient_pseudonym = {_value(marks.patient_pseudonym)}",
        f"visit = {_value(marks.visit)}",
        f"reader = {_value(marks.reader)}",
    ]
    for canal in marks.canals:
        lines += ["", "[[canals]]", f"name = {_value(canal.name)}"]
        lines.append(f"clicks_px = {_value(canal.clicks_px)}")
        lines.append(f"coronal_reference = {_landmark(canal.coronal_reference)}")
        lines.append(f"orifice = {_landmark(canal.orifice)}")
        if canal.nominal is not None:
            lines.append(
                f"nominal = {{ size = {canal.nominal.size}, taper = {canal.nominal.taper} }}"
            )
        if canal.stop_to_tip_mm is not None:
            lines.append(f"stop_to_tip_mm = {canal.stop_to_tip_mm}")
    for reference in marks.references:
        lines += ["", "[[references]]", f"kind = {_value(reference.kind)}"]
        lines.append(f"points_px = {_value(reference.points_px)}")
        lines.append(f"length_mm = {reference.length_mm}")
        lines.append(f"tip_size = {reference.tip_size}")
        lines.append(f"label = {_value(reference.label)}")
    return "\n".join(lines) + "\n"
