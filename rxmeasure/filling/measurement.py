"""One canal, from clicks to numbers: trace, strip, width, ends, taper, voids, extrusion."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rxmeasure.calibration.scale import Calibration
from rxmeasure.filling import density_gaps, extrusion
from rxmeasure.filling.curvature import fit_bend, schneider_class
from rxmeasure.filling.end_posterior import EndPosterior
from rxmeasure.filling.fill_end import (
    DISAGREE_MM,
    FillExtent,
    FillRows,
    find_extent,
    find_rows,
)
from rxmeasure.filling.measures import FilmFacts, collect_measures
from rxmeasure.filling.results import (
    CanalMeasurement,
    CentreLine,
    Curvature,
    DensityGap,
    FillEnd,
    ProfilePoint,
    SealerPuff,
    TaperFit,
)
from rxmeasure.filling.strip import CanalStrip, canal_strip
from rxmeasure.filling.taper import TaperLine, fit_taper
from rxmeasure.filling.width import WidthProfile, measure_width
from rxmeasure.geometry import FloatArray
from rxmeasure.marks import CanalMarks, FilmKind, Landmark, LandmarkState, Settings
from rxmeasure.one_thread import one_thread
from rxmeasure.radiograph import Radiograph
from rxmeasure.tracing.canal_trace import LineTrace, hold_to_clicks, trace_line
from rxmeasure.tracing.frame import MeasuringFrame, frame_for
from rxmeasure.tracing.straighten import PictureCrop
from rxmeasure.values import Length, Warned

_FILL_KINDS = (FilmKind.POSTOPERATIVE, FilmKind.RECALL)
_INSTRUMENT_KINDS = (FilmKind.WORKING_LENGTH, FilmKind.MASTER_CONE)
#: Below this share of a line with a visible ridge, the trace is called unsure.
SURE_SHARE = 0.5
#: A coronal stretch without anything to follow is drawn by the clicks alone from this length (mm).
LOOSE_MM = 1.0
#: Every ``PROFILE_EVERY``-th row of the strip is kept in the profile (0.1 mm).
PROFILE_EVERY = 2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Seen:
    """What the picture shows of one canal, before it is put in words."""

    trace: LineTrace
    strip: CanalStrip
    width: WidthProfile
    extent: FillExtent | None
    taper: TaperLine | None
    density: density_gaps.FillDensity | None
    gaps: list[density_gaps.GapCandidate]
    below_floor: list[density_gaps.GapCandidate]
    smallest: float | None
    puff: extrusion.PuffPatch | None


@one_thread
def measure_canal(
    radiograph: Radiograph,
    calibration: Calibration | None,
    canal: CanalMarks,
    film_kind: FilmKind,
    settings: Settings,
) -> CanalMeasurement:
    """Measure one canal.

    Parameters
    ----------
    radiograph : Radiograph
    calibration : Calibration or None
        None gives pixels and ratios only, no millimetres.
    canal : CanalMarks
    film_kind : FilmKind
        Decides what is measured: fill on a post-operative or recall film, tip of
        file or cone on a working-length or master-cone film, canal length on all.
    settings : Settings

    Raises
    ------
    MarksError
        Too few clicks, clicks outside the picture or in one place.
    """
    frame = frame_for(radiograph, calibration, canal.clicks_px)
    bright = film_kind is not FilmKind.PREOPERATIVE
    trace = trace_line(radiograph, frame, canal.clicks_px, bright=bright)
    strip, width, rows = _fill_rows(radiograph, trace, canal, film_kind)
    loose_to = _unseen_coronal_part(trace, strip, rows, film_kind)
    if loose_to > LOOSE_MM:
        trace = hold_to_clicks(trace, canal.clicks_px, loose_to)
        strip, width, rows = _fill_rows(radiograph, trace, canal, film_kind, strip.crop)
    seen = _look(trace, strip, width, rows, canal, film_kind, settings)
    return _put_together(radiograph, seen, canal, film_kind, settings)


def _unseen_coronal_part(
    trace: LineTrace, strip: CanalStrip, rows: FillRows | None, film_kind: FilmKind
) -> float:
    """Arc distance up to which there is no fill, instrument or canal to follow."""
    if rows is not None:
        return float(strip.s[rows.first])
    if film_kind is FilmKind.PREOPERATIVE and trace.seen.any():
        return float(trace.s[int(np.argmax(trace.seen))])
    return float("inf")


def _fill_rows(
    radiograph: Radiograph,
    trace: LineTrace,
    canal: CanalMarks,
    film_kind: FilmKind,
    crop: PictureCrop | None = None,
) -> tuple[CanalStrip, WidthProfile, FillRows | None]:
    """The straightened picture, the width along it, and which of its rows hold the fill."""
    strip = canal_strip(radiograph, trace, crop)
    width = measure_width(strip)
    if film_kind is FilmKind.PREOPERATIVE:
        return strip, width, None
    tops = [
        _foot(strip, trace.frame, mark)
        for mark in (canal.orifice, canal.post_end)
        if mark.point_px is not None
    ]
    # A file or cone stands out of the orifice; a fill does not.
    below = max(tops) if tops and film_kind in _FILL_KINDS else None
    return strip, width, find_rows(strip, width, below)


def _look(
    trace: LineTrace,
    strip: CanalStrip,
    width: WidthProfile,
    rows: FillRows | None,
    canal: CanalMarks,
    film_kind: FilmKind,
    settings: Settings,
) -> _Seen:
    extent = taper = density = puff = smallest = None
    gaps: list[density_gaps.GapCandidate] = []
    below_floor: list[density_gaps.GapCandidate] = []
    if rows is not None:
        extent = find_extent(strip, width, rows, sealed=film_kind in _FILL_KINDS)
        if canal.core_end.point_px is not None:
            extent = _with_marked_end(extent, trace, strip, canal.core_end, settings)
        if film_kind in _FILL_KINDS:
            density = density_gaps.describe_density(strip, width, extent)
            if density is not None:
                found = density_gaps.find_gaps(strip, density, extent)
                gaps = [g for g in found if _counts(g, strip, settings)]
                below_floor = [g for g in found if not _counts(g, strip, settings)]
                smallest = density_gaps.smallest_visible(
                    strip, density, width.blur, density_gaps.THRESHOLD_SD
                )
            inside = extent.present & (width.contrast > 0)
            contrast = float(np.median(width.contrast[inside])) if inside.any() else 0.0
            puff = extrusion.find_puff(strip, extent, rows.expected, contrast)
        taper = fit_taper(strip, width, extent, [*gaps, *below_floor])
    return _Seen(
        trace=trace,
        strip=strip,
        width=width,
        extent=extent,
        taper=taper,
        density=density,
        gaps=gaps,
        below_floor=below_floor,
        smallest=smallest,
        puff=puff,
    )


def _with_marked_end(
    extent: FillExtent,
    trace: LineTrace,
    strip: CanalStrip,
    mark: Landmark,
    settings: Settings,
) -> FillExtent:
    """The extent with its apical end where the person marked it."""
    s = _foot(strip, trace.frame, mark)
    present = extent.present & (strip.s <= s)
    marked = EndPosterior.normal(s, settings.click_sd_mm)
    return FillExtent(
        start_s=extent.start_s,
        end_s=s,
        start_u=extent.start_u,
        end_u=settings.click_sd_mm,
        end_spread=abs(s - extent.end_s),
        other_s=None,
        likely=marked,
        end_t=extent.end_t,
        how="marked by the reader",
        core_s=s,
        core_u=settings.click_sd_mm,
        core_likely=marked,
        core_how="marked by the reader",
        present=present,
    )


def _foot(strip: CanalStrip, frame: MeasuringFrame, mark: Landmark) -> float:
    """Arc distance of a marked point."""
    assert mark.point_px is not None
    return strip.foot(frame.to_plane([mark.point_px])[0])


def _counts(gap: density_gaps.GapCandidate, strip: CanalStrip, settings: Settings) -> bool:
    """Whether a gap reaches the stated floor of size and contrast."""
    floor = settings.void_min_mm
    if strip.frame.calibration is not None:
        floor = max(floor, settings.void_min_px * strip.frame.scale.mean)
    else:
        floor = settings.void_min_px * strip.frame.scale.mean
    clear = gap.contrast_sd >= settings.void_min_contrast_sd
    return clear and max(gap.length, gap.width) >= floor


def _put_together(
    radiograph: Radiograph,
    seen: _Seen,
    canal: CanalMarks,
    film_kind: FilmKind,
    settings: Settings,
) -> CanalMeasurement:
    trace, strip, extent = seen.trace, seen.strip, seen.extent
    frame = trace.frame
    u_click = settings.click_sd_mm
    warnings = list(_warnings(seen, canal, film_kind))

    # Where the canal begins and where its apex is, along the line.
    start_s, start_u = 0.0, u_click
    if canal.coronal_reference.point_px is not None:
        start_s = _foot(strip, frame, canal.coronal_reference)
    apex_s: float | None = strip.s_apex
    apex_mark = canal.radiographic_apex
    if apex_mark.point_px is not None:
        apex_s = _foot(strip, frame, apex_mark)
    elif apex_mark.state not in (LandmarkState.NOT_GIVEN, LandmarkState.MARKED):
        apex_s = None
    apex = None if apex_s is None else strip.at(apex_s)

    # The path between the two feet: straight-line error of the axis is second order.
    u_path = trace.centre_u**2 / 2.0 if trace.confidence > 0 else 0.05
    last_s = strip.s_apex if apex_s is None else apex_s
    u_length = float(np.sqrt(start_u**2 + u_click**2 + u_path**2 + (0.002 * last_s) ** 2))
    canal_length = frame.length(last_s - start_s, u_length)
    chord = float(np.hypot(*(strip.at(last_s) - strip.at(start_s))))
    straight = frame.length(chord, float(np.hypot(start_u, u_click)))

    to_apex = to_apex_straight = to_apex_sealer = fill_length = None
    core_start = core_end = fill_end = sealer_end = None
    gap_places: tuple[float, ...] = ()
    if extent is not None:
        fill_end = _end(
            strip, extent.end_s, extent.end_t, extent.end_u, extent.end_spread, extent.how
        )
        core_end = _end(
            strip, extent.core_s, extent.end_t, extent.core_u, extent.end_spread, extent.core_how
        )
        core_start = _end(strip, extent.start_s, 0.0, extent.start_u, 0.0, "first row with fill")
        fill_length = frame.length(
            extent.core_s - extent.start_s, float(np.hypot(extent.start_u, extent.core_u))
        )
        if film_kind in _FILL_KINDS:
            sealer_end = _sealer_end(seen, canal, settings)
        if apex_s is not None and apex is not None:
            gap = apex_s - extent.core_s
            u_gap = float(np.hypot(extent.core_u, u_click))
            gap_places = tuple(apex_s - place for place in extent.core_likely.grid)
            to_apex = frame.length(gap, u_gap)
            direct = float(np.hypot(*(apex - strip.at(extent.core_s, 0.0)))) * np.sign(gap)
            to_apex_straight = frame.length(float(direct), u_gap)
            if sealer_end is not None:
                s_sealer, u_sealer = sealer_end.s_px * frame.scale.col, sealer_end.u_px
                to_apex_sealer = frame.length(
                    apex_s - s_sealer, float(np.hypot(u_sealer * frame.scale.col, u_click))
                )
    is_fill = film_kind in _FILL_KINDS
    tip_to_apex = to_apex if film_kind in _INSTRUMENT_KINDS else None

    post_gap = under_post = None
    if is_fill and extent is not None and canal.post_end.point_px is not None:
        post_s = _foot(strip, frame, canal.post_end)
        top = _fill_top_below(seen, post_s)
        u_post = float(np.hypot(u_click, 0.1))
        post_gap = frame.length(max(top - post_s, 0.0), u_post)
        under_post = frame.length(max(extent.end_s - max(top, post_s), 0.0), u_post)

    curvature = _curvature(seen, canal, start_s, last_s)
    coverage = _coverage(radiograph, frame, apex)
    gaps, below_floor = (
        tuple(sorted((_gap(seen, g) for g in some), key=lambda g: g.to_end_px))
        for some in (seen.gaps, seen.below_floor)
    )
    puff = _puff(seen)
    homogeneous = None if seen.density is None else not gaps
    smallest = None if seen.smallest is None else frame.length(seen.smallest, 0.2 * seen.smallest)
    locator = None
    if canal.locator_reading_mm is not None and canal_length.value_mm is not None:
        locator = canal_length.value_mm - canal.locator_reading_mm
        if abs(locator) > 1.0:
            warnings.append(
                Warned(
                    code="locator-and-film-disagree",
                    text=f"Film length and locator reading differ by {locator:+.1f} mm: do not "
                    "average them; read the locator again and take a shifted view if there is "
                    "a clinical reason for one.",
                )
            )
    facts = FilmFacts(
        film_kind=film_kind,
        calibrated=frame.calibration is not None,
        scale_source=None if frame.calibration is None else frame.calibration.source,
        scale_u_rel=0.0 if frame.calibration is None else frame.calibration.u_rel,
        canal=canal,
        settings=settings,
        canal_length=canal_length,
        canal_length_straight=straight,
        fill_length=fill_length,
        to_apex=to_apex,
        to_apex_straight=to_apex_straight,
        to_apex_sealer=to_apex_sealer,
        gap_places=gap_places,
        apex_state=apex_mark.state,
        fill_seen=extent is not None,
        ends_in_chamber=extent is not None
        and canal.orifice.point_px is not None
        and extent.end_s < _foot(strip, frame, canal.orifice) - u_click,
        density_seen=seen.density is not None,
        gaps=gaps,
        smallest=smallest,
        taper=_taper(seen, canal),
        puff=puff,
        post_gap=post_gap,
        under_post=under_post,
        curvature=curvature,
        coverage=coverage,
    )
    measures = collect_measures(facts)
    return CanalMeasurement(
        name=canal.name,
        film_kind=film_kind.value,
        centre_line=CentreLine(
            points_px=frame.points_px(trace.points),
            s_px=tuple(float(v) / frame.scale.col for v in trace.s),
            confidence=trace.confidence,
        ),
        canal_length=canal_length,
        canal_length_straight=straight,
        working_length=facts.working_length,
        fill_length=fill_length if is_fill else None,
        fill_to_apex_core=to_apex if is_fill else None,
        fill_to_apex_core_straight=to_apex_straight if is_fill else None,
        fill_to_apex_sealer=to_apex_sealer,
        tip_to_apex=tip_to_apex,
        core_start=core_start,
        core_end=core_end,
        fill_end=fill_end,
        sealer_end=sealer_end,
        apex_px=None if apex is None else frame.point_px(apex),
        profile=_profile(seen),
        taper=facts.taper,
        gaps=gaps,
        gaps_below_floor=below_floor,
        smallest_visible_void=smallest,
        homogeneous=homogeneous,
        puff=puff,
        post_gap=post_gap,
        apical_fill_under_post=under_post,
        curvature=curvature,
        coverage_beyond_apex=coverage,
        locator_difference_mm=locator,
        measures=measures,
        warnings=tuple(warnings),
    )


def _end(strip: CanalStrip, s: float, t: float, u: float, spread: float, how: str) -> FillEnd:
    frame = strip.frame
    return FillEnd(
        point_px=frame.point_px(strip.at(s, t)),
        s_px=frame.px(s),
        u_px=frame.px(u),
        spread_px=frame.px(spread),
        how=how,
    )


def _sealer_end(seen: _Seen, canal: CanalMarks, settings: Settings) -> FillEnd:
    """Apical end of the sealer: marked, the puff's far side, or the core's own end."""
    strip, extent = seen.strip, seen.extent
    assert extent is not None
    if canal.sealer_end.point_px is not None:
        s = _foot(strip, strip.frame, canal.sealer_end)
        return _end(strip, s, 0.0, settings.click_sd_mm, 0.0, "marked by the reader")
    if seen.puff is not None and seen.puff.farthest_s > extent.end_s + 0.15:
        return _end(
            strip, seen.puff.farthest_s, seen.puff.centre_t, 0.2, 0.0, "far side of the puff"
        )
    return _end(
        strip,
        extent.end_s,
        extent.end_t,
        extent.end_u,
        0.0,
        extent.core_how if extent.core_s < extent.end_s else "no sealer seen beyond the core",
    )


def _fill_top_below(seen: _Seen, post_s: float) -> float:
    """First row below the post in which the fill is seen."""
    strip, width = seen.strip, seen.width
    assert seen.extent is not None
    typical = float(np.median(width.contrast[seen.extent.present]))
    below = (strip.s > post_s + 0.1) & (strip.s < seen.extent.end_s)
    filled = below & (width.contrast > 0.4 * typical)
    return float(strip.s[int(np.argmax(filled))]) if filled.any() else float(seen.extent.end_s)


def _curvature(seen: _Seen, canal: CanalMarks, start_s: float, last_s: float) -> Curvature | None:
    trace, strip = seen.trace, seen.strip
    # Coronal of the orifice the line only leads to the coronal reference.
    orifice_s = start_s if seen.extent is None else max(start_s, seen.extent.start_s)
    if canal.orifice.point_px is not None:
        orifice_s = _foot(strip, trace.frame, canal.orifice)
    # The bend is read where the canal is seen; Schneider's second line goes to the apex.
    seen_to = last_s if seen.extent is None else min(last_s, seen.extent.end_s + 1.0)
    inside = (strip.s >= orifice_s) & (strip.s <= seen_to)
    if inside.sum() * strip.s_step < 4.0:
        return None
    bend = fit_bend(strip.line[inside], step=0.2, foramen=strip.at(last_s))
    straight_part = max(bend.departure_s, 1.0)
    # Direction of the coronal part from its length and the axis's own accuracy, and the
    # apex click seen from where the canal leaves the axis.
    u_axis = trace.centre_u / straight_part * np.sqrt(12.0 / max(straight_part / 0.5, 3.0))
    apical_part = max(last_s - orifice_s - bend.departure_s, 1.0)
    u_deg = float(np.degrees(np.hypot(u_axis, 0.2 / apical_part)))
    radius = bend.radius
    return Curvature(
        schneider_deg=bend.schneider_deg,
        schneider_class=schneider_class(bend.schneider_deg),
        weine_deg=bend.weine_deg,
        pruett_deg=bend.turn_deg,
        pruett_radius_px=None if radius is None else trace.frame.px(radius),
        pruett_radius_mm=None if radius is None else trace.frame.mm(radius),
        u_deg=float(np.hypot(u_deg, bend.misfit_deg)),
    )


def _coverage(
    radiograph: Radiograph, frame: MeasuringFrame, apex: FloatArray | None
) -> Length | None:
    """Distance from the apex to the nearest edge of the picture."""
    if apex is None:
        return None
    row, col = frame.to_px(apex[None])[0]
    rows, cols = radiograph.shape
    distances = (
        (row + 0.5) * frame.scale.row,
        (rows - 0.5 - row) * frame.scale.row,
        (col + 0.5) * frame.scale.col,
        (cols - 0.5 - col) * frame.scale.col,
    )
    return frame.length(max(min(distances), 0.0), 0.2)


def _third(to_end: float, length: float) -> str:
    share = to_end / max(length, 1e-9)
    return "apical" if share < 1 / 3 else "middle" if share < 2 / 3 else "coronal"


def _gap(seen: _Seen, gap: density_gaps.GapCandidate) -> DensityGap:
    strip, extent = seen.strip, seen.extent
    assert extent is not None
    frame = strip.frame
    u = seen.width.blur / 2.0
    centre = strip.at(gap.s, gap.t)
    side = ""
    if gap.side:
        # Left and right as seen on the picture, whatever way the canal runs.
        axis = strip.at(gap.s, 0.0)
        across = frame.to_px(centre[None])[0] - frame.to_px(axis[None])[0]
        side = "right" if across[1] > 0 else "left"
    outline = strip.at(gap.outline[:, 0], gap.outline[:, 1])
    to_end = extent.end_s - gap.s
    return DensityGap(
        kind=gap.kind,
        side=side,
        third=_third(to_end, extent.end_s - extent.start_s),
        to_end_px=frame.px(to_end),
        to_end_mm=frame.mm(to_end),
        centre_px=frame.point_px(centre),
        length=frame.length(gap.length, u),
        width=frame.length(gap.width, u),
        area=frame.area(gap.area, float(np.hypot(0.2 * gap.area, u * (gap.length + gap.width)))),
        contrast=gap.contrast,
        contrast_sd=gap.contrast_sd,
        confidence=gap.confidence,
        outline_px=frame.points_px(outline),
    )


def _puff(seen: _Seen) -> SealerPuff | None:
    puff, strip = seen.puff, seen.strip
    if puff is None:
        return None
    frame = strip.frame
    centre = strip.at(min(puff.centre_s, float(strip.s[-1])), puff.centre_t)
    assert seen.extent is not None
    end = strip.at(seen.extent.end_s)
    across = frame.to_px(centre[None])[0][1] - frame.to_px(end[None])[0][1]
    sideways = abs(puff.centre_t - seen.extent.end_t) > 0.2
    side = "at the apex" if not sideways else ("right" if across > 0 else "left")
    calibrated = frame.calibration is not None
    gross = calibrated and (
        puff.reach > extrusion.GROSS_REACH_MM or puff.area > extrusion.GROSS_AREA_MM2
    )
    return SealerPuff(
        area=frame.area(puff.area, puff.u_area),
        side=side,
        centre_px=frame.point_px(centre),
        reach=frame.length(puff.reach, 0.15),
        outline_px=frame.points_px(puff.outline),
        gross=gross,
    )


def _taper(seen: _Seen, canal: CanalMarks) -> TaperFit | None:
    line, strip = seen.taper, seen.strip
    if line is None:
        return None
    frame = strip.frame
    band: tuple[tuple[float, float, float], ...] = ()
    share = None
    if canal.nominal is not None and frame.calibration is not None and seen.extent is not None:
        from rxmeasure.fit.dimensions import Product, nominal_band

        rows = np.flatnonzero(seen.extent.present)[::PROFILE_EVERY]
        to_end = seen.extent.end_s - strip.s[rows]
        inside = (to_end >= 0.0) & (to_end <= 16.0)
        rows, to_end = rows[inside], to_end[inside]
        bands = nominal_band(canal.nominal, [float(x) for x in to_end], Product.POINT)
        band = tuple((b.x_mm, b.low_mm, b.high_mm) for b in bands)
        hits = [
            b.low_mm <= float(w) <= b.high_mm
            for b, w in zip(bands, seen.width.width[rows], strict=True)
        ]
        share = float(np.mean(hits)) if hits else None
    words = tuple(
        f"{kind} at {_distance(frame, place)} from the fill's end"
        if kind != "no taper"
        else f"no taper (slope {size:.3f})"
        for kind, place, size in line.departures
    )
    return TaperFit(
        taper=line.slope,
        u_taper=line.u_slope,
        width_at_end_px=frame.px(line.width_at_end),
        width_at_end_mm=frame.mm(line.width_at_end),
        from_to_end_px=frame.px(line.from_end),
        upto_to_end_px=frame.px(line.upto_end),
        residual_rms_px=tuple(frame.px(r) for r in line.residual_rms),  # type: ignore[arg-type]
        residual_rms_mm=line.residual_rms if frame.calibration is not None else None,
        departures=words,
        even=not line.departures,
        p_even=line.p_even,
        nominal_band_mm=band,
        inside_nominal_share=share,
    )


def _distance(frame: MeasuringFrame, distance: float) -> str:
    return f"{distance:.1f} mm" if frame.calibration is not None else f"{frame.px(distance):.0f} px"


def _profile(seen: _Seen) -> tuple[ProfilePoint, ...]:
    if seen.extent is None:
        return ()
    strip, width, extent = seen.strip, seen.width, seen.extent
    frame = strip.frame
    expected = width.contrast.copy()
    density = width.contrast
    if seen.density is not None:
        expected = np.interp(strip.s, seen.density.s, seen.density.expected)
        density = np.where(
            (strip.s >= seen.density.s[0]) & (strip.s <= seen.density.s[-1]),
            np.interp(strip.s, seen.density.s, seen.density.density),
            width.contrast,
        )
    rows = np.flatnonzero(extent.present & (strip.s <= extent.end_s))[::PROFILE_EVERY]
    s, middle, half = strip.s[rows], width.centre[rows], width.width[rows] / 2.0
    to_left = _to_left(strip, rows)
    left = frame.points_px(strip.at(s, middle + to_left * half))
    right = frame.points_px(strip.at(s, middle - to_left * half))
    u_rel = None if frame.calibration is None else frame.calibration.u_rel
    return tuple(
        ProfilePoint(
            s_px=frame.px(s[k]),
            to_end_px=frame.px(extent.end_s - s[k]),
            to_end_mm=frame.mm(extent.end_s - s[k]),
            width_px=frame.px(2 * half[k]),
            width_mm=frame.mm(2 * half[k]),
            u_width_px=frame.px(width.u_width[row]),
            u_width_mm=None
            if u_rel is None
            else float(np.hypot(width.u_width[row], u_rel * 2 * half[k])),
            left_edge_px=left[k],
            right_edge_px=right[k],
            density=float(density[row]),
            density_expected=float(expected[row]),
        )
        for k, row in enumerate(rows)
    )


def _to_left(strip: CanalStrip, rows: NDArray[np.int_]) -> float:
    """Sign of the strip's crosswise direction that leads to the left of the picture."""
    if len(rows) == 0:
        return 1.0
    across = strip.at(strip.s[rows], 1.0) - strip.at(strip.s[rows], 0.0)
    return 1.0 if float(across[:, 1].mean()) <= 0.0 else -1.0


