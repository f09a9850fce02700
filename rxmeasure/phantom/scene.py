"""From parameters to thickness maps of every material, and the exact truth beside them."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from rxmeasure.geometry import FloatArray, polygon_area
from rxmeasure.marks import PointPx
from rxmeasure.phantom.curves import (
    Curve,
    Float32,
    Frame,
    Patch,
    Profile,
    curve_patch,
    heading_curve,
    plane_patch,
    rounded_end,
    sampled,
)
from rxmeasure.phantom.materials import Material
from rxmeasure.phantom.parameters import (
    CanalParameters,
    FileParameters,
    PhantomError,
    PhantomParameters,
    PuffParameters,
    RootParameters,
    ToothParameters,
    VoidParameters,
)
from rxmeasure.phantom.texture import band_noise, smooth_noise, trabecular_texture
from rxmeasure.phantom.truth import (
    CanalTruth,
    FileTruth,
    PhantomTruth,
    PuffTruth,
    VoidTruth,
)

_SEALERS = {
    "epoxy-resin": Material.EPOXY_RESIN_SEALER,
    "calcium-silicate": Material.CALCIUM_SILICATE_SEALER,
}
_RESTORATIONS = {
    "composite": Material.COMPOSITE,
    "metal": Material.COMPOSITE,
    "temporary": Material.TEMPORARY_FILLING,
    "open": Material.AIR,
}
#: Half-width of a crown over its height, in shares of each (choice, by eye).
_CROWN_WIDTH = {
    "incisor": ((0.0, 0.86), (0.15, 0.97), (0.35, 1.0), (0.7, 0.87), (1.0, 0.74), (1.3, 0.70)),
    "pointed": ((0.0, 0.78), (0.2, 0.94), (0.4, 1.0), (0.7, 0.88), (1.0, 0.72), (1.3, 0.68)),
    "molar": ((0.0, 0.86), (0.2, 0.95), (0.42, 1.0), (0.75, 0.93), (1.0, 0.84), (1.3, 0.82)),
}
_CROWN_DEPTH = {
    "incisor": ((0.0, 0.20), (0.3, 0.50), (0.7, 0.90), (1.0, 1.0), (1.3, 1.0)),
    "pointed": ((0.0, 0.60), (0.3, 0.92), (0.6, 1.0), (1.0, 0.86), (1.3, 0.84)),
    "molar": ((0.0, 0.70), (0.3, 0.95), (0.6, 1.0), (1.0, 0.88), (1.3, 0.84)),
}


def neck_share(shape: str) -> float:
    """Half-width of a crown at its neck as a share of the largest."""
    return dict(_CROWN_WIDTH[shape])[1.0]


class Canvas:
    """Thickness maps on the sub-pixel grid, made when first used."""

    def __init__(self, shape: tuple[int, int], supersampling: int) -> None:
        self.shape = shape
        self.supersampling = supersampling
        self.maps: dict[str, Float32] = {}

    def __getitem__(self, name: str) -> Float32:
        if name not in self.maps:
            k = self.supersampling
            self.maps[name] = np.zeros((self.shape[0] * k, self.shape[1] * k), np.float32)
        return self.maps[name]

    def add(self, name: str, where: tuple[slice, slice], values: Float32) -> None:
        """Add a patch."""
        self[name][where] += values

    def widen(self, name: str, where: tuple[slice, slice], values: Float32) -> None:
        """Union with a solid that is symmetric about the same plane: the larger thickness."""
        np.maximum(self[name][where], values, out=self[name][where])


def root_curve(root: RootParameters, neck_mm: float) -> Curve:
    """Axis of a root from the coronal reference to the tip."""
    start = neck_mm + root.bend_start * (root.length_mm - neck_mm)
    end = root.length_mm - 0.3
    knots = [(0.0, root.crown_deg), (neck_mm - 1.0, root.crown_deg)]
    knots += [(neck_mm + 1.5, root.root_deg), (max(start, neck_mm + 1.6), root.root_deg)]
    direction = root.root_deg
    for k, turn in enumerate(root.turns_deg):
        direction += turn
        knots.append((start + (end - start) * (k + 1) / len(root.turns_deg), direction))
    return heading_curve((0.0, root.reference_x_mm), root.length_mm, knots)


def root_profile(root: RootParameters, neck_mm: float, grow_mm: float = 0.0) -> Profile:
    """Swept solid of a root, grown by the ligament space or the lamina dura."""
    s = sampled(neck_mm - 1.0, root.length_mm + grow_mm)
    u = np.clip((s - neck_mm) / (root.length_mm - neck_mm), 0.0, 1.0)
    a = (
        root.tip_half_width_mm
        + (root.neck_half_width_mm - root.tip_half_width_mm) * (1.0 - u) ** 0.85
    )
    b = a * (root.depth_ratio + (1.15 - root.depth_ratio) * u)
    close = rounded_end(s, root.length_mm + grow_mm, root.tip_round_mm + grow_mm)
    return Profile(s=s, a=(a + grow_mm) * close, b=(b + grow_mm) * close)


@dataclass(slots=True, kw_only=True, eq=False)
class _Canal:
    """A canal while the scene is built."""

    parameters: CanalParameters
    root: RootParameters
    curve: Curve
    s_apex: float
    s_orifice: float
    foramen_mm: FloatArray
    core: Profile | None = None
    wall: Profile | None = None
    s_start: float | None = None
    s_core: float | None = None
    s_sealer: float | None = None
    post_end: float | None = None
    voids: list[VoidTruth] = field(default_factory=list)
    puffs: list[PuffTruth] = field(default_factory=list)


def _smooth_step(x: NDArray[np.floating]) -> NDArray[np.floating]:
    x = np.clip(x, 0.0, 1.0)
    return np.asarray(x * x * (3.0 - 2.0 * x))


def main_frame(p: PhantomParameters) -> Frame:
    """Frame of the main tooth in the picture."""
    turn = np.deg2rad(p.rotation_deg)
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    flip = np.diag([-1.0 if p.upper else 1.0, -1.0 if p.mirrored else 1.0])
    matrix = rotation @ flip * (p.magnification / p.pitch_mm)
    axes = [root_curve(r, p.tooth.crown.height_mm) for r in p.tooth.roots]
    middle = 0.5 * np.mean([c.at(c.length) for c in axes], axis=0)
    centre = (np.array(p.shape) - 1.0) / 2.0 + np.array(p.shift_mm) * p.magnification / p.pitch_mm
    return Frame(matrix=matrix, origin=centre - matrix @ middle)


class Scene:
    """The solids of one film, drawn into thickness maps."""

    def __init__(self, parameters: PhantomParameters) -> None:
        self.p = parameters
        self.rng = np.random.default_rng([parameters.seed, 1])
        self.canvas = Canvas(parameters.shape, parameters.supersampling)
        self.mm_per_px = parameters.pitch_mm / parameters.magnification
        self.frame = main_frame(parameters)
        self.canals: list[_Canal] = []
        self.files: list[FileTruth] = []
        for tooth in parameters.neighbours:
            self._draw_tooth(tooth, self.frame.moved(tooth.offset_mm, tooth.tilt_deg), main=False)
        self._draw_tooth(parameters.tooth, self.frame, main=True)
        for file in parameters.files:
            self._draw_file(file)
        self._draw_bone()
        self._settle_teeth()
        self._draw_wedge()

    # --- placing -----------------------------------------------------------------------------

    def _patch(
        self, curve: Curve, frame: Frame, start: float, end: float, half: float
    ) -> Patch | None:
        return curve_patch(
            curve,
            frame,
            from_mm=start,
            to_mm=end,
            half_width_mm=half,
            shape=self.p.shape,
            supersampling=self.p.supersampling,
        )

    def _point(self, point_mm: FloatArray, frame: Frame | None = None) -> PointPx:
        r, c = (frame or self.frame).to_px(point_mm)
        return (round(float(r), 4), round(float(c), 4))

    def _points(self, points_mm: FloatArray) -> tuple[PointPx, ...]:
        return tuple(
            (round(float(r), 3), round(float(c), 3)) for r, c in self.frame.to_px(points_mm)
        )

    def _side(self, point_mm: FloatArray, axis_mm: FloatArray) -> str:
        """Side of the picture on which a point lies from a point of the axis."""
        away = self.frame.to_px(point_mm) - self.frame.to_px(axis_mm)
        return "left" if away[1] < 0.0 else "right"

    # --- teeth -------------------------------------------------------------------------------

    def _draw_tooth(self, tooth: ToothParameters, frame: Frame, *, main: bool) -> None:
        crown, bone = tooth.crown, self.p.bone
        neck = crown.height_mm
        for root in tooth.roots:
            curve = root_curve(root, neck)
            half = max(root.neck_half_width_mm, root.tip_half_width_mm) + 1.0
            patch = self._patch(curve, frame, neck - 1.0, root.length_mm + 1.0, half)
            if patch is None:
                continue
            grown = bone.ligament_mm + bone.lamina_mm
            for name, grow in (("teeth", 0.0), ("socket", bone.ligament_mm), ("lamina", grown)):
                chord = root_profile(root, neck, grow).chord(patch.s, patch.d)
                self.canvas.widen(name, patch.where, chord)
        self._draw_crown(tooth, frame)
        # Canal work comes after the solids of its own tooth.
        canals = [self._canal(tooth, c) for c in tooth.canals]
        for canal in canals:
            self._draw_canal(canal, frame, main=main)
        self._draw_chamber(tooth, frame)
        if main:
            self.canals = canals

    def _draw_crown(self, tooth: ToothParameters, frame: Frame) -> None:
        crown = tooth.crown
        h, half = crown.height_mm, crown.half_width_mm
        bottom = h + max(1.8, tooth.trunk_mm)
        box = plane_patch(
            frame,
            [(-0.5, -half), (-0.5, half), (bottom + 0.5, -half), (bottom + 0.5, half)],
            shape=self.p.shape,
            supersampling=self.p.supersampling,
        )
        if box is None:
            return
        where, y, x = box
        if crown.shape == "molar":
            top = crown.cusp_mm * np.cos(np.pi * x / (1.1 * half)) ** 2
        elif crown.shape == "pointed":
            top = crown.cusp_mm * (np.abs(x) / half) ** 1.6
        else:
            top = 0.3 * crown.cusp_mm * (x / half) ** 2
        top = np.asarray(top, dtype=np.float32)
        outer = self._crown_chord(tooth, y, x, top, 0.0, 0.0)
        self.canvas.widen("teeth", where, outer)
        side = crown.enamel_mm * 0.6 * _smooth_step((1.03 - y / h) / 0.5)
        core = self._crown_chord(tooth, y, x, top, crown.enamel_mm, side.astype(np.float32))
        if crown.coronal == "metal":
            inner = self._crown_chord(tooth, y, x, top, 0.9, np.float32(0.6))
            shell = np.where(y < h - 0.3, outer - inner, 0.0).clip(0.0, None)
            self.canvas.add("metal", where, shell.astype(np.float32))
            self.canvas.add("removed", where, shell.astype(np.float32))
        else:
            enamel = np.where(y < 1.03 * h, outer - core, 0.0).clip(0.0, None)
            self.canvas.widen("enamel", where, enamel.astype(np.float32))

    def _crown_chord(
        self,
        tooth: ToothParameters,
        y: Float32,
        x: Float32,
        top: Float32,
        shrink_top: float,
        shrink_side: Float32 | np.float32 | float,
    ) -> Float32:
        crown = tooth.crown
        h = crown.height_mm
        bottom = h + max(1.8, tooth.trunk_mm)
        along = np.arange(-0.5, bottom + 0.5, 0.02)
        width = np.interp(along / h, *zip(*_CROWN_WIDTH[crown.shape], strict=True))
        depth = np.interp(along / h, *zip(*_CROWN_DEPTH[crown.shape], strict=True))
        close = rounded_end(along, bottom, 1.5)
        place = (y - along[0]).clip(0.0, along[-1] - along[0]) / 0.02
        index = place.astype(np.int32).clip(0, len(along) - 1)
        a = (crown.half_width_mm * width * close).astype(np.float32)[index] - shrink_side
        b = (crown.half_depth_mm * depth * close).astype(np.float32)[index] - shrink_side
        # The occlusal end is rounded over 0.8 mm below the cusp line.
        below = y - top - shrink_top
        opening = np.sqrt((1.0 - (1.0 - (below / 0.8).clip(0.0, 1.0)) ** 2).clip(0.0, None))
        ratio = np.abs(x) / np.maximum(a * (0.9 + 0.1 * opening), 1e-3)
        section = (1.0 - ratio.clip(0.0, 1.0) ** 2.6) ** (1.0 / 2.6)
        return (2.0 * b.clip(0.0, None) * opening * section).astype(np.float32)

    def _draw_chamber(self, tooth: ToothParameters, frame: Frame) -> None:
        """Pulp chamber of an untouched tooth, or the access cavity and what fills it."""
        crown = tooth.crown
        h = crown.height_mm
        wide = crown.shape == "molar"
        half = 0.45 * crown.half_width_mm if wide else 0.24 * crown.half_width_mm
        floor = self._orifice_y(tooth)
        box = plane_patch(
            frame,
            [(-0.5, -half - 1), (-0.5, half + 1), (floor + 1, -half - 1), (floor + 1, half + 1)],
            shape=self.p.shape,
            supersampling=self.p.supersampling,
        )
        if box is None:
            return
        where, y, x = box
        removed = self.canvas["removed"][where]
        room = (self.canvas["teeth"][where] - removed).clip(0.0, None)
        if crown.coronal == "sound":
            centre, height = floor - 1.6, 2.0
            r = (x / half) ** 2 + ((y - centre) / height) ** 2
            chord = 2.0 * 1.1 * np.sqrt((1.0 - r).clip(0.0, None))
            chamber = np.minimum(chord, room).astype(np.float32)
            self.canvas.add("removed", where, chamber)
            return
        depth = 0.30 * crown.half_depth_mm if crown.shape == "incisor" else 1.6
        flare = half * (1.0 + 0.15 * (floor - y) / floor)
        across = (1.0 - (np.abs(x) / np.maximum(flare, 0.1)).clip(0.0, 1.0) ** 4) ** 0.25
        ends = _smooth_step((floor + 0.25 - y) / 0.5)
        cavity = np.minimum(2.0 * depth * across * ends, room)
        cavity = cavity.astype(np.float32)
        self.canvas.add("removed", where, cavity)
        material = _RESTORATIONS[crown.coronal]
        if material == Material.TEMPORARY_FILLING:
            # A damp pellet lies under the temporary filling.
            share = _smooth_step((0.62 * floor - y) / 0.3)
            self.canvas.add(material.name, where, (cavity * share).astype(np.float32))
        elif material == Material.AIR:
            self.canvas.add("empty", where, cavity)
        else:
            self.canvas.add(material.name, where, cavity)
        del h

    @staticmethod
    def _orifice_y(tooth: ToothParameters) -> float:
        return tooth.crown.height_mm + 0.4 * tooth.trunk_mm + 0.4

    # --- canals ------------------------------------------------------------------------------

    def _canal(self, tooth: ToothParameters, p: CanalParameters) -> _Canal:
        root = tooth.roots[p.root]
        neck = tooth.crown.height_mm
        axis = root_curve(root, neck)
        s = np.arange(0.0, axis.length + 0.02, 0.02).clip(None, axis.length)
        orifice_y = self._orifice_y(tooth)
        y = axis.at(s)[:, 0]
        s_orifice = float(np.interp(orifice_y, y, s))
        grow = _smooth_step(s / s_orifice)
        shrink = _smooth_step((s - s_orifice) / (axis.length - s_orifice))
        offset = grow * (p.offset_mm + (p.offset_apex_mm - p.offset_mm) * shrink)
        curve = axis if p.offset_mm == p.offset_apex_mm == 0.0 else Curve(axis.at(s, offset))
        profile = root_profile(root, neck)
        s_apex = curve.length
        if curve is not axis:
            far = np.arange(curve.length - 3.0, curve.length + 1.0, 0.002)
            foot_s, foot_d = axis.foot(curve.at(far))
            inside = np.abs(foot_d) < np.interp(foot_s, profile.s, profile.a, right=0.0)
            s_apex = float(far[np.flatnonzero(inside)[-1]])
        apex = curve.at(s_apex)
        # The foramen lies on the root's outline, at the given distance from the apex.
        side = np.sign(p.foramen_side) or 1.0
        rim_s = np.linspace(root.length_mm - 2.5, root.length_mm, 1001)
        rim = axis.at(rim_s, side * np.interp(rim_s, profile.s, profile.a))
        distance = np.hypot(*(rim - apex).T)
        foramen = rim[int(np.argmin(np.abs(distance - p.foramen_offset_mm)))]
        return _Canal(
            parameters=p,
            root=root,
            curve=curve,
            s_apex=s_apex,
            s_orifice=s_orifice,
            foramen_mm=foramen if p.foramen_offset_mm > 0.0 else apex,
        )

    def _draw_canal(self, canal: _Canal, frame: Frame, *, main: bool) -> None:
        p, curve = canal.parameters, canal.curve
        half = 0.5 * p.max_width_mm + 0.5
        patch = self._patch(curve, frame, canal.s_orifice - 2.0, canal.s_apex + 3.0, half)
        if patch is None:
            return
        if p.content == "tissue":
            s = sampled(canal.s_orifice - 1.5, canal.s_apex)
            u = np.clip((s - canal.s_orifice) / (canal.s_apex - canal.s_orifice), 0.0, 1.0)
            a = 0.5 * (p.apical_width_mm + (p.max_width_mm - p.apical_width_mm) * (1 - u) ** 1.3)
            ratio = 1.0 + (p.depth_ratio - 1.0) * (1.0 - 0.67 * u)
            tissue = Profile(s=s, a=a, b=a * ratio)
            self.canvas.add("removed", patch.where, tissue.chord(patch.s, patch.d))
            return
        self._fill_profiles(canal)
        assert canal.core is not None and canal.wall is not None
        assert canal.s_start is not None and canal.s_core is not None
        core = canal.core.chord(patch.s, patch.d)
        wall = np.maximum(canal.wall.chord(patch.s, patch.d), core)
        sealer = wall - core
        if p.content == "cone":
            self.canvas.add("removed", patch.where, wall)
            sealer[:] = 0.0
        else:
            self.canvas.add("removed", patch.where, wall)
            for k, void in enumerate(p.voids):
                self._cut_void(canal, void, patch, core, sealer, keep=main, number=k)
        self.canvas.add(Material.GUTTA_PERCHA.name, patch.where, core)
        self.canvas.add(_SEALERS[p.sealer].name, patch.where, sealer)
        self._draw_coronal_stretch(canal, patch)
        self._draw_apical_canal(canal, frame)
        for puff in p.puffs:
            self._draw_puff(canal, puff, frame, keep=main)

    def _fill_profiles(self, canal: _Canal) -> None:
        p = canal.parameters
        s_core = canal.s_apex - p.core_to_apex_mm
        s_sealer = canal.s_apex - p.sealer_to_apex_mm if p.content == "filled" else s_core
        s_start = canal.s_orifice + p.start_below_orifice_mm
        if s_core - s_start < 2.0:
            raise PhantomError(
                found=f"a fill of {s_core - s_start:.1f} mm in canal {p.name}.",
                needed="at least 2 mm.",
                next_step="Let the fill end nearer to the apex or start higher.",
            )
        s = sampled(s_start, max(s_core, s_sealer))
        width = p.size / 100.0 + p.taper * np.clip(s_core - s, 0.0, None)
        if p.stripped_mm is not None:
            step = _smooth_step((s_core - p.stripped_mm - s) / 0.5)
            bare = p.size / 100.0
            width = bare + (width - bare) * step
        # A soft upper bound instead of a kink.
        top = p.max_width_mm
        width = np.where(
            width < 0.8 * top,
            width,
            0.8 * top + 0.2 * top * np.tanh((width - 0.8 * top) / (0.2 * top)),
        )
        if p.hourglass is not None:
            at, depth, length = p.hourglass
            width = width * (1.0 - depth * np.exp(-(((s_core - at - s) / length) ** 2)))
        low, high = p.film_mm if p.content == "filled" else (0.0, 0.0)
        films = [
            np.minimum(low + (high - low) * smooth_noise(s, (0.6, 5.0), self.rng), 0.3 * width)
            for _ in range(2)
        ]
        u = np.clip((s - canal.s_orifice) / (canal.s_apex - canal.s_orifice), 0.0, 1.0)
        ratio = 1.0 + (p.depth_ratio - 1.0) * (1.0 - 0.67 * u)
        half_end = 0.5 * p.size / 100.0
        core_a = 0.5 * (width - films[0] - films[1])
        if p.tip == "tapering":
            core_a = core_a * (1.0 - 0.6 * np.clip((s - (s_core - 1.2)) / 1.2, 0.0, 1.0))
        closing = {"rounded": half_end, "tapering": 0.5 * half_end, "flat": 0.02}[p.tip]
        core_a = core_a * rounded_end(s, s_core, closing)
        reach = np.clip((s_sealer - s) / 0.3, 0.0, 1.0)
        end = max(s_sealer, s_core)
        round_off = max(half_end, 0.8 * (s_sealer - s_core)) if s_sealer > s_core else closing
        wall_a = 0.5 * width * rounded_end(s, end, round_off)
        if s_sealer < s_core:
            wall_a = core_a + reach * np.clip(wall_a - core_a, 0.0, None)
        wall_a = np.maximum(wall_a, core_a)
        shift = 0.5 * (films[0] - films[1])
        room = wall_a - core_a
        shift = np.clip(shift, -room, room)
        core_b, wall_b = core_a * ratio, wall_a * ratio
        if p.content == "cone":
            core_a, core_b = core_a * 0.94, core_b * 0.94
        canal.core = Profile(s=s, a=core_a, b=core_b, shift=shift)
        canal.wall = Profile(s=s, a=wall_a, b=wall_b)
        canal.s_start, canal.s_core, canal.s_sealer = s_start, s_core, s_sealer

    def _half_width(self, canal: _Canal, s: FloatArray) -> FloatArray:
        assert canal.wall is not None
        return np.asarray(np.interp(s, canal.wall.s, canal.wall.a, left=0.0, right=0.0))

    def _cut_void(
        self,
        canal: _Canal,
        void: VoidParameters,
        patch: Patch,
        core: Float32,
        sealer: Float32,
        *,
        keep: bool,
        number: int,
    ) -> None:
        assert canal.s_core is not None and canal.s_start is not None
        s0 = canal.s_core - void.to_end_mm
        half = float(self._half_width(canal, np.array([s0]))[0])
        side = float(np.sign(void.side) or 1.0)
        total = core + sealer
        s, d = patch.s, patch.d
        if void.kind == "bubble":
            radius = min(0.5 * void.length_mm, 0.92 * half)
            d0 = side * void.offset * (half - radius)
            gone = 2.0 * np.sqrt((radius**2 - (s - s0) ** 2 - (d - d0) ** 2).clip(0.0, None))
            turn = np.linspace(0.0, 2.0 * np.pi, 49)
            ring = (s0 + radius * np.cos(turn), d0 + radius * np.sin(turn))
            length, width = 2.0 * radius, 2.0 * radius
        elif void.kind == "lateral":
            inner_width = min(void.width_mm, 1.2 * half)
            u = (s - s0) / (0.5 * void.length_mm)
            lens = inner_width * np.sqrt((1.0 - u * u).clip(0.0, None))
            wall_a = canal.wall.look_up(canal.wall.a, s) if canal.wall else np.zeros_like(s)
            inside = (side * d > wall_a - lens) & (np.abs(u) < 1.0)
            gone = np.where(inside, total, 0.0)
            along = s0 + 0.5 * void.length_mm * np.linspace(-1.0, 1.0, 61)
            rim = self._half_width(canal, along)
            lens_1 = inner_width * np.sqrt(
                np.clip(1.0 - ((along - s0) / (0.5 * void.length_mm)) ** 2, 0.0, None)
            )
            ring = (
                np.concatenate([along, along[::-1]]),
                side * np.concatenate([rim, (rim - lens_1)[::-1]]),
            )
            d0 = side * (half - 0.5 * inner_width)
            length, width = void.length_mm, inner_width
        elif void.kind == "transverse":
            slope = np.tan(np.deg2rad(void.angle_deg))
            inside = np.abs(s - s0 - slope * d) < 0.5 * void.length_mm
            gone = np.where(inside, total, 0.0)
            across = np.linspace(-1.0, 1.0, 21) * half
            h = 0.5 * void.length_mm
            ring = (
                np.concatenate([s0 - h + slope * across, (s0 + h + slope * across)[::-1]]),
                np.concatenate([across, across[::-1]]),
            )
            d0, length, width = 0.0, void.length_mm, 2.0 * half
        else:
            raise PhantomError(
                found=f"a void of kind '{void.kind}'.",
                needed="'bubble', 'lateral' or 'transverse'.",
                next_step="Correct the parameters.",
            )
        gone = np.minimum(gone, total).astype(np.float32)
        left = np.where(total > 0.0, 1.0 - gone / np.maximum(total, 1e-9), 0.0)
        core *= left
        sealer *= left
        if void.content == "air":
            self.canvas.add("empty", patch.where, gone)
        if not keep:
            return
        ring_s, ring_d = ring
        limit = self._half_width(canal, ring_s)
        outline = canal.curve.at(ring_s, np.clip(ring_d, -limit, limit))
        centre = canal.curve.at(np.array(s0), np.array(d0))
        lies = ""
        if void.kind == "lateral" or (void.kind == "bubble" and void.offset > 0.0):
            lies = self._side(centre, canal.curve.at(np.array(s0)))
        canal.voids.append(
            VoidTruth(
                kind=void.kind,
                side=lies,
                centre_px=self._point(centre),
                to_core_end_mm=void.to_end_mm,
                length_mm=length,
                width_mm=width,
                area_mm2=polygon_area(outline),
                content=void.content,
                outline_px=self._points(outline),
            )
        )

    def _draw_coronal_stretch(self, canal: _Canal, patch: Patch) -> None:
        """What lies between the chamber and the fill: a post, or the restoration's base."""
        p = canal.parameters
        assert canal.wall is not None and canal.s_start is not None
        half, depth = float(canal.wall.a[0]), float(canal.wall.b[0])
        top = canal.s_orifice - 0.4
        if p.post is None:
            if canal.s_start > top:
                s = sampled(top, canal.s_start)
                stretch = Profile(s=s, a=np.full_like(s, half), b=np.full_like(s, depth))
                chord = stretch.chord(patch.s, patch.d)
                self.canvas.add("removed", patch.where, chord)
                coronal = self.p.tooth.crown.coronal
                if coronal in ("composite", "metal"):
                    self.canvas.add(Material.COMPOSITE.name, patch.where, chord)
            return
        canal.post_end = canal.s_start - p.post.gap_mm
        s = sampled(canal.s_orifice - 3.0, canal.post_end)
        a = 0.5 * p.post.diameter_mm * rounded_end(s, canal.post_end, 0.2)
        post = Profile(s=s, a=a, b=a).chord(patch.s, patch.d)
        s = sampled(top, canal.s_start)
        wide = max(half, 0.5 * p.post.diameter_mm)
        bed = Profile(s=s, a=np.full_like(s, wide), b=np.full_like(s, max(depth, wide)))
        self.canvas.add("removed", patch.where, np.maximum(bed.chord(patch.s, patch.d), post))
        material = Material.STEEL if p.post.metal else Material.COMPOSITE
        self.canvas.add(material.name, patch.where, post)

    def _draw_apical_canal(self, canal: _Canal, frame: Frame) -> None:
        """The canal that the fill leaves empty, bending to the foramen."""
        p = canal.parameters
        assert canal.s_core is not None and canal.s_sealer is not None
        start = max(canal.s_core, canal.s_sealer) if p.content == "filled" else canal.s_core
        if canal.s_apex - start < 0.3:
            return
        foot, _ = canal.curve.foot(canal.foramen_mm)
        bend = max(start, min(float(foot), canal.s_apex) - 1.5)
        straight = canal.curve.at(np.linspace(start - 0.2, bend, 20))
        way = canal.curve.at(np.array(bend))
        direction = canal.curve.tangent(np.array(bend))
        reach = float(np.hypot(*(canal.foramen_mm - way)))
        if reach < 0.2:
            return
        u = np.linspace(0.0, 1.0, 20)[1:, None]
        control = way + direction * 0.5 * reach
        curved = (1 - u) ** 2 * way + 2 * u * (1 - u) * control + u**2 * canal.foramen_mm
        path = Curve(np.concatenate([straight, curved]))
        patch = self._patch(path, frame, 0.0, path.length, 0.6)
        if patch is None:
            return
        s = sampled(0.2, path.length)
        wide = np.interp(s, (0.0, path.length - 0.5, path.length), (1.0, 0.8, 1.2))
        a = 0.5 * p.apical_width_mm * wide
        chord = Profile(s=s, a=a, b=a).chord(patch.s, patch.d)
        room = self.canvas["teeth"][patch.where] - self.canvas["removed"][patch.where]
        chord = np.minimum(chord, room.clip(0.0, None))
        self.canvas.add("removed", patch.where, chord.astype(np.float32))

    def _draw_puff(self, canal: _Canal, puff: PuffParameters, frame: Frame, *, keep: bool) -> None:
        p = canal.parameters
        if puff.place == "apex":
            exit_mm = (
                canal.foramen_mm
                if p.core_to_apex_mm >= 0
                else canal.curve.at(np.array(canal.s_apex))
            )
            outwards = canal.curve.tangent(np.array(canal.s_apex))
        else:
            s_exit = canal.s_apex - puff.to_apex_mm
            axis = root_curve(canal.root, self.p.tooth.crown.height_mm)
            profile = root_profile(canal.root, self.p.tooth.crown.height_mm)
            foot, _ = axis.foot(canal.curve.at(np.array(s_exit)))
            side = float(np.sign(puff.side) or 1.0)
            rim = float(np.interp(foot, profile.s, profile.a))
            exit_mm = axis.at(foot, np.array(side * rim))
            outwards = exit_mm - axis.at(foot)
            outwards = outwards / np.linalg.norm(outwards)
            inner = canal.curve.at(np.array(s_exit - 0.2))
            self._draw_tube(Curve(np.linspace(inner, exit_mm, 12)), frame, 0.06, p)
        turn = np.linspace(0.0, 2.0 * np.pi, 181)[:-1]
        radius = np.ones_like(turn)
        for k in (2, 3, 4):
            amount = self.rng.uniform(0.0, 0.22 / k)
            radius = radius + amount * np.cos(k * turn + self.rng.uniform(0.0, 6.3))
        across = np.array([outwards[1], -outwards[0]])
        shape = np.outer(radius * np.cos(turn) * np.sqrt(puff.elongation), outwards) + np.outer(
            radius * np.sin(turn) / np.sqrt(puff.elongation), across
        )
        scale = float(np.sqrt(puff.area_mm2 / polygon_area(shape)))
        shape = shape * scale
        # The blob touches the exit with its rim.
        centre = exit_mm + outwards * (0.85 * float((shape @ outwards).max()))
        outline = centre + shape
        box = plane_patch(frame, outline, shape=self.p.shape, supersampling=self.p.supersampling)
        if box is not None:
            where, y, x = box
            dy, dx = y - centre[0], x - centre[1]
            u = (dy * outwards[0] + dx * outwards[1]) / np.sqrt(puff.elongation)
            v = (dy * across[0] + dx * across[1]) * np.sqrt(puff.elongation)
            angle = np.mod(np.arctan2(v, u), 2.0 * np.pi)
            bound = scale * np.interp(
                angle, np.append(turn, 2 * np.pi), np.append(radius, radius[0])
            )
            inside = 1.0 - (np.hypot(u, v) / bound) ** 2
            thick = 0.9 * np.sqrt(puff.area_mm2) * np.sqrt(inside.clip(0.0, None))
            self.canvas.add(_SEALERS[p.sealer].name, where, thick.astype(np.float32))
        if keep:
            canal.puffs.append(
                PuffTruth(
                    place=puff.place,
                    side=self._side(centre, canal.curve.at(np.array(canal.s_apex - 1.0))),
                    area_mm2=polygon_area(outline),
                    reach_mm=float(np.hypot(*(outline - exit_mm).T).max()),
                    exit_px=self._point(exit_mm),
                    centre_px=self._point(centre),
                    outline_px=self._points(outline),
                )
            )

    def _draw_tube(self, curve: Curve, frame: Frame, half: float, p: CanalParameters) -> None:
        patch = self._patch(curve, frame, 0.0, curve.length, half + 0.2)
        if patch is not None:
            s = sampled(0.0, curve.length)
            tube = Profile(s=s, a=np.full_like(s, half), b=np.full_like(s, half))
            chord = tube.chord(patch.s, patch.d)
            self.canvas.add(_SEALERS[p.sealer].name, patch.where, chord)
            self.canvas.add("removed", patch.where, chord)

    # --- files, bone, wedge ------------------------------------------------------------------

    def _draw_file(self, file: FileParameters) -> None:
        if file.canal is None:
            knots = [(0.0, file.direction_deg), (0.3 * file.length_mm, file.direction_deg)]
            knots.append((file.length_mm, file.direction_deg + file.bend_deg))
            curve = heading_curve(file.start_mm, file.length_mm, knots)
            s_stop, s_tip, canal_name, gap = 0.0, file.length_mm, "", None
        else:
            canal = self.canals[file.canal]
            curve = canal.curve
            s_stop, s_tip = 0.0, canal.s_apex - file.tip_to_apex_mm
            canal_name, gap = canal.parameters.name, file.tip_to_apex_mm
        length = s_tip - s_stop
        patch = self._patch(curve, self.frame, s_stop - file.handle_mm, s_tip, 2.2)
        s = sampled(s_stop - file.handle_mm, s_tip)
        from_tip = s_tip - s
        width = file.size / 100.0 + file.taper * np.clip(from_tip, 0.0, 16.0)
        flute = 2.0 * np.pi * from_tip / 0.9
        fluted = np.where(from_tip < 16.0, 0.07, 0.0)
        close = 0.5 * rounded_end(s, s_tip, 0.2)
        steel = Profile(
            s=s,
            a=width * close * (1.0 - fluted * (1.0 + np.cos(flute))),
            b=width * close * (1.0 - fluted * (1.0 - np.cos(flute))),
        )
        rim = sampled(s_stop - 1.0, s_stop)
        radius = np.full_like(rim, file.stop_radius_mm)
        stop = Profile(s=rim, a=radius, b=radius)
        if patch is not None:
            chord = steel.chord(patch.s, patch.d)
            self.canvas.add(Material.STEEL.name, patch.where, chord)
            self.canvas.add(Material.SILICONE.name, patch.where, stop.chord(patch.s, patch.d))
            if file.canal is not None:
                self.canvas.add("removed", patch.where, chord)
        line = curve.at(np.append(np.arange(s_stop, s_tip, 0.1), s_tip))
        self.files.append(
            FileTruth(
                canal=canal_name,
                axis_px=self._points(line),
                length_mm=length,
                size=file.size,
                taper=file.taper,
                tip_to_apex_mm=gap,
            )
        )

    def _draw_bone(self) -> None:
        p, bone = self.p, self.p.bone
        rng = np.random.default_rng([p.seed, 2])
        shape, k = p.shape, p.supersampling
        pixel = self.mm_per_px
        # Textures of large grain are made on a coarser grid of about 0.06 mm and stretched.
        step = max(1, round(0.06 / pixel))
        small = (-(-shape[0] // step) + 2, -(-shape[1] // step) + 2)
        net = trabecular_texture(small, pixel * step, rng)
        cheek = band_noise(small, pixel * step, 15.0, rng, bandwidth=0.5)
        net, cheek = (self._enlarge(v, step) for v in (net, cheek))
        rows, cols = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
        inverse = np.linalg.inv(self.frame.matrix)
        r, c = rows - self.frame.origin[0], cols - self.frame.origin[1]
        y = inverse[0, 0] * r + inverse[0, 1] * c
        x = inverse[1, 0] * r + inverse[1, 1] * c
        crest = p.tooth.crown.height_mm + bone.crest_below_neck_mm + 0.35 * np.cos(x * 0.8)
        ridge = bone.ridge_mm * np.sqrt(_smooth_step((y - crest) / 4.0))
        gum = 1.05 * bone.ridge_mm * np.sqrt(_smooth_step((y - crest + 2.5) / 4.0))
        plates = np.minimum(2.0 * bone.cortical_mm, ridge)
        share = bone.volume_fraction * (1.0 + bone.texture * (net - 1.0)).clip(0.05, None)
        if bone.lesion_mm > 0.0:
            for canal in self.canals:
                centre = canal.curve.at(np.array(canal.s_apex + 0.6 * bone.lesion_mm))
                away = (y - centre[0]) ** 2 + (x - centre[1]) ** 2
                hole = 2.0 * np.sqrt((bone.lesion_mm**2 - away).clip(0.0, None))
                ridge = np.maximum(ridge - hole, plates)
        fine = [np.repeat(np.repeat(v, k, 0), k, 1) for v in (ridge, gum, plates, share)]
        ridge_f, gum_f, plates_f, share_f = (v.astype(np.float32) for v in fine)
        socket, lamina = self.canvas["socket"], self.canvas["lamina"]
        marrow = (ridge_f - plates_f - np.maximum(socket, lamina)).clip(0.0, None)
        wall = np.where(ridge_f > 1.0, (lamina - socket).clip(0.0, None), 0.0)
        wall = np.minimum(wall, (ridge_f - socket).clip(0.0, None))
        bone_mm = self.canvas[Material.CORTICAL_BONE.name]
        over_root = (ridge_f - self.canvas["teeth"]).clip(0.0, None)
        over_root = np.maximum(over_root, 0.25 * np.minimum(ridge_f, 1.0))
        bone_mm += np.minimum(plates_f, over_root) + 0.85 * wall + marrow * share_f
        depth = self.canvas["teeth"]
        soft = (gum_f - depth).clip(0.0, None) - bone_mm
        around = bone.cheek_mm * (1.0 + 0.06 * np.repeat(np.repeat(cheek, k, 0), k, 1))
        self.canvas[Material.SOFT_TISSUE.name][:] += (soft.clip(0.0, None) + around).astype(
            np.float32
        )

    def _enlarge(self, values: FloatArray, step: int) -> FloatArray:
        rows = np.arange(self.p.shape[0]) / step
        cols = np.arange(self.p.shape[1]) / step
        i, j = rows.astype(int), cols.astype(int)
        u, v = (rows - i)[:, None], (cols - j)[None, :]
        top = values[i] * (1 - u) + values[i + 1] * u
        return np.asarray(top[:, j] * (1 - v) + top[:, j + 1] * v)

    def _settle_teeth(self) -> None:
        """Dentine and enamel are what canals, cavities and restorations leave of the teeth."""
        teeth, enamel, removed = (self.canvas[n] for n in ("teeth", "enamel", "removed"))
        dentine = (teeth - enamel).clip(0.0, None)
        from_dentine = np.minimum(dentine, removed)
        from_enamel = np.minimum(enamel, removed - from_dentine)
        self.canvas[Material.DENTINE.name][:] = dentine - from_dentine
        self.canvas[Material.ENAMEL.name][:] = enamel - from_enamel
        self.canvas[Material.METAL_RESTORATION.name][:] = self.canvas["metal"]
        # What was removed and not refilled holds fluid, except where it is empty.
        refilled = sum(
            self.canvas[m.name]
            for m in (
                Material.GUTTA_PERCHA,
                Material.EPOXY_RESIN_SEALER,
                Material.CALCIUM_SILICATE_SEALER,
                Material.COMPOSITE,
                Material.TEMPORARY_FILLING,
                Material.STEEL,
                Material.METAL_RESTORATION,
            )
        )
        fluid = np.minimum(removed, teeth) - refilled - self.canvas["empty"]
        self.canvas[Material.SOFT_TISSUE.name][:] += fluid.clip(0.0, None)

    def _draw_wedge(self) -> None:
        k = self.p.supersampling
        wide, tall = (max(1, round(v / self.mm_per_px)) * k for v in (3.0, 3.5))
        target = self.canvas[Material.ALUMINIUM.name]
        for n, thickness in enumerate(self.p.wedge_mm):
            target[-tall:, n * wide : (n + 1) * wide] += thickness

    # --- truth -------------------------------------------------------------------------------

    def truth(self) -> PhantomTruth:
        """The exact geometry in pixels and millimetres."""
        p = self.p
        return PhantomTruth(
            seed=p.seed,
            film_kind=p.film_kind.value,
            tooth=p.tooth_number,
            rows=p.shape[0],
            cols=p.shape[1],
            pitch_mm=p.pitch_mm,
            magnification=p.magnification,
            mm_per_px=self.mm_per_px,
            tube_kv=p.imaging.tube_kv,
            bits=p.imaging.bits,
            inverted=p.imaging.inverted,
            canals=tuple(self._canal_truth(c) for c in self.canals),
            files=tuple(self.files),
        )

    def _schneider_deg(self, canal: _Canal) -> float:
        root, neck = canal.root, self.p.tooth.crown.height_mm
        if not root.turns_deg:
            return 0.0
        start = max(neck + 1.9, neck + root.bend_start * (root.length_mm - neck))
        along = canal.curve.tangent(np.array(start))
        line = canal.curve.at(np.array(canal.s_apex)) - canal.curve.at(np.array(start))
        cosine = float(along @ line / np.linalg.norm(line))
        return float(np.rad2deg(np.arccos(np.clip(cosine, -1.0, 1.0))))

    def _overlapped_mm(self, canal: _Canal) -> float:
        if canal.wall is None or canal.s_core is None or canal.s_start is None:
            return 0.0
        s = np.arange(canal.s_start, canal.s_core, 0.1)
        points = canal.curve.at(s)
        own = self._half_width(canal, s)
        covered = np.zeros(len(s), dtype=bool)
        for other in self.canals:
            if other is canal or other.wall is None:
                continue
            foot, d = other.curve.foot(points)
            theirs = self._half_width(other, foot)
            covered |= (theirs > 0.0) & (np.abs(d) < own + theirs)
        return float(0.1 * covered.sum())

    def _canal_truth(self, canal: _Canal) -> CanalTruth:
        p, curve = canal.parameters, canal.curve
        s_line = np.append(np.arange(0.0, canal.s_apex - 0.02, 0.1), canal.s_apex)
        line = curve.at(s_line)
        apex, reference = line[-1], line[0]
        filled = canal.s_core is not None and canal.s_start is not None
        s_profile: FloatArray = np.array([])
        fill: FloatArray = np.array([])
        core: FloatArray = np.array([])
        straight: float | None = None
        if filled:
            assert canal.wall is not None and canal.core is not None
            assert canal.s_start is not None and canal.s_core is not None
            s_profile = np.arange(canal.s_start, canal.s_core, 0.1)
            fill = 2.0 * np.interp(s_profile, canal.wall.s, canal.wall.a)
            core = 2.0 * np.interp(s_profile, canal.core.s, canal.core.a)
            if p.content == "cone":
                fill = core
            away = float(np.hypot(*(curve.at(np.array(canal.s_core)) - apex)))
            straight = away if p.core_to_apex_mm >= 0 else -away
        overlapped = self._overlapped_mm(canal)
        flags = [
            name
            for name, on in (
                ("overlapped", overlapped > 0.5),
                ("hourglass", p.hourglass is not None),
                ("stripped", p.stripped_mm is not None),
                (
                    "end_void",
                    filled
                    and any(
                        min(
                            v.to_end_mm,
                            float(canal.s_core or 0) - float(canal.s_start or 0) - v.to_end_mm,
                        )
                        < 0.5
                        for v in p.voids
                    ),
                ),
                ("post", p.post is not None),
            )
            if on
        ]
        foramen_s, _ = curve.foot(canal.foramen_mm)

        def landmark(s: float | None) -> PointPx | None:
            return None if s is None else self._point(curve.at(np.array(s)))

        def rounded(values: FloatArray) -> tuple[float, ...]:
            return tuple(round(float(v), 5) for v in values)

        with_sealer = filled and p.content == "filled"
        return CanalTruth(
            name=p.name,
            content=p.content,
            mm_per_px=self.mm_per_px,
            centre_line_px=self._points(line),
            s_mm=rounded(s_line),
            s_orifice_mm=canal.s_orifice,
            s_foramen_mm=float(foramen_s),
            s_apex_mm=canal.s_apex,
            s_fill_start_mm=canal.s_start,
            s_core_end_mm=canal.s_core,
            s_sealer_end_mm=canal.s_sealer if with_sealer else None,
            coronal_reference_px=self._point(reference),
            orifice_px=self._point(curve.at(np.array(canal.s_orifice))),
            foramen_px=self._point(canal.foramen_mm),
            radiographic_apex_px=self._point(apex),
            fill_start_px=landmark(canal.s_start),
            core_end_px=landmark(canal.s_core),
            sealer_end_px=landmark(canal.s_sealer) if with_sealer else None,
            length_mm=canal.s_apex,
            length_straight_mm=float(np.hypot(*(apex - reference))),
            fill_length_mm=float(canal.s_core - canal.s_start)
            if canal.s_core is not None and canal.s_start is not None
            else None,
            fill_to_apex_core_mm=p.core_to_apex_mm if filled else None,
            fill_to_apex_core_straight_mm=straight,
            fill_to_apex_sealer_mm=p.sealer_to_apex_mm if with_sealer else None,
            size=p.size,
            taper=p.taper,
            profile_s_mm=rounded(s_profile),
            profile_to_end_mm=rounded((canal.s_core or 0.0) - s_profile),
            width_fill_mm=rounded(fill),
            width_core_mm=rounded(core),
            voids=tuple(canal.voids),
            puffs=tuple(canal.puffs),
            post_end_px=landmark(canal.post_end),
            post_gap_mm=p.post.gap_mm if p.post is not None else None,
            overlapped_mm=overlapped,
            schneider_deg=self._schneider_deg(canal),
            flags=tuple(flags),
        )


def thickness_maps(scene: Scene) -> dict[Material, Float32]:
    """Thickness in mm of each material that occurs, on the sub-pixel grid."""
    maps = {m: scene.canvas.maps[m.name] for m in Material if m.name in scene.canvas.maps}
    return {m: v for m, v in maps.items() if m is not Material.AIR and v.any()}


__all__ = ["Scene", "neck_share", "replace", "root_curve", "root_profile", "thickness_maps"]
