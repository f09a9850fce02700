"""The step 'recall' in a real window: visits, alignment and its views, lesions, keeping."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from plugin.window import CONTROL, Key, OpenReader, Reader, open_reader
from qtpy.QtWidgets import QFileDialog
from rxmeasure_napari import series_edits
from rxmeasure_napari.review_state import OpenFilm, Step
from rxmeasure_napari.series_state import SeriesState, Tool, View
from scipy import ndimage

from rxmeasure.marks import CanalMarks, FilmKind, LengthReference, PointPx, ReviewMarks
from rxmeasure.phantom import PhantomTruth, apex_map, cached_phantom, noisy_clicks, random_visits
from rxmeasure.recall.alignment import AlignmentVerdict
from rxmeasure.recall.change import ChangeVerdict
from rxmeasure.recall.lesion import Lesion
from rxmeasure.recall.plane_map import mapped
from rxmeasure.recall.scores import Suggest
from rxmeasure.recall.series import LesionMark, compare_visits
from rxmeasure.record.series_file import load_series

__all__ = ["open_reader"]

#: The later film is shifted: its pixel (r, c) shows (r, c) + SHIFT of the earlier one.
SHIFT = (8.0, -12.0)
#: Middle and radius of the dark patch in the earlier film, px.
MIDDLE, RADIUS = (150.0, 130.0), 26.0
#: 10 mm along 100 px.
REFERENCE = LengthReference(
    kind="line", points_px=((10.0, 20.0), (10.0, 120.0)), length_mm=10.0, length_u_mm=0.01
)
MARKS = ReviewMarks(
    film_kind=FilmKind.RECALL, tooth="36", patient_pseudonym="case-1", references=(REFERENCE,)
)
MakeFilms = Callable[..., list[Path]]


def drawn(*, mirrored: bool = False) -> tuple[np.ndarray, np.ndarray]:
    """An earlier film with a dark patch, and a later one: shifted, flatter, its patch smaller."""
    grain = np.random.default_rng(4).standard_normal((300, 260))
    bone = 30000.0 + 8000.0 * ndimage.gaussian_filter(grain, 2.5) / 0.1
    rows, cols = np.mgrid[:300, :260]
    away = np.hypot(rows - MIDDLE[0], cols - MIDDLE[1])
    pictures = []
    for radius in (RADIUS, 0.7 * RADIUS):
        patch = 1.0 / (1.0 + np.exp((away - radius) / 2.0))
        pictures.append((1.0 - 0.85 * patch) * (bone - 30000.0) + 30000.0 - 16000.0 * patch)
    later = 5000.0 + 0.6 * ndimage.shift(
        pictures[1], (-SHIFT[0], -SHIFT[1]), order=1, mode="nearest"
    )
    return pictures[0], later[:, ::-1] if mirrored else later


@pytest.fixture
def films(tmp_path: Path) -> MakeFilms:
    """Files of the two films."""

    def write(**changes: Any) -> list[Path]:
        paths = []
        for number, pixels in enumerate(drawn(**changes), 1):
            paths.append(tmp_path / f"visit-{number}.png")
            grey = np.clip(pixels, 100.0, 65000.0).astype(np.uint16)
            Image.fromarray(grey).save(paths[-1])
        return paths

    return write


@pytest.fixture
def recalled(open_reader: OpenReader, films: MakeFilms) -> Callable[..., Reader]:
    """A window at the step, both films its visits."""

    def begin(
        *, marks: Sequence[ReviewMarks] = (MARKS, MARKS), paths: Sequence[Path] = (), **changes: Any
    ) -> Reader:
        reader = open_reader(*(paths or films(**changes)))
        for film, one in zip(reader.state.films, marks, strict=True):
            film.edit("marks", one)
        reader.measured()
        reader.press("rx_step_recall")
        reader.press("rx_add_all")
        return reader

    return begin


def series_of(reader: Reader) -> SeriesState:
    return reader.state.series


def film_of(reader: Reader, number: int) -> OpenFilm:
    film = series_of(reader).film_of(number)
    assert film is not None
    return film


def on_visit(reader: Reader, number: int) -> Reader:
    """The reader, whose places on the picture are now pixels of that visit's film."""
    reader.state.choose_film(film_of(reader, number))
    return reader


