"""Subtraction picture: a later film less an earlier one, after alignment and contrast match."""

from __future__ import annotations

import base64
import io
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rxmeasure.geometry import FloatArray
from rxmeasure.radiograph import Radiograph
from rxmeasure.recall.alignment import Alignment, AlignmentVerdict, RootCourse, align_films
from rxmeasure.recall.lesion import Lesion
from rxmeasure.recall.series import Visit
from rxmeasure.recall.unmarked_roots import proposed_roots

#: Colours of denser later, no difference, less dense later: ends of a blue and orange scale on
#: grey, which readers with the common colour-vision deficiencies can tell apart (choice).
DENSER, SAME, LESS_DENSE = (0, 90, 181), (232, 232, 232), (200, 80, 0)
#: Differences beyond this percentile of their size share the ends of the scale (choice).
_END_PERCENTILE = 98.0
_PICTURE_PX = 720


@dataclass(frozen=True, slots=True, kw_only=True)
class Subtraction:
    """An SVG, empty where the alignment was refused, and what to say beside it."""

    svg: str
    text: str


def subtract(
    before: tuple[Visit, Radiograph], after: tuple[Visit, Radiograph]
) -> tuple[Subtraction, Alignment]:
    """Align two visits and draw their difference on the grid of the earlier film.

    Where no canal of the earlier film is marked, the roots that the program proposes are used.

    Raises
    ------
    AlignmentError
        Films too small to compare.
    """
    (visit, first), (_, second) = before, after
    lesions = [lesion.outline_px for lesion in visit.lesions if lesion.outline_px]
    marked = [
        RootCourse(name=canal.name, line_px=canal.centre_line.points_px) for canal in visit.canals
    ]
    alignment = align_films(
        first.pixels,
        second.pixels,
        roots=marked or proposed_roots(first, visit.calibration),
        changed_px=lesions,
        mm_per_px=None if visit.calibration is None else visit.calibration.scale.mean,
    )
    if alignment.verdict is AlignmentVerdict.REFUSED or alignment.contrast is None:
        return Subtraction(svg="", text=f"No subtraction: {alignment.reason}"), alignment
    moved = alignment.warp(_without_rim(second), first.shape)
    difference = alignment.contrast.apply(moved) - _without_rim(first)
    outlines = [lesion for lesion in visit.lesions if lesion.size is not None]
    return Subtraction(
        svg=_svg(difference, first, outlines), text=alignment_text(alignment)
    ), alignment


def _without_rim(film: Radiograph) -> NDArray[np.float32]:
    """Grey levels, NaN where the film is plain black or white: its rim, or saturated."""
    margin = 1e-3 * (film.value_max - film.value_min)
    shows = (film.pixels > film.value_min + margin) & (film.pixels < film.value_max - margin)
    return np.where(shows, film.pixels, np.float32(np.nan))


def coloured(difference: FloatArray, end: float) -> NDArray[np.uint8]:
    """Blue where the later film is denser, orange where it is less dense; shape (rows, cols, 3)."""
    share = np.clip(np.nan_to_num(difference / end, nan=0.0), -1.0, 1.0)[..., None]
    towards = np.where(share > 0.0, np.array(DENSER), np.array(LESS_DENSE))
    colour = np.array(SAME) + np.abs(share) * (towards - np.array(SAME))
    colour[np.isnan(difference)] = 255.0
    return np.asarray(np.rint(colour), dtype=np.uint8)


def _svg(difference: FloatArray, film: Radiograph, lesions: list[Lesion]) -> str:
    from PIL import Image

    seen = np.abs(difference[np.isfinite(difference)])
    end = float(np.percentile(seen, _END_PERCENTILE)) if seen.size else 1.0
    rows, cols = film.shape
    factor = min(1.0, _PICTURE_PX / max(rows * film.pixel_aspect, cols))
    wide, high = round(cols * factor), round(rows * film.pixel_aspect * factor)
    buffer = io.BytesIO()
    picture = Image.fromarray(coloured(difference, max(end, 1e-9)))
    picture.resize((wide, high)).save(buffer, format="PNG")
    data = base64.b64encode(buffer.getvalue()).decode("ascii")
    outlines = "".join(
        '<polygon points="'
        + " ".join(
            f"{(c + 0.5) * wide / cols:.1f},{(r + 0.5) * high / rows:.1f}"
            for r, c in lesion.outline_px
        )
        + '" fill="none" stroke="#000000" stroke-width="2" stroke-dasharray="6 4"/>'
        for lesion in lesions
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {wide} {high}" '
        f'width="{wide}" height="{high}">'
        f'<image href="data:image/png;base64,{data}" width="{wide}" height="{high}"/>'
        f"{outlines}</svg>"
    )


def alignment_text(alignment: Alignment) -> str:
    """How the picture is read, and how well the films were aligned."""
    if alignment.residual_mm is None:
        error = f"{alignment.residual_px:.1f} px"
    else:
        error = f"{alignment.residual_mm:.2f} mm"
    place = "at the apex" if alignment.roots else "in the middle of the film"
    if any(root.proposed for root in alignment.roots):
        place += " (roots proposed by the program, not confirmed)"
    caution = f" {alignment.reason}" if alignment.reason else ""
    return (
        "Later film less earlier film: blue denser, orange less dense, grey the same; dashed the "
        f"earlier outline. Alignment {alignment.verdict}, standard error {place} {error}.{caution} "
        "Parts at other depths than the root do not cover each other."
    )
