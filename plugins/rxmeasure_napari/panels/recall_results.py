"""Scores of each visit, and what became of the tooth: course, changes, keeping."""

from __future__ import annotations

from pathlib import Path

from qtpy.QtCore import QSignalBlocker
from qtpy.QtWidgets import QCheckBox, QFileDialog, QLabel, QVBoxLayout, QWidget

from rxmeasure.recall.scores import ReaderScore, Suggest, Symptoms, published_scales
from rxmeasure.recall.steps import Step
from rxmeasure.record.sidecar import SERIES_SUFFIX
from rxmeasure.report.series_words import refusal_texts
from rxmeasure_napari import series_edits
from rxmeasure_napari.keys import with_key
from rxmeasure_napari.panels.film_panel import Choice, button, set_line, text_line
from rxmeasure_napari.panels.pointing_panel import in_a_row, warning_line
from rxmeasure_napari.panels.recall_lesions import known_roots
from rxmeasure_napari.panels.recall_views import visit_names
from rxmeasure_napari.recall_changes import ChangeCards
from rxmeasure_napari.recall_desk import RecallDesk
from rxmeasure_napari.recall_scores import ScoreForm
from rxmeasure_napari.recall_trend import TrendPlot


class ScoresPage(QWidget):
    """The reader's scores, one visit at a time."""

    def __init__(self, recall: RecallDesk) -> None:
        super().__init__()
        self._recall = recall
        self._series = recall.series
        self._visit = Choice("rx_score_visit", "Visit that is scored")
        self._visit.activated.connect(lambda k: self._series.bring(visit=k + 1))
        self._form = ScoreForm()
        self._form.scores_changed.connect(self._set_scores)
        self._form.symptoms_changed.connect(self._set_symptoms)
        self._suggest = QCheckBox("After scoring, show what the measurement suggests")
        self._suggest.setObjectName("rx_score_suggest")
        self._suggest.setToolTip("Off: the scores of this series stand without it, on its page too")
        self._suggest.toggled.connect(self._set_suggest)
        rows = QVBoxLayout(self)
        rows.setContentsMargins(0, 0, 0, 0)
        rows.setSpacing(4)
        rows.addLayout(in_a_row(QLabel("Visit"), self._visit, None))
        rows.addWidget(self._form)
        rows.addWidget(self._suggest)

    def refresh(self) -> None:
        """Show the scores of the visit in front."""
        series = self._series
        self._visit.show_choices(visit_names(series), series.front.visit - 1)
        visit = series.visit(series.front.visit)
        self._form.setVisible(visit is not None)
        with QSignalBlocker(self._suggest):
            self._suggest.setChecked(series.marks.suggest is Suggest.AFTER_SCORING)
        self._suggest.setVisible(visit is not None)
        if visit is None:
            return
        current = self._recall.is_compared and series.series is not None
        self._form.show_scores(
            published_scales(),
            self._roots(),
            visit.scores,
            series.series.suggestions if current and series.series is not None else (),
            visit.symptoms,
            visit=series.front.visit,
        )

    def _roots(self) -> list[str]:
        """Roots with a finding at any visit; without one, those that are known."""
        marked = [one.root for visit in self._series.visits for one in visit.lesions]
        return list(dict.fromkeys(marked)) or known_roots(self._series)

    def commit(self) -> None:
        """Nothing is typed here."""

    def _set_scores(self, scores: tuple[ReaderScore, ...]) -> None:
        number = self._series.front.visit
        self._recall.edit(
            f"scores of visit {number}", lambda m: series_edits.set_scores(m, number, scores)
        )

    def _set_symptoms(self, symptoms: Symptoms) -> None:
        number = self._series.front.visit
        self._recall.edit(
            f"symptoms at visit {number}",
            lambda m: series_edits.set_symptoms(m, number, symptoms),
        )

    def _set_suggest(self, on: bool) -> None:
        when = Suggest.AFTER_SCORING if on else Suggest.NEVER
        self._recall.edit("suggestions", lambda m: series_edits.set_suggest(m, when))


class ChangesPage(QWidget):
    """The course over the years, what changed, the next recall; keep it and write its page."""

    def __init__(self, recall: RecallDesk) -> None:
        super().__init__()
        self._recall = recall
        self._series = recall.series
        self._state = text_line("rx_series_state")
        self._problem = warning_line("rx_changes_problem")
        self._refused = warning_line("rx_changes_refused")
        keep = button("Keep series", "rx_keep_series", with_key("Write the series", "keep"))
        keep.clicked.connect(lambda: recall.keep())
        elsewhere = button("Keep as…", "rx_keep_series_as", "Keep it under another name")
        elsewhere.clicked.connect(self._keep_as)
        page = button("Write page", "rx_series_page", "HTML and PDF, beside the series file")
        page.clicked.connect(lambda: recall.write_page())
        self._buttons = (keep, elsewhere, page)
        self._trend = TrendPlot()
        self._cards = ChangeCards()
        rows = QVBoxLayout(self)
        rows.setContentsMargins(0, 0, 0, 0)
        rows.setSpacing(4)
        rows.addLayout(in_a_row(*self._buttons, None))
        for widget in (self._state, self._problem, self._refused, self._trend, self._cards):
            rows.addWidget(widget)

    def refresh(self) -> None:
        """Show the results, or why there are none."""
        recall, series, numbers = self._recall, self._series, self._recall.desk.numbers
        current = recall.is_compared
        problem = series.problem if current else None
        set_line(self._problem, "" if problem is None else numbers.in_text(str(problem)))
        set_line(self._refused, numbers.in_text("\n".join(self._refusals())))
        set_line(self._state, self._state_of_keeping())
        for made in self._buttons:
            made.setEnabled(current and series.series is not None)
        self._trend.show_trend(series.series, numbers=numbers)
        self._cards.show_changes(series.series, numbers)

    def _refusals(self) -> tuple[str, ...]:
        """Each visit that cannot be laid over the one before, as far as they are aligned."""
        series, steps = self._series, []
        for before in range(1, len(series.visits)):
            pair = series.pair(before, before + 1)
            if pair is None or not series.is_aligned(before, before + 1):
                continue
            problem = "" if pair.problem is None else str(pair.problem)
            steps.append(Step(before=before, after=before + 1, found=pair.found, problem=problem))
        return refusal_texts(steps)

    def _state_of_keeping(self) -> str:
        series = self._series
        if len(series.visits) < 2:
            return "Add two visits or more."
        if not self._recall.is_compared:
            return "Comparing the visits …" if self._recall.is_busy else "Not compared yet."
        if series.path is None or series.kept is None:
            return "Not kept yet."
        if series.has_unkept_work:
            return f"Changed since it was kept in {series.path.name}."
        return f"Kept in {series.path.name}."

    def commit(self) -> None:
        """Nothing is typed here."""

    def _keep_as(self) -> None:
        chosen, _ = QFileDialog.getSaveFileName(
            self,
            "Keep the series",
            str(self._recall.default_path() or ""),
            f"Series (*{SERIES_SUFFIX})",
        )
        if chosen:
            name = chosen if chosen.endswith(SERIES_SUFFIX) else chosen + SERIES_SUFFIX
            self._recall.keep(Path(name))
