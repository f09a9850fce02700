"""Words that others have put to values of agreement. Printed only when asked for, with the source.

The limits are conventions, not findings; weighted and unweighted kappa may not
share one scale (Warrens 2013, J Probab Stat, read).
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class WordScale:
    """Words for ranges of a coefficient.

    Attributes
    ----------
    name, source : str
    made_for : str
        Part of the names of the coefficients that the author speaks of.
    bands : tuple of (float, str)
        Lower end (belongs to the band) and word, from the highest down.
    """

    name: str
    source: str
    made_for: str
    bands: tuple[tuple[float, str], ...]

    def word(self, statistic: str, estimate: float) -> str | None:
        """The word for an estimate; None for a statistic that the author does not speak of."""
        if self.made_for not in statistic:
            return None
        return next(word for low, word in self.bands if estimate >= low)


_LOWEST = float("-inf")

WORD_SCALES = {
    scale.name: scale
    for scale in (
        WordScale(
            name="landis-koch",
            source="Landis and Koch 1977, Biometrics 33:159 (from memory)",
            made_for="kappa",
            bands=(
                (0.81, "almost perfect"),
                (0.61, "substantial"),
                (0.41, "moderate"),
                (0.21, "fair"),
                (0.0, "slight"),
                (_LOWEST, "poor"),
            ),
        ),
        WordScale(
            name="cicchetti",
            source="Cicchetti 1994, doi:10.1037/1040-3590.6.4.284 (from memory)",
            made_for="ICC",
            bands=((0.75, "excellent"), (0.60, "good"), (0.40, "fair"), (_LOWEST, "poor")),
        ),
        WordScale(
            name="koo-li",
            source="Koo and Li 2016, doi:10.1016/j.jcm.2016.02.012 (from memory)",
            made_for="ICC",
            bands=((0.90, "excellent"), (0.75, "good"), (0.50, "moderate"), (_LOWEST, "poor")),
        ),
        WordScale(
            name="krippendorff",
            source="Krippendorff 2019, Content Analysis, ch. 12 (from memory)",
            made_for="alpha",
            bands=(
                (0.800, "reliable"),
                (0.667, "for tentative conclusions"),
                (_LOWEST, "not reliable"),
            ),
        ),
    )
}