def _unsure_end(extent: FillExtent, frame: MeasuringFrame) -> str:
    """What makes the end unsure, with the other place where there is one."""
    look = "Look at the mark and, if it is wrong, mark the end yourself."
    if extent.other_s is None:
        return f"The apical end does not stand out clearly from what lies round it. {look}"
    away = extent.other_s - extent.end_s
    side = "apically" if away > 0.0 else "coronally"
    return f"The fill may end at the mark or {_distance(frame, abs(away))} further {side}. {look}"


def _warnings(seen: _Seen, canal: CanalMarks, film_kind: FilmKind) -> list[Warned]:
    found = []
    if seen.extent is None and film_kind is not FilmKind.PREOPERATIVE:
        found.append(
            Warned(
                code="no-fill-seen",
                text="No fill, file or cone was seen along the clicks. Only the length of the "
                "clicked line is given.",
            )
        )
    if seen.extent is not None:
        if seen.extent.end_spread > DISAGREE_MM:
            found.append(
                Warned(
                    code="fill-end-unsure",
                    text=_unsure_end(seen.extent, seen.strip.frame),
                )
            )
        covered = seen.trace.strength[
            (seen.trace.s >= seen.extent.start_s) & (seen.trace.s <= seen.extent.end_s)
        ]
        if len(covered) and float((covered > 5.0).mean()) < SURE_SHARE:
            found.append(
                Warned(
                    code="trace-unsure",
                    text="The line follows a visible fill on less than half of its way; add a "
                    "click in between.",
                )
            )
    if canal.radiographic_apex.state in (LandmarkState.RESORBED, LandmarkState.OPEN_APEX):
        found.append(
            Warned(
                code="apex-unusual",
                text=f"The apex is marked '{canal.radiographic_apex.state.value}': the usual "
                "length rules do not hold as they are.",
            )
        )
    return found
