"""Step 'recall': the visits of a tooth, side by side and compared, page by page."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Protocol

from qtpy.QtWidgets import QButtonGroup, QHBoxLayout, QPushButton, QSizePolicy, QVBoxLayout, QWidget

from rxmeasure_napari.panels.film_panel import FilmPanel, button
from rxmeasure_napari.panels.recall_lesions import LesionsPage
from rxmeasure_napari.panels.recall_results import ChangesPage, ScoresPage
from rxmeasure_napari.panels.recall_views import ViewsPage
from rxmeasure_napari.panels.recall_visits import VisitsPage
from rxmeasure_napari.review_state import Step
from rxmeasure_napari.series_state import Tool

if TYPE_CHECKING:
    from rxmeasure_napari.desk import Desk


class Page(Protocol):
    """One page of the step."""

    def refresh(self) -> None:
        """Show the series as it stands."""

    def commit(self) -> None:
        """Take what is typed and not yet taken."""


class RecallPanel(FilmPanel):
    """The pages of the step, one at a time."""

    step = Step.RECALL

    def __init__(self, desk: Desk, parent: QWidget | None = None) -> None:
        super().__init__(desk, parent)
        self._pages: dict[str, Any] = {
            "visits": VisitsPage(desk.recall),
            "views": ViewsPage(desk.recall),
            "lesions": LesionsPage(desk.recall),
            "scores": ScoresPage(desk.recall),
            "changes": ChangesPage(desk.recall),
        }
        rows = QVBoxLayout(self)
        rows.setContentsMargins(4, 2, 4, 2)
        rows.setSpacing(4)
        rows.addLayout(self._page_bar())
        for page in self._pages.values():
            rows.addWidget(page)
            page.hide()
        rows.addStretch(1)
        desk.busy_changed.connect(self._refresh_if_seen)
        self.show_page("visits")

    def _page_bar(self) -> QHBoxLayout:
        row = QHBoxLayout()
        row.setSpacing(2)
        self._chips = QButtonGroup(self)
        for place, name in enumerate(self._pages):
            chip: QPushButton = button(name.capitalize(), f"rx_recall_{name}")
            chip.setCheckable(True)
            chip.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
            self._chips.addButton(chip, place)
            row.addWidget(chip)
        self._chips.idClicked.connect(lambda k: self.show_page(list(self._pages)[k]))
        return row

    def show_page(self, name: str) -> None:
        """Bring a page to the front."""
        self.desk.recall.take_tool(Tool.LOOK)
        for place, (key, page) in enumerate(self._pages.items()):
            page.setVisible(key == name)
            if key == name:
                self._chips.button(place).setChecked(True)
        # Who scores is not to be told by the sizes.
        self.state.series.bring(scoring=name == "scores")
        self._refresh_if_seen()

    def finish(self) -> None:
        """The outline or the points being clicked are whole."""
        if self.desk.recall.pointer is not None:
            self.desk.recall.pointer.finish()

    def commit(self) -> None:
        """Take what is typed and not yet taken."""
        for page in self._pages.values():
            page.commit()

    def refresh(self) -> None:
        """Show the page in front."""
        for page in self._pages.values():
            if page.isVisibleTo(self):
                page.refresh()

    def _state_signals(self) -> tuple[Any, ...]:
        series = self.state.series
        return (
            *super()._state_signals(),
            series.marks_changed,
            series.front_changed,
            series.results_changed,
            series.kept_changed,
        )
