"""Colours, symbols and sizes of what is drawn on the film, by role.

Roles differ by line form or symbol besides colour. Colours as in the report
(`rxmeasure.report.colours`); sizes are screen pixels and follow the zoom.
"""

from __future__ import annotations

from dataclasses import dataclass

from rxmeasure.report import colours


@dataclass(frozen=True, slots=True, kw_only=True)
class LineStyle:
    """One kind of line: colour, opacity, and dash and gap in screen pixels (0: solid)."""

    colour: str
    opacity: float = 1.0
    dash_px: float = 0.0
    gap_px: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class MarkStyle:
    """One kind of point: symbol, colour, size in screen pixels."""

    symbol: str
    colour: str
    size_px: float = 11.0


#: Lavender, and grey: no mark or result of a canal has these.
_PROPOSED = "#c9b8ff"
_DECLINED = "#bcc3cd"

CENTRE = LineStyle(colour=colours.CENTRE_LINE)
CENTRE_UNSEEN = LineStyle(colour=colours.CENTRE_LINE, dash_px=5, gap_px=5)
OTHER_CANAL = LineStyle(colour=colours.CENTRE_LINE, opacity=0.5, dash_px=2, gap_px=4)
EDGE = LineStyle(colour=colours.EDGES, opacity=0.8)
CORE_END = LineStyle(colour=colours.CORE_END)
SEALER_END = LineStyle(colour=colours.SEALER_END, dash_px=3, gap_px=3)
VOID = LineStyle(colour=colours.VOID)
PUFF = LineStyle(colour=colours.PUFF, dash_px=6, gap_px=3)
REFERENCE = LineStyle(colour=colours.REFERENCE, dash_px=9, gap_px=4)
OFFERED = LineStyle(colour=colours.REFERENCE, dash_px=2, gap_px=4)
APEX = LineStyle(colour=colours.LANDMARK)
PLACE = LineStyle(colour=colours.LANDMARK, opacity=0.8, dash_px=2, gap_px=2)

#: Outlines of lesions: whole at the film's own visit, dashed where another visit's lies on it.
LESION = LineStyle(colour=colours.SEALER_END)
LESION_BEHIND = LineStyle(colour=colours.SEALER_END, opacity=0.7)
LESION_LATER = LineStyle(colour=colours.EDGES, dash_px=7, gap_px=4)
#: A finding of which there is no number, or not yet.
LESION_UNMEASURED = LineStyle(colour=colours.SEALER_END, dash_px=2, gap_px=4)
DIVIDER = LineStyle(colour=colours.LANDMARK, opacity=0.8)

#: Beneath the dashes of a proposal, so that they are seen on a bright fill too.
GROUND = LineStyle(colour="#000000", opacity=0.75)
PROPOSAL = LineStyle(colour=_PROPOSED, dash_px=11, gap_px=6)
PROPOSAL_BEHIND = LineStyle(colour=_PROPOSED, opacity=0.7, dash_px=5, gap_px=8)
PROPOSAL_END = LineStyle(colour=_PROPOSED)
DECLINED = LineStyle(colour=_DECLINED, dash_px=2, gap_px=5)

CLICK = MarkStyle(symbol="ring", colour=colours.CENTRE_LINE)
LANDMARK = MarkStyle(symbol="diamond", colour=colours.LANDMARK)
REFERENCE_POINT = MarkStyle(symbol="square", colour=colours.REFERENCE, size_px=9.0)
PROPOSAL_POINT = MarkStyle(symbol="x", colour=_PROPOSED, size_px=10.0)
SEED = MarkStyle(symbol="cross", colour=colours.SEALER_END, size_px=13.0)
OUTLINE_POINT = MarkStyle(symbol="ring", colour=colours.SEALER_END, size_px=9.0)
PAIR_POINT = MarkStyle(symbol="diamond", colour=colours.REFERENCE)
OFFERED_POINT = MarkStyle(symbol="cross", colour=colours.REFERENCE, size_px=13.0)
CHOSEN_COLOUR = colours.LANDMARK

LINE_PX = 1.6
LABEL_PT = 10
HALO_PX = 1.3
#: How near the pointer must come to a point to take hold of it, and to a line to be on it.
GRAB_PX = 9.0
NEAR_LINE_PX = 12.0
