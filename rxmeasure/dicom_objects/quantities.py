"""The numbers of a review as the objects state them: concept, value, uncertainty, unit, place."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from rxmeasure.dicom_objects import codes
from rxmeasure.dicom_objects.coordinates import closed, stretch_of
from rxmeasure.filling.results import CanalMeasurement
from rxmeasure.geometry import FloatArray
from rxmeasure.marks import PointPx
from rxmeasure.recall.lesion import Lesion
from rxmeasure.report.content import length_without_scale
from rxmeasure.report.picture import gap_numbers
from rxmeasure.review import Review
from rxmeasure.values import Area, Length


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """One number: its concept, unit, standard uncertainty, and where its scale comes from."""

    name: str
    concept: Any
    value: float
    u: float | None
    unit: Any
    scale_source: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Region:
    """A closed patch: void, sealer beyond the canal, or lesion.

    ``name`` tells it from the others of this film, ``owner`` is its canal or root.
    """

    kind: str
    name: str
    owner: str
    outline_px: tuple[PointPx, ...]
    centre_px: PointPx
    quantities: tuple[Quantity, ...]


def canal_thing(canal: str) -> str:
    """What a canal is tracked as."""
    return f"canal {canal}"


def canal_quantities(canal: CanalMeasurement) -> tuple[Quantity, ...]:
    """Numbers of a canal; lengths that only lack a scale are given in pixels."""
    return tuple(_canal_quantities(canal))


def _canal_quantities(canal: CanalMeasurement) -> Iterator[Quantity]:
    for measure in canal.measures:
        value, pixels = measure.value, length_without_scale(measure, canal)
        if pixels is not None:
            yield Quantity(
                name=measure.name.removesuffix("_mm") + "_px",
                concept=codes.measure_code(measure.name, in_pixels=True),
                value=pixels.value_px,
                u=pixels.u_px,
                unit=codes.unit_code("px"),
            )
        elif isinstance(value, (int, float)) and not isinstance(value, bool):
            yield Quantity(
                name=measure.name,
                concept=codes.measure_code(measure.name),
                value=float(value),
                u=measure.u,
                unit=codes.unit_code(measure.unit),
                scale_source=measure.scale_source,
            )


def line_of(canal: CanalMeasurement, name: str) -> FloatArray | None:
    """The line (row, col) along which a measure was taken; None where it has none."""
    points = canal.centre_line.points_px
    core, sealer, apex = canal.core_end, canal.sealer_end or canal.fill_end, canal.apex_px
    measure = name.removesuffix("_mm").removesuffix("_px")
    if len(points) < 2 or apex is None:
        return None
    if measure == "canal_length":
        return stretch_of(points, points[0], apex)
    if measure in ("fill_to_apex_core", "tip_to_apex") and core is not None:
        return stretch_of(points, core.point_px, apex)
    if measure == "fill_to_apex_sealer" and sealer is not None:
        return stretch_of(points, sealer.point_px, apex)
    return None


def regions_of(review: Review, lesions: Sequence[Lesion] = ()) -> tuple[Region, ...]:
    """All patches with an outline: numbered voids, sealer beyond canals, lesions."""
    return (
        *_voids(review),
        *(
            Region(
                kind="puff",
                name=f"{canal.name} sealer beyond the canal",
                owner=canal.name,
                outline_px=canal.puff.outline_px,
                centre_px=canal.puff.centre_px,
                quantities=(_area(canal.puff.area),),
            )
            for canal in review.canals
            if canal.puff is not None and len(canal.puff.outline_px) > 2
        ),
        *(
            Region(
                kind="lesion",
                name=f"{lesion.root} periapical lesion",
                owner=lesion.root,
                outline_px=lesion.outline_px,
                centre_px=_middle(lesion.outline_px),
                quantities=_lesion_quantities(lesion),
            )
            for lesion in lesions
            if len(lesion.outline_px) > 2
        ),
    )


def _voids(review: Review) -> Iterator[Region]:
    numbers = gap_numbers(review)
    for canal in review.canals:
        for k, gap in enumerate(canal.gaps):
            if len(gap.outline_px) > 2:
                yield Region(
                    kind="void",
                    name=f"{canal.name} void {numbers[canal.name, k]}",
                    owner=canal.name,
                    outline_px=gap.outline_px,
                    centre_px=gap.centre_px,
                    quantities=(
                        _area(gap.area),
                        _length("length", codes.LENGTH, gap.length),
                        _length("width", codes.WIDTH, gap.width),
                        _ratio("confidence", "Confidence that it is a void", gap.confidence),
                        _ratio("contrast", "Share of the density that is missing", gap.contrast),
                    ),
                )


def _lesion_quantities(lesion: Lesion) -> tuple[Quantity, ...]:
    size = lesion.size
    if size is None:
        return ()
    largest = codes.own_code("largest_diameter", "Largest diameter")
    across = codes.own_code("perpendicular_diameter", "Largest diameter across the largest one")
    return (
        _area(size.area),
        _length("largest_diameter", largest, size.largest_diameter),
        _length("perpendicular_diameter", across, size.perpendicular_diameter),
    )


def _middle(outline_px: Sequence[PointPx]) -> PointPx:
    row, col = closed(outline_px)[:-1].mean(axis=0)
    return float(row), float(col)


def _area(area: Area) -> Quantity:
    scaled = area.value_mm2 is not None
    return Quantity(
        name="area",
        concept=codes.AREA,
        value=float(area.value_mm2 if area.value_mm2 is not None else area.value_px2),
        u=area.u_mm2 if scaled else area.u_px2,
        unit=codes.unit_code("mm2" if scaled else "px2"),
        scale_source=area.scale_source,
    )


def _length(name: str, concept: Any, length: Length) -> Quantity:
    scaled = length.value_mm is not None
    return Quantity(
        name=name,
        concept=concept,
        value=float(length.value_mm if length.value_mm is not None else length.value_px),
        u=length.u_mm if scaled else length.u_px,
        unit=codes.unit_code("mm" if scaled else "px"),
        scale_source=length.scale_source,
    )


def _ratio(name: str, meaning: str, value: float) -> Quantity:
    return Quantity(
        name=name,
        concept=codes.own_code(name, meaning),
        value=float(value),
        u=None,
        unit=codes.unit_code("1"),
    )
