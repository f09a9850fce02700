"""Film kinds, landmark states and stated numbers decide what is measured; bad marks are refused."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from rxmeasure.errors import MarksError, RxMeasureError
from rxmeasure.filling.measurement import measure_canal
from rxmeasure.filling.results import CanalMeasurement
from rxmeasure.geometry import foot_on_polyline
from rxmeasure.marks import CanalMarks, FilmKind, Landmark, LandmarkState, Settings
from rxmeasure.measure_names import MEASURES
from rxmeasure.phantom import CanalTruth


@pytest.fixture(scope="module")
def measured(
    film: Callable[..., Any], scale_of: Callable[..., Any], clicked: Callable[..., CanalMarks]
) -> Callable[..., tuple[CanalMeasurement, CanalTruth, Any]]:
    def one(
        name: str,
        *,
        kind: FilmKind | None = None,
        start: str = "orifice",
        sd_mm: float = 0.2,
        scaled: bool = True,
        settings: Settings | None = None,
        **given: Any,
    ) -> tuple[CanalMeasurement, CanalTruth, Any]:
        radiograph, truth = film(name)
        marks = clicked(truth.canals[0], start=start, sd_mm=sd_mm, **given)
        found = measure_canal(
            radiograph,
            scale_of(truth) if scaled else None,
            marks,
            kind or FilmKind(truth.film_kind),
            settings or Settings(),
        )
        return found, truth.canals[0], truth

    return one  # fmt: skip


def _values(found: CanalMeasurement) -> dict[str, Any]:
    return {m.name: m.value for m in found.measures}


# --- kinds of film --------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["faults", "working length", "master cone", "preoperative"])
def test_the_kind_of_film_decides_the_measures(measured: Callable[..., Any], name: str) -> None:
    found, *_ = measured(name)
    kind = FilmKind(found.film_kind)
    allowed = {n for n, entry in MEASURES.items() if kind in entry.film_kinds}
    names = [m.name for m in found.measures]
    assert set(names) <= allowed
    assert names == [n for n in MEASURES if n in names]
    for measure in found.measures:
        assert measure.unit == MEASURES[measure.name].unit
        assert (measure.value is None) == (measure.why_missing is not None), measure
        in_mm = measure.unit in ("mm", "mm2") and measure.value is not None
        assert (measure.scale_source is not None) == in_mm, measure
        if in_mm:
            assert "true scale" in measure.scale_source
    fill = ("fill_to_apex_core_mm", "void_count", "taper_mm_per_mm", "puff_area_mm2")
    instrument = ("tip_to_apex_mm", "corrected_working_length_mm")
    is_fill = kind in (FilmKind.POSTOPERATIVE, FilmKind.RECALL)
    is_instrument = kind in (FilmKind.WORKING_LENGTH, FilmKind.MASTER_CONE)
    for n in fill:
        assert (found.measure(n) is not None) == is_fill, n
    for n in instrument:
        assert (found.measure(n) is not None) == is_instrument, n
    assert (found.measure("trial_working_length_mm") is not None) == (not is_fill)
    assert (found.fill_to_apex_core is not None) == is_fill
    assert (found.tip_to_apex is not None) == is_instrument
    assert found.gaps == () or is_fill


def test_a_recall_film_is_measured_like_the_film_after_treatment(
    measured: Callable[..., Any],
) -> None:
    after, *_ = measured("faults")
    recall, *_ = measured("faults", kind=FilmKind.RECALL)
    assert recall.measures == after.measures
    assert recall.profile == after.profile


@pytest.mark.parametrize("name", ["working length", "master cone"])
def test_no_sealer_is_thought_beyond_a_file_or_cone(
    measured: Callable[..., Any], name: str
) -> None:
    found, _, _ = measured(name)
    # A click on the apex (0.2 mm) and the end itself; half a millimetre of sealer does not enter.
    assert found.tip_to_apex.u_mm < 0.4


def test_working_length_film(measured: Callable[..., Any]) -> None:
    # Stop on the coronal reference, tip 1.5 mm short of the apex; file 20.0 mm long.
    found, canal, truth = measured("working length", start="reference", stop_to_tip_mm=20.0)
    (file,) = [f for f in truth.files if f.canal]
    assert file.length_mm == pytest.approx(20.0, abs=1e-6)
    # Two ends clicked with 0.2 mm each: 3 standard deviations of one click.
    assert found.tip_to_apex.mm() == pytest.approx(1.5, abs=0.6)
    assert found.measure("tip_to_apex_mm").value == found.tip_to_apex.value_mm
    # "Correction by x mm" (Ingle, from memory): file 20.0, tip 1.5 short, safety 1.0 gives 20.5
    # (calc).
    corrected = found.measure("corrected_working_length_mm")
    assert corrected.value == pytest.approx(20.0 + found.tip_to_apex.mm() - 1.0)
    assert corrected.value == pytest.approx(20.5, abs=0.6)
    assert corrected.u == found.tip_to_apex.u_mm
    assert found.working_length.value_mm == corrected.value
    assert "stop-to-tip" in (found.working_length.scale_source or "")
    trial = found.measure("trial_working_length_mm")
    assert trial.value == pytest.approx(found.canal_length.mm() - 1.0)
    # The clicks are 0.2 mm off at both ends.
    assert found.canal_length.mm() == pytest.approx(canal.length_mm, abs=0.6)


def test_without_the_length_of_the_file_there_is_no_corrected_length(
    measured: Callable[..., Any],
) -> None:
    found, *_ = measured("working length", start="reference")
    corrected = found.measure("corrected_working_length_mm")
    assert corrected.value is None
    assert "not stated" in corrected.why_missing
    assert found.measure("tip_to_apex_mm").value is not None


def test_another_safety_distance_moves_the_working_lengths_and_nothing_else(
    measured: Callable[..., Any],
) -> None:
    one, *_ = measured("working length", start="reference", stop_to_tip_mm=20.0)
    two, *_ = measured(
        "working length", start="reference", stop_to_tip_mm=20.0, settings=Settings(safety_mm=1.5)
    )
    a, b = _values(one), _values(two)
    for name in ("trial_working_length_mm", "corrected_working_length_mm"):
        assert b.pop(name) == pytest.approx(a.pop(name) - 0.5)
    assert a == b


def test_master_cone_film(measured: Callable[..., Any]) -> None:
    found, canal, _ = measured("master cone")
    assert canal.fill_to_apex_core_mm == 1.4
    assert found.tip_to_apex.mm() == pytest.approx(1.4, abs=0.6)
    assert found.fill_end is not None
    assert found.measure("fill_to_apex_core_mm") is None


def test_preoperative_film_follows_the_empty_canal(measured: Callable[..., Any]) -> None:
    found, canal, truth = measured("preoperative")
    line = np.asarray(canal.centre_line_px) * truth.mm_per_px
    away = [
        foot_on_polyline(line, np.asarray(p) * truth.mm_per_px)[1]
        for p in found.centre_line.points_px[3:-3]
    ]
    # Half the width of the canal's apical part is 0.15 mm.
    assert np.median(away) < 0.15
    assert found.core_end is None
    assert found.profile == ()
    assert found.measure("trial_working_length_mm").value == pytest.approx(
        found.canal_length.mm() - 1.0
    )
    assert all(w.code != "no-fill-seen" for w in found.warnings)


# --- landmark states ------------------------------------------------------------------------


@pytest.mark.parametrize("state", [LandmarkState.UNCLEAR, LandmarkState.OUTSIDE_FILM])
def test_an_apex_that_is_not_seen_takes_its_measures_away(
    measured: Callable[..., Any], state: LandmarkState
) -> None:
    found, *_ = measured("faults", radiographic_apex=Landmark(state=state))
    gone = (
        "canal_length_mm", "canal_length_straight_mm", "fill_to_apex_core_mm",
        "fill_to_apex_core_straight_mm", "fill_to_apex_sealer_mm", "fill_to_apex_ratio",
        "core_beyond_apex", "coverage_beyond_apex_mm",
    )  # fmt: skip
    for name in gone:
        measure = found.measure(name)
        assert measure.value is None, name
        assert measure.why_missing == f"the radiographic apex is marked '{state.value}'"
        assert measure.draws == ()
    assert found.apex_px is None
    # What needs no apex stays.
    for name in ("fill_length_mm", "void_count", "taper_mm_per_mm", "puff_area_mm2"):
        assert found.measure(name).value is not None, name


@pytest.mark.parametrize("state", [LandmarkState.RESORBED, LandmarkState.OPEN_APEX])
def test_an_unusual_apex_is_warned_of_and_measured_only_from_a_point(
    measured: Callable[..., Any], state: LandmarkState
) -> None:
    bare, canal, _ = measured("faults", radiographic_apex=Landmark(state=state))
    assert "apex-unusual" in [w.code for w in bare.warnings]
    assert bare.measure("fill_to_apex_core_mm").value is None
    assert state.value in bare.measure("fill_to_apex_core_mm").why_missing
    point = Landmark(point_px=canal.radiographic_apex_px, state=state)
    pointed, *_ = measured("faults", radiographic_apex=point)
    assert "apex-unusual" in [w.code for w in pointed.warnings]
    assert pointed.measure("fill_to_apex_core_mm").value is not None


def test_an_apex_left_out_is_the_last_click(measured: Callable[..., Any]) -> None:
    found, *_ = measured("faults")
    assert found.measure("canal_length_mm").value is not None
    assert "apex-unusual" not in [w.code for w in found.warnings]


# --- locator --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("off_mm", "warned"), [(0.0, False), (0.9, False), (1.1, True), (-1.1, True)]
)
def test_locator_reading_is_kept_beside_the_film(
    measured: Callable[..., Any], off_mm: float, warned: bool
) -> None:
    # More than 1 mm apart: do not average (common practice, from memory).
    plain, *_ = measured("faults")
    reading = plain.canal_length.mm() - off_mm
    found, *_ = measured("faults", locator_reading_mm=reading)
    assert found.locator_difference_mm == pytest.approx(off_mm, abs=1e-9)
    assert ("locator-and-film-disagree" in [w.code for w in found.warnings]) == warned
    assert found.canal_length == plain.canal_length
    assert _values(found) == _values(plain)


def test_without_a_scale_the_locator_is_not_compared(measured: Callable[..., Any]) -> None:
    found, *_ = measured("faults", scaled=False, locator_reading_mm=3.0)
    assert found.locator_difference_mm is None
    assert "locator-and-film-disagree" not in [w.code for w in found.warnings]


# --- uncertainty ----------------------------------------------------------------------------


def test_rougher_clicks_make_lengths_less_certain_and_change_no_value(
    measured: Callable[..., Any],
) -> None:
    fine, *_ = measured("faults", settings=Settings(click_sd_mm=0.05))
    rough, *_ = measured("faults", settings=Settings(click_sd_mm=0.4))
    assert rough.canal_length.value_mm == fine.canal_length.value_mm
    assert rough.canal_length.u_mm > 2.0 * fine.canal_length.u_mm
    # Both ends of the canal are clicked: at least sqrt(2) times one click.
    assert rough.canal_length.u_mm >= math.sqrt(2.0) * 0.4
    assert rough.fill_to_apex_core.u_mm >= 0.4
    assert rough.fill_length.u_mm == fine.fill_length.u_mm


# --- refusals -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "clicks",
    [
        (),
        ((300.0, 300.0),),
        ((300.0, 300.0), (300.0, 300.0)),
        ((300.0, 300.0), (302.0, 301.0)),
        ((300.0, 300.0), (2000.0, 300.0)),
        ((-1.0, 300.0), (600.0, 300.0)),
        ((300.0, math.nan), (600.0, 300.0)),
        ((300.0, 300.0), (math.inf, 300.0)),
        ((300.0, 300.0), (330.0, 300.0)),
    ],
)
def test_clicks_that_cannot_be_a_canal_are_refused(
    film: Callable[..., Any], scale_of: Callable[..., Any], clicks: tuple[Any, ...]
) -> None:
    radiograph, truth = film("faults")
    marks = CanalMarks(name="single", clicks_px=clicks)
    with pytest.raises(MarksError) as caught:
        measure_canal(radiograph, scale_of(truth), marks, FilmKind.POSTOPERATIVE, Settings())
    error = caught.value
    assert isinstance(error, RxMeasureError)
    for text in (error.found, error.needed, error.next_step):
        assert len(text) > 5
        assert text.endswith(".")
    assert not error.overridable
