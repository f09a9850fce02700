"""Visits of one tooth, drawn: films of noise with a scale, and lesions as circles of known size."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rxmeasure.marks import FilmKind, LengthReference, PointPx, ReviewMarks
from rxmeasure.radiograph import ImageSource, Polarity, Radiograph
from rxmeasure.recall.comparison import PixelRatio
from rxmeasure.recall.series import LesionMark, Series, SeriesMarks, VisitMarks, compare_visits

#: 10 mm along 200 px: 0.05 mm a pixel.
REFERENCE = LengthReference(
    kind="line", points_px=((10.0, 20.0), (10.0, 220.0)), length_mm=10.0, length_u_mm=0.01
)


def film_of(pixels: NDArray[np.float64], number: int = 0, *, aspect: float = 1.0) -> Radiograph:
    """A film of 12 bits with these grey levels; ``aspect`` is row over column pitch."""
    return Radiograph(
        pixels=pixels.astype(np.float32),
        value_min=0.0,
        value_max=4095.0,
        source=ImageSource(
            file_name=f"visit-{number}.png",
            format="PNG",
            sha256=f"{number:064x}",
            rows=pixels.shape[0],
            columns=pixels.shape[1],
            bits=12,
            lossy=False,
        ),
        polarity=Polarity(turned=False, reason="drawn"),
        pixel_aspect=aspect,
    )


def drawn_film(number: int) -> Radiograph:
    """The film of a visit."""
    return film_of(np.random.default_rng(number).normal(2000.0, 50.0, (300, 260)), number)


def film_marks(*, scaled: bool = True, case: str = "case-1", tooth: str = "36") -> ReviewMarks:
    """What is marked on a film: its scale and whose it is."""
    return ReviewMarks(
        film_kind=FilmKind.RECALL,
        tooth=tooth,
        patient_pseudonym=case,
        references=(REFERENCE,) if scaled else (),
    )


def circle(radius_px: float) -> tuple[PointPx, ...]:
    """An outline in the middle of the film."""
    t = np.linspace(0.0, 2.0 * np.pi, 120, endpoint=False)
    return tuple(
        (150.0 + radius_px * float(np.sin(a)), 130.0 + radius_px * float(np.cos(a))) for a in t
    )


def lesion(radius_px: float | None, root: str = "M") -> LesionMark:
    """A lesion of that radius, or that none is visible."""
    if radius_px is None:
        return LesionMark(root=root, none_visible=True)
    return LesionMark(root=root, outline_px=circle(radius_px))


def visit(number: int, radius_px: float | None, **changes: Any) -> VisitMarks:
    """A visit in March of 202N with one lesion."""
    plain = VisitMarks(
        image=f"visit-{number}.png", date=f"202{number}-03-01", lesions=(lesion(radius_px),)
    )
    return replace(plain, **changes)


def drawn_series(
    *radii: float | None,
    films: Sequence[tuple[Radiograph, ReviewMarks]] | None = None,
    pixel_ratios: Sequence[PixelRatio] | None = None,
    **changes: Any,
) -> Series:
    """A series of these radii, one year apart from 2021 on; ``changes`` are of its marks."""
    visits = tuple(visit(n, r) for n, r in enumerate(radii, 1))
    marks = replace(SeriesMarks(visits=visits, treated="2021-03-01"), **changes)
    films = films or [(drawn_film(n), film_marks()) for n in range(1, len(marks.visits) + 1)]
    return compare_visits(marks, films, pixel_ratios=pixel_ratios)
