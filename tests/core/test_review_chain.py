"""The whole chain, radiograph to verdict, on phantoms and on shared films of others."""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Callable, Iterator
from dataclasses import fields, is_dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rxmeasure.canal_memory import CanalInputs, CanalMemory
from rxmeasure.criteria.results import Outcome
from rxmeasure.errors import CalibrationError, MarksError
from rxmeasure.marks import (
    CanalMarks,
    FilmKind,
    Landmark,
    LandmarkState,
    LengthReference,
    Override,
    PointPx,
    ReviewMarks,
    Settings,
)
from rxmeasure.phantom import PhantomTruth
from rxmeasure.radiograph import PixelSpacing, Radiograph
from rxmeasure.reading import read_radiograph
from rxmeasure.reading.polarity import dicom_polarity, inverted_by_user, raster_polarity
from rxmeasure.review import Review, review_film

Point = tuple[float, float]


def _reference(truth: PhantomTruth) -> LengthReference:
    """The file beside the tooth, clicked at both ends."""
    (file,) = [f for f in truth.files if not f.canal]
    return LengthReference(
        kind="file",
        points_px=(file.axis_px[0], file.axis_px[-1]),
        length_mm=file.length_mm,
        tip_size=float(file.size),
    )


@pytest.fixture(scope="module")
def marks(
    film: Callable[..., Any], clicked: Callable[..., CanalMarks]
) -> Callable[..., ReviewMarks]:
    def of(name: str, *, canals: tuple[int, ...] = (0,), **given: Any) -> ReviewMarks:
        _, truth = film(name)
        return ReviewMarks(
            film_kind=FilmKind(truth.film_kind),
            tooth=truth.tooth,
            canals=tuple(clicked(truth.canals[k]) for k in canals),
            **given,
        )

    return of


def _with_spacing(film: Radiograph, truth: PhantomTruth) -> Radiograph:
    """The film with its true pitch stated in the patient's plane."""
    spacing = PixelSpacing(
        row_mm=truth.mm_per_px, col_mm=truth.mm_per_px, attribute="Pixel Spacing (0028,0030)",
        plane="patient", calibration_type="FIDUCIAL",
    )  # fmt: skip
    return replace(film, spacing=spacing)


def _walk(value: Any, path: str = "review") -> Iterator[tuple[str, Any]]:
    yield path, value
    if is_dataclass(value):
        for field in fields(value):
            yield from _walk(getattr(value, field.name), f"{path}.{field.name}")
    elif isinstance(value, tuple):
        for k, entry in enumerate(value):
            yield from _walk(entry, f"{path}[{k}]")


def _without_time(review: Review) -> Review:
    return replace(review, created_utc="")


# --- a calibrated film ----------------------------------------------------------------------


def test_a_film_is_reviewed_from_end_to_end(
    film: Callable[..., Any], marks: Callable[..., ReviewMarks]
) -> None:
    radiograph, truth = film("faults")
    told: list[str] = []
    review = review_film(_with_spacing(radiograph, truth), marks("faults"), progress=told.append)
    assert told == ["calibrate", "measure single"]
    assert review.calibration is not None
    assert review.calibration.col_mm == truth.mm_per_px
    assert review.spacing_attribute == "Pixel Spacing (0028,0030)"
    assert review.image == radiograph.source
    assert review.created_utc.endswith("+00:00")
    (canal,) = review.canals
    assert canal.name == "single"
    # True 1.2 mm short of the apex: 0 to 2 mm is adequate (Liang 2012, Clin Oral Investig,
    # 10.1007/s00784-011-0671-3, abstract read); the voids make density fail.
    assert canal.fill_to_apex_core is not None
    assert canal.fill_to_apex_core.mm() == pytest.approx(1.2, abs=0.5)
    by_field = {v.field: v for v in review.verdicts if v.canal == "single"}
    assert by_field["length"].outcome in (Outcome.MET, Outcome.BORDERLINE)
    assert by_field["density"].outcome is Outcome.NOT_MET
    for verdict in review.verdicts:
        assert verdict.source
        assert verdict.source_status
        assert verdict.rule_version
        if verdict.outcome is Outcome.CANNOT_BE_JUDGED:
            assert verdict.why
    assert {s.rule_id for s in review.tooth_summaries} == {v.rule_id for v in review.verdicts}
    # The draws served the verdict and are not kept.
    assert all(m.draws == () for c in review.canals for m in c.measures)
    assert review.warnings == radiograph.warnings


