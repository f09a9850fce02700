"""Random but anatomically sensible phantom parameters from a seed.

Tooth lengths scatter round the means of the anatomy handbooks (Black; Ingle;
Wheeler; values from memory). Curvatures follow the classes of Schneider 1971
(value from memory). Shares of defects are a choice: about half of the canals
have no void, so that false alarms can be counted.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from rxmeasure.marks import FilmKind
from rxmeasure.phantom.anatomy import neck_share, orifice_y_mm, root_curve
from rxmeasure.phantom.curves import Frame
from rxmeasure.phantom.parameters import (
    BoneParameters,
    CanalParameters,
    CrownParameters,
    FileParameters,
    ImagingParameters,
    PhantomError,
    PhantomParameters,
    PostParameters,
    PuffParameters,
    RootParameters,
    ToothParameters,
    VoidParameters,
)
from rxmeasure.phantom.scene import main_frame


@dataclass(frozen=True, slots=True, kw_only=True)
class _ToothKind:
    """Mean size of a kind of tooth, mm; ``numbers`` are FDI."""

    numbers: tuple[str, ...]
    shape: str
    length: float
    crown_height: float
    half_width: float
    half_depth: float
    roots: int


KINDS = {
    "upper incisor": _ToothKind(
        numbers=("11", "21", "12", "22"), shape="incisor", length=22.8, crown_height=10.0,
        half_width=4.1, half_depth=3.4, roots=1,
    ),
    "lower incisor": _ToothKind(
        numbers=("31", "41", "32", "42"), shape="incisor", length=21.5, crown_height=9.2,
        half_width=2.7, half_depth=3.0, roots=1,
    ),
    "canine": _ToothKind(
        numbers=("13", "23", "33", "43"), shape="pointed", length=25.5, crown_height=10.2,
        half_width=3.6, half_depth=3.9, roots=1,
    ),
    "premolar": _ToothKind(
        numbers=("14", "24", "15", "25", "34", "44", "35", "45"), shape="pointed", length=21.5,
        crown_height=8.3, half_width=3.5, half_depth=4.2, roots=1,
    ),
    "lower molar": _ToothKind(
        numbers=("36", "46", "37", "47"), shape="molar", length=21.0, crown_height=7.4,
        half_width=5.3, half_depth=4.8, roots=2,
    ),
    "upper molar": _ToothKind(
        numbers=("16", "26", "17", "27"), shape="molar", length=20.2, crown_height=7.3,
        half_width=4.9, half_depth=5.2, roots=3,
    ),
}  # fmt: skip


def _pick(rng: np.random.Generator, options: tuple[tuple[str, float], ...]) -> str:
    names, weights = zip(*options, strict=True)
    return str(rng.choice(names, p=np.array(weights) / sum(weights)))


def _turns(rng: np.random.Generator) -> tuple[float, ...]:
    kind = _pick(rng, (("straight", 0.3), ("C", 0.5), ("S", 0.2)))
    sign = rng.choice((-1.0, 1.0))
    if kind == "straight":
        return ()
    if kind == "C":
        return (float(sign * rng.uniform(5.0, 40.0)),)
    first = float(sign * rng.uniform(8.0, 22.0))
    return (first, float(-np.sign(first) * rng.uniform(8.0, 25.0)))


def _tooth(rng: np.random.Generator, kind: _ToothKind, coronal: str) -> ToothParameters:
    size = rng.normal(1.0, 0.05)
    half = float(kind.half_width * size)
    height = float(kind.crown_height * size)
    crown = CrownParameters(
        shape=kind.shape,
        half_width_mm=half,
        half_depth_mm=float(kind.half_depth * rng.normal(1.0, 0.05)),
        height_mm=height,
        enamel_mm=float(rng.uniform(1.2, 1.9)),
        cusp_mm=float(rng.uniform(0.9, 1.6)),
        coronal=coronal,
    )
    length = float(kind.length * rng.normal(1.0, 0.05))

    def root(neck: float, tip: float, ratio: float, **rest: object) -> RootParameters:
        return RootParameters(
            neck_half_width_mm=neck,
            tip_half_width_mm=tip,
            tip_round_mm=float(rng.uniform(0.9, 1.7)),
            depth_ratio=ratio,
            bend_start=float(rng.uniform(0.25, 0.55)),
            **rest,  # type: ignore[arg-type]
        )

    if kind.roots == 1:
        neck = half * neck_share(kind.shape)
        lean = float(rng.normal(0.0, 1.5))
        roots: tuple[RootParameters, ...] = (
            root(
                neck,
                float(rng.uniform(0.55, 0.9)),
                float(crown.half_depth_mm / neck * rng.uniform(0.8, 0.95)),
                length_mm=length,
                crown_deg=lean,
                root_deg=lean + float(rng.normal(0.0, 1.0)),
                turns_deg=_turns(rng),
            ),
        )
        return ToothParameters(crown=crown, roots=roots)
    trunk = float(rng.uniform(2.6, 4.0))
    bend = float(rng.uniform(8.0, 35.0))
    spread = float(rng.uniform(5.0, 11.0))
    roots = (
        root(
            0.40 * half,
            float(rng.uniform(0.6, 0.85)),
            1.5,
            length_mm=length,
            reference_x_mm=-0.55 * half,
            crown_deg=float(rng.uniform(0.0, 4.0)),
            root_deg=-spread,
            turns_deg=(bend,),
        ),
        root(
            0.37 * half,
            float(rng.uniform(0.6, 0.85)),
            1.4,
            length_mm=length * float(rng.uniform(0.95, 1.0)),
            reference_x_mm=0.55 * half,
            crown_deg=float(rng.uniform(-4.0, 0.0)),
            root_deg=spread,
            turns_deg=(float(rng.uniform(-25.0, 8.0)),),
        ),
    )
    if kind.roots == 3:
        lean = float(rng.uniform(-3.0, 3.0))
        roots += (
            root(
                0.36 * half,
                float(rng.uniform(0.7, 0.9)),
                1.3,
                length_mm=length * float(rng.uniform(1.0, 1.07)),
                crown_deg=lean,
                root_deg=lean,
                turns_deg=_turns(rng)[:1],
            ),
        )
    return ToothParameters(crown=crown, roots=roots, trunk_mm=trunk)


def _voids(
    rng: np.random.Generator, fill_mm: float, width_at_end_mm: float, taper: float
) -> tuple[VoidParameters, ...]:
    voids: list[VoidParameters] = []
    for _ in range(int(rng.choice((1, 2, 3), p=(0.5, 0.3, 0.2)))):
        kind = _pick(rng, (("bubble", 0.4), ("lateral", 0.35), ("transverse", 0.25)))
        side = int(rng.choice((-1, 1)))
        content = _pick(rng, (("fluid", 0.6), ("air", 0.4)))
        to_end = float(rng.uniform(0.3, fill_mm - 0.3))
        if kind == "bubble":
            local = width_at_end_mm + taper * to_end
            void = VoidParameters(
                kind=kind,
                to_end_mm=to_end,
                length_mm=float(rng.uniform(0.15, min(0.8, 0.85 * local))),
                side=side,
                offset=float(rng.choice((0.0, rng.uniform(0.0, 1.0)))),
                content=content,
            )
        elif kind == "lateral":
            length = float(rng.uniform(0.5, min(4.0, 0.6 * fill_mm)))
            local = width_at_end_mm + taper * to_end
            void = VoidParameters(
                kind=kind,
                to_end_mm=float(np.clip(to_end, 0.55 * length, fill_mm - 0.55 * length)),
                length_mm=length,
                width_mm=float(rng.uniform(0.1, min(0.4, 0.55 * local))),
                side=side,
                content=content,
            )
        else:
            place = rng.uniform(4.0, 6.0)
            if rng.random() < 0.4:
                place += float(rng.integers(1, 4)) * rng.uniform(2.0, 3.0)
            void = VoidParameters(
                kind=kind,
                to_end_mm=float(min(place, fill_mm - 0.4)),
                length_mm=float(rng.uniform(0.1, 0.5)),
                angle_deg=float(rng.uniform(-20.0, 20.0)),
                content=content,
            )
        apart = all(
            abs(void.to_end_mm - other.to_end_mm) > 0.5 * (void.length_mm + other.length_mm) + 0.5
            for other in voids
        )
        if apart:
            voids.append(void)
    return tuple(voids)


def _canal(
    rng: np.random.Generator,
    name: str,
    root: int,
    tooth: ToothParameters,
    film_kind: FilmKind,
    *,
    sealer: str,
    shared: float = 0.0,
) -> CanalParameters:
    size = int(rng.choice((20, 25, 30, 35, 40, 45, 50), p=(0.1, 0.2, 0.2, 0.2, 0.15, 0.1, 0.05)))
    taper = float(rng.choice((0.02, 0.04, 0.05, 0.06, 0.08), p=(0.1, 0.4, 0.15, 0.25, 0.1)))
    width = float(rng.uniform(0.9, 1.35)) * (0.85 if shared else 1.0)
    ratio = float(rng.uniform(1.0, 2.0)) if not shared else float(rng.uniform(1.0, 1.3))
    base = CanalParameters(
        name=name,
        root=root,
        offset_mm=shared,
        offset_apex_mm=float(0.35 * shared * rng.random()) if shared else 0.0,
        size=size,
        taper=taper,
        max_width_mm=width,
        depth_ratio=ratio,
        sealer=sealer,
        foramen_offset_mm=float(rng.uniform(0.0, 1.0)),
        foramen_side=int(rng.choice((-1, 1))),
        apical_width_mm=float(rng.uniform(0.15, 0.35)),
    )
    if film_kind in (FilmKind.PREOPERATIVE, FilmKind.WORKING_LENGTH):
        wide = float(rng.uniform(0.45, 0.9))
        return replace(base, content="tissue", max_width_mm=wide)
    start = float(rng.uniform(0.0, 1.5))
    where = _pick(rng, (("beyond", 0.18), ("adequate", 0.5), ("short", 0.32)))
    low, high = {"beyond": (-1.5, -0.05), "adequate": (0.0, 2.0), "short": (2.0, 4.0)}[where]
    core = float(rng.uniform(low, high))
    base = replace(
        base,
        core_to_apex_mm=core,
        start_below_orifice_mm=start,
        tip=_pick(rng, (("rounded", 0.5), ("flat", 0.2), ("tapering", 0.3))),
        apical_width_mm=float(rng.uniform(0.15, max(0.2, size / 100.0))),
    )
    if film_kind is FilmKind.MASTER_CONE:
        return replace(base, content="cone", core_to_apex_mm=max(core, -0.5), puffs=(), voids=())
    beyond = float(rng.uniform(0.0, 0.8)) if rng.random() < 0.85 else float(rng.uniform(-1.0, 0.0))
    post = None
    single = len(tooth.roots) == 1 and not shared
    if single and rng.random() < 0.08:
        post = PostParameters(
            diameter_mm=float(rng.uniform(1.0, 1.5)),
            gap_mm=float(rng.choice((0.0, rng.uniform(0.3, 2.5)))),
            metal=bool(rng.random() < 0.7),
        )
    length = tooth.roots[root].length_mm - orifice_y_mm(tooth)
    if post is not None:
        start = max(start, length - core - float(rng.uniform(3.0, 6.0)))
    fill_mm = length - core - start
    shape_fault = rng.random()
    puffs: tuple[PuffParameters, ...] = ()
    if rng.random() < 0.15:
        puffs = (PuffParameters(area_mm2=float(np.exp(rng.uniform(np.log(0.15), np.log(3.0))))),)
    elif rng.random() < 0.05:
        puffs = (
            PuffParameters(
                area_mm2=float(rng.uniform(0.15, 1.0)),
                place="lateral",
                to_apex_mm=float(rng.uniform(core + 0.5, 6.0)),
                side=int(rng.choice((-1, 1))),
            ),
        )
    if puffs and puffs[0].place == "apex":
        # What lies beyond the apex came through it: the sealer fills the last stretch.
        base = replace(base, foramen_offset_mm=0.0)
        beyond = max(core, 0.0)
    return replace(
        base,
        sealer_to_apex_mm=core - beyond,
        film_mm=(0.02, float(0.03 + 0.07 * rng.beta(1.0, 2.0))),
        start_below_orifice_mm=start,
        voids=_voids(rng, fill_mm, size / 100.0, taper) if rng.random() < 0.5 else (),
        puffs=puffs,
        hourglass=(
            (
                float(rng.uniform(2.5, fill_mm - 2.5)),
                float(rng.uniform(0.25, 0.5)),
                float(rng.uniform(0.7, 1.5)),
            )
            if shape_fault < 0.08 and fill_mm > 6.0
            else None
        ),
        stripped_mm=float(rng.uniform(2.0, 5.0)) if shape_fault > 0.92 and fill_mm > 7.0 else None,
        post=post,
    )


def _with_canals(
    rng: np.random.Generator, tooth: ToothParameters, kind: str, film_kind: FilmKind
) -> ToothParameters:
    sealer = _pick(rng, (("epoxy-resin", 0.5), ("calcium-silicate", 0.5)))
    plan: tuple[tuple[str, int, float], ...]
    apart = float(rng.uniform(0.35, 0.6))
    if kind == "lower molar":
        plan = (("MB", 0, -apart), ("ML", 0, apart), ("D", 1, 0.0))
        if rng.random() < 0.25:
            plan = (("M", 0, 0.0), ("D", 1, 0.0))
        elif rng.random() < 0.25:
            plan = (*plan[:2], ("DB", 1, -apart), ("DL", 1, apart))
    elif kind == "upper molar":
        plan = (("MB", 0, 0.0), ("DB", 1, 0.0), ("P", 2, 0.0))
        if rng.random() < 0.3:
            plan = (("MB1", 0, -apart), ("MB2", 0, apart), *plan[1:])
    elif kind == "premolar" and rng.random() < 0.45:
        apart = float(rng.uniform(0.45, 0.9))
        plan = (("B", 0, -apart), ("P", 0, apart))
    else:
        plan = (("single", 0, 0.0),)
    canals = tuple(
        _canal(rng, name, root, tooth, film_kind, sealer=sealer, shared=shared)
        for name, root, shared in plan
    )
    return replace(tooth, canals=canals)


def _neighbour(
    rng: np.random.Generator, kind: str, main: ToothParameters, side: int, *, metal: bool
) -> ToothParameters:
    tooth = _tooth(rng, KINDS[kind], "metal" if metal else "sound")
    canals = tuple(
        CanalParameters(
            name=str(k), root=k, content="tissue",
            max_width_mm=float(rng.uniform(0.4, 0.8)), apical_width_mm=0.2, foramen_offset_mm=0.0,
        )
        for k in range(len(tooth.roots))
    )  # fmt: skip
    gap = main.crown.half_width_mm + tooth.crown.half_width_mm + float(rng.uniform(0.0, 0.4))
    return replace(
        tooth,
        canals=canals,
        offset_mm=(float(rng.normal(0.3, 0.5)), side * gap),
        tilt_deg=float(rng.normal(0.0, 4.0)),
    )


def _key_points_mm(tooth: ToothParameters, files: tuple[FileParameters, ...]) -> np.ndarray:
    points = []
    for root in tooth.roots:
        curve = root_curve(root, tooth.crown.height_mm)
        points += [curve.at(0.0), curve.at(curve.length + 1.0)]
    for file in files:
        if file.canal is None:
            turn = np.deg2rad(file.direction_deg + 0.5 * file.bend_deg)
            start = np.array(file.start_mm)
            points += [
                start - (1.5, 0.0),
                start + file.length_mm * np.array([np.cos(turn), np.sin(turn)]),
            ]
    return np.array(points)


def fits_on_film(parameters: PhantomParameters, margin_mm: float) -> bool:
    """Whether the main tooth's axes lie on the film, seen square to its plane."""
    frame: Frame = main_frame(parameters)
    px = frame.to_px(_key_points_mm(parameters.tooth, parameters.files))
    margin = margin_mm / frame.mm_per_px
    high = np.array(parameters.shape) - 1 - margin
    return bool((px > margin).all() and (px < high).all())


