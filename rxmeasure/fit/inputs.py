"""Checks of single numbers that a person typed in."""

from __future__ import annotations

import math
from numbers import Real

from rxmeasure.errors import MarksError


def checked(
    value: object,
    *,
    name: str,
    unit: str = "",
    above: float | None = None,
    at_least: float | None = None,
    below: float | None = None,
    at_most: float | None = None,
) -> float:
    """Return a finite number inside its limits, or raise.

    Parameters
    ----------
    value : object
        What was given.
    name, unit : str
        For the message.
    above, at_least, below, at_most : float, optional
        Limits in ``unit``; ``above`` and ``below`` leave the limit itself out.

    Raises
    ------
    MarksError
        The value is not a finite number, or outside the limits.
    """
    parts = [
        f"{word} {limit:g}"
        for word, limit in (
            ("above", above),
            ("at least", at_least),
            ("below", below),
            ("at most", at_most),
        )
        if limit is not None
    ]
    needed = "a finite number" + (" " + " and ".join(parts) if parts else "")
    if (
        isinstance(value, bool)
        or not isinstance(value, Real)
        or not math.isfinite(number := float(value))
        or (above is not None and number <= above)
        or (at_least is not None and number < at_least)
        or (below is not None and number >= below)
        or (at_most is not None and number > at_most)
    ):
        raise MarksError(
            found=f"{name} {value!r}.",
            needed=f"{needed} {unit}".rstrip() + ".",
            next_step=f"Correct the {name}.",
        )
    return number
