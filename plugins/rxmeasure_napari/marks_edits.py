"""Edits of the marks: each takes marks and returns new ones. No Qt, no napari.

Points are (row, col) in pixels. A canal or reference may be unfinished (no or
one click): the measuring leaves it out until it is whole.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from rxmeasure.criteria.criterion import default_rule_set_ids
from rxmeasure.errors import MarksError
from rxmeasure.geometry import foot_on_polyline
from rxmeasure.marks import (
    CanalMarks,
    FilmKind,
    Landmark,
    LandmarkState,
    LengthReference,
    MarksOrigin,
    Override,
    PointPx,
    ReviewMarks,
)
from rxmeasure.tooth import usual_canals

if TYPE_CHECKING:
    from rxmeasure.calibration.file_finding import FoundFile
    from rxmeasure.proposals import CanalProposal

#: Landmarks of a canal that the pointer can place, with their words.
LANDMARKS: dict[str, str] = {
    "coronal_reference": "coronal reference",
    "orifice": "orifice",
    "radiographic_apex": "radiographic apex",
    "core_end": "end of the core",
    "sealer_end": "end of the sealer",
    "post_end": "end of the post",
}


def canal_of(marks: ReviewMarks, name: str | None) -> CanalMarks | None:
    """The canal of that name, or None."""
    return next((c for c in marks.canals if c.name == name), None)


def new_canal_name(marks: ReviewMarks) -> str:
    """A name that is free: the next usual canal of the tooth, else a number."""
    taken = {c.name for c in marks.canals}
    usual = usual_canals(marks.tooth)
    names = usual.names if usual is not None else ("single",)
    for name in (*names, *(f"canal {k}" for k in range(2, 99))):
        if name not in taken:
            return name
    raise MarksError(
        found=f"{len(taken)} canals.",
        needed="a free name for one more.",
        next_step="Take a canal out first.",
    )


def add_canal(marks: ReviewMarks, name: str) -> ReviewMarks:
    """With one more canal, without clicks yet."""
    if canal_of(marks, name) is not None:
        raise MarksError(
            found=f"a canal already named '{name}'.",
            needed="a name of its own for every canal.",
            next_step="Choose another name, for example MB1 and MB2.",
        )
    return replace(marks, canals=(*marks.canals, CanalMarks(name=name, clicks_px=())))


def remove_canal(marks: ReviewMarks, name: str) -> ReviewMarks:
    """Without that canal and the overrides on it."""
    return replace(
        marks,
        canals=tuple(c for c in marks.canals if c.name != name),
        overrides=tuple(o for o in marks.overrides if o.canal != name),
    )


def rename_canal(marks: ReviewMarks, old: str, new: str) -> ReviewMarks:
    """With another name for a canal; its overrides go with it."""
    new = new.strip()
    if not new:
        raise MarksError(
            found="an empty canal name.",
            needed="a name, for example MB, D, P or single.",
            next_step="Type a name.",
        )
    if new != old and canal_of(marks, new) is not None:
        raise MarksError(
            found=f"another canal named '{new}'.",
            needed="a name of its own for every canal.",
            next_step="Choose another name, for example MB1 and MB2.",
        )
    return replace(
        marks,
        canals=tuple(replace(c, name=new) if c.name == old else c for c in marks.canals),
        overrides=tuple(replace(o, canal=new) if o.canal == old else o for o in marks.overrides),
    )


def change_canal(marks: ReviewMarks, name: str, **fields: Any) -> ReviewMarks:
    """With some fields of one canal changed; proposed points that are changed are edited ones."""
    return replace(
        marks,
        canals=tuple(_changed(c, fields) if c.name == name else c for c in marks.canals),
    )


def _changed(canal: CanalMarks, fields: dict[str, Any]) -> CanalMarks:
    changed = replace(canal, **fields)
    before = (canal.clicks_px, canal.radiographic_apex)
    proposed = canal.origin is not MarksOrigin.BY_HAND
    if proposed and before != (changed.clicks_px, changed.radiographic_apex):
        return replace(changed, origin=MarksOrigin.PROPOSAL_EDITED)
    return changed


def accept_proposal(marks: ReviewMarks, proposal: CanalProposal, number: int) -> ReviewMarks:
    """With a proposal as the last canal, under its number or the next that is free."""
    from rxmeasure.proposals import free_name, to_marks

    name = free_name(number, (canal.name for canal in marks.canals))
    return replace(marks, canals=(*marks.canals, to_marks(proposal, name)))


def confirm_canal(marks: ReviewMarks, name: str) -> ReviewMarks:
    """With a person standing behind the proposed points of a canal."""
    return change_canal(marks, name, origin=MarksOrigin.PROPOSAL_ACCEPTED)


def add_click(marks: ReviewMarks, name: str, point_px: PointPx) -> ReviewMarks:
    """With one more click at the apical end of a canal."""
    return _with_clicks(marks, name, (*_canal(marks, name).clicks_px, point_px))


def _with_clicks(marks: ReviewMarks, name: str, clicks_px: tuple[PointPx, ...]) -> ReviewMarks:
    """With other clicks; a reference or apex marked at the first or last one goes with it."""
    canal = _canal(marks, name)
    fields: dict[str, Any] = {"clicks_px": clicks_px}
    for landmark, end in (("coronal_reference", 0), ("radiographic_apex", -1)):
        marked: Landmark = getattr(canal, landmark)
        if canal.clicks_px and marked.point_px == canal.clicks_px[end]:
            fields[landmark] = replace(marked, point_px=clicks_px[end]) if clicks_px else Landmark()
    return change_canal(marks, name, **fields)


def insert_click(
    marks: ReviewMarks, name: str, point_px: PointPx, line_px: tuple[PointPx, ...] = ()
) -> ReviewMarks:
    """With a click more between those of a canal, in the order along ``line_px``.

    ``line_px`` is the traced line; without one the order is along the clicks.
    """
    clicks = _canal(marks, name).clicks_px
    line = np.asarray(line_px if len(line_px) > 1 else clicks, dtype=np.float64)
    feet = [foot_on_polyline(line, np.asarray(p))[0] for p in clicks]
    place = int(np.searchsorted(feet, foot_on_polyline(line, np.asarray(point_px))[0]))
    place = min(max(place, 1), len(clicks) - 1)
    return change_canal(marks, name, clicks_px=(*clicks[:place], point_px, *clicks[place:]))


def move_click(marks: ReviewMarks, name: str, index: int, point_px: PointPx) -> ReviewMarks:
    """With one click moved."""
    clicks = list(_canal(marks, name).clicks_px)
    clicks[index] = point_px
    return _with_clicks(marks, name, tuple(clicks))


def remove_click(marks: ReviewMarks, name: str, index: int) -> ReviewMarks:
    """Without one click of a canal."""
    clicks = _canal(marks, name).clicks_px
    return _with_clicks(marks, name, (*clicks[:index], *clicks[index + 1 :]))


def set_landmark(
    marks: ReviewMarks,
    name: str,
    landmark: str,
    point_px: PointPx | None,
    *,
    state: LandmarkState | None = None,
    label: str | None = None,
) -> ReviewMarks:
    """With a landmark of a canal placed, or the reason why it has no place."""
    old: Landmark = getattr(_canal(marks, name), landmark)
    if state is None:
        state = LandmarkState.MARKED if point_px is not None else LandmarkState.NOT_GIVEN
    new = Landmark(point_px=point_px, state=state, label=old.label if label is None else label)
    return change_canal(marks, name, **{landmark: new})


def add_reference(marks: ReviewMarks, kind: str, length_mm: float = 0.0) -> ReviewMarks:
    """With one more object of known length (``"file"`` or ``"line"``), without points yet."""
    reference = LengthReference(kind=kind, points_px=(), length_mm=length_mm)
    return replace(marks, references=(*marks.references, reference))


def remove_reference(marks: ReviewMarks, index: int) -> ReviewMarks:
    """Without that object of known length."""
    return replace(marks, references=tuple(r for k, r in enumerate(marks.references) if k != index))


def change_reference(marks: ReviewMarks, index: int, **fields: Any) -> ReviewMarks:
    """With some fields of one reference changed."""
    return replace(
        marks,
        references=tuple(
            replace(r, **fields) if k == index else r for k, r in enumerate(marks.references)
        ),
    )


def add_reference_point(marks: ReviewMarks, index: int, point_px: PointPx) -> ReviewMarks:
    """With one more click at the tip's end of a reference."""
    points = marks.references[index].points_px
    return change_reference(marks, index, points_px=(*points, point_px), ends_u_px=None)


