"""Numbers as text: rounding for show and the decimal mark. Nothing is computed with the result."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass

_UNITS = {"1": "", "bool": "", "code": "", "mm/mm": "", "mm2": "mm²", "px2": "px²", "deg": "°"}

# A DOI, an address, or the number of a standard or a version: its points are no decimal points.
_NAME = r"(?:doi:|\b10\.\d{4,}/|\w+://|www\.)\S+|\b(?:ISO|IEC|PS|version)[\s\u00a0]?[\d.:-]+"
# A decimal point of a number in running text; not of a section number.
_POINT = re.compile(rf"{_NAME}|(?<![\w./])(\d+)\.(\d+)(?!\d|\.\d|/)")

_BIDI_CONTROLS = frozenset(
    "\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"
)
_LONGEST_TEXT = 2000


@dataclass(frozen=True, slots=True, kw_only=True)
class Numbers:
    """Writes numbers with one decimal mark.

    Rounding (choice): lengths to 0.1 mm, because no film supports more; a length
    that would round to zero keeps two decimals, so that "beyond" never reads as
    "flush". Uncertainties to two decimals.
    """

    decimal_mark: str = "."

    def fixed(self, value: float, decimals: int) -> str:
        """A number with so many decimals; never a minus before zero."""
        text = f"{value:.{decimals}f}"
        if float(text) == 0.0:
            text = text.lstrip("-")
        return text.replace(".", self.decimal_mark)

    def quantity(self, value: float, unit: str) -> str:
        """A value with the decimals of its unit."""
        decimals = {
            "mm": 1,
            "px": 1,
            "mm2": 2,
            "px2": 0,
            "deg": 1,
            "mm/mm": 3,
            "ratio": 3,
            "1": 0,
        }.get(unit, 2)
        if round(value, decimals) == 0.0 and round(value, decimals + 1) != 0.0:
            decimals += 1
        return self.fixed(value, decimals)

    def uncertainty(self, u: float, unit: str) -> str:
        """A standard uncertainty with the decimals of its unit, never rounded to nothing."""
        decimals = {
            "mm": 2,
            "px": 1,
            "mm2": 2,
            "px2": 0,
            "deg": 1,
            "mm/mm": 4,
            "ratio": 3,
            "1": 1,
        }.get(unit, 2)
        smallest = 10.0**-decimals
        if 0.0 < u < smallest:
            return "<\u00a0" + self.fixed(smallest, decimals)
        return self.fixed(u, decimals)

    def percent(self, share: float) -> str:
        """A share in whole percent; 0 and 100 only when exact."""
        if 0.0 < share < 0.01:
            return "<\u00a01\u00a0%"
        if 0.99 < share < 1.0:
            return ">\u00a099\u00a0%"
        return f"{share * 100:.0f}\u00a0%"

    def relative(self, share: float) -> str:
        """A small share in percent with one decimal."""
        text = "<\u00a0" + self.fixed(0.1, 1) if 0 < share < 0.001 else self.fixed(share * 100, 1)
        return text + "\u00a0%"

    def mm_per_px(self, value: float) -> str:
        """A pixel pitch with four significant digits."""
        return f"{value:.4g}".replace(".", self.decimal_mark)

    def in_text(self, text: str) -> str:
        """A sentence of the program with its decimal points turned into the decimal mark."""
        return clean(_POINT.sub(self._marked, text))

    def _marked(self, found: re.Match[str]) -> str:
        whole, decimals = found.groups()
        return found[0] if whole is None else f"{whole}{self.decimal_mark}{decimals}"


def unit_text(unit: str) -> str:
    """Unit as printed."""
    return clean(_UNITS.get(unit, unit))


def clean(text: str) -> str:
    """Text of any origin as it may stand on a page.

    Line breaks become spaces; control characters, direction switches and lone
    surrogates become the replacement sign; very long text is cut visibly.
    """
    text = " ".join(text.split()) if any(c.isspace() for c in text) else text
    if len(text) > _LONGEST_TEXT:
        text = text[:_LONGEST_TEXT] + " … (cut; whole text in the review file)"
    return "".join(
        "\ufffd"
        if c in _BIDI_CONTROLS or unicodedata.category(c) in ("Cc", "Cs", "Cn", "Co")
        else c
        for c in text
    )
