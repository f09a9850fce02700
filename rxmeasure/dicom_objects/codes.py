"""The codes that the objects are written in, and the teeth they name.

Concepts without a code in DICOM's tables (PS3.16) have one of the program's own scheme,
which each report declares.
"""

from __future__ import annotations

import re
from functools import cache
from typing import Any

from pydicom.sr.codedict import codes
from pydicom.sr.coding import Code

from rxmeasure.criteria.results import Outcome
from rxmeasure.dicom_objects.identity import derived_uid
from rxmeasure.report.content import measure_label
from rxmeasure.report.numbers import clean
from rxmeasure.tooth import TEETH

SCHEME = "99RXMEASURE"
SCHEME_UID = derived_uid("coding scheme")
SCHEME_NAME = "Codes of rxmeasure"

#: Permanent and deciduous teeth (PS3.16, CID 4018 and 4019); the codes contain the side.
_PERMANENT, _DECIDUOUS = codes.cid4018, codes.cid4019
_NUMBERS = {tooth.name: fdi for fdi, tooth in TEETH.items()}

YES, NO = codes.SCT.Yes, codes.SCT.No
AREA, LENGTH, WIDTH = codes.SCT.Area, codes.SCT.Length, codes.SCT.Width
PROBABILITY = codes.DCM.Probability
#: Row of TID 1500 for what is said of the whole film (value from memory).
QUALITATIVE_EVALUATIONS = Code("C0034375", "UMLS", "Qualitative Evaluations")

#: UCUM. Pixels are an annotation: UCUM has no unit for them.
_UNITS = {
    "mm": Code("mm", "UCUM", "millimeter"),
    "mm2": Code("mm2", "UCUM", "square millimeter"),
    "mm/mm": Code("mm/mm", "UCUM", "millimeter per millimeter"),
    "deg": Code("deg", "UCUM", "degree"),
    "1": Code("1", "UCUM", "no units"),
    "px": Code("{pixels}", "UCUM", "pixels"),
    "px2": Code("{pixels2}", "UCUM", "square pixels"),
}

#: Measures that a standard code names as well as the own one.
_STANDARD = {
    "canal_length_mm": codes.DCM.PathLength,
    "canal_length_straight_mm": codes.DCM.Distance,
}

_OUTCOMES = {
    Outcome.MET: "Criterion met",
    Outcome.NOT_MET: "Criterion not met",
    Outcome.BORDERLINE: "Borderline",
    Outcome.CANNOT_BE_JUDGED: "Cannot be judged",
}


def own_code(value: str, meaning: str) -> Any:
    """Code of the own scheme; the meaning is cut to the 64 characters of a Long String."""
    value = short_text(value, 256)
    return Code(value, SCHEME, short_text(meaning) or value)


def short_text(text: str, longest: int = 64) -> str:
    """Text as a Short or Long String may hold it (PS3.5, 6.2)."""
    text = clean(text).replace("\\", "/").strip()
    return text if len(text) <= longest else text[: longest - 1] + "…"


def decimal_text(value: float) -> str:
    """A positive number as a Decimal String: at most 16 characters (PS3.5, 6.2)."""
    return f"{value:.10g}"


def unit_code(unit: str) -> Any:
    """UCUM code of a unit of the program; an unknown one is written as an annotation."""
    known = _UNITS.get(unit)
    if known is not None:
        return known
    text = re.sub(r"[{}]", "", short_text(unit, 60)) or "no unit"
    return Code(f"{{{text}}}", "UCUM", text)


def measure_code(name: str, *, in_pixels: bool = False) -> Any:
    """Concept of a measure; one without a scale is named for its pixels."""
    if name in _STANDARD:
        return _STANDARD[name]
    value = name.removesuffix("_mm") + "_px" if in_pixels else name
    return own_code(value, measure_label(name))


def outcome_code(outcome: Outcome) -> Any:
    """Code of what a criterion says."""
    return own_code(outcome.name, _OUTCOMES[outcome])


def tooth_code(fdi: str) -> Any | None:
    """Code of a tooth by its FDI number; None where it is none of the 52."""
    return _teeth().get(fdi.strip())


def tooth_of_code(code: Any) -> str | None:
    """FDI number of a coded tooth, None for anything else.

    Known are also the codes of older editions: SRT, and "Structure of ..." of SNOMED CT.
    """
    groups = (_teeth(), _teeth_of_older_editions())
    return next((fdi for teeth in groups for fdi, known in teeth.items() if known == code), None)


@cache
def _teeth() -> dict[str, Any]:
    return {
        _NUMBERS[_our_name(code.meaning, word)]: code
        for group, word in ((_PERMANENT, ""), (_DECIDUOUS, "primary "))
        for code in (getattr(group, name) for name in group.dir())
    }


@cache
def _teeth_of_older_editions() -> dict[str, Any]:
    pattern = r"StructureOf(Maxillary|Mandibular)(Left|Right)\w+Tooth"
    older = [getattr(codes.SCT, name) for name in codes.SCT.dir() if re.fullmatch(pattern, name)]
    return {_NUMBERS[_our_name(code.meaning, "")]: code for code in older}


def _our_name(meaning: str, word: str) -> str:
    """``Deciduous maxillary left canine tooth`` as ``upper left primary canine``."""
    words = meaning.lower().partition(" tooth")[0]
    words = re.sub("^(structure of )?(permanent |deciduous )?", "", words)
    jaw, side, kind = words.split(" ", 2)
    # PS3.16 as of 2024 leaves the word out at one of the teeth.
    kind = "lateral incisor" if kind == "lateral" else kind
    return f"{'upper' if jaw == 'maxillary' else 'lower'} {side} {word}{kind}"
