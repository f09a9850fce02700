"""The named measures of one canal, each with its uncertainty or why it is missing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rxmeasure.filling.results import Curvature, DensityGap, SealerPuff, TaperFit
from rxmeasure.marks import CanalMarks, FilmKind, LandmarkState, Settings
from rxmeasure.measure_names import MEASURES
from rxmeasure.values import Length, MeasureValue

NO_SCALE = "the film has no scale: pixels and ratios only"
NO_FILL = "no fill was seen"
#: Draws for the distance of the fill's end from the apex.
DRAWS = 4000


@dataclass(frozen=True, slots=True, kw_only=True)
class FilmFacts:
    """What :func:`collect_measures` needs to know of one canal.

    ``gap_places``: distances of the core's end from the marked apex (plane units) at even
    shares of their probability, the apex click's own doubt left out; empty without either.
    """

    film_kind: FilmKind
    calibrated: bool
    scale_source: str | None
    scale_u_rel: float
    canal: CanalMarks
    settings: Settings
    canal_length: Length
    canal_length_straight: Length
    fill_length: Length | None
    to_apex: Length | None
    to_apex_straight: Length | None
    to_apex_sealer: Length | None
    gap_places: tuple[float, ...]
    apex_state: LandmarkState
    fill_seen: bool
    ends_in_chamber: bool
    density_seen: bool
    gaps: tuple[DensityGap, ...]
    smallest: Length | None
    taper: TaperFit | None
    puff: SealerPuff | None
    post_gap: Length | None
    under_post: Length | None
    curvature: Curvature | None
    coverage: Length | None

    @property
    def working_length(self) -> Length | None:
        """Trial or corrected working length, as the film kind allows; None without a scale."""
        from dataclasses import replace

        if not self.calibrated:
            return None
        safety = self.settings.safety_mm
        known = self.canal.stop_to_tip_mm
        if self.film_kind in (FilmKind.WORKING_LENGTH, FilmKind.MASTER_CONE) and known is not None:
            if self.to_apex is None or self.to_apex.value_mm is None:
                return None
            per_px = self.to_apex.value_mm / self.to_apex.value_px if self.to_apex.value_px else 0.0
            value = known + self.to_apex.value_mm - safety
            return Length(
                value_px=value / per_px if per_px else self.canal_length.value_px,
                u_px=self.to_apex.u_px,
                value_mm=value,
                u_mm=self.to_apex.u_mm,
                scale_source=f"stop-to-tip length and {self.to_apex.scale_source}",
            )
        if self.film_kind in (FilmKind.POSTOPERATIVE, FilmKind.RECALL):
            return None
        length = self.canal_length
        per_px = length.mm() / length.value_px
        return replace(
            length, value_mm=length.mm() - safety, value_px=length.value_px - safety / per_px
        )


def collect_measures(facts: FilmFacts) -> tuple[MeasureValue, ...]:
    """All measures that belong to the film kind, in the order of the table of names."""
    values = {**_lengths(facts), **_fill(facts), **_instrument(facts)}
    return tuple(
        values[name]
        for name, entry in MEASURES.items()
        if facts.film_kind in entry.film_kinds and name in values
    )


def _value(
    name: str,
    value: float | bool | str | None,
    *,
    u: float | None = None,
    why: str | None = None,
    p_true: float | None = None,
    draws: tuple[float, ...] = (),
    scale_source: str | None = None,
) -> MeasureValue:
    return MeasureValue(
        name=name,
        value=value,
        unit=MEASURES[name].unit,
        u=u,
        why_missing=why if value is None else None,
        p_true=p_true,
        draws=draws,
        scale_source=scale_source,
    )


def _length(name: str, length: Length | None, why: str, calibrated: bool) -> MeasureValue:
    if length is None:
        return _value(name, None, why=why)
    if not calibrated:
        return _value(name, None, why=NO_SCALE)
    return _value(name, length.value_mm, u=length.u_mm, scale_source=length.scale_source)


def _apex_reason(facts: FilmFacts) -> str:
    if facts.apex_state in (
        LandmarkState.UNCLEAR,
        LandmarkState.OUTSIDE_FILM,
        LandmarkState.RESORBED,
        LandmarkState.OPEN_APEX,
    ):
        return f"the radiographic apex is marked '{facts.apex_state.value}'"
    return NO_FILL if not facts.fill_seen else "the radiographic apex is not marked"


def _lengths(facts: FilmFacts) -> dict[str, MeasureValue]:
    apex = facts.apex_state
    lost = apex in (LandmarkState.UNCLEAR, LandmarkState.OUTSIDE_FILM)
    length = None if lost else facts.canal_length
    straight = None if lost else facts.canal_length_straight
    why = _apex_reason(facts)
    curvature = facts.curvature
    return {
        "canal_length_mm": _length("canal_length_mm", length, why, facts.calibrated),
        "canal_length_straight_mm": _length(
            "canal_length_straight_mm", straight, why, facts.calibrated
        ),
        "coverage_beyond_apex_mm": _length(
            "coverage_beyond_apex_mm", facts.coverage, why, facts.calibrated
        ),
        "schneider_deg": _value(
            "schneider_deg",
            None if curvature is None else curvature.schneider_deg,
            u=None if curvature is None else curvature.u_deg,
            why="the line is too short (under 4 mm) for a curvature",
        ),
    }


def _fill(facts: FilmFacts) -> dict[str, MeasureValue]:
    calibrated = facts.calibrated
    why = _apex_reason(facts)
    gaps = facts.gaps
    counted = {
        "void_count": len(gaps),
        "wall_void_count": sum(g.kind == "wall" for g in gaps),
        "joint_void_count": sum(g.kind == "joint" for g in gaps),
    }
    why_density = NO_FILL if not facts.fill_seen else "the fill is too short to judge its density"
    p_free = float(np.prod([1.0 - g.confidence for g in gaps])) if gaps else 1.0
    found = {
        "fill_to_apex_core_mm": _to_apex(facts),
        "fill_to_apex_core_straight_mm": _length(
            "fill_to_apex_core_straight_mm", facts.to_apex_straight, why, calibrated
        ),
        "fill_to_apex_sealer_mm": _length(
            "fill_to_apex_sealer_mm", facts.to_apex_sealer, why, calibrated
        ),
        "fill_to_apex_ratio": _ratio("fill_to_apex_ratio", facts.to_apex, facts, why),
        "fill_length_ratio": _ratio("fill_length_ratio", facts.fill_length, facts, why),
        "fill_length_mm": _length("fill_length_mm", facts.fill_length, NO_FILL, calibrated),
        "fill_level": _value("fill_level", _level(facts)),
        "core_beyond_apex": _beyond(facts, why),
        "void_free": _value(
            "void_free",
            not gaps if facts.density_seen else None,
            p_true=p_free if facts.density_seen else None,
            why=why_density,
        ),
        "void_area_mm2": _void_area(facts, why_density),
        "largest_void_mm": _largest(facts, why_density),
        "smallest_visible_void_mm": _length(
            "smallest_visible_void_mm", facts.smallest, why_density, calibrated
        ),
        "taper_mm_per_mm": _value(
            "taper_mm_per_mm",
            None if facts.taper is None else facts.taper.taper,
            u=None if facts.taper is None else facts.taper.u_taper,
            why=NO_FILL if not facts.fill_seen else "the fill is too short (under 3 mm)",
        ),
        "taper_even": _value(
            "taper_even",
            None if facts.taper is None else facts.taper.even,
            p_true=None if facts.taper is None else facts.taper.p_even,
            why=NO_FILL if not facts.fill_seen else "the fill is too short (under 3 mm)",
        ),
        "puff_area_mm2": _puff_area(facts),
        "gross_extrusion": _value(
            "gross_extrusion",
            None
            if not facts.fill_seen or not calibrated
            else facts.puff is not None and facts.puff.gross,
            p_true=_p_gross(facts),
            why=NO_FILL if not facts.fill_seen else NO_SCALE,
        ),
        "post_gap_mm": _length("post_gap_mm", facts.post_gap, "no post end is marked", calibrated),
        "apical_fill_under_post_mm": _length(
            "apical_fill_under_post_mm", facts.under_post, "no post end is marked", calibrated
        ),
    }
    for name, count in counted.items():
        found[name] = _value(name, count if facts.density_seen else None, why=why_density)
    return found


def _to_apex(facts: FilmFacts) -> MeasureValue:
    name = "fill_to_apex_core_mm"
    base = _length(name, facts.to_apex, _apex_reason(facts), facts.calibrated)
    if base.value is None or not facts.gap_places:
        return base
    rng = np.random.default_rng([facts.settings.seed, 1])
    draws = _gap_draws(facts) * rng.normal(1.0, facts.scale_u_rel, DRAWS)
    return _value(
        name,
        base.value,
        u=base.u,
        draws=tuple(draws.tolist()),
        scale_source=base.scale_source,
    )


def _gap_draws(facts: FilmFacts) -> NDArray[np.float64]:
    """Seeded draws of the distance from the core's end to the apex, plane units."""
    rng = np.random.default_rng(facts.settings.seed)
    places = rng.choice(np.asarray(facts.gap_places), DRAWS)
    return places + rng.normal(0.0, facts.settings.click_sd_mm, DRAWS)


