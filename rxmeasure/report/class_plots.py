"""Plots of the class page: marks, self-marks, hard cases, drift."""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from typing import Any

from rxmeasure.agreement.drift import Drift
from rxmeasure.report import colours
from rxmeasure.report.numbers import Numbers, clean
from rxmeasure.report.plots import NO_METADATA, PLOT_STYLE, Plot, bare_svg, marked_formatter
from rxmeasure.teaching.class_agreement import ClassAgreement
from rxmeasure.teaching.moderation import Standing
from rxmeasure.teaching.results import CourseResults
from rxmeasure.teaching.rubric import Rubric

_WIDTH_MM = 150.0
_LINES = ("solid", (0, (5, 2)), (0, (1, 1.5)), (0, (5, 1.5, 1, 1.5)))
_MARKERS = "osD^v"
#: Marker and colour of a student by standing; open ones are hollow.
_STANDING: dict[Standing, tuple[str, str, str]] = {
    Standing.PASSED: ("o", colours.PLOT_WIDTH, colours.PLOT_WIDTH),
    Standing.FAILED: ("X", colours.PLOT_TAPER, colours.PLOT_TAPER),
}
_OPEN = ("s", "#ffffff", colours.INK)


def marks_plot(results: CourseResults, rubric: Rubric, numbers: Numbers) -> Plot | None:
    """Final marks in their order, with the pass mark and the band that is looked at twice."""
    marked = [(s.final, s) for s in results.students if s.final is not None]
    if not marked:
        return None
    marked.sort(key=lambda pair: (pair[0], pair[1].student))

    def draw(axes: Any) -> None:
        band = (rubric.pass_mark - rubric.borderline, rubric.pass_mark + rubric.borderline)
        axes.axvspan(*band, color="#eceff3", linewidth=0)
        axes.axvline(rubric.pass_mark, color=colours.INK, linewidth=1.0, linestyle=(0, (4, 2)))
        shown = set()
        for place, (mark, student) in enumerate(marked):
            shape, face, edge = _STANDING.get(student.standing, _OPEN)
            word = str(student.standing) if student.standing.settled else "open"
            axes.plot(
                mark, place, shape, color=edge, markerfacecolor=face, markersize=6,
                label=None if word in shown else word,
            )  # fmt: skip
            shown.add(word)
        axes.set_yticks(range(len(marked)), [clean(s.student) for _, s in marked])
        axes.set_xlabel(f"final mark of {rubric.full_marks:g}; dashed: pass mark")
        axes.set_xlim(right=rubric.full_marks * 1.01)
        axes.legend(loc="lower right")

    return _plot(
        draw,
        numbers,
        height_mm=18.0 + 5.0 * len(marked),
        alt=f"Final marks of {len(marked)} students from lowest to highest, with the pass mark.",
    )


def difficulty_plot(results: CourseResults, numbers: Numbers) -> Plot | None:
    """Share of levels that are the key's, for each case of the bank, hard ones first."""
    cases = results.difficulty
    if not cases:
        return None

    def draw(axes: Any) -> None:
        axes.bar(range(len(cases)), [100.0 * c.same_level for c in cases], color="#7f93a8")
        axes.set_xticks(range(len(cases)), [clean(c.case) for c in cases], rotation=90)
        axes.set_ylabel("levels as the key (%)")
        axes.set_ylim(0.0, 100.0)
        axes.margins(x=0.01)

    return _plot(
        draw,
        numbers,
        height_mm=62.0,
        alt=f"Share of levels as the key for {len(cases)} cases, hard cases first.",
    )