def done(reader: Reader) -> None:
    """Wait until all is measured, aligned and compared."""
    recall = reader.desk.recall
    reader.wait(lambda: recall.is_compared and not recall.is_busy)


def date_both(reader: Reader, first: str = "2023-01-10", second: str = "2024-01-12") -> None:
    reader.write("rx_visit_date_1", first)
    reader.write("rx_visit_date_2", second)


def moved_by_shift(point: PointPx) -> PointPx:
    return (point[0] - SHIFT[0], point[1] - SHIFT[1])


def pixels_of(reader: Reader) -> list[bytes]:
    return [reader.desk.layers[f.id].image.data.tobytes() for f in reader.state.films]


# The whole.


def test_a_recall_by_mouse_and_keys_gives_the_numbers_of_core(
    recalled: Callable[..., Reader], tmp_path: Path
) -> None:
    reader = recalled()
    date_both(reader)
    reader.write("rx_treated", "2023-01-10")
    before = pixels_of(reader)
    reader.press("rx_recall_lesions")
    reader.press("rx_tool_seed")
    on_visit(reader, 1).click(MIDDLE)
    on_visit(reader, 2).click(moved_by_shift(MIDDLE))
    done(reader)
    series = series_of(reader).series
    assert series is not None
    (change,) = series.lesion_changes
    assert change.verdict is ChangeVerdict.REDUCED
    assert f"{change.changes[0].after:.2f}" in reader.said("rx_finding_text_2")

    reader.press("rx_recall_changes")
    reader.key(Key.Key_Return, CONTROL)
    (path,) = tmp_path.glob("*.rxseries.json")
    kept = load_series(path)
    films = [(film.radiograph, film.marks) for film in reader.state.films]
    core = compare_visits(kept.marks, films)
    assert replace(kept, created_utc=core.created_utc) == core
    assert [visit.image for visit in kept.marks.visits] == ["visit-1.png", "visit-2.png"]
    assert kept.marks.treated == "2023-01-10"
    assert not reader.shows("rx_unkept")
    assert pixels_of(reader) == before

    while series_of(reader).undo_label:
        reader.key(Key.Key_Z, CONTROL)
    assert series_of(reader).is_empty


def test_visits_with_marked_canals_are_aligned_at_the_apex_and_their_fills_compared(
    recalled: Callable[..., Reader], tmp_path: Path
) -> None:
    visits = random_visits(
        40_000, course="shrunk", kind="premolar", shape=(600, 450), pitch_mm=0.06
    )
    made = [cached_phantom(0, tmp_path, parameters=p) for p in (visits.first, visits.second)]
    truths = [truth for _, truth in made]
    reader = recalled(marks=[marks_of_phantom(one) for one in truths], paths=[p for p, _ in made])
    date_both(reader)
    reader.press("rx_recall_lesions")
    reader.press("rx_tool_seed")
    for number, truth in enumerate(truths, 1):
        on_visit(reader, number).click(truth.lesions[0].centre_px)
    done(reader)

    pair = series_of(reader).pair(1, 2)
    assert pair is not None
    assert pair.found is not None
    (root,) = pair.found.automatic.roots
    assert not root.proposed
    apices = apex_map(visits)
    away = mapped(root.map, apices.second_px[0]) - apices.first_px[0]
    assert np.hypot(*away) * truths[0].mm_per_px < 0.3
    series = series_of(reader).series
    assert series is not None
    films = [(film.radiograph, film.marks) for film in reader.state.films]
    core = compare_visits(series.marks, films)
    assert replace(series, created_utc=core.created_utc) == core
    assert {change.quantity for change in series.fill_changes} >= {"fill length"}
    assert all(change.changed is not True for change in series.fill_changes)
    (change,) = series.lesion_changes
    assert change.verdict is not ChangeVerdict.ENLARGED


def marks_of_phantom(truth: PhantomTruth) -> ReviewMarks:
    """Three clicks along the canal, and a line of 10 mm for the scale."""
    canal = truth.canals[0]
    clicks = noisy_clicks(canal, np.random.default_rng(1), count=3)
    end = 20.0 + 10.0 / truth.mm_per_px
    return replace(
        MARKS,
        canals=(
            CanalMarks(name=canal.name, clicks_px=tuple((float(r), float(c)) for r, c in clicks)),
        ),
        references=(replace(REFERENCE, points_px=((10.0, 20.0), (10.0, end))),),
    )


# Views.


