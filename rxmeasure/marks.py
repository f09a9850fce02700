"""What a person marks on a film: the inputs of a review, and nothing computed.

Points are (row, col) in pixels, the centre of the first pixel being (0, 0).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

PointPx = tuple[float, float]


class FilmKind(StrEnum):
    """When in the treatment the film was taken. The kind decides what is measured."""

    PREOPERATIVE = "preoperative"
    WORKING_LENGTH = "working-length"
    MASTER_CONE = "master-cone"
    POSTOPERATIVE = "post-operative"
    RECALL = "recall"

    @property
    def filled(self) -> bool:
        """Whether the canals on such a film are filled."""
        return self in (FilmKind.POSTOPERATIVE, FilmKind.RECALL)


class LandmarkState(StrEnum):
    """Whether a landmark could be seen."""

    MARKED = "marked"
    NOT_GIVEN = "not given"
    UNCLEAR = "unclear"
    RESORBED = "resorbed"
    OPEN_APEX = "open apex"
    OUTSIDE_FILM = "outside the film"


class MarksOrigin(StrEnum):
    """Who placed the points of a canal, and whether a person stands behind them."""

    BY_HAND = "by hand"
    PROPOSAL_ACCEPTED = "proposal accepted"
    PROPOSAL_EDITED = "proposal edited"
    NOT_CONFIRMED = "not confirmed"


@dataclass(frozen=True, slots=True, kw_only=True)
class Landmark:
    """A landmark of one canal: a point, or the reason why there is none.

    ``label`` names the place in words (for a coronal reference: which cusp tip
    or edge), so that the next reader can find it again. A resorbed or open
    apex may still carry a point.
    """

    point_px: PointPx | None = None
    state: LandmarkState = LandmarkState.NOT_GIVEN
    label: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class NominalShape:
    """Size and taper that the person states for the last shaping file or the cone.

    ``size`` is the ISO 3630-1 size (hundredths of a millimetre at the tip),
    ``taper`` in mm per mm (0.04 for '.04').
    """

    size: float
    taper: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CanalMarks:
    """Marks for one canal.

    Attributes
    ----------
    name : str
        Canal name, e.g. ``"MB"``, ``"D"``, ``"P"``, or ``"single"``.
    clicks_px : tuple of PointPx
        Rough clicks along the canal, first at the coronal reference, last at
        the radiographic apex. Two are enough, three help in a curve.
    coronal_reference, orifice, radiographic_apex, core_end, sealer_end : Landmark
        Optional. A marked ``core_end`` or ``sealer_end`` is where the person
        sees the apical end of the core / the sealer; without it the program
        finds the end itself. ``radiographic_apex`` left out means: the last click.
    post_end : Landmark
        Apical end of a post in this canal.
    nominal : NominalShape or None
    downpack_depth_mm : float or None
        Stated distance from the fill's end to the downpack/backfill joint.
    locator_reading_mm : float or None
        Electronic working length, kept beside the film length, never averaged.
    stop_to_tip_mm : float or None
        Working-length and master-cone films: the real length of the file or
        cone, stop to tip.
    origin : MarksOrigin
        Clicks and apex placed by hand, proposed by the program and accepted by a
        person (unchanged or edited), or proposed and confirmed by nobody.
    """

    name: str
    clicks_px: tuple[PointPx, ...]
    coronal_reference: Landmark = field(default_factory=Landmark)
    orifice: Landmark = field(default_factory=Landmark)
    radiographic_apex: Landmark = field(default_factory=Landmark)
    core_end: Landmark = field(default_factory=Landmark)
    sealer_end: Landmark = field(default_factory=Landmark)
    post_end: Landmark = field(default_factory=Landmark)
    nominal: NominalShape | None = None
    downpack_depth_mm: float | None = None
    locator_reading_mm: float | None = None
    stop_to_tip_mm: float | None = None
    origin: MarksOrigin = MarksOrigin.BY_HAND

    @property
    def confirmed(self) -> bool:
        """Whether a person placed or accepted the points."""
        return self.origin is not MarksOrigin.NOT_CONFIRMED


@dataclass(frozen=True, slots=True, kw_only=True)
class LengthReference:
    """Something of known length on the film.

    Attributes
    ----------
    kind : str
        ``"file"``: traced along its image, curved or not, from the stop to the
        tip. ``"line"``: straight between two points.
    points_px : tuple of PointPx
        Two or more clicks from one end to the other.
    length_mm : float
        Real length.
    length_u_mm : float
        Standard uncertainty of that length (the setting of a stop on a file).
    tip_size : float or None
        ISO 3630-1 size of the file's tip.
    label : str
    ends_u_px : tuple of float or None
        Standard uncertainty of the first and the last point along the reference, in column
        pitches, where the program placed them (`find_file`); None for clicks.
    """

    kind: str
    points_px: tuple[PointPx, ...]
    length_mm: float
    length_u_mm: float = 0.1
    tip_size: float | None = None
    label: str = ""
    ends_u_px: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """Settings a person may change; each default says where it comes from.

    Attributes
    ----------
    click_sd_mm : float
        How far a click lands from what it aims at, one standard deviation per
        axis (choice: 0.2 mm, a rough mouse click).
    safety_mm : float
        Taken off the film length to get a trial working length: 1.0 mm
        (teaching rule; reference in the report).
    magnification_u_rel : float
        Relative standard uncertainty of a detector-plane scale used for
        a tooth some millimetres before the detector. (400 mm, 10-30 mm
        give 1.026-1.081: half-range over sqrt(3).)
    void_min_px, void_min_mm, void_min_contrast_sd : float
        Floor under which a density gap is not counted (choice: 3 px, 0.20 mm, 3 noise SD).
    seed : int
        Seed of every Monte Carlo draw.
    """

    click_sd_mm: float = 0.2
    safety_mm: float = 1.0
    magnification_u_rel: float = 0.016
    void_min_px: float = 3.0
    void_min_mm: float = 0.20
    void_min_contrast_sd: float = 3.0
    seed: int = 20240229


@dataclass(frozen=True, slots=True, kw_only=True)
class ReviewMarks:
    """All inputs of one review of one film.

    Attributes
    ----------
    film_kind : FilmKind
    tooth : str
        FDI number (ISO 3950), e.g. ``"16"``; empty when unknown.
    patient_pseudonym, visit : str
        Never a name. ``visit`` groups the films of one tooth and visit.
    canals : tuple of CanalMarks
    references : tuple of LengthReference
    use_detector_spacing : bool
        Take the file's own pixel spacing when no reference is given.
    rule_set_ids : tuple of str
        Criteria to judge by; empty means the default set for the film kind.
    settings : Settings
    overrides : tuple of Override
    reader : str
        Pseudonym of who marked.
    """

    film_kind: FilmKind
    tooth: str = ""
    patient_pseudonym: str = ""
    visit: str = ""
    canals: tuple[CanalMarks, ...] = ()
    references: tuple[LengthReference, ...] = ()
    use_detector_spacing: bool = True
    rule_set_ids: tuple[str, ...] = ()
    settings: Settings = field(default_factory=Settings)
    overrides: tuple[Override, ...] = ()
    reader: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Override:
    """A verdict changed, or a refusal passed over, by a person who gives a reason."""

    canal: str
    rule_id: str
    verdict: str
    reason: str