def test_twice_the_same_is_the_same_and_the_film_stays_as_it_was(
    film: Callable[..., Any], marks: Callable[..., ReviewMarks]
) -> None:
    radiograph, truth = film("faults")
    radiograph = _with_spacing(radiograph, truth)
    before = hashlib.sha256(radiograph.pixels.tobytes()).hexdigest()
    assert not radiograph.pixels.flags.writeable
    one = review_film(radiograph, marks("faults"))
    two = review_film(radiograph, marks("faults"))
    assert _without_time(one) == _without_time(two)
    assert hashlib.sha256(radiograph.pixels.tobytes()).hexdigest() == before


def test_a_file_beside_the_tooth_gives_the_scale_of_everything(
    film: Callable[..., Any], marks: Callable[..., ReviewMarks]
) -> None:
    radiograph, truth = film("working length")
    review = review_film(radiograph, marks("working length", references=(_reference(truth),)))
    assert review.calibration is not None
    assert review.calibration.col_mm == pytest.approx(truth.mm_per_px, rel=0.005)
    assert "file of known length 20 mm" in review.calibration.source
    for _, value in _walk(review.canals):
        source = getattr(value, "scale_source", None)
        if source is not None:
            assert review.calibration.source in source
    (canal,) = review.canals
    assert canal.tip_to_apex is not None
    # 1.4 mm and more of uncertainty of the scale on 20 mm, 0.28 mm of clicks: all of it is in u.
    assert canal.canal_length.u_mm > 0.01 * canal.canal_length.mm()


def test_two_canals_are_measured_apart_and_the_worst_rules_the_tooth(
    film: Callable[..., Any], marks: Callable[..., ReviewMarks]
) -> None:
    radiograph, truth = film("molar")
    radiograph = _with_spacing(radiograph, truth)
    both = review_film(radiograph, marks("molar", canals=(0, 2)))
    assert [c.name for c in both.canals] == ["MB", "D"]
    alone = review_film(radiograph, marks("molar", canals=(0,)))
    assert both.canals[0] == alone.canals[0]
    # D is empty: no rule is met there, and each tooth's verdict names its worst canal.
    level = both.canals[1].measure("fill_level")
    assert level is not None
    assert level.value == "none"
    assert len(both.tooth_summaries) == len({v.rule_id for v in both.verdicts})
    for summary in both.tooth_summaries:
        assert sum(n for _, n in summary.counts) == 2
        assert dict(summary.counts)[summary.outcome] >= 1
        worst = [v for v in both.verdicts if v.canal == summary.worst_canal]
        assert summary.outcome in [v.outcome for v in worst if v.rule_id == summary.rule_id]
        if dict(summary.counts)[Outcome.NOT_MET]:
            assert summary.outcome is Outcome.NOT_MET


def test_a_verdict_is_changed_only_with_a_reason_and_the_tools_own_is_kept(
    film: Callable[..., Any], marks: Callable[..., ReviewMarks]
) -> None:
    radiograph, truth = film("faults")
    radiograph = _with_spacing(radiograph, truth)
    plain = review_film(radiograph, marks("faults"))
    target = next(v for v in plain.verdicts if v.field == "density")
    override = Override(
        canal="single",
        rule_id=f"{target.rule_id}/density",
        verdict="met",
        reason="artefact of the sensor",
    )
    changed = review_film(radiograph, marks("faults", overrides=(override,)))
    (verdict,) = [v for v in changed.verdicts if v.field == "density"]
    assert verdict.outcome is Outcome.MET
    assert verdict.tool_outcome is target.outcome
    assert verdict.overridden_by == "artefact of the sensor"
    assert changed.canals == plain.canals


# --- memory of measured canals --------------------------------------------------------------


def _measured_anew(told: list[str]) -> list[str]:
    return [word.removeprefix("measure ") for word in told if word.startswith("measure ")]


