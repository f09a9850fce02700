"""Ratings as they were written, as scores on a scale, and back."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from rxmeasure.agreement.ratings import Scale
from rxmeasure.agreement.ratings_file import RatingRow, as_number
from rxmeasure.errors import AgreementError


@dataclass(frozen=True, slots=True, kw_only=True)
class Coding:
    """Label -> score; None where the ratings are numbers and all numbers may occur."""

    scores: Mapping[str, float] | None

    def score(self, row: RatingRow) -> float:
        """The score of a rating.

        Raises
        ------
        AgreementError
            It is not on the scale.
        """
        if self.scores is None:
            return as_number(row)
        if row.rating not in self.scores:
            raise AgreementError(
                found=f"line {row.line}: the rating {row.rating!r}.",
                needed=f"one of {', '.join(self.scores)}.",
                next_step=f"Correct line {row.line}, or name all categories.",
            )
        return self.scores[row.rating]

    def label(self, score: float) -> str:
        """The rating that a score stands for."""
        labels = [] if self.scores is None else [k for k, v in self.scores.items() if v == score]
        return labels[0] if labels else f"{score:g}"

    def categories(self) -> list[float] | None:
        """All scores of the scale, where they are known."""
        return None if self.scores is None else list(self.scores.values())


def coding_of(rows: Sequence[RatingRow], scale: Scale, categories: Sequence[str]) -> Coding:
    """How the ratings of a file are scored.

    Names have no order and count as they come. Ordered categories that are
    numbers keep their value, words count 1, 2, 3 ... from the lowest.

    Raises
    ------
    AgreementError
        Categories come twice or out of order, or are named for numbers of a measure.
    """
    if not scale.has_categories:
        if categories:
            raise AgreementError(
                found=f"categories on the {scale} scale.",
                needed="the nominal or the ordinal scale for categories.",
                next_step="Leave the categories out, or state that the scale is ordinal.",
            )
        return Coding(scores=None)
    if scale is Scale.NOMINAL:
        labels = categories or sorted({row.rating for row in rows})
        return Coding(scores=_in_order(labels, range(len(labels))))
    if not categories:
        return Coding(scores=None)
    try:
        values = [float(label) for label in categories]
    except ValueError:
        return Coding(scores=_in_order(categories, range(1, len(categories) + 1)))
    return Coding(scores=_in_order(categories, values))


def _in_order(labels: Sequence[str], values: Sequence[float]) -> dict[str, float]:
    if len(set(labels)) != len(labels) or list(values) != sorted(set(values)):
        raise AgreementError(
            found=f"the categories {', '.join(labels)}.",
            needed="each category once, from low to high.",
            next_step="Put the categories in order.",
        )
    return dict(zip(labels, map(float, values), strict=True))
