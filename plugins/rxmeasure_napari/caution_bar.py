"""The strip of cautions that is always in sight; the texts are the report's."""

from __future__ import annotations

from qtpy.QtCore import QEvent, QObject, QRect, Qt
from qtpy.QtGui import QKeyEvent
from qtpy.QtWidgets import QFrame, QHBoxLayout, QScrollArea, QToolButton, QVBoxLayout, QWidget

from rxmeasure.report.cautions import CAUTIONS, Caution
from rxmeasure.report.numbers import Numbers
from rxmeasure_napari import look

#: Words in the heads of the cautions that matter most for a topic, most urgent first.
TOPICS = {
    "length": ("foramen", "scale"),
    "density": ("visible void", "shadow."),
    "lesion": ("lesion", "two-dimensional"),
    "all": ("aid for teaching", "foramen"),
}

_SIGN = "⚠"

#: Lines of text of the folded strip, and of the unfolded cautions.
_LINES_FOLDED = 2
_LINES_UNFOLDED = 14


class CautionBar(QWidget):
    """Heads of the cautions for the step in front; a button unfolds the full texts."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("rx_cautions")
        self.setStyleSheet(look.style_sheet())
        self._cautions = for_topic("all")
        self._numbers = Numbers()
        self._heads = look.text_line("", "rx_caution_heads")
        self._heads.setAccessibleName("Cautions")
        self._heads.setMinimumHeight(_LINES_FOLDED * self._heads.fontMetrics().lineSpacing())
        self._heads.installEventFilter(self)
        self._button = self._make_button()
        self._all = _Unfolded(self)
        self._all.hide()
        row = QHBoxLayout()
        row.setSpacing(4)
        row.addWidget(self._heads, 1)
        row.addWidget(self._button, 0, Qt.AlignmentFlag.AlignVCenter)
        rows = QVBoxLayout(self)
        rows.setContentsMargins(2, 2, 2, 2)
        rows.setSpacing(2)
        rows.addWidget(self._all)
        rows.addLayout(row)
        self.show_for("all")

    def show_for(self, topic: str) -> None:
        """Put the cautions of a topic first: ``length``, ``density``, ``lesion`` or ``all``."""
        self._cautions = for_topic(topic)
        self._show()

    def write_with(self, numbers: Numbers) -> None:
        """Write the numbers in the texts with this decimal mark."""
        self._numbers = numbers
        self._show()

    def _show(self) -> None:
        self._all.show_cautions(self._cautions, self._numbers)
        self._show_heads()

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        """Show as many heads as there is room for."""
        if event.type() == QEvent.Type.Resize:
            self._show_heads()
        return bool(super().eventFilter(watched, event))

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Escape folds the full texts."""
        if event.key() == Qt.Key.Key_Escape and self._button.isChecked():
            self._button.setChecked(False)
            self._button.setFocus(Qt.FocusReason.OtherFocusReason)
        else:
            super().keyPressEvent(event)

    def _make_button(self) -> QToolButton:
        made = QToolButton()
        made.setObjectName("rx_cautions_unfold")
        made.setText(f"All {len(CAUTIONS)}")
        made.setAccessibleName("All cautions in full, with sources")
        made.setToolTip("All cautions in full, with sources (Escape folds them)")
        made.setCheckable(True)
        made.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        made.toggled.connect(self._unfold)
        return made

    def _unfold(self, on: bool) -> None:
        self._all.setVisible(on)
        self._button.setText("Fold" if on else f"All {len(CAUTIONS)}")
        if on:
            self._all.setFocus(Qt.FocusReason.OtherFocusReason)

    def _show_heads(self) -> None:
        heads = [self._numbers.in_text(caution.head) for caution in self._cautions]
        shown = heads[:1]
        for head in heads[1:]:
            if not self._fits(" ".join((*shown, head))):
                break
            shown.append(head)
        self._heads.setText(f"{_SIGN} {' '.join(shown)}")

    def _fits(self, text: str) -> bool:
        metrics = self._heads.fontMetrics()
        room = QRect(0, 0, max(self._heads.width(), 1), 10_000)
        needed = metrics.boundingRect(room, Qt.TextFlag.TextWordWrap, f"{_SIGN} {text}")
        # Rounded, for a sign from another font makes its line a little higher.
        return round(needed.height() / metrics.lineSpacing()) <= _LINES_FOLDED


class _Unfolded(QScrollArea):
    """All cautions with their sources, in limited height."""

    def __init__(self, parent: QWidget) -> None:
        super().__init__(parent)
        self.setObjectName("rx_cautions_full")
        self.setAccessibleName("All cautions")
        self.setWidgetResizable(True)
        self.setFrameShape(QFrame.Shape.NoFrame)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setFixedHeight(_LINES_UNFOLDED * self.fontMetrics().lineSpacing())

    def show_cautions(self, cautions: tuple[Caution, ...], numbers: Numbers) -> None:
        """Show them in this order, from the first one on."""
        page = QWidget()
        rows = QVBoxLayout(page)
        rows.setContentsMargins(4, 2, 4, 2)
        rows.setSpacing(2)
        for caution in cautions:
            rows.addWidget(look.heading(numbers.in_text(caution.head)))
            rows.addWidget(look.text_line(numbers.in_text(caution.text)))
            for source in caution.sources:
                rows.addWidget(look.hint(f"Source ({source.status}): {source.text}"))
        rows.addStretch(1)
        self.setWidget(page)
        self.verticalScrollBar().setValue(0)


def for_topic(topic: str) -> tuple[Caution, ...]:
    """All cautions, those of the topic first."""
    first = [c for word in TOPICS[topic] for c in CAUTIONS if word in c.head]
    return (*first, *(c for c in CAUTIONS if c not in first))
