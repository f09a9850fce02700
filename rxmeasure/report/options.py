"""Choices a person has about the page; none of them touches a number."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class DecimalMark(StrEnum):
    """Decimal mark of all numbers on the page."""

    POINT = "."
    COMMA = ","


class ToothNotation(StrEnum):
    """How the tooth is named (ISO 3950 number, Universal number, Palmer in plain text)."""

    FDI = "FDI"
    UNIVERSAL = "Universal"
    PALMER = "Palmer"


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportOptions:
    """Choices for one report.

    Attributes
    ----------
    decimal_mark : DecimalMark
    tooth_notation : ToothNotation
    title : str
    changed_image_reason : str
        Why the report is made although the image is not the one the review was
        made on; printed on the page. Empty: such an image is refused.
    """

    decimal_mark: DecimalMark = DecimalMark.POINT
    tooth_notation: ToothNotation = ToothNotation.FDI
    title: str = "Root-canal treatment on one radiograph"
    changed_image_reason: str = ""
