"""How probable each place is as the apical end of the fill.

The reading along the canal is the amplitude of a rod of the expected width in each row
(matched filter, level and tilt of the row taken out). Beside the root the same filter reads
what the bone, the root and the noise do on this film: their spread row by row and their
correlation along the canal (robust variogram, Cressie and Hawkins 1980,
doi:10.1007/BF01035243). For each candidate end the reading is then a Gaussian process: a fill of
smoothly varying density that closes over a tip of unknown length, and nothing but
background beyond. Level, slope and background offset are integrated out, tips are
averaged, and the likelihood on a grid of ends, times what the other ways of looking say, is the
posterior (Rasmussen and Williams 2006, Gaussian Processes for Machine Learning, ch. 2).

Assumed: at most one end within the window. What lies beyond in line with the canal,
another fill or a puff, is given no say. Fails on sealer much thinner than the fill.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from scipy import linalg, ndimage

from rxmeasure.filling.blurred_chord import blurred_chord
from rxmeasure.filling.strip import CanalStrip
from rxmeasure.geometry import FloatArray

#: Rows are averaged to this step (mm); ends are weighed at half of it.
ROW_MM = 0.1
#: Window coronal and apical of the first guess (mm).
WINDOW_MM = (4.0, 4.0)
#: The rod of the filter is narrower than the fill, so that a thin tip counts too.
ROD_SHARE = 0.6
#: What lies beside the rod and sets the level of a row (mm).
FLANK_MM = 0.4
#: Length over which the tip closes (mm) and the share of the density that it keeps: cut
#: flat, rounded, pointed, and a core with a thin tail of sealer.
TIPS = ((0.05, 1.0), (0.2, 1.0), (0.5, 1.0), (1.0, 1.0), (0.4, 0.3), (0.8, 0.3))
#: Share of the background's variance that is left to differences from row to row, so that
#: a sharp structure, which the smooth background leaves out, is no proof of an end (choice).
ROUGH_SHARE = 0.05
#: Prior spreads as shares of the fill's density: level, slope (per mm), offset of the
#: background beyond the end, slow waviness and its length (mm).
LEVEL_SHARE = 0.35
SLOPE_SHARE = 0.05
OFFSET_SHARE = 0.15
WAVE_SHARE = 0.12
WAVE_MM = 0.8
#: Share of the prior on what the other ways found, and its spread (mm).
FOUND_SHARE = 0.5
FOUND_SD_MM = 0.06
#: Smoothing of the posterior for what no model of a tip tells (mm), and the share spread
#: over :data:`MISS_MM` for surprises that the models leave out.
TIP_SD_MM = 0.04
MISS_SHARE = 0.06
MISS_MM = 1.0
#: Smoothing under which the most probable place is looked for (mm): a row of the reading.
PEAK_MM = 0.1
#: A place this far from the answer (mm) with at least this share of the probability is told.
APART_MM = 0.4
TOLD_SHARE = 0.1
#: Step of the grid of the posterior (mm).
GRID_MM = 0.01


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EndPosterior:
    """Probability of the end's place along the canal; plane units.

    Attributes
    ----------
    s, density : ndarray, shape (K,)
        Places and their probabilities, which sum to one.
    """

    s: FloatArray
    density: FloatArray

    def quantiles(self, shares: FloatArray) -> FloatArray:
        """Places below which these shares of the probability lie."""
        return np.asarray(np.interp(shares, np.cumsum(self.density), self.s))

    @property
    def place(self) -> float:
        """Median of the part round the most probable place: a point between two ends is neither."""
        smooth = ndimage.gaussian_filter1d(self.density, PEAK_MM / GRID_MM, mode="constant")
        near = np.abs(self.s - self.s[int(np.argmax(smooth))]) <= APART_MM
        inside = np.cumsum(self.density[near])
        return float(np.interp(0.5 * inside[-1], inside, self.s[near]))

    @classmethod
    def normal(cls, s: float, u: float) -> EndPosterior:
        """A normal distribution: place and standard uncertainty."""
        more = max(3, int(5.0 * u / GRID_MM))
        away = np.linspace(-more, more, 2 * more + 1) * GRID_MM
        density = np.exp(-0.5 * (away / max(u, 1e-6)) ** 2)
        return cls(s=np.asarray(s + away), density=density / density.sum())

    def widened(self, sd: float) -> EndPosterior:
        """The same with a normal doubt of ``sd`` added."""
        return self._convolved(EndPosterior.normal(0.0, sd))

    def short_by(self, sd: float) -> EndPosterior:
        """Of a place that lies coronal of this one by half a normal distribution of ``sd``."""
        both = EndPosterior.normal(0.0, sd)
        half = np.where(both.s < GRID_MM / 2.0, both.density, 0.0)
        return self._convolved(EndPosterior(s=both.s, density=half / half.sum()))

    def short_within(self, most: float) -> EndPosterior:
        """Of a place that lies coronal of this one by anything up to ``most``."""
        count = max(round(most / GRID_MM), 1)
        s = np.asarray(-GRID_MM * np.arange(count - 1.0, -1.0, -1.0))
        return self._convolved(EndPosterior(s=s, density=np.full(count, 1.0 / count)))

    def _convolved(self, other: EndPosterior) -> EndPosterior:
        density = np.convolve(self.density, other.density)
        s = self.s[0] + other.s[0] + GRID_MM * np.arange(len(density))
        return EndPosterior(s=s, density=density)

    def mixed(self, other: EndPosterior, share: float) -> EndPosterior:
        """Of either place: the other one with probability ``share``."""
        low, high = min(self.s[0], other.s[0]), max(self.s[-1], other.s[-1])
        s = np.arange(low, high + GRID_MM, GRID_MM)
        own, its = (np.interp(s, p.s, p.density, left=0.0, right=0.0) for p in (self, other))
        return EndPosterior(s=s, density=(1.0 - share) * own / own.sum() + share * its / its.sum())

    @property
    def grid(self) -> tuple[float, ...]:
        """Places at even shares of the probability, for drawing from it."""
        return tuple(float(v) for v in self.quantiles(np.linspace(0.0005, 0.9995, 1000)))

    def reach(self, share: float, about: float | None = None) -> float:
        """Distance within which this share of the probability lies, of its place or another."""
        away = np.abs(self.s - (self.place if about is None else about))
        order = np.argsort(away)
        inside = int(np.searchsorted(np.cumsum(self.density[order]), share))
        return float(away[order][min(inside, len(away) - 1)])

    @property
    def u(self) -> float:
        """Standard uncertainty whose 95 % interval about its place holds 95 %."""
        return self.reach(0.95) / 1.96

    @property
    def other(self) -> float | None:
        """The next probable place, or None when one place has nearly all the probability."""
        far = np.abs(self.s - self.place) > APART_MM
        smooth = ndimage.gaussian_filter1d(self.density, PEAK_MM / GRID_MM, mode="constant")
        if not far.any():
            return None
        best = int(np.argmax(np.where(far, smooth, -1.0)))
        near = np.abs(self.s - self.s[best]) <= APART_MM / 2.0
        return float(self.s[best]) if self.density[near].sum() > TOLD_SHARE else None


def end_posterior(
    strip: CanalStrip,
    expected: FloatArray,
    blur: float,
    first_s: float,
    found: tuple[float, ...],
) -> EndPosterior | None:
    """Posterior of the apical end, or None where the fill or the picture is too short.

    Parameters
    ----------
    strip : CanalStrip
    expected : ndarray, shape (N,)
        Expected width of the fill in each row.
    blur : float
        Standard deviation of the picture's blur, plane units.
    first_s : float
        Coronal end of the fill.
    found : tuple of float
        Where the other ways of looking put the end, the most exact one first.
    """
    reading = _read(strip, expected, blur, first_s, found[0])
    if reading is None:
        return None
    ends, log_likelihood = _likelihood(*reading, blur, found[0])
    return _posterior(ends, log_likelihood, found)


def _read(
    strip: CanalStrip, expected: FloatArray, blur: float, first_s: float, found: float
) -> tuple[FloatArray, FloatArray, FloatArray] | None:
    """Rows (s), the canal's amplitude in each, and that of its surroundings (N, shifts)."""
    by = max(1, round(ROW_MM / strip.s_step))
    rows = np.flatnonzero(
        (strip.s > max(found - WINDOW_MM[0], first_s + 0.3)) & (strip.s < found + WINDOW_MM[1])
    )
    # Blocks begin at whole multiples, so that a guess a little off reads the same blocks.
    rows = rows[-rows[0] % by :] if len(rows) else rows
    rows = rows[: len(rows) // by * by]
    if len(rows) < 20 * by:
        return None

    def averaged(v: FloatArray) -> FloatArray:
        return np.asarray(v[rows].reshape(-1, by, *v.shape[1:]).mean(axis=1))

    half = np.maximum(ROD_SHARE * averaged(expected) / 2.0, 0.06)
    kernel = _rod_filter(half, blur, strip.t_step)
    shape = kernel.shape[1]
    windows = sliding_window_view(averaged(strip.values), shape, axis=1)
    middle = windows.shape[1] // 2
    away = round((2.0 * float(half.max()) + 0.3) / strip.t_step)
    if away + 2 > middle:
        return None
    apart = max(1, round(0.2 / strip.t_step))
    beside = np.arange(away, middle + 1, apart)
    places = np.concatenate([[middle], middle - beside, middle + beside])
    amplitudes = np.einsum("nm,nkm->nk", kernel, windows[:, places])
    return averaged(strip.s), amplitudes[:, 0], amplitudes[:, 1:]


def _rod_filter(half: FloatArray, blur: float, t_step: float) -> FloatArray:
    """Weights whose sum with a row is the least-squares amplitude of the rod, shape (N, M)."""
    reach = int((float(half.max()) + FLANK_MM) / t_step) + 1
    t = np.arange(-reach, reach + 1) * t_step
    rod = half[:, None] * blurred_chord(t / half[:, None], blur / half[:, None])
    used = np.clip((half[:, None] + FLANK_MM - np.abs(t)) / t_step + 0.5, 0.0, 1.0)
    # A symmetric rod is free of the tilt; the level is taken out.
    rod = rod - (rod * used).sum(axis=1, keepdims=True) / used.sum(axis=1, keepdims=True)
    weights = rod * used
    return np.asarray(weights / (weights * rod).sum(axis=1, keepdims=True))


def _background(
    s: FloatArray, y: FloatArray, beside: FloatArray, typical: float, found: float
) -> FloatArray:
    """Covariance of the reading where nothing but background is, shape (N, N)."""
    step = float(s[1] - s[0])
    level = beside - np.median(beside, axis=0)
    spread = 1.4826 * ndimage.median_filter(
        np.median(np.abs(level), axis=1), round(1.2 / step) | 1, mode="nearest"
    )
    spread = np.maximum(ndimage.gaussian_filter1d(spread, 0.3 / step), 0.02 * typical)
    z = level / spread[:, None]
    sill, length = _correlation(z, step)
    correlation = sill * (_matern(s, length) + ROUGH_SHARE * np.eye(len(s)))
    white = linalg.solve_triangular(linalg.cholesky(correlation, lower=True), z, lower=True)
    correlation *= max(1.0, float(np.median(white**2)) / 0.455)
    covariance = correlation * np.outer(spread, spread)
    # What stands out beyond the fill like no background, or in it like a puff, has no say.
    odd = (s > found + 0.4) & (np.abs(y) > 3.0 * spread)
    odd |= y > (1.0 + 3.0 * LEVEL_SHARE) * typical
    covariance[odd, odd] += y[odd] ** 2
    return np.asarray(covariance)


def _matern(s: FloatArray, length: float) -> FloatArray:
    """Matern correlation with smoothness 3/2 between all places."""
    h = np.sqrt(3.0) * np.abs(s[:, None] - s[None, :]) / length
    return np.asarray((1.0 + h) * np.exp(-h))


def _correlation(z: FloatArray, step: float) -> tuple[float, float]:
    """Sill and length of the Matern model nearest to the robust variogram of ``z`` along axis 0."""
    lags = np.array([k for k in (1, 2, 3, 4, 6, 8, 11, 15) if k < len(z) // 2])
    gamma = np.array([np.median(np.abs(z[k:] - z[:-k])) ** 2 / 0.455 / 2.0 for k in lags])
    best = (np.inf, 1.0, 0.3)
    for length in (0.1, 0.15, 0.2, 0.3, 0.4, 0.6, 0.9):
        h = np.sqrt(3.0) * lags * step / length
        ratio = (1.0 - (1.0 + h) * np.exp(-h)) / np.maximum(gamma, 1e-12)
        sill = float(ratio.sum() / (ratio**2).sum())
        best = min(best, (float(((sill * ratio - 1.0) ** 2).sum()), sill, length))
    return best[1], best[2]


def _likelihood(
    s: FloatArray, y: FloatArray, beside: FloatArray, blur: float, found: float
) -> tuple[FloatArray, FloatArray]:
    """Candidate ends, and their log-likelihood averaged over the tips."""
    typical = abs(float(np.median(y[s < max(found - 0.5, s[8])]))) + 1e-9
    covariance = _background(s, y, beside, typical, found)
    covariance += (WAVE_SHARE * typical) ** 2 * _matern(s, WAVE_MM)
    root = linalg.cholesky(covariance, lower=True)
    white = linalg.solve_triangular(root, np.column_stack([y, np.eye(len(s))]), lower=True)

    def weigh(ends: FloatArray) -> FloatArray:
        return _evidence(white[:, 1:] * typical, white[:, 0], ends[:, None] - s[None, :], blur)

    coarse = np.arange(s[0] + 0.8, s[-1] - 0.3, ROW_MM)
    each = weigh(coarse)
    at = np.clip(coarse[np.argmax(each)], coarse[3], coarse[-4])
    fine = np.append(np.arange(at - 0.25, at + 0.25, ROW_MM / 4.0), found)
    ends = np.append(coarse, fine)
    order = np.argsort(ends)
    return ends[order], np.append(each, weigh(fine))[order]


def _evidence(whiten: FloatArray, y: FloatArray, depth: FloatArray, blur: float) -> FloatArray:
    """Log-likelihood of each candidate (rows of ``depth``), averaged over the tips.

    ``y`` is whitened, ``whiten`` whitens shares of the fill's density.
    """
    filled = np.concatenate([_presence_of(depth, blur, *tip) for tip in TIPS])
    depth = np.tile(np.maximum(depth, 0.0), (len(TIPS), 1))
    slope, offset = SLOPE_SHARE * filled * depth, OFFSET_SHARE * (1.0 - filled)
    full, slope, offset = (whiten @ c.T for c in (filled, slope, offset))
    free = np.stack([LEVEL_SHARE * full, slope, offset]).transpose(2, 0, 1)
    residual = y[:, None] - full
    gram = free @ free.swapaxes(-1, -2) + np.eye(3)
    pull = (free @ residual.T[..., None])[..., 0]
    fit = (pull * np.linalg.solve(gram, pull[..., None])[..., 0]).sum(axis=-1)
    each = 0.5 * (fit - (residual**2).sum(axis=0) - np.log(np.linalg.det(gram)))
    return np.asarray(np.logaddexp.reduce(each.reshape(len(TIPS), -1), axis=0))


def _presence_of(depth: FloatArray, blur: float, length: float, share: float) -> FloatArray:
    """Share of the rod's amplitude at ``depth`` coronal of the end, blurred along the canal."""
    total = np.zeros_like(depth)
    for at, weight in ((-1.2, 0.17), (-0.4, 0.33), (0.4, 0.33), (1.2, 0.17)):
        d = depth + at * blur
        u = np.clip(d / length, 0.0, 1.0)
        # Width and thickness both close as half an ellipse.
        total += weight * np.where(d < length, share * (1.0 - (1.0 - u) ** 2), 1.0)
    return total


def _posterior(
    ends: FloatArray, log_likelihood: FloatArray, found: tuple[float, ...]
) -> EndPosterior:
    """Likelihood times the prior, smoothed by what the models leave out."""
    s = np.arange(ends[0] - MISS_MM, ends[-1] + MISS_MM, GRID_MM)
    likelihood = np.exp(np.interp(s, ends, log_likelihood - log_likelihood.max()))
    likelihood[(s < ends[0]) | (s > ends[-1])] = 0.0
    away = (s[:, None] - np.asarray(found)) / FOUND_SD_MM
    near = np.exp(-0.5 * away**2).mean(axis=1) / (FOUND_SD_MM * np.sqrt(2.0 * np.pi))
    density = likelihood * (FOUND_SHARE * near + (1.0 - FOUND_SHARE) / float(ends[-1] - ends[0]))
    density /= density.sum()
    density = (1.0 - MISS_SHARE) * ndimage.gaussian_filter1d(
        density, TIP_SD_MM / GRID_MM
    ) + MISS_SHARE * ndimage.uniform_filter1d(density, round(2.0 * MISS_MM / GRID_MM))
    return EndPosterior(s=s, density=density / density.sum())
