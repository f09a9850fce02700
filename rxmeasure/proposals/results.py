"""What is proposed to a person: plain frozen values, nothing accepted by itself."""

from __future__ import annotations

from dataclasses import dataclass

from rxmeasure.marks import CanalMarks, Landmark, LandmarkState, MarksOrigin, PointPx


@dataclass(frozen=True, slots=True, kw_only=True)
class CanalProposal:
    """A filled canal that a person may accept.

    Attributes
    ----------
    clicks_px : tuple of PointPx
        (row, col) along the canal, coronal end of the fill first; last the radiographic apex, or
        the apical end of the fill when there is no apex.
    fill_start_px, fill_end_px : PointPx
        Coronal and apical end of the fill.
    apex_px : PointPx or None
        Radiographic apex.
    confidence : float
        That this is a filled canal, 0..1.
    apex_confidence : float
        That the apex lies within 0.5 mm, 0..1; 0 without an apex.
    why_no_apex : str or None
        Why no apex is proposed.
    reasons : tuple of str
        What lowers the confidence, in words.
    root_outline_px : tuple of PointPx, or None
        Closed outline of the tooth round the fill and of what lies over it; None where the
        explicit method proposes, or no tooth is seen there.
    """

    clicks_px: tuple[PointPx, ...]
    fill_start_px: PointPx
    fill_end_px: PointPx
    apex_px: PointPx | None
    confidence: float
    apex_confidence: float
    why_no_apex: str | None
    reasons: tuple[str, ...] = ()
    root_outline_px: tuple[PointPx, ...] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Declined:
    """A bright line that is not proposed, and why."""

    points_px: tuple[PointPx, ...]
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposals:
    """All that is proposed on one film, surest first, and the clear lines that are not."""

    canals: tuple[CanalProposal, ...]
    declined: tuple[Declined, ...]


def to_marks(
    proposal: CanalProposal, name: str, *, origin: MarksOrigin = MarksOrigin.PROPOSAL_ACCEPTED
) -> CanalMarks:
    """Marks of a proposal, under the canal's name.

    ``origin`` says whether a person has accepted it, or that nobody has.

    Without a proposed apex the last click is the fill's end and the apex is marked as unclear:
    no distance to the apex is measured until the person marks it.
    """
    apex = (
        Landmark(point_px=proposal.apex_px, state=LandmarkState.MARKED)
        if proposal.apex_px is not None
        else Landmark(state=LandmarkState.UNCLEAR)
    )
    return CanalMarks(
        name=name, clicks_px=proposal.clicks_px, radiographic_apex=apex, origin=origin
    )
