"""From options and annotation files to :class:`~rxmeasure.marks.ReviewMarks`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rxmeasure.marks import (
    CanalMarks,
    FilmKind,
    Landmark,
    LandmarkState,
    LengthReference,
    NominalShape,
    ReviewMarks,
)
from rxmeasure.record.sidecar import sidecar_of

if TYPE_CHECKING:
    from rxmeasure.radiograph import Radiograph

_LANDMARK_OPTIONS = {
    "coronal_reference": "coronal_reference",
    "orifice": "orifice",
    "core_end": "core_end",
    "sealer_end": "sealer_end",
    "post_end": "post_end",
}
_CANAL_NUMBERS = {
    "stop_to_tip": "stop_to_tip_mm",
    "locator": "locator_reading_mm",
    "downpack_depth": "downpack_depth_mm",
}
_CASE_OPTIONS = {
    "tooth": "tooth",
    "case": "patient_pseudonym",
    "visit": "visit",
    "reader": "reader",
}
#: Options that state something of one canal.
_ONE_CANAL_OPTIONS = (*_LANDMARK_OPTIONS, *_CANAL_NUMBERS, "apex", "apex_state", "size", "taper")


def marks_file_for(image: Path, options: Mapping[str, Any]) -> Path | None:
    """Annotation file to read: the one given, else, without clicks, the one beside the image."""
    given = options.get("marks_file")
    if given is not None:
        return Path(given)
    if options.get("clicks") or options.get("canals"):
        return None
    return sidecar_of(image)


def film_with_marks(image: Path, *, invert: bool) -> tuple[Radiograph, ReviewMarks]:
    """A film of a recall with the marks beside it, or with none."""
    from rxmeasure.reading import read_radiograph

    radiograph = read_radiograph(image, invert=invert)
    if marks_file_for(image, {}) is None:
        return radiograph, ReviewMarks(film_kind=FilmKind.RECALL)
    return radiograph, marks_for(image, {})


def marks_for(image: Path, options: Mapping[str, Any], *, kind_needed: bool = True) -> ReviewMarks:
    """Marks from the annotation file, if any, with the options laid over it.

    Parameters
    ----------
    image : Path
    options : mapping
        Values of the options by name.
    kind_needed : bool
        Whether the film kind must be told; else a post-operative film is assumed.

    Raises
    ------
    RxMeasureError
        The annotation file is wrong.
    click.UsageError
        Options that do not go together.
    """
    path = marks_file_for(image, options)
    if path is not None:
        from rxmeasure.record.review_file import read_marks

        marks = read_marks(path)
    elif options.get("kind") or not kind_needed:
        marks = ReviewMarks(film_kind=FilmKind.POSTOPERATIVE)
    else:
        raise click.UsageError("Give --kind, or --marks with an annotation file.")
    return _with_options(marks, options)


def _with_options(marks: ReviewMarks, options: Mapping[str, Any]) -> ReviewMarks:
    changes: dict[str, Any] = {
        field: options[name] for name, field in _CASE_OPTIONS.items() if options.get(name)
    }
    if options.get("kind"):
        changes["film_kind"] = FilmKind(options["kind"])
    if options.get("no_detector_spacing"):
        changes["use_detector_spacing"] = False
    if options.get("safety") is not None:
        changes["settings"] = replace(marks.settings, safety_mm=options["safety"])
    if options.get("rule_ids"):
        changes["rule_set_ids"] = tuple(options["rule_ids"])
    references = _references(options)
    if references:
        changes["references"] = references
    canals = _canals(marks.canals, options)
    if canals != marks.canals:
        changes["canals"] = canals
    if options.get("overrides"):
        changes["overrides"] = (*marks.overrides, *_overrides(options["overrides"]))
    return replace(marks, **changes)


def _overrides(given: tuple[tuple[str, str, str, str], ...]) -> list[Any]:
    from rxmeasure.marks import Override

    return [
        Override(canal=canal, rule_id=rule_id, verdict=verdict, reason=reason)
        for canal, rule_id, verdict, reason in given
    ]


def _references(options: Mapping[str, Any]) -> tuple[LengthReference, ...]:
    found = []
    for kind in ("file", "line"):
        length, points = options.get(f"{kind}_length"), options.get(f"{kind}_clicks") or ()
        if length is None and not points:
            continue
        if length is None or not points:
            raise click.UsageError(f"--{kind}-length and --{kind}-click go together.")
        u = options.get("length_u")
        found.append(
            LengthReference(
                kind=kind,
                points_px=tuple(points),
                length_mm=length,
                tip_size=options.get("file_size") if kind == "file" else None,
                **({} if u is None else {"length_u_mm": u}),
            )
        )
    if not found and options.get("length_u") is not None:
        raise click.UsageError("--length-u needs a known length: --file-length or --line-length.")
    return tuple(found)


def _canals(marked: tuple[CanalMarks, ...], options: Mapping[str, Any]) -> tuple[CanalMarks, ...]:
    clicks, several = options.get("clicks") or (), options.get("canals") or ()
    if clicks and several:
        raise click.UsageError("Give --click for one canal, or --canal for each of several.")
    name = options.get("canal_name")
    if clicks:
        canals: tuple[CanalMarks, ...] = (
            CanalMarks(name=name or "single", clicks_px=tuple(clicks)),
        )
    elif several:
        canals = tuple(CanalMarks(name=n, clicks_px=points) for n, points in several)
    else:
        canals = marked
    given = [n for n in _ONE_CANAL_OPTIONS if options.get(n) is not None]
    if not given:
        return canals
    if len(canals) != 1:
        option = "--" + given[0].replace("_", "-")
        raise click.UsageError(
            f"{option} speaks of one canal, but {len(canals)} are marked. "
            "Write it in an annotation file."
        )
    return (_one_canal(canals[0], options),)


def _one_canal(canal: CanalMarks, options: Mapping[str, Any]) -> CanalMarks:
    changes: dict[str, Any] = {
        field: Landmark(point_px=options[name], state=LandmarkState.MARKED)
        for name, field in _LANDMARK_OPTIONS.items()
        if options.get(name) is not None
    }
    if options.get("apex") is not None or options.get("apex_state"):
        state = options.get("apex_state")
        changes["radiographic_apex"] = Landmark(
            point_px=options.get("apex"),
            state=LandmarkState(state) if state else LandmarkState.MARKED,
        )
    changes.update(
        {
            field: options[name]
            for name, field in _CANAL_NUMBERS.items()
            if options.get(name) is not None
        }
    )
    size, taper = options.get("size"), options.get("taper")
    if (size is None) != (taper is None):
        raise click.UsageError("--size and --taper go together.")
    if size is not None and taper is not None:
        changes["nominal"] = NominalShape(size=size, taper=taper)
    return replace(canal, **changes)
