"""What is known of one canal after measuring: plain frozen values, no arithmetic.

Distances along the canal (``s_*``) run from the coronal reference towards the
apex along the centre line. ``to_end`` distances run from the apical end of the
visible fill (``fill_end``) in coronal direction. Everything in ``*_mm`` is None
without a scale; the ``*_px`` companion is always there.
"""

from __future__ import annotations

from dataclasses import dataclass

from rxmeasure.marks import PointPx
from rxmeasure.values import Area, Length, MeasureValue, Warned


@dataclass(frozen=True, slots=True, kw_only=True)
class CentreLine:
    """Smooth centre line from the first to the last click.

    ``points_px`` about every 0.1 mm (every 3 px without a scale); ``s_px`` arc
    distance of each. ``confidence`` 0..1 is the share of the line that follows
    a visible ridge.
    """

    points_px: tuple[PointPx, ...]
    s_px: tuple[float, ...]
    confidence: float


@dataclass(frozen=True, slots=True, kw_only=True)
class FillEnd:
    """One end of the fill. ``spread_px``: how far the methods lie apart."""

    point_px: PointPx
    s_px: float
    u_px: float
    spread_px: float
    how: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ProfilePoint:
    """Width and density of the fill at one place.

    ``s_px`` from the coronal reference, ``to_end_px`` from the fill's end. Left and
    right edge as seen on the picture.
    ``density`` is the fill's grey level over the dentine beside it in image
    units; ``density_expected`` what the fill's own width profile predicts.
    """

    s_px: float
    to_end_px: float
    to_end_mm: float | None
    width_px: float
    width_mm: float | None
    u_width_px: float
    u_width_mm: float | None
    left_edge_px: PointPx
    right_edge_px: PointPx
    density: float
    density_expected: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TaperFit:
    """Straight line through the width profile, the last 1 mm at each end left out.

    ``residual_rms_*`` by third, apical first. ``departures`` name local steps,
    hourglass or stripped taper; ``even`` is the tool's own summary with its
    probability. ``taper`` is mm per mm, so it needs no scale.
    """

    taper: float
    u_taper: float
    width_at_end_px: float
    width_at_end_mm: float | None
    from_to_end_px: float
    upto_to_end_px: float
    residual_rms_px: tuple[float, float, float]
    residual_rms_mm: tuple[float, float, float] | None
    departures: tuple[str, ...]
    even: bool
    p_even: float
    nominal_band_mm: tuple[tuple[float, float, float], ...] = ()
    inside_nominal_share: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DensityGap:
    """A place where the fill shows less density than its width predicts: a void.

    Attributes
    ----------
    kind : str
        ``"internal"``, ``"wall"`` or ``"joint"`` (transverse, at the
        downpack/backfill joint or between backfill increments).
    side : str
        ``"left"`` / ``"right"`` of the picture for a wall gap, else ``""``.
    third : str
        ``"apical"``, ``"middle"``, ``"coronal"`` third of the fill.
    to_end_px, to_end_mm : float
        Centre of the gap from the fill's end.
    length, width : Length
        Along and across the canal.
    area : Area
    contrast : float
        Missing density as a share of the expected one, 0..1.
    contrast_sd : float
        Missing density in noise standard deviations.
    confidence : float
        0..1.
    outline_px : tuple of PointPx
        Closed outline on the image.
    """

    kind: str
    side: str
    third: str
    to_end_px: float
    to_end_mm: float | None
    centre_px: PointPx
    length: Length
    width: Length
    area: Area
    contrast: float
    contrast_sd: float
    confidence: float
    outline_px: tuple[PointPx, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SealerPuff:
    """Material beyond the apex or beside the canal that is not the core. Approximate."""

    area: Area
    side: str
    centre_px: PointPx
    reach: Length
    outline_px: tuple[PointPx, ...]
    gross: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Curvature:
    """Curvature by three named methods; never to be mixed in one table.

    Schneider 1971, Oral Surg 32:271; Weine, Endodontic Therapy; Pruett 1997,
    J Endod 23(2). ``schneider_class`` keeps the gaps of the original classes.
    Only the curve in the plane of the film is seen.
    """

    schneider_deg: float
    schneider_class: str
    weine_deg: float
    pruett_deg: float
    pruett_radius_px: float | None
    pruett_radius_mm: float | None
    u_deg: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CanalMeasurement:
    """Everything measured on one canal.

    ``fill_end`` is the apical end of the visible filling, core or sealer;
    ``core_end`` lies coronal of it where a step in density shows that only sealer
    goes on. ``gaps_below_floor`` were found as well, but are smaller or fainter than the
    settings count as a void. ``measures`` holds the same numbers once more under the stable
    names that the criteria use, each with its uncertainty or the reason why it is missing.
    """

    name: str
    film_kind: str
    centre_line: CentreLine
    canal_length: Length
    canal_length_straight: Length
    working_length: Length | None
    fill_length: Length | None
    fill_to_apex_core: Length | None
    fill_to_apex_core_straight: Length | None
    fill_to_apex_sealer: Length | None
    tip_to_apex: Length | None
    core_start: FillEnd | None
    core_end: FillEnd | None
    fill_end: FillEnd | None
    sealer_end: FillEnd | None
    apex_px: PointPx | None
    profile: tuple[ProfilePoint, ...]
    taper: TaperFit | None
    gaps: tuple[DensityGap, ...]
    gaps_below_floor: tuple[DensityGap, ...] = ()
    smallest_visible_void: Length | None
    homogeneous: bool | None
    puff: SealerPuff | None
    post_gap: Length | None
    apical_fill_under_post: Length | None
    curvature: Curvature | None
    coverage_beyond_apex: Length | None
    locator_difference_mm: float | None
    measures: tuple[MeasureValue, ...]
    warnings: tuple[Warned, ...]

    def measure(self, name: str) -> MeasureValue | None:
        """Named measure, or None when this film kind does not have it."""
        return next((m for m in self.measures if m.name == name), None)
