"""Tooth numbers, usual canals and plausible lengths.

Tooth numbers are kept as FDI numbers (ISO 3950), two digits as text. Codes
outside the 32 permanent and 20 primary teeth (supernumerary teeth, quadrants,
arches) are answered with :data:`NOT_MAPPED`, never guessed.

References
----------
FDI: ISO 3950 (from memory). Universal 16 = 3, 46 = 30 and Palmer plain text:
tables read in teaching pages. Lengths: Black's tables and Ingle's means with
ranges (from memory; canine means confirmed by a later series). Usual canals:
handbooks (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

from rxmeasure.fit.inputs import checked
from rxmeasure.values import Warned

#: Answer for a code that is no permanent or primary tooth.
NOT_MAPPED = "not mapped"

#: Length off the mean by more than this is flagged (choice).
MEAN_MARGIN_MM = 4.0

#: Range for a permanent tooth of unknown number: about mean +- 4 mm over all teeth (choice).
ANY_TOOTH_MM = (18.0, 31.0)

#: Outside this the scale itself is probably wrong (choice).
SCALE_LIMITS_MM = (12.0, 35.0)

_QUADRANTS = {"1": "UR", "2": "UL", "3": "LL", "4": "LR"}
_PRIMARY_QUADRANTS = {"5": "UR", "6": "UL", "7": "LL", "8": "LR"}
# Corner marks: the vertical stroke is the midline, the horizontal one the bite plane.
_CORNERS = {
    "UR": "\N{DENTISTRY SYMBOL LIGHT VERTICAL AND BOTTOM LEFT}",
    "UL": "\N{DENTISTRY SYMBOL LIGHT VERTICAL AND BOTTOM RIGHT}",
    "LL": "\N{DENTISTRY SYMBOL LIGHT VERTICAL AND TOP RIGHT}",
    "LR": "\N{DENTISTRY SYMBOL LIGHT VERTICAL AND TOP LEFT}",
}
_PERMANENT_NAMES = (
    "central incisor",
    "lateral incisor",
    "canine",
    "first premolar",
    "second premolar",
    "first molar",
    "second molar",
    "third molar",
)
_PRIMARY_NAMES = (
    "primary central incisor",
    "primary lateral incisor",
    "primary canine",
    "primary first molar",
    "primary second molar",
)


def _universal_permanent(quadrant: int, n: int) -> str:
    return str({1: 9 - n, 2: 8 + n, 3: 25 - n, 4: 24 + n}[quadrant])


def _universal_primary(quadrant: int, n: int) -> str:
    # 55-51 = A-E, 61-65 = F-J, 75-71 = K-O, 81-85 = P-T.
    place = {5: 5 - n, 6: 4 + n, 7: 15 - n, 8: 14 + n}[quadrant]
    return "ABCDEFGHIJKLMNOPQRST"[place]


@dataclass(frozen=True, slots=True, kw_only=True)
class Tooth:
    """One tooth in the three notations.

    Attributes
    ----------
    fdi, universal : str
    palmer : str
        Plain text: ``"UR6"``; primary teeth by letter: ``"URE"``.
    palmer_mark : str
        With the corner mark: ``"6⏌"``, ``"⎿6"``, ``"⎾6"``, ``"6⏋"``.
    name : str
        ``"upper right first molar"``.
    primary : bool
    """

    fdi: str
    universal: str
    palmer: str
    palmer_mark: str
    name: str
    primary: bool


def _all_teeth() -> dict[str, Tooth]:
    teeth = {}
    for quadrants, names, universal, primary in (
        (_QUADRANTS, _PERMANENT_NAMES, _universal_permanent, False),
        (_PRIMARY_QUADRANTS, _PRIMARY_NAMES, _universal_primary, True),
    ):
        for quadrant, corner in quadrants.items():
            for n, name in enumerate(names, start=1):
                sign = "ABCDE"[n - 1] if primary else str(n)
                mark = _CORNERS[corner]
                jaw = "upper" if corner[0] == "U" else "lower"
                side = "right" if corner[1] == "R" else "left"
                teeth[f"{quadrant}{n}"] = Tooth(
                    fdi=f"{quadrant}{n}",
                    universal=universal(int(quadrant), n),
                    palmer=f"{corner}{sign}",
                    palmer_mark=f"{sign}{mark}" if side == "right" else f"{mark}{sign}",
                    name=f"{jaw} {side} {name}",
                    primary=primary,
                )
    return teeth


#: All 52 teeth by FDI number.
TEETH: dict[str, Tooth] = _all_teeth()

_BY_UNIVERSAL = {tooth.universal: tooth for tooth in TEETH.values()}
_BY_PALMER = {tooth.palmer: tooth for tooth in TEETH.values()}
_BY_PALMER_MARK = {frozenset(tooth.palmer_mark): tooth for tooth in TEETH.values()}


def tooth_of(fdi: str) -> Tooth | None:
    """Return the tooth with this FDI number, or None when it is not mapped."""
    return TEETH.get(fdi.strip())


def fdi_to_universal(fdi: str) -> str:
    """Universal number or letter of an FDI number, or :data:`NOT_MAPPED`."""
    tooth = tooth_of(fdi)
    return tooth.universal if tooth else NOT_MAPPED


def fdi_to_palmer(fdi: str, *, corner_mark: bool = False) -> str:
    """Palmer notation of an FDI number, or :data:`NOT_MAPPED`.

    ``corner_mark`` False gives plain text (``"UR6"``), True the mark (``"6⏌"``).
    """
    tooth = tooth_of(fdi)
    if tooth is None:
        return NOT_MAPPED
    return tooth.palmer_mark if corner_mark else tooth.palmer


def universal_to_fdi(universal: str) -> str:
    """FDI number of a Universal number (1 to 32) or letter (A to T), or :data:`NOT_MAPPED`."""
    tooth = _BY_UNIVERSAL.get(universal.strip().upper())
    return tooth.fdi if tooth else NOT_MAPPED


def palmer_to_fdi(palmer: str) -> str:
    """FDI number of a Palmer notation, or :data:`NOT_MAPPED`.

    Plain text (``"UR6"``, ``"LLE"``) and corner marks; the sign may stand on
    either side of its corner, for the corner alone tells the quadrant.
    """
    text = palmer.strip().upper()
    tooth = _BY_PALMER.get(text)
    if tooth is None and len(text) == 2:
        tooth = _BY_PALMER_MARK.get(frozenset(text))
    return tooth.fdi if tooth else NOT_MAPPED


#: Canal names in use and what they mean (from memory, common practice).
CANAL_NAMES: dict[str, str] = {
    "single": "single canal",
    "B": "buccal",
    "P": "palatal",
    "PAL": "palatal",
    "L": "lingual",
    "M": "mesial",
    "D": "distal",
    "MB": "mesiobuccal",
    "MB1": "first mesiobuccal",
    "MB2": "second mesiobuccal",
    "MB3": "third mesiobuccal",
    "ML": "mesiolingual",
    "MM": "middle mesial",
    "DB": "distobuccal",
    "DL": "distolingual",
    "DP": "distopalatal",
}


def canal_meaning(name: str) -> str:
    """Full name of a canal abbreviation, or :data:`NOT_MAPPED`."""
    text = name.strip()
    return CANAL_NAMES.get(text) or CANAL_NAMES.get(text.upper(), NOT_MAPPED)


_UPPER_MOLAR_ROOTS = {"MB": "MB", "DB": "DB", "DP": "P", "PAL": "P", "P": "P", "L": "P"}
_UPPER_PREMOLAR_ROOTS = {"B": "B", "P": "P", "PAL": "P", "L": "P"}


@lru_cache(maxsize=10_000)
def root_of(fdi: str, canal: str) -> str:
    """Name of the root that a canal lies in, by the usual anatomy; empty for the only root.

    Upper molars have three roots, lower molars two (M, D), upper first premolars two (B, P),
    other teeth one (from memory, handbooks). A canal or tooth that this does not know is a
    root of its own.
    """
    tooth, name = tooth_of(fdi), canal.strip().upper()
    if tooth is None:
        return name
    kind = "" if tooth.primary else _kind(tooth)
    if kind in ("U6", "U7", "U8"):
        return _UPPER_MOLAR_ROOTS.get(name.rstrip("0123456789"), name)
    if kind in ("L6", "L7", "L8"):
        return name[0] if name.startswith(("M", "D")) else name
    if kind == "U4":
        return _UPPER_PREMOLAR_ROOTS.get(name, name)
    return name if tooth.primary else ""


@dataclass(frozen=True, slots=True, kw_only=True)
class UsualCanals:
    """Usual number of canals and their names.

    ``fewest`` and ``most`` are the usual range, ``names`` those to expect,
    ``note`` what else is seen.
    """

    fewest: int
    most: int
    names: tuple[str, ...]
    note: str = ""


_SINGLE = ("single",)
_CANALS: dict[str, UsualCanals] = {
    "U1": UsualCanals(fewest=1, most=1, names=_SINGLE),
    "U2": UsualCanals(fewest=1, most=1, names=_SINGLE),
    "U3": UsualCanals(fewest=1, most=1, names=_SINGLE),
    "U4": UsualCanals(fewest=2, most=2, names=("B", "P"), note="sometimes 3"),
    "U5": UsualCanals(fewest=1, most=2, names=("B", "P")),
    "U6": UsualCanals(
        fewest=3,
        most=4,
        names=("MB1", "MB2", "DB", "P"),
        note="second mesiobuccal canal in 68.2 % (review of volume images)",
    ),
    "U7": UsualCanals(
        fewest=3,
        most=4,
        names=("MB1", "MB2", "DB", "P"),
        note="second mesiobuccal canal in 46.9 % (volume images)",
    ),
    "U8": UsualCanals(fewest=1, most=4, names=()),
    "L1": UsualCanals(fewest=1, most=2, names=("B", "L")),
    "L2": UsualCanals(fewest=1, most=2, names=("B", "L")),
    "L3": UsualCanals(fewest=1, most=1, names=_SINGLE, note="rarely 2"),
    "L4": UsualCanals(fewest=1, most=2, names=("B", "L")),
    "L5": UsualCanals(fewest=1, most=1, names=_SINGLE, note="one canal throughout in 91.8 %"),
    "L6": UsualCanals(fewest=3, most=4, names=("MB", "ML", "D"), note="or DB and DL in place of D"),
    "L7": UsualCanals(fewest=2, most=4, names=("MB", "ML", "D"), note="C-shape occurs"),
    "L8": UsualCanals(fewest=1, most=4, names=()),
}


def _kind(tooth: Tooth) -> str:
    """Jaw and place from the midline, e.g. ``"U6"``."""
    return tooth.palmer[0] + tooth.fdi[1]


def usual_canals(fdi: str) -> UsualCanals | None:
    """Usual canals of a permanent tooth; None for primary teeth and unmapped codes."""
    tooth = tooth_of(fdi)
    return None if tooth is None or tooth.primary else _CANALS[_kind(tooth)]


@dataclass(frozen=True, slots=True, kw_only=True)
class MeanLength:
    """Mean length of one root from incisal edge or cusp tip to apex, mm.

    ``root`` is empty when the mean is of the tooth. ``shortest_mm`` and
    ``longest_mm`` are the range of the source, None where none is recalled.
    """

    root: str
    mean_mm: float
    shortest_mm: float | None
    longest_mm: float | None
    source: str


BLACK = "Black, tables of mean lengths (from memory)"
INGLE = "Ingle, mean (range) (from memory)"
#: Handbook table copy, read, weak.
LONG_CANINES = "maxillary canines, handbook table copy (read, weak)"

_LENGTHS: dict[str, tuple[tuple[str, float, float | None, float | None, str], ...]] = {
    "U1": (("", 22.5, None, None, BLACK), ("", 23.3, 21.0, 25.6, INGLE)),
    "U2": (("", 22.0, None, None, BLACK), ("", 22.8, 20.5, 25.1, INGLE)),
    "U3": (
        ("", 26.5, None, None, BLACK),
        ("", 26.0, 23.1, 28.9, INGLE),
        ("", 26.4, 20.0, 38.4, LONG_CANINES),
    ),
    "U4": (("", 20.6, None, None, BLACK), ("", 21.8, 18.8, 23.8, INGLE)),
    "U5": (("", 21.5, None, None, BLACK), ("", 21.0, 19.0, 23.0, INGLE)),
    "U6": (
        ("", 20.8, None, None, BLACK),
        ("MB", 19.9, 18.2, 21.6, INGLE),
        ("DB", 19.4, 17.6, 21.2, INGLE),
        ("P", 20.6, 17.6, 22.5, INGLE),
    ),
    "U7": (
        ("", 20.0, None, None, BLACK),
        ("MB", 20.2, 18.2, 22.2, INGLE),
        ("DB", 19.4, None, None, INGLE),
        ("P", 20.8, 19.0, 22.6, INGLE),
    ),
    "U8": (("", 17.1, None, None, BLACK),),
    "L1": (("", 20.7, None, None, BLACK), ("", 21.5, 19.6, 23.4, INGLE)),
    "L2": (("", 21.1, None, None, BLACK), ("", 22.4, 20.2, 24.6, INGLE)),
    "L3": (("", 25.6, None, None, BLACK), ("", 25.2, 22.9, 27.5, INGLE)),
    "L4": (("", 21.6, None, None, BLACK), ("", 22.1, 20.1, 24.1, INGLE)),
    "L5": (("", 22.3, None, None, BLACK), ("", 21.4, 19.1, 23.7, INGLE)),
    "L6": (
        ("", 21.0, None, None, BLACK),
        ("M", 20.9, 19.1, 22.7, INGLE),
        ("D", 20.9, 19.2, 22.6, INGLE),
    ),
    "L7": (
        ("", 19.8, None, None, BLACK),
        ("M", 20.9, None, None, INGLE),
        ("D", 20.8, 19.0, 22.6, INGLE),
    ),
    "L8": (("", 18.5, None, None, BLACK),),
}


def mean_lengths(fdi: str) -> tuple[MeanLength, ...]:
    """Mean lengths of a permanent tooth; empty for primary teeth and unmapped codes."""
    tooth = tooth_of(fdi)
    if tooth is None or tooth.primary:
        return ()
    return tuple(
        MeanLength(root=r, mean_mm=m, shortest_mm=a, longest_mm=b, source=s)
        for r, m, a, b, s in _LENGTHS[_kind(tooth)]
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class CrownAndRoot:
    """Crown height and root lengths from the cemento-enamel junction, mm.

    ``roots_mm`` pairs the root's name (empty where there is one) and its length.
    """

    crown_mm: float
    roots_mm: tuple[tuple[str, float], ...]
    source: str


WHEELER = "Wheeler (from memory; upper incisors confirmed)"

_CROWN_AND_ROOT: dict[str, tuple[float, tuple[tuple[str, float], ...]]] = {
    "U1": (10.5, (("", 13.0),)),
    "U2": (9.0, (("", 13.0),)),
    "U3": (10.0, (("", 17.0),)),
    "U4": (8.5, (("", 14.0),)),
    "U5": (8.5, (("", 14.0),)),
    "U6": (7.5, (("B", 12.0), ("P", 13.0))),
    "U7": (7.0, (("B", 11.0), ("P", 12.0))),
    "U8": (6.5, (("", 11.0),)),
    "L1": (9.0, (("", 12.5),)),
    "L2": (9.5, (("", 14.0),)),
    "L3": (11.0, (("", 16.0),)),
    "L4": (8.5, (("", 14.0),)),
    "L5": (8.0, (("", 14.5),)),
    "L6": (7.5, (("", 14.0),)),
    "L7": (7.0, (("", 13.0),)),
    "L8": (7.0, (("", 11.0),)),
}


def crown_and_root(fdi: str) -> CrownAndRoot | None:
    """Crown and root lengths of a permanent tooth; None for primary and unmapped."""
    tooth = tooth_of(fdi)
    if tooth is None or tooth.primary:
        return None
    crown, roots = _CROWN_AND_ROOT[_kind(tooth)]
    return CrownAndRoot(crown_mm=crown, roots_mm=roots, source=WHEELER)


def plausible_range_mm(fdi: str) -> tuple[float, float] | None:
    """Range a measured tooth length should lie in, mm: means -4 to +4 (choice).

    From the smallest mean of any root and source to the largest. Empty or
    unmapped: 18 to 31 mm. None for primary teeth, of which no table is kept.
    """
    tooth = tooth_of(fdi)
    if tooth is None:
        return ANY_TOOTH_MM
    if tooth.primary:
        return None
    means = [length.mean_mm for length in mean_lengths(fdi)]
    return (min(means) - MEAN_MARGIN_MM, max(means) + MEAN_MARGIN_MM)


def length_plausibility(fdi: str, length_mm: float) -> Warned | None:
    """Whether a measured tooth length can be believed.

    Parameters
    ----------
    fdi : str
        FDI number; empty when unknown.
    length_mm : float
        Coronal reference to apex.

    Returns
    -------
    Warned or None
        None: plausible. ``scale-implausible``: under 12 or over 35 mm, to be
        refused as a probable error of the scale (primary teeth may be
        shorter: over 35 mm only). ``tooth-length-implausible``: off the
        tooth's means by more than 4 mm. Means differ between populations
        (upper canine 27.2 against 26.0 mm), so this is a flag, no more.

    Raises
    ------
    MarksError
        The length is not a number above 0.
    """
    length = checked(length_mm, name="tooth length", unit="mm", above=0.0)
    tooth = tooth_of(fdi)
    named = f"tooth {tooth.fdi}" if tooth else "a tooth"
    shortest, longest = SCALE_LIMITS_MM
    too_short = length < shortest and not (tooth and tooth.primary)
    if too_short or length > longest:
        return Warned(
            code="scale-implausible",
            text=f"{length:.2f} mm is not believable for {named} (under {shortest:g} or over "
            f"{longest:g} mm). The scale is probably wrong: check the reference.",
        )
    span = plausible_range_mm(fdi)
    if span is not None and not span[0] <= length <= span[1]:
        return Warned(
            code="tooth-length-implausible",
            text=f"{length:.2f} mm is unusual for {named}: {span[0]:.1f} to {span[1]:.1f} mm "
            "would be expected. Check the scale and the landmarks.",
        )
    return None