def test_without_a_traced_canal_the_roots_are_proposed_and_told_as_such(
    recalled: Callable[..., Reader], tmp_path: Path
) -> None:
    visits = random_visits(
        40_000, course="shrunk", kind="premolar", shape=(600, 450), pitch_mm=0.06
    )
    made = [cached_phantom(0, tmp_path, parameters=p) for p in (visits.first, visits.second)]
    marks = [replace(marks_of_phantom(truth), canals=()) for _, truth in made]
    reader = recalled(marks=marks, paths=[path for path, _ in made])
    date_both(reader)
    done(reader)
    pair = series_of(reader).pair(1, 2)
    assert pair is not None
    assert pair.found is not None
    roots = pair.found.automatic.roots
    assert roots
    assert all(root.proposed for root in roots)
    apices = apex_map(visits)
    away_mm = [
        np.hypot(*(mapped(root.map, apices.second_px[0]) - apices.first_px[0])) * 0.06
        for root in roots
    ]
    assert min(away_mm) < 0.3
    assert not film_of(reader, 1).marks.canals
    reader.press("rx_recall_views")
    assert "roots proposed by the program, not confirmed" in reader.said("rx_pair_verdict")
    assert "root proposed" not in reader.said("rx_pair_angles")
    reader.press("rx_recall_changes")
    assert not reader.shows("rx_changes_refused")


def test_each_view_is_drawn_and_leaves_the_films_alone(recalled: Callable[..., Reader]) -> None:
    reader = recalled()
    recall, front = reader.desk.recall, lambda: series_of(reader).front
    before = pixels_of(reader)
    done(reader)
    earlier = reader.desk.layers[film_of(reader, 1).id]
    later = reader.desk.layers[film_of(reader, 2).id]
    assert earlier.image.visible
    assert later.image.visible
    reader.press("rx_recall_views")
    assert reader.said("rx_pair_verdict").startswith(("✓ accepted", "≈ caution"))

    reader.press("rx_view_blink")
    reader.wait(lambda: recall.is_laid_over)
    reader.wait(lambda: not later.image.visible)
    layers = {layer.name: layer for layer in reader.viewer.layers}
    moved, difference = (
        layers["later visit on the earlier one"],
        layers["later less earlier visit"],
    )
    assert not moved.visible
    reader.on_picture(Key.Key_B)
    reader.wait(lambda: moved.visible)
    assert reader.said("rx_blink_up") == "now visit 2"
    reader.on_picture(Key.Key_B)
    reader.wait(lambda: not moved.visible)

    reader.find("rx_blink_rate").setCurrentIndex(3)
    reader.wait(lambda: moved.visible)
    reader.wait(lambda: not moved.visible)

    reader.press("rx_view_swipe")
    assert not recall.blinks_by_itself
    reader.wait(lambda: moved.visible and moved.data.shape[1] == 130)
    on_visit(reader, 1).drag((150.0, 129.5), (150.0, 160.0), (150.0, 199.5))
    reader.wait(lambda: moved.data.shape[1] == 60)
    assert front().divider == pytest.approx(200.0 / 260.0, abs=0.01)
    np.testing.assert_allclose(moved.translate[1] / moved.scale[1], 200.0, atol=1.0)

    reader.press("rx_view_subtraction")
    reader.wait(lambda: difference.visible and not earlier.image.visible)
    ring = difference.data[124, 130]  # inside the earlier patch, outside the later one
    assert ring > 0.5 * difference.contrast_limits[1]
    assert "denser" in reader.said("rx_legend_high")
    assert "grey levels of visit 1" in reader.said("rx_legend_unit")

    reader.press("rx_view_side")
    reader.wait(lambda: later.image.visible and earlier.image.visible)
    assert moved not in reader.viewer.layers
    assert pixels_of(reader) == before


def test_leaving_the_step_leaves_the_picture_as_it_was(recalled: Callable[..., Reader]) -> None:
    reader = recalled()
    done(reader)
    reader.press("rx_recall_views")
    reader.press("rx_view_subtraction")
    reader.wait(lambda: reader.desk.recall.is_laid_over)
    reader.wait(lambda: "later less earlier visit" in reader.viewer.layers)
    reader.press("rx_step_fill")
    reader.wait(lambda: "later less earlier visit" not in reader.viewer.layers)
    for film in reader.state.films:
        assert all(layer.visible for layer in reader.desk.layers[film.id].layers())