def test_memory_changes_no_result_and_spares_what_did_not_change(
    film: Callable[..., Any], marks: Callable[..., ReviewMarks]
) -> None:
    radiograph, truth = film("molar")
    radiograph = _with_spacing(radiograph, truth)
    both = marks("molar", canals=(0, 2))
    (row, col), *others = both.canals[1].clicks_px
    moved = replace(both.canals[1], clicks_px=((row + 2.0, col), *others))
    memory = CanalMemory()
    for given, anew in (
        (both, ["MB", "D"]),
        (both, []),
        (replace(both, canals=(both.canals[0], moved)), ["D"]),
        (both, []),  # undone: still known
        (replace(both, canals=both.canals[::-1]), []),
        (replace(both, tooth="46", reader="r1"), []),
    ):
        told: list[str] = []
        review = review_film(radiograph, given, progress=told.append, memory=memory)
        assert _measured_anew(told) == anew
        # Verdicts too: they are judged with the Monte Carlo draws, which the memory keeps.
        assert _without_time(review) == _without_time(review_film(radiograph, given))


def test_all_that_a_canal_depends_on_makes_it_measured_anew(
    film: Callable[..., Any], marks: Callable[..., ReviewMarks]
) -> None:
    radiograph, truth = film("faults")
    radiograph = _with_spacing(radiograph, truth)
    plain = marks("faults")
    scale = _with_spacing(radiograph, replace(truth, mm_per_px=1.01 * truth.mm_per_px))
    turned = replace(
        radiograph,
        pixels=radiograph.pixels[::-1, ::-1],
        polarity=replace(radiograph.polarity, turned=True),
    )
    other_file = replace(
        radiograph,
        pixels=radiograph.pixels[::-1, ::-1],
        source=replace(radiograph.source, sha256="ab" * 32),
    )
    canal = replace(plain.canals[0], locator_reading_mm=20.0)
    memory = CanalMemory()
    for image, given in (
        (radiograph, plain),
        (scale, plain),
        (turned, plain),
        (other_file, plain),
        (radiograph, replace(plain, use_detector_spacing=False)),
        (radiograph, replace(plain, film_kind=FilmKind.PREOPERATIVE)),
        (radiograph, replace(plain, settings=Settings(seed=1))),
        (radiograph, replace(plain, settings=Settings(void_min_mm=0.6))),
        (radiograph, replace(plain, canals=(canal,))),
    ):
        told: list[str] = []
        review = review_film(image, given, progress=told.append, memory=memory)
        assert _measured_anew(told) == ["single"]
        assert _without_time(review) == _without_time(review_film(image, given))


def test_a_refusal_is_not_remembered(
    film: Callable[..., Any], marks: Callable[..., ReviewMarks]
) -> None:
    radiograph, _ = film("faults")
    canal = CanalMarks(name="single", clicks_px=((5.0, 5.0), (5.0, 5.0)))
    memory = CanalMemory()
    for _ in range(2):
        with pytest.raises(MarksError):
            review_film(radiograph, replace(marks("faults"), canals=(canal,)), memory=memory)


def _inputs(name: str) -> CanalInputs:
    return CanalInputs(
        image_sha256="ab" * 32, turned=False, calibration=None,
        canal=CanalMarks(name=name, clicks_px=()), film_kind=FilmKind.RECALL, settings=Settings(),
    )  # fmt: skip


def test_memory_is_bounded_and_the_longest_unused_goes_first(
    film: Callable[..., Any], marks: Callable[..., ReviewMarks]
) -> None:
    (measured,) = review_film(film("faults")[0], marks("faults")).canals
    memory = CanalMemory(kept=3)
    for name in "abc":
        memory.keep(_inputs(name), measured)
    assert memory.recall(_inputs("a")) is measured
    memory.keep(_inputs("d"), measured)
    known = [name for name in "abcd" if memory.recall(_inputs(name)) is not None]
    assert known == ["a", "c", "d"]