def random_parameters(
    seed: int,
    *,
    film_kind: FilmKind = FilmKind.POSTOPERATIVE,
    kind: str | None = None,
    shape: tuple[int, int] = (1200, 900),
    pitch_mm: float = 0.03,
    reference_file: bool | None = None,
) -> PhantomParameters:
    """Parameters of one random phantom.

    Parameters
    ----------
    seed : int
        Equal arguments give equal parameters.
    film_kind : FilmKind
        Post-operative and recall films are filled, master-cone films hold a cone,
        working-length films a file, preoperative films nothing.
    kind : str, optional
        One of `KINDS`; at random without it.
    shape : tuple of int
        (rows, cols), portrait. About one film in ten is turned to landscape.
    pitch_mm : float
        Detector pixel pitch; ``shape`` times ``pitch_mm`` must hold a tooth, about
        33 mm x 22 mm.
    reference_file : bool, optional
        Whether a file of known length lies beside the tooth; every second film without it.
    """
    rng = np.random.default_rng([seed, 0])
    name = kind or str(rng.choice(list(KINDS)))
    if name not in KINDS:
        raise PhantomError(
            found=f"tooth kind '{name}'.",
            needed=f"one of {', '.join(KINDS)}.",
            next_step="Correct the kind.",
        )
    coronal = _pick(rng, (("composite", 0.5), ("temporary", 0.3), ("metal", 0.2)))
    if film_kind in (FilmKind.WORKING_LENGTH, FilmKind.MASTER_CONE):
        coronal = "open"
    elif film_kind is FilmKind.PREOPERATIVE:
        coronal = "sound"
    tooth = _with_canals(rng, _tooth(rng, KINDS[name], coronal), name, film_kind)
    number = str(rng.choice(KINDS[name].numbers))
    files: tuple[FileParameters, ...] = ()
    file_side = int(rng.choice((-1, 1)))
    beside = bool(rng.random() < 0.5) if reference_file is None else reference_file
    if film_kind is FilmKind.WORKING_LENGTH:
        files = tuple(
            FileParameters(
                size=int(rng.choice((10, 15, 20))),
                canal=k,
                tip_to_apex_mm=float(rng.uniform(-1.0, 2.5)),
            )
            for k in range(len(tooth.canals))
            if k == 0 or rng.random() < 0.5
        )
    elif beside:
        files = (
            FileParameters(
                length_mm=float(rng.integers(36, 43)) / 2.0,
                size=int(rng.choice((10, 15, 20, 25))),
                start_mm=(
                    float(rng.uniform(0.0, 2.0)),
                    file_side * (tooth.crown.half_width_mm + float(rng.uniform(2.0, 4.5))),
                ),
                direction_deg=float(rng.normal(0.0, 4.0)),
                bend_deg=float(rng.choice((0.0, rng.uniform(-30.0, 30.0)))),
            ),
        )
    neighbours = tuple(
        _neighbour(
            rng,
            name if rng.random() < 0.6 or "molar" in name else "premolar",
            tooth,
            side,
            metal=bool(rng.random() < 0.25) and not (files and side == file_side),
        )
        for side in (-1, 1)
        if rng.random() < 0.9
    )
    bone = BoneParameters(
        ridge_mm=float(rng.uniform(8.5, 11.0)),
        cortical_mm=float(rng.uniform(0.6, 1.2)),
        volume_fraction=float(rng.uniform(0.20, 0.32)),
        texture=float(rng.uniform(0.9, 1.7)),
        crest_below_neck_mm=float(rng.uniform(1.0, 3.0)),
        ligament_mm=float(rng.uniform(0.15, 0.28)),
        lamina_mm=float(rng.uniform(0.15, 0.3)),
        cheek_mm=float(rng.uniform(6.0, 13.0)),
    )
    bone = replace(bone, ridge_mm=max(bone.ridge_mm, 2.0 * tooth.crown.half_depth_mm * 0.95))
    response = _pick(rng, (("log", 0.6), ("linear", 0.4)))
    imaging = ImagingParameters(
        tube_kv=int(rng.choice((60, 65, 70))),
        blur_fwhm_mm=float(rng.uniform(0.06, 0.15)),
        scatter=float(rng.uniform(0.05, 0.20)),
        quanta_per_mm2=float(rng.uniform(2.0e6, 8.0e6)),
        response=response,
        gamma=float(rng.uniform(0.55, 0.85)) if response == "linear" else 1.0,
        window=(float(rng.uniform(0.15, 0.4)), float(rng.uniform(2.4, 3.1))),
        edge=_pick(rng, (("none", 0.5), ("white", 0.3), ("black", 0.2))),
    )
    upper = number[0] in "12"
    turned = bool(rng.random() < 0.1)
    p = PhantomParameters(
        seed=seed,
        tooth_number=number,
        tooth=tooth,
        film_kind=film_kind,
        shape=shape,
        pitch_mm=pitch_mm,
        magnification=float(rng.uniform(1.02, 1.10)),
        upper=upper,
        mirrored=number[0] in "23",
        neighbours=neighbours,
        files=files,
        bone=bone,
        imaging=imaging,
    )
    for attempt in range(60):
        spread = 1.0 - attempt / 60.0
        rotation = float(np.clip(rng.normal(0.0, 8.0 * spread), -20.0, 20.0))
        place = rng.normal(0.0, 2.0 * spread, 2)
        candidate = replace(
            p,
            shape=shape[::-1] if turned else shape,
            rotation_deg=rotation + (90.0 * float(rng.choice((-1, 1))) if turned else 0.0),
            shift_mm=(float(place[0]), float(place[1])),
        )
        if fits_on_film(candidate, 1.0):
            return candidate
    raise PhantomError(
        found=f"a film of {shape[0] * pitch_mm:.0f} mm x {shape[1] * pitch_mm:.0f} mm.",
        needed="room for the tooth and what lies beside it.",
        next_step="Choose more or larger pixels.",
    )
