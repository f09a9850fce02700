"""Colours and line forms of drawing and plots, by role.

Okabe and Ito's palette (2008, "Color universal design"; value from memory),
which readers with the common colour-vision deficiencies can tell apart. Every
role also differs by line form or shape.
"""

from __future__ import annotations

from rxmeasure.criteria.results import Outcome

CENTRE_LINE = "#56b4e9"
EDGES = "#7fe0c3"
CORE_END = "#e69f00"
SEALER_END = "#f0c060"
VOID = "#ff6a00"
PUFF = "#e48fc0"
REFERENCE = "#f0e442"
LANDMARK = "#ffffff"
POST = "#c9b8ff"
#: What teachers agreed on, beside a student's own.
KEY = "#f0e442"

#: Dark enough for text on white (contrast of at least 4.5 to 1, WCAG 2.1, 1.4.3).
VERDICT = {
    Outcome.MET: "#005a9c",
    Outcome.NOT_MET: "#a63c00",
    Outcome.BORDERLINE: "#6b5200",
    Outcome.CANNOT_BE_JUDGED: "#4d4d4d",
}

INK = "#1b1f24"
PLOT_WIDTH = "#0072b2"
PLOT_TAPER = "#a63c00"
PLOT_NOMINAL = "#b5b5b5"
PLOT_DENSITY = "#1b1f24"
PLOT_EXPECTED = "#0072b2"
PLOT_VOID = "#d55e00"