def test_a_layer_of_the_pair_that_is_deleted_comes_back(recalled: Callable[..., Reader]) -> None:
    reader = recalled()
    done(reader)
    reader.press("rx_recall_views")
    reader.press("rx_view_subtraction")
    reader.wait(lambda: "later less earlier visit" in reader.viewer.layers)
    reader.viewer.layers.remove("later less earlier visit")
    reader.wait(lambda: "later less earlier visit" in reader.viewer.layers)
    assert reader.viewer.layers["later less earlier visit"].visible


def test_a_mirrored_film_is_refused_and_still_shown(recalled: Callable[..., Reader]) -> None:
    reader = recalled(mirrored=True)
    done(reader)
    reader.press("rx_recall_views")
    assert reader.said("rx_pair_verdict").startswith("✗ refused")
    assert "mirror image" in reader.said("rx_pair_reason")
    assert "side by side" in reader.said("rx_pair_reason")
    for view in ("blink", "swipe", "subtraction"):
        assert not reader.find(f"rx_view_{view}").isEnabled()
    assert not reader.shows("rx_pair_angles")
    reader.on_picture(Key.Key_B)
    reader.settle(0.1)
    assert not reader.desk.recall.is_laid_over
    for number in (1, 2):
        assert reader.desk.layers[film_of(reader, number).id].image.visible
    reader.press("rx_recall_changes")
    assert "Visit 2 cannot be laid over visit 1" in reader.said("rx_changes_refused")


# Points by hand.


def test_points_by_hand_align_and_tell_what_they_are_worth(
    recalled: Callable[..., Reader],
) -> None:
    reader = recalled(mirrored=False)
    done(reader)
    reader.press("rx_recall_views")
    reader.press("rx_mark_points")
    points = [(60.0, 60.0), (60.0, 200.0), (240.0, 70.0), (230.0, 200.0)]
    for point in points:
        on_visit(reader, 1).click(point)
    assert "each needs its partner" in reader.said("rx_points")
    for point in points:
        on_visit(reader, 2).click(moved_by_shift(point))
    reader.on_picture(Key.Key_Return)
    assert series_of(reader).front.tool is Tool.LOOK
    done(reader)
    result = series_of(reader).pair(1, 2)
    assert result is not None
    assert result.found is not None
    assert result.found.by_hand is not None
    np.testing.assert_allclose(result.found.map[:2, 2], SHIFT, atol=6.0)
    assert reader.said("rx_pair_verdict").startswith(("≈ caution", "✗ refused"))
    assert "points by hand" in reader.said("rx_pair_verdict")
    assert "Left out one by one: 1 " in reader.said("rx_points")

    reader.press("rx_clear_points")
    done(reader)
    automatic = series_of(reader).pair(1, 2)
    assert automatic is not None
    assert automatic.found is not None
    assert automatic.found.by_hand is None
    reader.key(Key.Key_Z, CONTROL)
    done(reader)
    assert series_of(reader).pair_marks(1, 2) is not None


# Lesions.


def test_lesions_are_outlined_dragged_painted_and_undone(
    recalled: Callable[..., Reader],
) -> None:
    reader = recalled()
    done(reader)
    start = series_of(reader).marks
    reader.press("rx_recall_lesions")
    root = series_of(reader).front.root
    reader.press("rx_tool_outline")
    corners = [(130.0, 110.0), (130.0, 150.0), (170.0, 150.0), (170.0, 110.0)]
    for point in corners:
        on_visit(reader, 1).click(point)
    reader.on_picture(Key.Key_Return)
    mark = series_edits.finding(series_of(reader).marks, 1, root)
    assert mark is not None
    assert len(mark.outline_px) == 4
    reader.wait(lambda: isinstance(series_of(reader).lesion(1, mark), Lesion))

    reader.drag(mark.outline_px[0], (120.0, 105.0), (115.0, 100.0))
    dragged = series_edits.finding(series_of(reader).marks, 1, root)
    assert dragged is not None
    np.testing.assert_allclose(dragged.outline_px[0], (115.0, 100.0), atol=1.5)
    assert dragged.outline_px[1:] == mark.outline_px[1:]
    reader.on_picture(Key.Key_Up)
    nudged = series_edits.finding(series_of(reader).marks, 1, root)
    assert nudged is not None
    assert nudged.outline_px[0][0] == pytest.approx(dragged.outline_px[0][0] - 0.5)
    reader.on_picture(Key.Key_Delete)
    fewer = series_edits.finding(series_of(reader).marks, 1, root)
    assert fewer is not None
    assert len(fewer.outline_px) == 3

    reader.press("rx_tool_paint")
    on_visit(reader, 2).drag((140.0, 140.0), (140.0, 150.0), (145.0, 160.0))
    painted = series_edits.finding(series_of(reader).marks, 2, root)
    assert painted is not None
    assert len(painted.outline_px) > 5
    assert painted.painted
    reader.wait(lambda: "painted by the reader" in reader.said("rx_finding_text_2"))
    reader.press("rx_tool_paint")
    reader.press("rx_none_visible_2")
    assert series_edits.finding(series_of(reader).marks, 2, root) == LesionMark(
        root=root, none_visible=True
    )
    reader.wait(lambda: "no lesion visible" in reader.said("rx_finding_text_2"))
    assert "not no lesion" in reader.said("rx_finding_notes_2")
    reader.press("rx_remove_finding_2")
    assert reader.said("rx_finding_text_2") == "nothing marked"
    while series_of(reader).marks != start:
        assert series_of(reader).undo_label
        reader.key(Key.Key_Z, CONTROL)