def move_reference_point(
    marks: ReviewMarks, index: int, place: int, point_px: PointPx
) -> ReviewMarks:
    """With one click of a reference moved."""
    points = list(marks.references[index].points_px)
    points[place] = point_px
    return change_reference(marks, index, points_px=tuple(points), ends_u_px=None)


def remove_reference_point(marks: ReviewMarks, index: int, place: int) -> ReviewMarks:
    """Without one click of a reference."""
    points = marks.references[index].points_px
    kept = (*points[:place], *points[place + 1 :])
    return change_reference(marks, index, points_px=kept, ends_u_px=None)


def accept_file(
    marks: ReviewMarks, found: FoundFile, length_mm: float, moved: dict[int, PointPx] | None = None
) -> ReviewMarks:
    """With a file that was found as one more known length; points ``moved`` are the reader's."""
    points = tuple((moved or {}).get(k, point) for k, point in enumerate(found.path_px))
    reference = LengthReference(
        kind="file",
        points_px=points,
        length_mm=length_mm,
        ends_u_px=None if moved else (found.u_stop_px, found.u_tip_px),
    )
    return replace(marks, references=(*marks.references, reference))


def add_override(marks: ReviewMarks, override: Override) -> ReviewMarks:
    """With a verdict changed by the reader; it takes the place of an earlier one."""
    kept = tuple(
        o for o in marks.overrides if (o.canal, o.rule_id) != (override.canal, override.rule_id)
    )
    return replace(marks, overrides=(*kept, override))


