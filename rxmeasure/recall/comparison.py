"""What changed between two visits: lesions and fills."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from rxmeasure.filling.results import CanalMeasurement, DensityGap
from rxmeasure.recall.change import Z_95, Change, ChangeVerdict, change_between, ratio_change
from rxmeasure.recall.lesion import Lesion, LesionSource
from rxmeasure.recall.size import LesionSize
from rxmeasure.values import Length

#: Two voids this close along the fill are the same one (mm, choice).
SAME_VOID_MM = 0.6
#: A least significant change of a fill's end or length beyond this tells nothing that matters:
#: half of the 2 mm that criteria of length allow (mm, choice).
MOST_LEAST_MM = 1.0
#: Correlation of the edge's error at two visits, both found from a click: they share part of the
#: bone's texture (read off development phantoms with texture correlated 0.5 to 0.8). Outlines
#: drawn by hand count as independent.
SHARED_ERROR = 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class PixelRatio:
    """Size of the later film's pixels in those of the earlier film, from their alignment."""

    before: int
    after: int
    value: float
    u_rel: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LesionChange:
    """What became of the lesion at one root between two visits.

    ``changes`` are of area, largest, perpendicular and equivalent diameter, from the two outlines;
    ``by_difference`` is of the area from the two films together, where they could be
    aligned. These decide then, but a change that only the outlines show cannot be
    told. ``before`` and ``after`` are visits, counted from 1.
    """

    root: str
    before: int
    after: int
    verdict: ChangeVerdict
    reason: str
    changes: tuple[Change, ...] = ()
    by_difference: Change | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FillChange:
    """What became of one quantity of a fill between two visits.

    ``difference`` is after less before in ``unit``; None where it cannot be told.
    ``changed``: beyond the least significant change; None where that cannot be told.
    """

    canal: str
    quantity: str
    before: int
    after: int
    unit: str
    difference: float | None
    least_significant: float | None
    changed: bool | None
    text: str


_Numbered = tuple[int, Sequence[Lesion]]
_CHANGED = (ChangeVerdict.REDUCED, ChangeVerdict.ENLARGED)


def lesion_changes(
    before: _Numbered,
    after: _Numbered,
    *,
    pixel_ratios: Sequence[PixelRatio] = (),
    by_difference: Mapping[str, Change] | None = None,
    repeat_sd_area_mm2: float | None = None,
) -> tuple[LesionChange, ...]:
    """Compare the lesions of two visits, root by root.

    Parameters
    ----------
    before, after : tuple of (int, sequence of Lesion)
        Number and lesions of each visit.
    pixel_ratios : sequence of PixelRatio
        For films without a scale.
    by_difference : mapping of str to Change, optional
        Root to the change that the films show together: see `change_on_films`.
    repeat_sd_area_mm2 : float, optional
        The reader's own standard deviation of repeats.
    """
    first = {lesion.root: lesion for lesion in before[1]}
    second = {lesion.root: lesion for lesion in after[1]}
    ratio = next((r for r in pixel_ratios if (r.before, r.after) == (before[0], after[0])), None)
    found = []
    for root in dict.fromkeys([*first, *second]):
        verdict, reason, changes = _compared(
            first.get(root), second.get(root), ratio, repeat_sd_area_mm2
        )
        seen = (by_difference or {}).get(root) if changes else None
        if seen is not None:
            verdict, reason = _with_difference(verdict, reason, seen)
        found.append(
            LesionChange(
                root=root,
                before=before[0],
                after=after[0],
                verdict=verdict,
                reason=reason,
                changes=changes,
                by_difference=seen,
            )
        )
    return tuple(found)


def _with_difference(
    verdict: ChangeVerdict, reason: str, seen: Change
) -> tuple[ChangeVerdict, str]:
    """Verdict of the outlines' areas and of the films seen together.

    A change of the outlines stands where the difference shows at least half of a least significant
    change to the same side (choice).
    """
    if verdict not in _CHANGED:
        return seen.verdict, seen.reason
    shrunk = verdict is ChangeVerdict.REDUCED
    if (seen.difference < 0.0) is shrunk and 2.0 * abs(seen.difference) > seen.least_significant:
        return verdict, reason
    return ChangeVerdict.CANNOT_BE_TOLD, (
        "The two outlines show a change that the two films together do not show: look at the edge "
        "in both films."
    )