def test_the_size_stands_on_the_picture(recalled: Callable[..., Reader]) -> None:
    reader = recalled()
    reader.press("rx_recall_lesions")
    reader.press("rx_tool_seed")
    on_visit(reader, 1).click(MIDDLE)
    done(reader)
    (mark,) = series_of(reader).visits[0].lesions
    found = series_of(reader).lesion(1, mark)
    assert isinstance(found, Lesion)
    assert found.size is not None
    assert found.size.area.value_mm2 is not None
    drawing = reader.desk.recall.draw(film_of(reader, 1))
    words = [point.text for point in drawing.points]
    assert any(f"{found.size.area.value_mm2:.2f} ±" in text for text in words)
    labels = reader.desk.layers[film_of(reader, 1).id].points
    assert labels is not None
    reader.wait(
        lambda: any("mm²" in text for text in labels.features["label"]),
    )
    outline = np.array(found.outline_px)
    radius = np.sqrt(found.size.area.value_px2 / np.pi)
    assert np.hypot(*(outline.mean(axis=0) - MIDDLE)) < 0.25 * RADIUS
    assert radius == pytest.approx(RADIUS, rel=0.25)

    # Who scores is not to be told by the sizes.
    reader.press("rx_recall_scores")
    words = [point.text for point in reader.desk.recall.draw(film_of(reader, 1)).points]
    assert mark.root in words
    assert not any("±" in text for text in words)
    reader.wait(lambda: not any("mm²" in text for text in labels.features["label"]))
    reader.press("rx_recall_lesions")
    reader.wait(lambda: any("mm²" in text for text in labels.features["label"]))


def test_nothing_of_the_step_is_wider_than_the_panel(recalled: Callable[..., Reader]) -> None:
    reader = recalled()
    date_both(reader)
    reader.press("rx_recall_lesions")
    reader.press("rx_tool_paint")
    reader.press("rx_none_visible_1")
    done(reader)
    bar = 14  # a scroll bar beside the panel
    for name in ("visits", "views", "lesions", "scores", "changes"):
        reader.press(f"rx_recall_{name}")
        panel = reader.find(f"rx_recall_{name}").parentWidget()
        assert panel.minimumSizeHint().width() <= 390 - bar, name
    ticked = [reader.find(f"rx_step_{step}") for step in reader.state.steps]
    for button, step in zip(ticked, reader.state.steps, strict=True):
        button.setText("✓" + step.capitalize())
    reader.settle(0.1)
    for button in ticked:
        assert button.width() >= button.fontMetrics().horizontalAdvance(button.text())


# What core refuses.