def test_memory_is_shared_between_threads(
    film: Callable[..., Any], marks: Callable[..., ReviewMarks]
) -> None:
    (measured,) = review_film(film("faults")[0], marks("faults")).canals
    named = {name: replace(measured, name=name) for name in map(str, range(12))}
    memory = CanalMemory(kept=8)
    faults: list[object] = []

    def use(start: int) -> None:
        try:
            for k in range(3000):
                name = str((start + 7 * k) % 12)
                found = memory.recall(_inputs(name))
                if found is not None and found is not named[name]:
                    faults.append(name)
                memory.keep(_inputs(name), named[name])
        except Exception as fault:  # noqa: BLE001 - told by the assertion below
            faults.append(fault)

    threads = [threading.Thread(target=use, args=(k,)) for k in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert faults == []
    assert sum(memory.recall(_inputs(name)) is not None for name in named) == 8


# --- the user's switch to invert ------------------------------------------------------------


def test_the_switch_is_known_from_a_review(sample_images: Path) -> None:
    path = next(p for p in sorted(sample_images.iterdir()) if p.suffix == ".png")
    for invert in (False, True):
        polarity = read_radiograph(path, invert=invert).polarity
        assert inverted_by_user(polarity.reason) is invert


@pytest.mark.parametrize("invert", [False, True])
def test_the_switch_is_known_from_every_reason(invert: bool) -> None:
    reasons = [raster_polarity(white_is_zero=zero, invert=invert).reason for zero in (False, True)]
    reasons += [
        dicom_polarity(
            photometric=photometric, lut_shape=shape, intensity_sign=sign,
            for_processing=processing, modality_rises=True, invert=invert,
        )[0].reason
        for photometric in ("MONOCHROME1", "MONOCHROME2")
        for shape in (None, "IDENTITY", "INVERSE")
        for sign in (None, -1, 1)
        for processing in (False, True)
    ]  # fmt: skip
    assert all(inverted_by_user(reason) is invert for reason in reasons)


# --- without a scale ------------------------------------------------------------------------


def test_without_a_scale_only_ratios_are_judged(
    film: Callable[..., Any], marks: Callable[..., ReviewMarks]
) -> None:
    radiograph, _ = film("faults")
    assert radiograph.spacing is None
    review = review_film(radiograph, marks("faults"))
    assert review.calibration is None
    _assert_no_mm(review)
    lengths = [v for v in review.verdicts if v.measure_name.endswith(("_mm", "_mm2"))]
    assert lengths
    assert all(v.outcome is Outcome.CANNOT_BE_JUDGED for v in lengths)


def _assert_no_mm(review: Review) -> None:
    checked = 0
    for path, value in _walk(review.canals):
        field = path.rsplit(".", 1)[-1].split("[")[0]
        if field.endswith(("_mm", "_mm2")):
            assert value in (None, ()), path
            checked += 1
    for canal in review.canals:
        for measure in canal.measures:
            if measure.unit in ("mm", "mm2"):
                assert (measure.value, measure.u) == (None, None), measure
                checked += 1
    assert checked > 20


def test_the_pictures_spacing_may_be_refused(
    film: Callable[..., Any], marks: Callable[..., ReviewMarks]
) -> None:
    radiograph, truth = film("faults")
    review = review_film(
        _with_spacing(radiograph, truth), marks("faults", use_detector_spacing=False)
    )
    assert review.calibration is None
    assert review.spacing_attribute == "Pixel Spacing (0028,0030)"
    _assert_no_mm(review)


# --- warnings -------------------------------------------------------------------------------


def test_a_scale_that_makes_the_tooth_too_long_is_told(
    film: Callable[..., Any], marks: Callable[..., ReviewMarks]
) -> None:
    radiograph, truth = film("faults")
    double = replace(
        radiograph,
        spacing=PixelSpacing(
            row_mm=2.5 * truth.mm_per_px, col_mm=2.5 * truth.mm_per_px,
            attribute="Pixel Spacing (0028,0030)", plane="patient",
        ),
    )  # fmt: skip
    # Orifice to apex are 12.9 mm, shown as 32: longer than any lower second premolar (Ingle:
    # 19.1 to 23.7 mm, from memory).
    review = review_film(double, marks("faults"))
    assert "tooth-length-implausible" in [w.code for w in review.warnings]
    assert review.warnings[-1].text.startswith("Canal single:")


# --- refusals -------------------------------------------------------------------------------


def test_no_canal_is_refused(film: Callable[..., Any], marks: Callable[..., ReviewMarks]) -> None:
    radiograph, _ = film("faults")
    with pytest.raises(MarksError, match="no canal"):
        review_film(radiograph, replace(marks("faults"), canals=()))


def test_a_landmark_outside_and_a_bad_reference_are_refused_before_measuring(
    film: Callable[..., Any], marks: Callable[..., ReviewMarks]
) -> None:
    radiograph, _ = film("faults")
    told: list[str] = []
    good = marks("faults")
    outside = replace(
        good.canals[0],
        core_end=Landmark(point_px=(5000.0, 10.0), state=LandmarkState.MARKED),
    )
    with pytest.raises(MarksError, match="core_end"):
        review_film(radiograph, replace(good, canals=(outside,)), progress=told.append)
    bad = LengthReference(kind="line", points_px=((5.0, 5.0), (500.0, 5.0)), length_mm=0.0)
    with pytest.raises(CalibrationError, match="known length"):
        review_film(radiograph, replace(good, references=(bad,)), progress=told.append)
    assert "measure single" not in told


# --- films of others ------------------------------------------------------------------------


def _shared(folder: Path, *parts: str) -> Radiograph:
    path = folder.joinpath("radiographs", *parts)
    if not path.is_file():
        pytest.skip("the film is not in the folder of shared films")
    return read_radiograph(path)


#: DenPAR (Rasnayaka et al. 2025, Scientific Data 12:1615, doi:10.1038/s41597-025-05906-9;
#: CC BY 4.0), cut out of a figure. Read off by hand within 3 px: coronal and apical end of the
#: fill, apex; (row, col).
TEETH: dict[str, tuple[Point, Point, Point]] = {
    "left": ((368.0, 373.0), (159.0, 314.0), (118.0, 285.0)),
    "right": ((342.0, 465.0), (124.0, 413.0), (93.0, 408.0)),
}


def _three_clicks(start: Point, end: Point, apex: Point) -> tuple[PointPx, ...]:
    middle = ((start[0] + end[0]) / 2.0, (start[1] + end[1]) / 2.0)
    return (start, middle, apex)


def test_two_filled_teeth_of_a_real_film(shared_folder: Path) -> None:
    film = _shared(shared_folder, "denpar_figure_crops", "denpar_fig3_row2_image.png")
    review = review_film(
        film,
        ReviewMarks(
            film_kind=FilmKind.POSTOPERATIVE,
            canals=tuple(
                CanalMarks(name=name, clicks_px=_three_clicks(*points))
                for name, points in TEETH.items()
            ),
        ),
    )
    assert review.calibration is None
    _assert_no_mm(review)
    for canal in review.canals:
        _, end, apex = TEETH[canal.name]
        assert canal.core_end is not None
        # Fill and apex are hand-read to 3 px each; 12 px is four times that (choice).
        assert np.hypot(*np.subtract(canal.core_end.point_px, end)) < 12.0
        assert canal.fill_to_apex_core is not None
        gap = float(np.hypot(*np.subtract(apex, end)))
        assert canal.fill_to_apex_core.value_px == pytest.approx(gap, abs=12.0)


def test_a_film_without_root_fillings_brings_no_crash(shared_folder: Path) -> None:
    # One bitewing of the project nnistelrooij/bitewings (MIT licence): restorations, scratches,
    # no root filling, no apex in view.
    film = _shared(shared_folder, "bitewing_mit", "bitewing.png")
    rows, cols = film.shape
    rng = np.random.default_rng(17)
    for kind in FilmKind:
        points = rng.uniform(0.1, 0.9, (2, 3, 2)) * (rows, cols)
        canals = tuple(
            CanalMarks(name=str(k), clicks_px=tuple((float(r), float(c)) for r, c in p))
            for k, p in enumerate(points)
        )
        review = review_film(film, ReviewMarks(film_kind=kind, canals=canals))
        _assert_no_mm(review)
        for canal in review.canals:
            for _, value in _walk(canal):
                if isinstance(value, float):
                    assert np.isfinite(value)