def fill_changes(
    before: tuple[int, Sequence[CanalMeasurement]], after: tuple[int, Sequence[CanalMeasurement]]
) -> tuple[FillChange, ...]:
    """Compare the fills of two visits, canal by canal: end, length, voids, puff."""
    second = {canal.name: canal for canal in after[1]}
    found: list[FillChange] = []
    for canal in before[1]:
        other = second.get(canal.name)
        if other is None:
            continue
        pair = (canal.name, before[0], after[0])
        found += _length_change(
            pair, "fill end to apex", canal.fill_to_apex_core, other.fill_to_apex_core
        )
        found += _length_change(pair, "fill length", canal.fill_length, other.fill_length)
        found += _void_change(pair, canal, other)
        found += _puff_change(pair, canal, other)
    return tuple(found)


def _compared(
    before: Lesion | None,
    after: Lesion | None,
    ratio: PixelRatio | None,
    repeat_sd_area_mm2: float | None,
) -> tuple[ChangeVerdict, str, tuple[Change, ...]]:
    if before is None or after is None:
        return ChangeVerdict.CANNOT_BE_TOLD, "Only one of the two visits has a finding here.", ()
    seen = (_seen(before), _seen(after))
    if seen == (False, False):
        return ChangeVerdict.NONE_VISIBLE, "No lesion visible at either visit.", ()
    if not seen[0]:
        return ChangeVerdict.NEW, "No lesion was visible before.", ()
    if not seen[1]:
        return (
            ChangeVerdict.NOT_VISIBLE,
            "No lesion is visible any more; a film misses lesions that a volume image shows.",
            (),
        )
    for lesion in (before, after):
        if lesion.size is None:
            return ChangeVerdict.CANNOT_BE_TOLD, lesion.declined, ()
    assert before.size is not None
    assert after.size is not None
    found = all(lesion.source is LesionSource.CLICK for lesion in (before, after))
    shared = SHARED_ERROR if found else 0.0
    return _sizes_compared(before.size, after.size, ratio, repeat_sd_area_mm2, shared)


def _seen(lesion: Lesion) -> bool:
    return lesion.source is not LesionSource.NONE_VISIBLE


def _sizes_compared(
    before: LesionSize,
    after: LesionSize,
    ratio: PixelRatio | None,
    repeat_sd_area_mm2: float | None,
    shared: float,
) -> tuple[ChangeVerdict, str, tuple[Change, ...]]:
    if before.area.value_mm2 is not None and after.area.value_mm2 is not None:
        changes = _in_millimetres(before, after, repeat_sd_area_mm2, shared)
    elif ratio is not None:
        changes = _as_ratios(before, after, ratio, shared)
    else:
        return (
            ChangeVerdict.CANNOT_BE_TOLD,
            "A film has no scale, and the two films are not aligned: their pixels cannot be "
            "compared.",
            (),
        )
    return changes[0].verdict, changes[0].reason, changes


@dataclass(frozen=True, slots=True, kw_only=True)
class _Quantity:
    """One size with the power of the scale in it."""

    name: str
    power: int
    px: float
    u_px: float
    mm: float | None
    u_mm: float | None


def _quantities(size: LesionSize) -> tuple[_Quantity, ...]:
    area = size.area
    lengths = {
        "largest diameter": size.largest_diameter,
        "perpendicular diameter": size.perpendicular_diameter,
        "equivalent diameter": size.equivalent_diameter,
    }
    return (
        _Quantity(
            name="area",
            power=2,
            px=area.value_px2,
            u_px=area.u_px2,
            mm=area.value_mm2,
            u_mm=area.u_mm2,
        ),
        *(
            _Quantity(
                name=name,
                power=1,
                px=length.value_px,
                u_px=length.u_px,
                mm=length.value_mm,
                u_mm=length.u_mm,
            )
            for name, length in lengths.items()
        ),
    )


def _in_millimetres(
    before: LesionSize, after: LesionSize, repeat_sd_area_mm2: float | None, shared: float
) -> tuple[Change, ...]:
    changes = []
    for first, second in zip(_quantities(before), _quantities(after), strict=True):
        a, b = _known(first.mm, first.u_mm), _known(second.mm, second.u_mm)
        edges = [q.u_px / q.px * value for q, value in ((first, a[0]), (second, b[0]))]
        area = first.power == 2
        changes.append(
            change_between(
                a,
                b,
                quantity=first.name,
                unit="mm2" if area else "mm",
                repeat_sd=repeat_sd_area_mm2 if area else None,
                covariance=shared * edges[0] * edges[1],
            )
        )
    return tuple(changes)