def _ratio(name: str, length: Length | None, facts: FilmFacts, why: str) -> MeasureValue:
    """A length over the canal's length; the scale cancels."""
    whole = facts.canal_length
    if length is None or whole.value_px <= 0.0:
        return _value(name, None, why=why)
    ratio = length.value_px / whole.value_px
    u = float(np.hypot(length.u_px, ratio * whole.u_px)) / whole.value_px
    return _value(name, ratio, u=u)


def _beyond(facts: FilmFacts, why: str) -> MeasureValue:
    """Needs no scale: the sign of the distance is enough."""
    if not facts.gap_places:
        return _value("core_beyond_apex", None, why=why)
    assert facts.to_apex is not None
    beyond = bool(facts.to_apex.value_px < 0.0)
    return _value("core_beyond_apex", beyond, p_true=float((_gap_draws(facts) < 0.0).mean()))


def _level(facts: FilmFacts) -> str:
    """How far the fill reaches at all; 'chamber-only' needs a marked orifice."""
    if not facts.fill_seen:
        return "none"
    return "chamber-only" if facts.ends_in_chamber else "canal"


def _p_gross(facts: FilmFacts) -> float | None:
    """Probability that the extrusion passes either limit of a gross one."""
    if not facts.fill_seen or not facts.calibrated:
        return None
    if facts.puff is None:
        return 0.0
    from scipy import special

    from rxmeasure.filling.extrusion import GROSS_AREA_MM2, GROSS_REACH_MM

    reach, area = facts.puff.reach, facts.puff.area
    by_reach = (reach.mm() - GROSS_REACH_MM) / max(reach.u_mm or 0.0, 1e-6)
    by_area = ((area.value_mm2 or 0.0) - GROSS_AREA_MM2) / max(area.u_mm2 or 0.0, 1e-6)
    return float(special.ndtr(max(by_reach, by_area)))


