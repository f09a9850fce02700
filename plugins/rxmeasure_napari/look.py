"""How the dock looks: colours on the dark ground of napari, text helpers, one style sheet.

Colours are those of the report where these can be read on a dark ground (at least
4.5 to 1, WCAG 2.1, 1.4.3). None of them stands without a sign or a word. Text sizes
follow the system: nothing here is a size of text in pixels.
"""

from __future__ import annotations

from qtpy.QtCore import Qt
from qtpy.QtGui import QFont, QResizeEvent
from qtpy.QtWidgets import QLabel, QSizePolicy

from rxmeasure.criteria.results import Outcome
from rxmeasure.recall.change import ChangeVerdict
from rxmeasure.report import colours

#: Background, raised ground and text as in the dark theme of napari.
BACKGROUND = "#262930"
RAISED = "#414851"
TEXT = "#f0f1f2"

CARD = "#2d3139"
LINE = "#6a7380"
MUTED = "#bcc3cd"
FOCUS = colours.CENTRE_LINE

#: Sky blue, vermilion (lightened to be read on dark), yellow: Okabe and Ito's palette.
VERDICT = {
    Outcome.MET: colours.CENTRE_LINE,
    Outcome.NOT_MET: "#ff8f5a",
    Outcome.BORDERLINE: colours.REFERENCE,
    Outcome.CANNOT_BE_JUDGED: MUTED,
}
ALERT = VERDICT[Outcome.NOT_MET]

#: What became of a lesion: smaller, larger, or neither that can be told.
CHANGE = {
    ChangeVerdict.REDUCED: VERDICT[Outcome.MET],
    ChangeVerdict.NOT_VISIBLE: VERDICT[Outcome.MET],
    ChangeVerdict.NONE_VISIBLE: VERDICT[Outcome.MET],
    ChangeVerdict.UNCHANGED: VERDICT[Outcome.BORDERLINE],
    ChangeVerdict.ENLARGED: ALERT,
    ChangeVerdict.NEW: ALERT,
    ChangeVerdict.CANNOT_BE_TOLD: MUTED,
}

#: What the dock tells, by the kind of line.
TOLD = {"note": MUTED, "warning": colours.SEALER_END, "refusal": ALERT}

DOCK_WIDTH_PX = 400
CENTRE = Qt.AlignmentFlag.AlignHCenter

#: Text of a label that is smaller than the rest, as a share of it.
SMALL = 0.9


def text_line(text: str = "", object_name: str = "") -> QLabel:
    """A wrapped line of plain text that can be copied and never widens the dock."""
    label = QLabel(text)
    label.setObjectName(object_name)
    label.setTextFormat(Qt.TextFormat.PlainText)
    label.setWordWrap(True)
    policy = QSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
    policy.setHeightForWidth(True)
    label.setSizePolicy(policy)
    label.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
    return label


class NameLine(QLabel):
    """One line of plain text; what does not fit is left out in its middle, for names end apart."""

    def __init__(self, object_name: str) -> None:
        super().__init__()
        self.setObjectName(object_name)
        self.setTextFormat(Qt.TextFormat.PlainText)
        self.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
        self.setIndent(0)
        self._whole = ""

    def show_name(self, name: str) -> None:
        """Show a name."""
        self._whole = name
        self.setAccessibleName(name)
        self._fit()

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Show as much as there is room for."""
        super().resizeEvent(event)
        self._fit()

    def _fit(self) -> None:
        metrics = self.fontMetrics()
        self.setText(metrics.elidedText(self._whole, Qt.TextElideMode.ElideMiddle, self.width()))


def heading(text: str, object_name: str = "") -> QLabel:
    """A wrapped bold line."""
    label = text_line(text, object_name)
    font = QFont(label.font())
    font.setBold(True)
    label.setFont(font)
    return label


def hint(text: str, object_name: str = "") -> QLabel:
    """A wrapped line of less weight, a little smaller."""
    label = text_line(text, object_name)
    label.setProperty("rx_role", "hint")
    font = QFont(label.font())
    if font.pointSizeF() > 0:
        font.setPointSizeF(font.pointSizeF() * SMALL)
    label.setFont(font)
    return label


def told_style(kind: str) -> str:
    """Style of the line that tells: ``"note"``, ``"warning"`` or ``"refusal"``."""
    return f"color: {TOLD[kind]};"


def style_sheet() -> str:
    """Style of all widgets of the dock that differ from the theme around it."""
    edges = "".join(
        f'QFrame[rx_edge="{outcome.name}"] {{ border-left: 3px solid {colour}; }}\n'
        for outcome, colour in VERDICT.items()
    )
    return f"""
QLabel {{ color: {TEXT}; background: transparent; }}
QLabel[rx_role="hint"] {{ color: {MUTED}; }}
QFrame[rx_role="card"] {{ background: {CARD}; border: 1px solid {RAISED}; border-radius: 3px; }}
QFrame[rx_role="line"] {{ border: none; border-radius: 0px; padding-left: 5px; }}
{edges}QFrame[rx_role="form"] {{ background: {BACKGROUND}; border: 1px solid {LINE};
    border-radius: 3px; }}
QToolButton, QPushButton {{ color: {TEXT}; background: {RAISED}; border: 1px solid {RAISED};
    border-radius: 2px; padding: 1px 6px; }}
QToolButton:hover, QPushButton:hover, QToolButton:checked, QPushButton:checked
    {{ border-color: {MUTED}; }}
QPushButton[rx_role="choice"]:checked {{ color: {BACKGROUND}; background: {FOCUS};
    font-weight: bold; }}
QToolButton:focus, QPushButton:focus {{ border-color: {FOCUS}; }}
QToolButton:disabled, QPushButton:disabled {{ color: {MUTED}; background: {BACKGROUND}; }}
QLineEdit, QComboBox {{ color: {TEXT}; background: {RAISED}; border: 1px solid {LINE};
    border-radius: 2px; padding: 1px 4px; }}
QLineEdit:focus, QComboBox:focus, QScrollArea:focus {{ border: 1px solid {FOCUS}; }}
"""