def self_mark_plot(results: CourseResults, rubric: Rubric, numbers: Numbers) -> Plot | None:
    """The mark that students gave their own fillings over the teachers' mark."""
    works = [w for s in results.students for w in s.works if w.gap is not None]
    if not works:
        return None

    def draw(axes: Any) -> None:
        full = rubric.full_marks
        axes.plot((0.0, full), (0.0, full), color="#8a929c", linewidth=0.8)
        axes.plot(
            [w.settled.total for w in works], [w.self_mark for w in works], "o",
            color=colours.PLOT_WIDTH, markersize=5, alpha=0.6,
        )  # fmt: skip
        axes.set_xlabel("teachers' mark")
        axes.set_ylabel("the student's own mark")
        axes.set_aspect("equal")
        axes.set_xlim(0.0, full * 1.03)
        axes.set_ylim(0.0, full * 1.03)
        axes.text(0.03 * full, 0.97 * full, "too generous", va="top")
        axes.text(0.99 * full, 0.05 * full, "too strict", ha="right")

    return _plot(
        draw,
        numbers,
        height_mm=100.0,
        width_mm=100.0,
        alt=f"Own mark over the teachers' mark for {len(works)} fillings.",
    )


def drift_plot(agreement: ClassAgreement, numbers: Numbers) -> Plot | None:
    """How far each teacher lies above or below the key, session by session."""
    drifts = [(r.rater, r.drift) for r in agreement.raters if isinstance(r.drift, Drift)]
    if not drifts:
        return None
    sessions = sorted({s.session for _, one in drifts for s in one.sessions})

    def draw(axes: Any) -> None:
        axes.axhline(0.0, color="#8a929c", linewidth=0.8)
        for n, (rater, one) in enumerate(drifts):
            axes.plot(
                [s.when for s in one.sessions], [_percent(s.mean_difference) for s in one.sessions],
                marker=_MARKERS[n % len(_MARKERS)], linestyle=_LINES[n % len(_LINES)],
                color=(colours.PLOT_WIDTH, colours.INK, colours.PLOT_VOID)[n % 3],
                label=clean(rater),
            )  # fmt: skip
        places = {s.session: s.when for _, one in drifts for s in one.sessions}
        axes.set_xticks([places[name] for name in sessions], sessions)
        axes.set_ylabel("marks above the key (+)\nor below (−), % of the scale")
        low, high = axes.get_ylim()
        reach = max(abs(low), abs(high), 5.0) * 1.3
        axes.set_ylim(-reach, reach)
        axes.legend(loc="upper left", ncols=3)

    return _plot(
        draw,
        numbers,
        height_mm=66.0,
        alt=f"Mean difference from the key over {len(sessions)} sessions for "
        + ", ".join(clean(rater) for rater, _ in drifts)
        + ".",
    )


def _percent(value: float | None) -> float:
    return 100.0 * (value or 0.0)


def _plot(
    draw: Callable[[Any], None],
    numbers: Numbers,
    *,
    height_mm: float,
    alt: str,
    width_mm: float = _WIDTH_MM,
) -> Plot:
    from matplotlib import rc_context
    from matplotlib.figure import Figure

    with rc_context({**PLOT_STYLE, "font.size": 8.0, "legend.fontsize": 7.5, "svg.hashsalt": alt}):
        figure = Figure(figsize=(width_mm / 25.4, height_mm / 25.4), layout="constrained")
        axes = figure.subplots()
        draw(axes)
        axes.grid(color="#d9dde2", linewidth=0.4)
        axes.set_axisbelow(True)
        for axis in _number_axes(axes):
            axis.set_major_formatter(marked_formatter(numbers))
        buffer = io.StringIO()
        figure.savefig(buffer, format="svg", metadata=NO_METADATA)
    return Plot(svg=bare_svg(buffer.getvalue()), width_mm=width_mm, height_mm=height_mm, alt=alt)


def _number_axes(axes: Any) -> Sequence[Any]:
    """Axes that carry numbers, not names."""
    from matplotlib.ticker import ScalarFormatter

    return [
        axis
        for axis in (axes.xaxis, axes.yaxis)
        if isinstance(axis.get_major_formatter(), ScalarFormatter)
    ]
