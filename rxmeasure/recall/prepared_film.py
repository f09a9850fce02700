"""A film made ready to be compared with another: smaller, and freed of its grey scale.

Ranks in place of grey levels make the result independent of any monotone grey scale; local
mean and spread are then taken out, so that a restoration does not out-shout the bone.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation, gaussian_filter, label

from rxmeasure.geometry import FloatArray
from rxmeasure.recall.plane_map import compose, pitches, scaling
from rxmeasure.recall.wide_mean import WideMean, between

Image = NDArray[np.float32]
Mask = NDArray[np.bool_]

#: Standard deviation of the window for local mean and spread, as a share of the longer side:
#: about 1.1 mm on a size 2 receptor (choice).
_WINDOW_SHARE = 0.028
#: A rim without a picture is looked for within this share of the shorter side (choice).
_RIM_SHARE = 0.12
#: Steps of the rank scale: finer than the grain of a film.
_RANKS = 2049


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SmallFilm:
    """One film at one size.

    Attributes
    ----------
    grey : ndarray of float32
        Grey levels of the film at this size.
    valid : ndarray of bool
        Where the film holds a picture.
    from_film : ndarray, shape (3, 3)
        Places on the film, in column pitches, to pixels of this size, which are square.
    """

    grey: Image
    valid: Mask
    from_film: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PreparedFilm(SmallFilm):
    """One film at one size, freed of its grey scale.

    Attributes
    ----------
    image : ndarray of float32
        Local contrast: about zero mean and unit spread everywhere.
    """

    image: Image


def made_small(pixels: NDArray[np.float32], side: int, aspect: float = 1.0) -> SmallFilm:
    """The film with ``side`` square pixels along its longer side, or as large as it is.

    ``aspect``: row pitch of ``pixels`` over their column pitch.
    """
    high, wide = pixels.shape[0] * aspect, float(pixels.shape[1])
    factor = max(1.0, max(high, wide) / side)
    shape = (round(high / factor), round(wide / factor))
    small = _resized(pixels.astype(np.float32), shape)
    return SmallFilm(
        grey=small,
        valid=~binary_dilation(_rim(small), iterations=3),
        from_film=compose(
            scaling(pixels.shape[0] / shape[0], pixels.shape[1] / shape[1]),
            pitches(1.0 / aspect),
        ),
    )


def smaller(film: SmallFilm, side: int) -> SmallFilm:
    """The film at a smaller size still."""
    small = made_small(film.grey, side)
    return replace(small, from_film=compose(small.from_film, film.from_film))


def prepare(pixels: NDArray[np.float32], side: int) -> PreparedFilm:
    """The film made small and freed of its grey scale."""
    return prepared(made_small(pixels, side))


def prepared(film: SmallFilm) -> PreparedFilm:
    """The film freed of its grey scale."""
    ranks = _ranks(film.grey, film.valid)
    return PreparedFilm(
        image=_local_contrast(ranks, film.valid, _WINDOW_SHARE * max(ranks.shape)),
        grey=film.grey,
        valid=film.valid,
        from_film=film.from_film,
    )


def mirrored(film: PreparedFilm) -> PreparedFilm:
    """The film turned over; ``from_film`` stays that of the film as it was."""
    return replace(
        film, grey=film.grey[:, ::-1], valid=film.valid[:, ::-1], image=film.image[:, ::-1]
    )


def _resized(image: Image, shape: tuple[int, int]) -> Image:
    """Smoothed by half of what a pixel grows, then sampled between the pixels."""
    factors = [n / m for n, m in zip(image.shape, shape, strict=True)]
    smooth = gaussian_filter(image, [max(f - 1.0, 0.0) / 2.0 for f in factors], truncate=3.0)
    rows, cols = ((np.arange(m) + 0.5) * f - 0.5 for m, f in zip(shape, factors, strict=True))
    return between(between(smooth, rows).T, cols).T


def _rim(image: Image) -> Mask:
    """Areas stuck at the darkest or brightest level that hang together with the border."""
    reach = round(_RIM_SHARE * min(image.shape))
    near = np.ones(image.shape, dtype=bool)
    near[reach:-reach, reach:-reach] = False
    rim = np.zeros(image.shape, dtype=bool)
    span = float(image.max() - image.min())
    for stuck in (image <= image.min() + 1e-3 * span, image >= image.max() - 1e-3 * span):
        areas, count = label(stuck & near)
        edge = np.concatenate([areas[0], areas[-1], areas[:, 0], areas[:, -1]])
        touching = np.setdiff1d(np.unique(edge), [0])
        if count and len(touching):
            rim |= np.isin(areas, touching)
    return rim


def _ranks(image: Image, valid: Mask) -> Image:
    """Share of the picture that is darker, 0 to 1; the same for any rising grey scale."""
    if not valid.any():
        return np.zeros(image.shape, dtype=np.float32)
    levels = np.sort(image[valid])
    share = np.linspace(0.0, 1.0, _RANKS)
    grey = levels[np.rint(share * (levels.size - 1)).astype(int)]
    # Equal levels, as where the film is clipped, share their mean rank.
    known, index = np.unique(grey, return_inverse=True)
    rank = np.bincount(index, share) / np.bincount(index)
    return np.asarray(np.interp(image, known, rank), dtype=np.float32)


def _local_contrast(image: Image, valid: Mask, window_px: float) -> Image:
    window = WideMean(shape=image.shape, sd_px=window_px)
    share = np.maximum(window.coarse(valid), 1e-3)
    mean = window.fine(window.coarse(np.where(valid, image, 0.0)) / share)
    deviation = np.where(valid, image - mean, 0.0)
    spread = window.fine(np.sqrt(window.coarse(deviation**2) / share))
    # A floor keeps grain from being blown up where nothing else is seen.
    floor = 0.25 * float(np.median(spread[valid])) if valid.any() else 1.0
    return np.asarray(deviation / np.maximum(spread, max(floor, 1e-6)), dtype=np.float32)