def test_suggestions_can_be_turned_off(recalled: Callable[..., Reader]) -> None:
    reader = recalled()
    date_both(reader)
    reader.press("rx_recall_lesions")
    for number in (1, 2):
        reader.press(f"rx_none_visible_{number}")
    reader.press("rx_recall_scores")
    series_of(reader).bring(visit=2)
    reader.press("rx_score_undetected")
    done(reader)
    assert "suggests undetected too" in reader.said("rx_score_suggestion")
    reader.press("rx_score_suggest")
    done(reader)
    assert series_of(reader).marks.suggest is Suggest.NEVER
    assert not reader.shows("rx_score_suggestion")
    series = series_of(reader).series
    assert series is not None
    assert series.suggestions == ()
    reader.key(Key.Key_Z, CONTROL)
    done(reader)
    assert reader.find("rx_score_suggest").isChecked()
    assert "suggests undetected too" in reader.said("rx_score_suggestion")


def test_another_tooth_needs_a_reason(recalled: Callable[..., Reader]) -> None:
    reader = recalled(marks=(MARKS, replace(MARKS, tooth="37")))
    done(reader)
    assert "different teeth: 36, 37" in reader.said("rx_series_problem")
    reader.write("rx_differing_reason", "37 was renumbered")
    done(reader)
    assert not reader.shows("rx_series_problem")
    assert "37 was renumbered" in reader.said("rx_series_warnings")
    reader.key(Key.Key_Z, CONTROL)
    done(reader)
    assert reader.shows("rx_series_problem")


def test_dates_are_checked_and_put_in_order(recalled: Callable[..., Reader]) -> None:
    reader = recalled()
    reader.write("rx_visit_date_1", "last year")
    assert "YYYY-MM-DD" in reader.told
    assert series_of(reader).visits[0].date == ""
    date_both(reader, "2024-01-12", "2023-01-10")
    done(reader)
    assert "after visit 1 of 2024-01-12" in reader.said("rx_series_problem")
    reader.press("rx_order_visits")
    done(reader)
    assert [Path(v.image).name for v in series_of(reader).visits] == ["visit-2.png", "visit-1.png"]
    assert not reader.shows("rx_series_problem")


def test_a_film_without_a_scale_gives_ratios_only(recalled: Callable[..., Reader]) -> None:
    reader = recalled(marks=(MARKS, replace(MARKS, references=())))
    assert "no scale: ratios only" in reader.said("rx_visit_facts_2")
    done(reader)
    assert "No scale at visit 2" in reader.said("rx_series_warnings")


# Keeping.


def test_a_kept_series_is_opened_again(
    recalled: Callable[..., Reader], open_reader: OpenReader, tmp_path: Path
) -> None:
    reader = recalled()
    date_both(reader)
    reader.press("rx_recall_lesions")
    reader.press("rx_none_visible_1")
    reader.press("rx_none_visible_2")
    done(reader)
    reader.key(Key.Key_Return, CONTROL)
    (path,) = tmp_path.glob("*.rxseries.json")
    kept = series_of(reader).marks

    again = open_reader()
    again.come_forward()
    again.desk.open_path(path)
    again.wait(lambda: len(again.state.films) == 2)
    done(again)
    assert again.state.step is Step.RECALL
    assert series_of(again).marks.visits == kept.visits
    assert not series_of(again).has_unkept_work
    assert [f.marks.references for f in again.state.films] == [(REFERENCE,)] * 2
    assert series_of(again).series is not None


def test_a_series_of_someone_else_is_not_written_over(
    recalled: Callable[..., Reader], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    reader = recalled()
    foreign = tmp_path / "visit-1.rxseries.json"
    foreign.write_text("kept by another")
    done(reader)
    reader.press("rx_recall_changes")
    reader.press("rx_keep_series")
    assert "is there already" in reader.told
    assert foreign.read_text() == "kept by another"
    monkeypatch.setattr(QFileDialog, "getSaveFileName", lambda *_: (str(tmp_path / "tooth-36"), ""))
    reader.press("rx_keep_series_as")
    assert load_series(tmp_path / "tooth-36.rxseries.json").visits
    assert reader.said("rx_series_state") == "Kept in tooth-36.rxseries.json."


def test_stopped_work_begins_again_when_asked(recalled: Callable[..., Reader]) -> None:
    reader = recalled()
    reader.wait(lambda: reader.desk.recall.is_busy)
    reader.desk.cancel()
    assert reader.told == "Stopped."
    reader.press("rx_recall_views")
    if reader.shows("rx_align"):
        reader.press("rx_align")
    done(reader)
    result = series_of(reader).pair(1, 2)
    assert result is not None
    assert result.found is not None
    assert result.found.verdict is not AlignmentVerdict.REFUSED
    assert series_of(reader).front.view is View.SIDE