def _void_area(facts: FilmFacts, why: str) -> MeasureValue:
    if not facts.density_seen:
        return _value("void_area_mm2", None, why=why)
    if not facts.calibrated:
        return _value("void_area_mm2", None, why=NO_SCALE)
    areas = [g.area for g in facts.gaps]
    return _value(
        "void_area_mm2",
        float(sum(a.value_mm2 or 0.0 for a in areas)),
        u=float(np.sqrt(sum((a.u_mm2 or 0.0) ** 2 for a in areas))),
        scale_source=facts.scale_source,
    )


def _largest(facts: FilmFacts, why: str) -> MeasureValue:
    if not facts.density_seen:
        return _value("largest_void_mm", None, why=why)
    if not facts.calibrated:
        return _value("largest_void_mm", None, why=NO_SCALE)
    if not facts.gaps:
        return _value("largest_void_mm", 0.0, u=0.0, scale_source=facts.scale_source)
    largest = max((m for g in facts.gaps for m in (g.length, g.width)), key=lambda m: m.value_px)
    return _value(
        "largest_void_mm", largest.value_mm, u=largest.u_mm, scale_source=largest.scale_source
    )


def _puff_area(facts: FilmFacts) -> MeasureValue:
    if not facts.fill_seen:
        return _value("puff_area_mm2", None, why=NO_FILL)
    if not facts.calibrated:
        return _value("puff_area_mm2", None, why=NO_SCALE)
    if facts.puff is None:
        return _value("puff_area_mm2", 0.0, scale_source=facts.scale_source)
    area = facts.puff.area
    return _value("puff_area_mm2", area.value_mm2, u=area.u_mm2, scale_source=area.scale_source)


def _instrument(facts: FilmFacts) -> dict[str, MeasureValue]:
    why = _apex_reason(facts)
    working = facts.working_length
    instrument = facts.film_kind in (FilmKind.WORKING_LENGTH, FilmKind.MASTER_CONE)
    known = facts.canal.stop_to_tip_mm
    trial = facts.canal_length.value_mm
    return {
        "tip_to_apex_mm": _length("tip_to_apex_mm", facts.to_apex, why, facts.calibrated),
        "corrected_working_length_mm": _length(
            "corrected_working_length_mm",
            working if instrument and known is not None else None,
            "the stop-to-tip length of the file or cone is not stated"
            if known is None
            else (NO_SCALE if not facts.calibrated else why),
            facts.calibrated,
        ),
        "trial_working_length_mm": _value(
            "trial_working_length_mm",
            None if trial is None else trial - facts.settings.safety_mm,
            u=facts.canal_length.u_mm,
            why=NO_SCALE,
            scale_source=facts.canal_length.scale_source,
        ),
    }
