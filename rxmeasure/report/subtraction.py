"""Subtraction picture: a later film less an earlier one, after alignment and contrast match."""

from __future__ import annotations

import base64
import io
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rxmeasure.radiograph import Radiograph
from rxmeasure.recall.lesion import Lesion
from rxmeasure.recall.pairs import PairAlignment, Registered, register
from rxmeasure.recall.series import Visit
from rxmeasure.recall.steps import Step
from rxmeasure.report.picture import eye_window

#: Colours of denser later, no difference, less dense later: ends of a blue and orange scale on
#: grey, which readers with the common colour-vision deficiencies can tell apart (choice).
DENSER, SAME, LESS_DENSE = (0, 90, 181), (232, 232, 232), (200, 80, 0)
_PICTURE_PX = 720


@dataclass(frozen=True, slots=True, kw_only=True)
class Subtraction:
    """An SVG, empty where the alignment was refused, and what to say beside it."""

    svg: str
    text: str


def subtract(visit: Visit, first: Radiograph, second: Radiograph, step: Step) -> Subtraction:
    """Draw the difference of two visits on the grid of the earlier film.

    ``visit`` and ``first`` are the earlier one, ``second`` is the film of the later one.
    """
    found = step.found
    if found is None or found.refused or found.contrast is None:
        return Subtraction(svg="", text=f"No subtraction: {step.reason}")
    seen = register(first, second, found.map, found.contrast)
    outlines = [lesion for lesion in visit.lesions if lesion.size is not None]
    return Subtraction(svg=_svg(seen, first, outlines), text=alignment_text(found))


def coloured(difference: ArrayLike, end: float) -> NDArray[np.uint8]:
    """Blue where the later film is denser, orange where it is less dense; shape (rows, cols, 3)."""
    grey = np.asarray(difference, dtype=np.float64)
    share = np.clip(np.nan_to_num(grey / end, nan=0.0), -1.0, 1.0)[..., None]
    towards = np.where(share > 0.0, np.array(DENSER), np.array(LESS_DENSE))
    colour = np.array(SAME) + np.abs(share) * (towards - np.array(SAME))
    colour[np.isnan(grey)] = 255.0
    return np.asarray(np.rint(colour), dtype=np.uint8)


def subtraction_png(seen: Registered, film: Radiograph) -> bytes:
    """The difference on the grid of the earlier film, in colours, as PNG."""
    return _png(coloured(seen.difference, seen.end), film)


def overlay_png(seen: Registered, film: Radiograph) -> bytes:
    """Both films on the grid of the earlier one as PNG: grey where they are equally bright.

    Orange where the earlier film is brighter, blue where the later one is; white where the
    later film shows nothing.
    """
    low, high = eye_window(film)
    first, second = (
        np.clip((pixels - low) / (high - low), 0.0, 1.0) for pixels in (film.pixels, seen.moved)
    )
    mixed = np.stack([first, 0.5 * (first + second), second], axis=-1)
    mixed[np.isnan(second)] = 1.0
    return _png(np.asarray(np.rint(255.0 * mixed), dtype=np.uint8), film)


def _size(film: Radiograph) -> tuple[int, int]:
    """Width and height of its picture."""
    rows, cols = film.shape
    factor = min(1.0, _PICTURE_PX / max(rows * film.pixel_aspect, cols))
    return round(cols * factor), round(rows * film.pixel_aspect * factor)


def _png(colours: NDArray[np.uint8], film: Radiograph) -> bytes:
    from PIL import Image

    buffer = io.BytesIO()
    Image.fromarray(colours).resize(_size(film)).save(buffer, format="PNG")
    return buffer.getvalue()


def _svg(seen: Registered, film: Radiograph, lesions: list[Lesion]) -> str:
    rows, cols = film.shape
    wide, high = _size(film)
    data = base64.b64encode(subtraction_png(seen, film)).decode("ascii")
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


def alignment_text(found: PairAlignment) -> str:
    """How the picture is read, and how well the films were aligned."""
    caution = f" {found.reason}" if found.reason else ""
    return (
        "Later film less earlier film: blue denser, orange less dense, grey the same; dashed the "
        f"earlier outline. Alignment {found.verdict}, {error_text(found)}.{caution} "
        "Parts at other depths than the root do not cover each other."
    )


def error_text(found: PairAlignment) -> str:
    """How well two films were brought together, and where that is said of."""
    if found.error_px is None:
        return "error not known"
    in_mm = found.error_mm is not None
    error = f"{found.error_mm:.2f} mm" if in_mm else f"{found.error_px:.1f} px"
    if found.automatic is None:
        return f"points by hand lie {error} from where the others put them"
    place = "at the apex" if found.automatic.roots else "in the middle of the film"
    if any(root.proposed for root in found.automatic.roots):
        place += " (roots proposed by the program, not confirmed)"
    return f"standard error {place} {error}"
