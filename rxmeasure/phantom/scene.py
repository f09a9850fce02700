"""From parameters to thickness maps of every material, and the exact truth beside them.

The teeth are solids that overlap in the picture. Canals, cavities and
restorations are dug out of them and refilled; what is dug and not refilled
holds fluid or air.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from rxmeasure.geometry import FloatArray, polygon_area
from rxmeasure.marks import PointPx
from rxmeasure.phantom.anatomy import (
    access_chord,
    bend_start_mm,
    chamber_chord,
    chamber_half_width_mm,
    crown_bottom_mm,
    crown_chord,
    enamel_chord,
    metal_chord,
    orifice_y_mm,
    root_curve,
    root_profile,
    smooth_step,
)
from rxmeasure.phantom.beam_view import (
    DepthPlane,
    crown_plane,
    root_plane,
    root_points_px,
    seen,
)
from rxmeasure.phantom.curves import (
    Curve,
    Float32,
    Frame,
    Patch,
    Profile,
    curve_patch,
    grid_mm,
    heading_curve,
    plane_patch,
    rounded_end,
    sampled,
)
from rxmeasure.phantom.lesion import LesionShape, longest_diameter
from rxmeasure.phantom.materials import Material
from rxmeasure.phantom.parameters import (
    CanalParameters,
    FileParameters,
    PhantomError,
    PhantomParameters,
    PuffParameters,
    RootParameters,
    TissueParameters,
    ToothParameters,
    VoidParameters,
)
from rxmeasure.phantom.texture import (
    band_noise,
    smooth_noise,
    tissue_layer,
    trabecular_texture,
)
from rxmeasure.phantom.truth import (
    CanalTruth,
    FileTruth,
    LesionTruth,
    PhantomTruth,
    PuffTruth,
    VoidTruth,
)

_SEALERS = {
    "epoxy-resin": Material.EPOXY_RESIN_SEALER,
    "calcium-silicate": Material.CALCIUM_SILICATE_SEALER,
}
_COMPOSITE_BASED = ("composite", "metal")
#: An end of the fill closer than this to a void's rim is flagged, mm (choice).
_END_VOID_MM = 0.5

Where = tuple[slice, slice]


class Canvas:
    """Maps on the sub-pixel grid, made when first used: thicknesses in mm.

    ``teeth``: the teeth's solids. ``dug``: what was taken out of them. ``refilled``: what
    was put back. ``air``: the part of the rest that holds air. ``socket``, ``lamina``: roots
    grown by the ligament space, and by the lamina dura too. ``enamel``. Each material that is
    put somewhere has its own map.
    """

    def __init__(self, shape: tuple[int, int], supersampling: int) -> None:
        self.size = (shape[0] * supersampling, shape[1] * supersampling)
        self.maps: dict[str | Material, Float32] = {}

    def __getitem__(self, name: str | Material) -> Float32:
        if name not in self.maps:
            self.maps[name] = np.zeros(self.size, np.float32)
        return self.maps[name]

    def unite(self, name: str, where: Where, chord: Float32) -> None:
        """Union with a solid that is symmetric about the same plane: the larger thickness."""
        np.maximum(self[name][where], chord, out=self[name][where])

    def room(self, where: Where) -> Float32:
        """What is left of the teeth."""
        return np.asarray((self["teeth"][where] - self["dug"][where]).clip(0.0, None))

    def dig(self, where: Where, chord: Float32) -> None:
        """Take hard tissue out."""
        self["dug"][where] += chord

    def put(self, material: Material, where: Where, chord: Float32) -> None:
        """Put a material into what was dug, digging further where it needs more room."""
        self[material][where] += chord
        self["refilled"][where] += chord
        np.maximum(self["dug"][where], self["refilled"][where], out=self["dug"][where])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Fill:
    """Core and outer wall of a fill, and where they begin and end along the canal."""

    core: Profile
    wall: Profile
    s_start: float
    s_core: float
    s_sealer: float

    def half_width(self, s: ArrayLike) -> FloatArray:
        at = np.asarray(s, dtype=np.float64)
        return np.asarray(np.interp(at, self.wall.s, self.wall.a, left=0.0, right=0.0))


@dataclass(slots=True, kw_only=True, eq=False)
class _Canal:
    """A canal while the scene is built."""

    parameters: CanalParameters
    root: RootParameters
    neck_mm: float
    curve: Curve
    s_apex: float
    s_orifice: float
    foramen_mm: FloatArray
    fill: _Fill | None = None
    post_end: float | None = None
    voids: list[VoidTruth] = field(default_factory=list)
    puffs: list[PuffTruth] = field(default_factory=list)

    @property
    def apex_mm(self) -> FloatArray:
        return self.curve.at(self.s_apex)


def rounded_px(points_px: FloatArray) -> tuple[PointPx, ...]:
    """Points as the truth holds them."""
    return tuple((round(float(r), 4), round(float(c), 4)) for r, c in points_px)


def main_frame(p: PhantomParameters) -> Frame:
    """Frame of the main tooth in the picture."""
    turn = np.deg2rad(p.rotation_deg)
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    flip = np.diag([-1.0 if p.upper else 1.0, -1.0 if p.mirrored else 1.0])
    px_per_mm = p.magnification / p.pitch_mm
    matrix = rotation @ flip * px_per_mm
    axes = [root_curve(r, p.tooth.crown.height_mm) for r in p.tooth.roots]
    middle = 0.5 * np.mean([c.at(c.length) for c in axes], axis=0)
    centre = (np.array(p.shape) - 1.0) / 2.0 + np.array(p.shift_mm) * px_per_mm
    return Frame(matrix=matrix, origin=centre - matrix @ middle)


def make_canal(tooth: ToothParameters, p: CanalParameters) -> _Canal:
    """Centre line of a canal, from the coronal reference through the orifice to the apex."""
    root, neck = tooth.roots[p.root], tooth.crown.height_mm
    axis = root_curve(root, neck)
    profile = root_profile(root, neck)
    curve, s_apex = axis, axis.length
    if p.offset_mm != 0.0 or p.offset_apex_mm != 0.0:
        s = np.linspace(0.0, axis.length, 1500)
        s_level = float(np.interp(orifice_y_mm(tooth), axis.at(s)[:, 0], s))
        grow = smooth_step(s / s_level)
        shrink = smooth_step((s - s_level) / (axis.length - s_level))
        offset = grow * (p.offset_mm + (p.offset_apex_mm - p.offset_mm) * shrink)
        curve = Curve(axis.at(s, offset))
        far = np.arange(curve.length - 3.0, curve.length + 1.0, 0.001)
        foot_s, foot_d = axis.foot(curve.at(far))
        inside = np.abs(foot_d) < np.interp(foot_s, profile.s, profile.a, right=0.0)
        s_apex = float(far[np.flatnonzero(inside)[-1]])
    s = np.linspace(0.0, s_apex, 2000)
    s_orifice = float(np.interp(orifice_y_mm(tooth), curve.at(s)[:, 0], s))
    apex = curve.at(s_apex)
    foramen = apex
    if p.foramen_offset_mm > 0.0:
        # The foramen lies on the root's outline, at the given distance from the apex.
        side = -1.0 if p.foramen_side < 0 else 1.0
        rim_s = np.linspace(root.length_mm - 2.5, root.length_mm, 2001)
        rim = axis.at(rim_s, side * np.interp(rim_s, profile.s, profile.a))
        distance = np.hypot(*(rim - apex).T)
        foramen = rim[int(np.argmin(np.abs(distance - p.foramen_offset_mm)))]
    return _Canal(
        parameters=p,
        root=root,
        neck_mm=neck,
        curve=curve,
        s_apex=s_apex,
        s_orifice=s_orifice,
        foramen_mm=foramen,
    )


def _depth_ratio(canal: _Canal, s: FloatArray) -> FloatArray:
    u = np.clip((s - canal.s_orifice) / (canal.s_apex - canal.s_orifice), 0.0, 1.0)
    return np.asarray(1.0 + (canal.parameters.depth_ratio - 1.0) * (1.0 - 0.67 * u))


def make_fill(canal: _Canal, rng: np.random.Generator) -> _Fill:
    """Core and wall of the fill of one canal."""
    p = canal.parameters
    filled = p.content == "filled"
    s_core = canal.s_apex - p.core_to_apex_mm
    s_sealer = canal.s_apex - p.sealer_to_apex_mm if filled else s_core
    s_start = canal.s_orifice + p.start_below_orifice_mm
    if s_core - s_start < 2.0:
        raise PhantomError(
            found=f"a fill of {s_core - s_start:.1f} mm in canal {p.name}.",
            needed="at least 2 mm.",
            next_step="Let the fill end nearer to the apex or start higher.",
        )
    s = sampled(s_start, max(s_core, s_sealer))
    tip_width, top = p.size / 100.0, p.max_width_mm
    width = tip_width + p.taper * np.clip(s_core - s, 0.0, None)
    if p.stripped_mm is not None:
        width = tip_width + (width - tip_width) * smooth_step((s_core - p.stripped_mm - s) / 0.5)
    # The largest width is neared without a kink.
    soft = 0.8 * top + 0.2 * top * np.tanh((width - 0.8 * top) / (0.2 * top))
    width = np.where(width < 0.8 * top, width, soft)
    if p.hourglass is not None:
        at, depth, length = p.hourglass
        width = width * (1.0 - depth * np.exp(-(((s_core - at - s) / length) ** 2)))
    low, high = p.film_mm if filled else (0.03, 0.03)
    film_1, film_2 = (
        np.minimum(low + (high - low) * smooth_noise(s, (0.6, 5.0), rng), 0.3 * width)
        for _ in range(2)
    )
    core_a = 0.5 * (width - film_1 - film_2)
    if p.tip == "tapering":
        core_a = core_a * (1.0 - 0.6 * np.clip((s - (s_core - 1.2)) / 1.2, 0.0, 1.0))
    closing = {"rounded": 0.5 * tip_width, "tapering": 0.25 * tip_width, "flat": 0.02}[p.tip]
    core_a = core_a * rounded_end(s, s_core, closing)
    beyond = s_sealer - s_core
    round_off = max(0.5 * tip_width, 0.8 * beyond) if beyond > 0.0 else closing
    wall_a = 0.5 * width * rounded_end(s, max(s_sealer, s_core), round_off)
    # Where the sealer ends short of the core it thins out over 0.3 mm.
    reach = np.clip((s_sealer - s) / 0.3, 0.0, 1.0) if beyond < 0.0 else 1.0
    wall_a = core_a + reach * np.clip(wall_a - core_a, 0.0, None)
    room = wall_a - core_a
    shift = np.clip(0.5 * (film_1 - film_2), -room, room)
    ratio = _depth_ratio(canal, s)
    return _Fill(
        core=Profile(s=s, a=core_a, b=core_a * ratio, shift=shift),
        wall=Profile(s=s, a=wall_a, b=wall_a * ratio),
        s_start=s_start,
        s_core=s_core,
        s_sealer=s_sealer,
    )


class Scene:
    """The solids of one film, drawn into thickness maps."""

    def __init__(self, parameters: PhantomParameters) -> None:
        self.p = parameters
        self.rng = np.random.default_rng([parameters.seed, 1])
        self.canvas = Canvas(parameters.shape, parameters.supersampling)
        self.mm_per_px = parameters.pitch_mm / parameters.magnification
        self.frame = main_frame(parameters)
        self.files: list[FileTruth] = []
        for tooth in parameters.neighbours:
            self._draw_tooth(tooth, self.frame.moved(tooth.offset_mm, tooth.tilt_deg))
        self.canals = self._draw_tooth(parameters.tooth, self.frame)
        for file in parameters.files:
            self._draw_file(file)
        self.lesions = [LesionShape.of(lesion, parameters.tooth) for lesion in parameters.lesions]
        self._draw_bone()
        self._settle_teeth()
        self._draw_wedge()

    def thickness_maps(self) -> dict[Material, Float32]:
        """Thickness in mm of each material that occurs, on the sub-pixel grid.

        Air counts as nothing: 30 mm of it take 0.1 % of the beam.
        """
        return {m: v for m, v in self.canvas.maps.items() if isinstance(m, Material) and v.any()}

    # --- picture and frame --------------------------------------------------------------------

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

    def _plane(self, frame: Frame, corners_mm: ArrayLike) -> tuple[Where, Float32, Float32] | None:
        return plane_patch(
            frame, corners_mm, shape=self.p.shape, supersampling=self.p.supersampling
        )

    def _seen(self, frame: Frame, plane: DepthPlane) -> Frame:
        return seen(frame, plane, self.p)

    def _root_px(self, canal: _Canal, points_mm: FloatArray) -> FloatArray:
        """Points of the main tooth, at the depth of the root they belong to."""
        return root_points_px(self.frame, self.p.tooth, canal.parameters.root, points_mm, self.p)

    def _point(self, canal: _Canal, point_mm: FloatArray) -> PointPx:
        return rounded_px(self._root_px(canal, point_mm)[None])[0]

    def _points(self, canal: _Canal, points_mm: FloatArray) -> tuple[PointPx, ...]:
        return rounded_px(self._root_px(canal, points_mm))

    def _side(self, canal: _Canal, point_mm: FloatArray, axis_mm: FloatArray) -> str:
        """Side of the picture on which a point lies from a point of the axis."""
        away = self._root_px(canal, point_mm) - self._root_px(canal, axis_mm)
        return "left" if away[1] < 0.0 else "right"

    # --- teeth --------------------------------------------------------------------------------

    def _draw_tooth(self, tooth: ToothParameters, frame: Frame) -> list[_Canal]:
        """Draw a tooth with its canals; the main tooth's come last, so theirs are kept."""
        bone, neck = self.p.bone, tooth.crown.height_mm
        grown = (0.0, bone.ligament_mm, bone.ligament_mm + bone.lamina_mm)
        for index, root in enumerate(tooth.roots):
            half = max(root.neck_half_width_mm, root.tip_half_width_mm) + 1.0
            axis = root_curve(root, neck)
            root_frame = self._seen(frame, root_plane(tooth, index))
            patch = self._patch(axis, root_frame, neck - 1.0, root.length_mm + 1.0, half)
            if patch is None:
                continue
            for name, grow in zip(("teeth", "socket", "lamina"), grown, strict=True):
                chord = root_profile(root, neck, grow).chord(patch.s, patch.d)
                self.canvas.unite(name, patch.where, chord)
        crown_frame = self._seen(frame, crown_plane(tooth))
        self._draw_crown(tooth, crown_frame)
        canals = [make_canal(tooth, c) for c in tooth.canals]
        for canal in canals:
            root_frame = self._seen(frame, root_plane(tooth, canal.parameters.root))
            self._draw_canal(canal, root_frame, tooth.crown.coronal)
        self._draw_chamber(tooth, crown_frame)
        return canals

    def _draw_crown(self, tooth: ToothParameters, frame: Frame) -> None:
        half, bottom = tooth.crown.half_width_mm, crown_bottom_mm(tooth) + 0.5
        box = self._plane(frame, [(-0.5, -half), (-0.5, half), (bottom, -half), (bottom, half)])
        if box is None:
            return
        where, y, x = box
        self.canvas.unite("teeth", where, crown_chord(tooth, y, x))
        if tooth.crown.coronal == "metal":
            shell = metal_chord(tooth, y, x)
            self.canvas.dig(where, shell)
            self.canvas.put(Material.METAL_RESTORATION, where, shell)
        else:
            self.canvas.unite("enamel", where, enamel_chord(tooth, y, x))

    def _draw_chamber(self, tooth: ToothParameters, frame: Frame) -> None:
        """Pulp chamber of an untouched tooth, or the access cavity and what fills it."""
        half = chamber_half_width_mm(tooth.crown) + 1.0
        floor = orifice_y_mm(tooth)
        low = floor + 1.0
        box = self._plane(frame, [(-0.5, -half), (-0.5, half), (low, -half), (low, half)])
        if box is None:
            return
        where, y, x = box
        coronal = tooth.crown.coronal
        shape = chamber_chord if coronal == "sound" else access_chord
        cavity = np.minimum(shape(tooth, y, x), self.canvas.room(where))
        self.canvas.dig(where, cavity)
        if coronal in _COMPOSITE_BASED:
            self.canvas.put(Material.COMPOSITE, where, cavity)
        elif coronal == "temporary":
            # A damp pellet lies under the temporary filling.
            share = smooth_step((0.62 * floor - y) / 0.3).astype(np.float32)
            self.canvas.put(Material.TEMPORARY_FILLING, where, cavity * share)
        elif coronal == "open":
            self.canvas["air"][where] += cavity

    # --- canals -------------------------------------------------------------------------------

    def _draw_canal(self, canal: _Canal, frame: Frame, coronal: str) -> None:
        p = canal.parameters
        half = 0.5 * max(p.max_width_mm, p.post.diameter_mm if p.post else 0.0) + 0.5
        patch = self._patch(canal.curve, frame, canal.s_orifice - 3.2, canal.s_apex + 3.0, half)
        if patch is None:
            return
        if p.content == "tissue":
            s = sampled(canal.s_orifice - 1.5, canal.s_apex)
            u = np.clip((s - canal.s_orifice) / (canal.s_apex - canal.s_orifice), 0.0, 1.0)
            a = 0.5 * (p.apical_width_mm + (p.max_width_mm - p.apical_width_mm) * (1 - u) ** 1.3)
            tissue = Profile(s=s, a=a, b=a * _depth_ratio(canal, s))
            self.canvas.dig(patch.where, tissue.chord(patch.s, patch.d))
            return
        canal.fill = fill = make_fill(canal, self.rng)
        core = fill.core.chord(patch.s, patch.d)
        wall = np.maximum(fill.wall.chord(patch.s, patch.d), core)
        self.canvas.dig(patch.where, wall)
        sealer = wall - core if p.content == "filled" else np.zeros_like(core)
        for void in p.voids:
            canal.voids.append(self._cut_void(canal, fill, void, patch, core, sealer))
        self.canvas.put(Material.GUTTA_PERCHA, patch.where, core)
        self.canvas.put(_SEALERS[p.sealer], patch.where, sealer)
        self._draw_coronal_stretch(canal, fill, patch, coronal)
        self._draw_apical_canal(canal, fill, frame)
        canal.puffs.extend(self._draw_puff(canal, puff, frame) for puff in p.puffs)

    def _cut_void(
        self,
        canal: _Canal,
        fill: _Fill,
        void: VoidParameters,
        patch: Patch,
        core: Float32,
        sealer: Float32,
    ) -> VoidTruth:
        """Take a void out of core and sealer, in place."""
        s0 = fill.s_core - void.to_end_mm
        half = float(fill.half_width(s0))
        side = -1.0 if void.side < 0 else 1.0
        total = core + sealer
        s, d = patch.s, patch.d
        if void.kind == "bubble":
            radius = min(0.5 * void.length_mm, 0.92 * half)
            d0 = side * void.offset * (half - radius)
            gone = 2.0 * np.sqrt((radius**2 - (s - s0) ** 2 - (d - d0) ** 2).clip(0.0, None))
            turn = np.linspace(0.0, 2.0 * np.pi, 49)[:-1]
            ring_s, ring_d = s0 + radius * np.cos(turn), d0 + radius * np.sin(turn)
            length = width = 2.0 * radius
        elif void.kind == "lateral":
            length, width = void.length_mm, min(void.width_mm, 1.2 * half)

            def lens(along: Any) -> Any:
                u = (along - s0) / (0.5 * length)
                return width * np.sqrt((1.0 - u * u).clip(0.0, None))

            inside = side * d > fill.wall.look_up(fill.wall.a, s) - lens(s)
            gone = np.where(inside & (np.abs(s - s0) < 0.5 * length), total, 0.0)
            along = s0 + 0.5 * length * np.linspace(-1.0, 1.0, 61)
            rim = fill.half_width(along)
            ring_s = np.concatenate([along, along[::-1]])
            ring_d = side * np.concatenate([rim, (rim - lens(along))[::-1]])
            d0 = side * (half - 0.5 * width)
        elif void.kind == "transverse":
            length, width, d0 = void.length_mm, 2.0 * half, 0.0
            slope = np.tan(np.deg2rad(void.angle_deg))
            gone = np.where(np.abs(s - s0 - slope * d) < 0.5 * length, total, 0.0)
            across = np.linspace(-1.1, 1.1, 23) * half
            upper, lower = s0 - 0.5 * length + slope * across, s0 + 0.5 * length + slope * across
            ring_s = np.concatenate([upper, lower[::-1]])
            ring_d = np.concatenate([across, across[::-1]])
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
            self.canvas["air"][patch.where] += gone
        limit = fill.half_width(ring_s)
        outline = canal.curve.at(ring_s, np.clip(ring_d, -limit, limit))
        centre = canal.curve.at(s0, d0)
        return VoidTruth(
            kind=void.kind,
            side=self._side(canal, centre, canal.curve.at(s0)) if d0 != 0.0 else "",
            centre_px=self._point(canal, centre),
            to_core_end_mm=void.to_end_mm,
            length_mm=length,
            width_mm=width,
            area_mm2=polygon_area(outline),
            content=void.content,
            outline_px=self._points(canal, outline),
        )

    def _draw_coronal_stretch(self, canal: _Canal, fill: _Fill, patch: Patch, coronal: str) -> None:
        """What lies between the chamber and the fill: a post, or the restoration's base."""
        post = canal.parameters.post
        half, depth = float(fill.wall.a[0]), float(fill.wall.b[0])
        if post is not None:
            half, depth = max(half, 0.5 * post.diameter_mm), max(depth, 0.5 * post.diameter_mm)
        s = sampled(canal.s_orifice - 0.4, max(fill.s_start, canal.s_orifice - 0.3))
        bed = Profile(s=s, a=np.full_like(s, half), b=np.full_like(s, depth))
        chord = bed.chord(patch.s, patch.d)
        self.canvas.dig(patch.where, np.minimum(chord, self.canvas.room(patch.where)))
        if post is None:
            if coronal in _COMPOSITE_BASED:
                self.canvas.put(Material.COMPOSITE, patch.where, chord)
            return
        canal.post_end = fill.s_start - post.gap_mm
        s = sampled(canal.s_orifice - 3.0, canal.post_end)
        a = 0.5 * post.diameter_mm * rounded_end(s, canal.post_end, 0.2)
        material = Material.STEEL if post.metal else Material.COMPOSITE
        self.canvas.put(material, patch.where, Profile(s=s, a=a, b=a).chord(patch.s, patch.d))

    def _draw_apical_canal(self, canal: _Canal, fill: _Fill, frame: Frame) -> None:
        """The canal that the fill leaves empty, bending to the foramen."""
        start = max(fill.s_core, fill.s_sealer)
        foot, _ = canal.curve.foot(canal.foramen_mm)
        bend = max(start, min(float(foot), canal.s_apex) - 1.5)
        way, direction = canal.curve.at(bend), canal.curve.tangent(bend)
        reach = float(np.hypot(*(canal.foramen_mm - way)))
        if canal.s_apex - start < 0.3 or reach < 0.2:
            return
        straight = canal.curve.at(np.linspace(start - 0.2, bend, 20))
        u = np.linspace(0.0, 1.0, 20)[1:, None]
        control = way + direction * 0.5 * reach
        curved = (1 - u) ** 2 * way + 2 * u * (1 - u) * control + u**2 * canal.foramen_mm
        path = Curve(np.concatenate([straight, curved]))
        patch = self._patch(path, frame, 0.0, path.length, 0.6)
        if patch is None:
            return
        s = sampled(0.2, path.length)
        wide = np.interp(s, (0.0, max(0.3, path.length - 0.5), path.length), (1.0, 0.8, 1.2))
        a = 0.5 * canal.parameters.apical_width_mm * wide
        chord = Profile(s=s, a=a, b=a).chord(patch.s, patch.d)
        self.canvas.dig(patch.where, np.minimum(chord, self.canvas.room(patch.where)))

    def _draw_puff(self, canal: _Canal, puff: PuffParameters, frame: Frame) -> PuffTruth:
        """A star-shaped blob of sealer that touches the canal's exit with its rim."""
        sealer = _SEALERS[canal.parameters.sealer]
        if puff.place == "apex":
            exit_mm, outwards = canal.apex_mm, canal.curve.tangent(canal.s_apex)
        else:
            s_exit = canal.s_apex - puff.to_apex_mm
            axis = root_curve(canal.root, canal.neck_mm)
            profile = root_profile(canal.root, canal.neck_mm)
            foot, _ = axis.foot(canal.curve.at(s_exit))
            rim = float(np.interp(foot, profile.s, profile.a))
            exit_mm = axis.at(foot, -rim if puff.side < 0 else rim)
            outwards = (exit_mm - axis.at(foot)) / rim
            inner = canal.curve.at(s_exit - 0.2)
            branch = Curve(np.linspace(inner, exit_mm, 12))
            patch = self._patch(branch, frame, 0.0, branch.length, 0.3)
            if patch is not None:
                s = sampled(0.0, branch.length)
                a = np.full_like(s, 0.06)
                self.canvas.put(sealer, patch.where, Profile(s=s, a=a, b=a).chord(patch.s, patch.d))
        turn = np.linspace(0.0, 2.0 * np.pi, 181)
        radius = np.ones_like(turn)
        for k in (2, 3, 4):
            amount, phase = self.rng.uniform(0.0, 0.22 / k), self.rng.uniform(0.0, 2.0 * np.pi)
            radius = radius + amount * np.cos(k * turn + phase)
        across = np.array([outwards[1], -outwards[0]])
        long = np.sqrt(puff.elongation)
        rim_mm = np.outer(radius * np.cos(turn) * long, outwards) + np.outer(
            radius * np.sin(turn) / long, across
        )
        scale = float(np.sqrt(puff.area_mm2 / polygon_area(rim_mm)))
        centre = exit_mm - outwards * scale * float((rim_mm @ outwards).min())
        outline = centre + scale * rim_mm
        box = self._plane(frame, outline)
        if box is not None:
            where, y, x = box
            dy, dx = y - centre[0], x - centre[1]
            u = (dy * outwards[0] + dx * outwards[1]) / long
            v = (dy * across[0] + dx * across[1]) * long
            angle = np.mod(np.arctan2(v, u), 2.0 * np.pi)
            inside = 1.0 - (np.hypot(u, v) / (scale * np.interp(angle, turn, radius))) ** 2
            thickness = 0.9 * np.sqrt(puff.area_mm2) * np.sqrt(inside.clip(0.0, None))
            self.canvas[sealer][where] += thickness.astype(np.float32)
        return PuffTruth(
            place=puff.place,
            side=self._side(canal, centre, canal.curve.at(canal.s_apex - 1.0)),
            area_mm2=polygon_area(outline),
            reach_mm=float(np.hypot(*(outline - exit_mm).T).max()),
            exit_px=self._point(canal, exit_mm),
            centre_px=self._point(canal, centre),
            outline_px=self._points(canal, outline[:-1]),
        )

    # --- files, bone, wedge -------------------------------------------------------------------

    def _draw_file(self, file: FileParameters) -> None:
        if file.canal is None:
            knots = [(0.0, file.direction_deg), (0.3 * file.length_mm, file.direction_deg)]
            knots.append((file.length_mm, file.direction_deg + file.bend_deg))
            curve = heading_curve(file.start_mm, file.length_mm, knots)
            s_tip, canal_name, gap = file.length_mm, "", None
            frame = self._seen(self.frame, DepthPlane())
        else:
            canal = self.canals[file.canal]
            frame = self._seen(self.frame, root_plane(self.p.tooth, canal.parameters.root))
            curve, s_tip = canal.curve, canal.s_apex - file.tip_to_apex_mm
            canal_name, gap = canal.parameters.name, file.tip_to_apex_mm
        wire = file.kind == "wire"
        handle = 0.0 if wire else file.handle_mm
        s = sampled(-handle, s_tip)
        from_tip = s_tip - s
        if wire:
            half = np.full_like(s, file.size / 200.0)
            half[s > s_tip] = 0.0
            steel = Profile(s=s, a=half, b=half)
        else:
            width = file.size / 100.0 + file.taper * np.clip(from_tip, 0.0, 16.0)
            half = 0.5 * width * rounded_end(s, s_tip, 0.2)
            # The edges of a twisted blade, hinted: depth changes against width.
            turn = np.cos(2.0 * np.pi * from_tip / 0.9)
            flute = np.where(from_tip < 16.0, 0.07, 0.0)
            steel = Profile(
                s=s, a=half * (1.0 - flute * (1.0 + turn)), b=half * (1.0 - flute * (1.0 - turn))
            )
        patch = self._patch(curve, frame, -handle, s_tip, file.stop_radius_mm + 0.5)
        if patch is not None:
            self.canvas.put(Material.STEEL, patch.where, steel.chord(patch.s, patch.d))
            if not wire:
                rim = sampled(-1.0, 0.0)
                radius = np.full_like(rim, file.stop_radius_mm)
                stop = Profile(s=rim, a=radius, b=radius).chord(patch.s, patch.d)
                self.canvas[Material.SILICONE][patch.where] += stop
        line = curve.at(np.append(np.arange(0.0, s_tip - 0.02, 0.1), s_tip))
        self.files.append(
            FileTruth(
                kind=file.kind,
                canal=canal_name,
                axis_px=rounded_px(frame.to_px(line)),
                length_mm=s_tip,
                size=file.size,
                taper=0.0 if wire else file.taper,
                tip_to_apex_mm=gap,
            )
        )

    def _draw_bone(self) -> None:
        p, bone = self.p, self.p.bone
        rng = np.random.default_rng([p.seed, 2])
        # Textures are made on a grid of about 0.06 mm, so they hardly depend on the pixel.
        step = max(1, round(0.06 / self.mm_per_px))
        small = (-(-p.shape[0] // step) + 2, -(-p.shape[1] // step) + 2)
        if bone.tissue is None:
            net = self._enlarge(trabecular_texture(small, self.mm_per_px * step, rng), step)
        else:
            net = self._tissue_net(bone.tissue)
        uneven = band_noise(small, self.mm_per_px * step, 15.0, rng, bandwidth=0.5)
        cheek = bone.cheek_mm * (1.0 + 0.06 * self._enlarge(uneven, step))
        y, x = self._at_depth(0.0)
        neck = p.tooth.crown.height_mm
        crest = neck + bone.crest_below_neck_mm + 0.35 * np.cos(0.8 * x)
        ridge = bone.ridge_mm * np.sqrt(smooth_step((y - crest) / 4.0))
        gum = 1.05 * bone.ridge_mm * np.sqrt(smooth_step((y - crest + 2.5) / 4.0))
        plates = np.minimum(2.0 * bone.cortical_mm, ridge)
        share = bone.volume_fraction * (1.0 + bone.texture * (net - 1.0)).clip(0.05, None)
        if bone.lesion_mm > 0.0:
            for canal in self.canals:
                centre = canal.curve.at(canal.s_apex + 0.6 * bone.lesion_mm)
                away = (y - centre[0]) ** 2 + (x - centre[1]) ** 2
                hole = 2.0 * np.sqrt((bone.lesion_mm**2 - away).clip(0.0, None))
                ridge = np.maximum(ridge - hole, plates)
        left = np.ones(p.shape)
        for lesion in self.lesions:
            loss, share_left = lesion.loss(*self._at_depth(lesion.depth_mm))
            ridge = np.maximum(ridge - loss, plates)
            left = np.minimum(left, share_left)
        ridge_f, gum_f, plates_f, share_f, cheek_f = (
            self._split(v) for v in (ridge, gum, plates, share, cheek)
        )
        teeth, socket, lamina = (self.canvas[n] for n in ("teeth", "socket", "lamina"))
        marrow = (ridge_f - plates_f - lamina).clip(0.0, None)
        wall = (np.minimum(lamina, ridge_f) - socket).clip(0.0, None)
        if self.lesions:
            wall = wall * self._split(left)
        # A thin plate of bone covers the root even where it nearly fills the ridge.
        cover = np.maximum((ridge_f - teeth).clip(0.0, None), 0.25 * np.minimum(ridge_f, 1.0))
        mineral = np.minimum(plates_f, cover) + 0.85 * wall + marrow * share_f
        self.canvas[Material.CORTICAL_BONE][:] += mineral
        self.canvas[Material.SOFT_TISSUE][:] += ((gum_f - teeth).clip(0.0, None) - mineral).clip(
            0.0, None
        ) + cheek_f

    def _at_depth(self, depth_mm: float) -> tuple[FloatArray, FloatArray]:
        """(y, x) in mm of the pixels on a plane at a depth."""
        frame = self._seen(self.frame, DepthPlane(depth_mm=depth_mm))
        rows, cols = (np.arange(n, dtype=np.float64) for n in self.p.shape)
        return grid_mm(frame, rows, cols)

    def _tissue_net(self, tissue: TissueParameters) -> FloatArray:
        layers = [
            tissue_layer(tissue, k, *self._at_depth(depth))
            for k, depth in enumerate(tissue.layers_mm)
        ]
        return np.asarray(1.0 + np.sum(layers, axis=0) / np.sqrt(len(layers)))

    def _split(self, values: FloatArray) -> Float32:
        """Values of pixels on the sub-pixel grid."""
        k = self.p.supersampling
        return np.repeat(np.repeat(values.astype(np.float32), k, 0), k, 1)

    def _enlarge(self, values: FloatArray, step: int) -> FloatArray:
        """A coarse field on the pixel grid, linearly interpolated about pixel centres."""
        rows = (np.arange(self.p.shape[0]) + 0.5) / step + 0.5
        cols = (np.arange(self.p.shape[1]) + 0.5) / step + 0.5
        i, j = rows.astype(int), cols.astype(int)
        u, v = (rows - i)[:, None], (cols - j)[None, :]
        between = values[i] * (1 - u) + values[i + 1] * u
        return np.asarray(between[:, j] * (1 - v) + between[:, j + 1] * v)

    def _settle_teeth(self) -> None:
        """Dentine and enamel are what canals, cavities and restorations leave of the teeth."""
        teeth, enamel, dug = (self.canvas[n] for n in ("teeth", "enamel", "dug"))
        dentine = (teeth - enamel).clip(0.0, None)
        from_dentine = np.minimum(dentine, dug)
        self.canvas[Material.DENTINE][:] = dentine - from_dentine
        self.canvas[Material.ENAMEL][:] = enamel - np.minimum(enamel, dug - from_dentine)
        fluid = np.minimum(dug, teeth) - self.canvas["refilled"] - self.canvas["air"]
        self.canvas[Material.SOFT_TISSUE][:] += fluid.clip(0.0, None)

    def _draw_wedge(self) -> None:
        """Steps of 3 mm x 3.5 mm along the picture's lower edge, thinnest on the left."""
        k = self.p.supersampling
        wide, tall = (max(1, round(v / self.mm_per_px)) * k for v in (3.0, 3.5))
        for n, thickness in enumerate(self.p.wedge_mm):
            self.canvas[Material.ALUMINIUM][-tall:, n * wide : (n + 1) * wide] += thickness

    # --- truth --------------------------------------------------------------------------------

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
            lesions=tuple(self._lesion_truth(lesion) for lesion in self.lesions),
        )

    def _lesion_truth(self, lesion: LesionShape) -> LesionTruth:
        frame = self._seen(self.frame, DepthPlane(depth_mm=lesion.depth_mm))
        apex = root_points_px(
            self.frame, self.p.tooth, lesion.parameters.root, lesion.apex_mm, self.p
        )
        outline = lesion.outline_mm()
        return LesionTruth(
            root=lesion.parameters.root,
            area_mm2=polygon_area(outline),
            longest_mm=longest_diameter(outline),
            edge_mm=lesion.parameters.edge_mm,
            centre_px=rounded_px(frame.to_px(lesion.centre_mm[None]))[0],
            apex_px=rounded_px(apex[None])[0],
            outline_px=rounded_px(frame.to_px(outline)),
        )

    @staticmethod
    def _schneider_deg(canal: _Canal) -> float:
        if not canal.root.turns_deg:
            return 0.0
        start = bend_start_mm(canal.root, canal.neck_mm)
        line = canal.apex_mm - canal.curve.at(start)
        cosine = float(canal.curve.tangent(start) @ line / np.linalg.norm(line))
        return float(np.rad2deg(np.arccos(np.clip(cosine, -1.0, 1.0))))

    def _overlapped_mm(self, canal: _Canal, fill: _Fill) -> float:
        s = np.arange(fill.s_start, fill.s_core, 0.1)
        points, own = canal.curve.at(s), fill.half_width(s)
        covered = np.zeros(len(s), dtype=bool)
        for other in self.canals:
            if other is not canal and other.fill is not None:
                foot, d = other.curve.foot(points)
                theirs = other.fill.half_width(foot)
                covered |= (theirs > 0.0) & (np.abs(d) < own + theirs)
        return float(0.1 * covered.sum())

    def _canal_truth(self, canal: _Canal) -> CanalTruth:
        p, curve, fill = canal.parameters, canal.curve, canal.fill
        s_line = np.append(np.arange(0.0, canal.s_apex - 0.02, 0.1), canal.s_apex)
        line = curve.at(s_line)
        apex, reference = line[-1], line[0]
        s_profile = np.arange(fill.s_start, fill.s_core, 0.1) if fill else np.array([])
        core_width = 2.0 * np.interp(s_profile, fill.core.s, fill.core.a) if fill else s_profile
        fill_width = 2.0 * fill.half_width(s_profile) if fill else s_profile
        with_sealer = fill is not None and p.content == "filled"
        if not with_sealer:
            fill_width = core_width
        overlapped = self._overlapped_mm(canal, fill) if fill else 0.0
        straight = float(np.hypot(*(curve.at(fill.s_core) - apex))) if fill else None
        if straight is not None and p.core_to_apex_mm < 0.0:
            straight = -straight
        fill_length = fill.s_core - fill.s_start if fill else 0.0
        near_end = any(
            min(v.to_end_mm, fill_length - v.to_end_mm) - 0.5 * v.length_mm < _END_VOID_MM
            for v in p.voids
        )
        flags = {
            "overlapped": overlapped > 0.5,
            "hourglass": p.hourglass is not None,
            "stripped": p.stripped_mm is not None,
            "end_void": near_end,
            "post": p.post is not None,
        }
        foramen_s, _ = curve.foot(canal.foramen_mm)

        def landmark(s: float | None) -> PointPx | None:
            return None if s is None else self._point(canal, curve.at(s))

        def rounded(values: FloatArray) -> tuple[float, ...]:
            return tuple(round(float(v), 5) for v in values)

        s_sealer = fill.s_sealer if fill and with_sealer else None
        return CanalTruth(
            name=p.name,
            content=p.content,
            mm_per_px=self.mm_per_px,
            centre_line_px=self._points(canal, line),
            s_mm=rounded(s_line),
            s_orifice_mm=canal.s_orifice,
            s_foramen_mm=float(foramen_s),
            s_apex_mm=canal.s_apex,
            s_fill_start_mm=fill.s_start if fill else None,
            s_core_end_mm=fill.s_core if fill else None,
            s_sealer_end_mm=s_sealer,
            coronal_reference_px=self._point(canal, reference),
            orifice_px=self._point(canal, curve.at(canal.s_orifice)),
            foramen_px=self._point(canal, canal.foramen_mm),
            radiographic_apex_px=self._point(canal, apex),
            fill_start_px=landmark(fill.s_start if fill else None),
            core_end_px=landmark(fill.s_core if fill else None),
            sealer_end_px=landmark(s_sealer),
            length_mm=canal.s_apex,
            length_straight_mm=float(np.hypot(*(apex - reference))),
            fill_length_mm=fill_length if fill else None,
            fill_to_apex_core_mm=p.core_to_apex_mm if fill else None,
            fill_to_apex_core_straight_mm=straight,
            fill_to_apex_sealer_mm=p.sealer_to_apex_mm if with_sealer else None,
            size=p.size,
            taper=p.taper,
            profile_s_mm=rounded(s_profile),
            profile_to_end_mm=rounded(fill.s_core - s_profile) if fill else (),
            width_fill_mm=rounded(fill_width),
            width_core_mm=rounded(core_width),
            voids=tuple(canal.voids),
            puffs=tuple(canal.puffs),
            post_end_px=landmark(canal.post_end),
            post_gap_mm=p.post.gap_mm if p.post is not None else None,
            overlapped_mm=overlapped,
            schneider_deg=self._schneider_deg(canal),
            flags=tuple(name for name, on in flags.items() if on),
        )
