"""Stable names of the measures: the one table that measuring and criteria share.

A criterion may only speak of a name listed here; the unit is part of the name.
"""

from __future__ import annotations

from dataclasses import dataclass

from rxmeasure.marks import FilmKind

_FILL = (FilmKind.POSTOPERATIVE, FilmKind.RECALL)
_ALL = tuple(FilmKind)


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasureName:
    """Name, unit, meaning and the film kinds in which it is measured."""

    name: str
    unit: str
    meaning: str
    film_kinds: tuple[FilmKind, ...]


MEASURES: dict[str, MeasureName] = {
    m.name: m
    for m in (
        MeasureName(name=n, unit=u, meaning=t, film_kinds=k)
        for n, u, t, k in (
            (
                "canal_length_mm",
                "mm",
                "coronal reference to radiographic apex along the canal",
                _ALL,
            ),
            ("canal_length_straight_mm", "mm", "the same, straight", _ALL),
            (
                "fill_to_apex_core_mm",
                "mm",
                "apical end of the core to the radiographic apex along the canal; "
                "positive short, negative beyond",
                _FILL,
            ),
            (
                "fill_to_apex_core_straight_mm",
                "mm",
                "the same, straight (sign as along the canal)",
                _FILL,
            ),
            (
                "fill_to_apex_sealer_mm",
                "mm",
                "apical end of the sealer to the radiographic apex along the canal",
                _FILL,
            ),
            (
                "fill_to_apex_ratio",
                "1",
                "fill-to-apex distance over the canal's length: needs no scale",
                _FILL,
            ),
            (
                "fill_length_ratio",
                "1",
                "fill length over the canal's length: needs no scale",
                _FILL,
            ),
            ("fill_length_mm", "mm", "coronal to apical end of the fill along the canal", _FILL),
            (
                "fill_level",
                "code",
                "none / canal / chamber-only: how far the fill reaches at all",
                _FILL,
            ),
            ("core_beyond_apex", "bool", "core ends beyond the radiographic apex", _FILL),
            ("void_count", "1", "visible voids that reach the stated floor", _FILL),
            (
                "void_free",
                "bool",
                "no visible void in the fill or at the wall",
                _FILL,
            ),
            ("wall_void_count", "1", "visible voids along a wall", _FILL),
            ("joint_void_count", "1", "transverse voids at a joint", _FILL),
            ("void_area_mm2", "mm2", "summed area of the visible voids", _FILL),
            ("largest_void_mm", "mm", "largest extent of the largest visible void", _FILL),
            ("smallest_visible_void_mm", "mm", "smallest void this image could show", _FILL),
            ("taper_mm_per_mm", "mm/mm", "slope of width over length", _FILL),
            (
                "taper_even",
                "bool",
                "consistent taper from orifice to apex: no step, hourglass or stripped part",
                _FILL,
            ),
            ("puff_area_mm2", "mm2", "sealer beyond the canal (approximate)", _FILL),
            (
                "gross_extrusion",
                "bool",
                "extrusion that calls for prompt attention",
                _FILL,
            ),
            ("post_gap_mm", "mm", "empty stretch between post end and fill", _FILL),
            ("apical_fill_under_post_mm", "mm", "length of fill left under the post", _FILL),
            (
                "tip_to_apex_mm",
                "mm",
                "tip of file or cone to the radiographic apex along the canal; positive short",
                (FilmKind.WORKING_LENGTH, FilmKind.MASTER_CONE),
            ),
            (
                "corrected_working_length_mm",
                "mm",
                "stop-to-tip length plus the gap on the film minus the safety distance",
                (FilmKind.WORKING_LENGTH, FilmKind.MASTER_CONE),
            ),
            (
                "trial_working_length_mm",
                "mm",
                "film length of the canal minus the safety distance",
                (FilmKind.PREOPERATIVE, FilmKind.WORKING_LENGTH, FilmKind.MASTER_CONE),
            ),
            ("schneider_deg", "deg", "curvature, Schneider 1971", _ALL),
            (
                "coverage_beyond_apex_mm",
                "mm",
                "film beyond the apex: distance from apex to the nearest edge of the picture",
                _ALL,
            ),
        )
    )
}