def _as_ratios(
    before: LesionSize, after: LesionSize, ratio: PixelRatio, shared: float
) -> tuple[Change, ...]:
    changes = []
    for first, second in zip(_quantities(before), _quantities(after), strict=True):
        value = second.px / first.px * ratio.value**first.power
        edges = (first.u_px / first.px, second.u_px / second.px)
        variance = edges[0] ** 2 + edges[1] ** 2 - 2.0 * shared * edges[0] * edges[1]
        variance += (first.power * ratio.u_rel) ** 2
        changes.append(ratio_change(value, value * float(np.sqrt(variance)), quantity=first.name))
    return tuple(changes)


def _known(value: float | None, u: float | None) -> tuple[float, float]:
    assert value is not None
    assert u is not None
    return value, u


_Pair = tuple[str, int, int]


def _change(
    pair: _Pair,
    quantity: str,
    unit: str,
    text: str,
    *,
    difference: float | None = None,
    least: float | None = None,
    changed: bool | None = None,
) -> FillChange:
    canal, before, after = pair
    return FillChange(
        canal=canal,
        quantity=quantity,
        before=before,
        after=after,
        unit=unit,
        difference=difference,
        least_significant=least,
        changed=changed,
        text=text,
    )


def _length_change(
    pair: _Pair, quantity: str, before: Length | None, after: Length | None
) -> list[FillChange]:
    if before is None or after is None:
        return []
    values = (before.value_mm, before.u_mm, after.value_mm, after.u_mm)
    if None in values:
        return [_change(pair, quantity, "mm", "A film has no scale.")]
    difference = after.mm() - before.mm()
    least = Z_95 * float(np.hypot(before.u_mm or 0.0, after.u_mm or 0.0))
    changed: bool | None = abs(difference) > least
    text = "Changed by more than the least significant change."
    if not changed:
        text = "Changed by no more than the least significant change."
        if least > MOST_LEAST_MM:
            changed = None
            text = f"Less than {least:.1f} mm would not show: whether it moved cannot be told."
    return [
        _change(
            pair,
            quantity,
            "mm",
            text,
            difference=difference,
            least=least,
            changed=changed,
        )
    ]


def _void_change(
    pair: _Pair, before: CanalMeasurement, after: CanalMeasurement
) -> list[FillChange]:
    if before.homogeneous is None or after.homogeneous is None:
        return []
    floor = before.smallest_visible_void
    unscaled = None in [gap.to_end_mm for gap in (*before.gaps, *after.gaps)]
    if after.gaps and (unscaled or (floor is not None and floor.value_mm is None)):
        return [_change(pair, "new voids", "1", "A film has no scale.")]
    new = [
        gap
        for gap in after.gaps
        if not any(_same(gap, old) for old in before.gaps) and _could_show(gap, floor)
    ]
    count = len(new)
    text = (
        "No void that was not visible before."
        if not count
        else f"{count} not visible before, though large enough to show; another angle shows "
        "other voids too."
    )
    return [_change(pair, "new voids", "1", text, difference=float(count), changed=count > 0)]


def _same(one: DensityGap, other: DensityGap) -> bool:
    if one.to_end_mm is None or other.to_end_mm is None:
        return False
    return abs(one.to_end_mm - other.to_end_mm) <= SAME_VOID_MM


def _could_show(gap: DensityGap, floor: Length | None) -> bool:
    extent = gap.length.value_mm
    return (
        floor is not None
        and floor.value_mm is not None
        and extent is not None
        and (extent >= floor.value_mm)
    )


def _puff_change(
    pair: _Pair, before: CanalMeasurement, after: CanalMeasurement
) -> list[FillChange]:
    if before.puff is None:
        return []
    if after.puff is None:
        return [
            _change(pair, "puff", "mm2", "No longer visible: resorbed or hidden.", changed=True)
        ]
    areas = (before.puff.area, after.puff.area)
    if any(area.value_mm2 is None for area in areas):
        return [_change(pair, "puff", "mm2", "A film has no scale.")]
    first, second = (_known(area.value_mm2, area.u_mm2) for area in areas)
    found = change_between(first, second, quantity="puff", unit="mm2")
    return [
        _change(
            pair,
            "puff",
            "mm2",
            found.reason,
            difference=found.difference,
            least=found.least_significant,
            changed=None
            if found.verdict is ChangeVerdict.CANNOT_BE_TOLD
            else found.verdict is not ChangeVerdict.UNCHANGED,
        )
    ]