def remove_override(marks: ReviewMarks, override: Override) -> ReviewMarks:
    """Without that override."""
    return replace(marks, overrides=tuple(o for o in marks.overrides if o != override))


def with_rule_sets(
    marks: ReviewMarks, rule_set_ids: tuple[str, ...], *, own: Iterable[str] = ()
) -> ReviewMarks:
    """Judged by these criteria (none: the default set) and by ``own``.

    Overrides of others are taken out.
    """
    kept = {*(rule_set_ids or default_rule_set_ids(marks.film_kind)), *own}
    others = {_rule_set_of(o) for o in marks.overrides} - kept
    return without_overrides_of(replace(marks, rule_set_ids=rule_set_ids), others)


def without_overrides_of(marks: ReviewMarks, rule_set_ids: Collection[str]) -> ReviewMarks:
    """Without the verdicts that the reader changed on these criteria."""
    return replace(
        marks,
        overrides=tuple(
            o for o in marks.overrides if not o.canal or _rule_set_of(o) not in rule_set_ids
        ),
    )


def _rule_set_of(override: Override) -> str:
    return override.rule_id.partition("/")[0]


def with_film_kind(marks: ReviewMarks, film_kind: FilmKind) -> ReviewMarks:
    """As another kind of film, judged by the criteria of that kind."""
    return with_rule_sets(replace(marks, film_kind=film_kind), ())


def _canal(marks: ReviewMarks, name: str) -> CanalMarks:
    canal = canal_of(marks, name)
    if canal is None:
        raise MarksError(
            found=f"no canal named '{name}'.",
            needed="one of the canals of this film.",
            next_step="Choose a canal in the list.",
        )
    return canal
