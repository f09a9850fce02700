"""A series: the visits of one tooth, from marks to what changed between them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime

from rxmeasure import __version__
from rxmeasure.calibration.calibrate import calibrate
from rxmeasure.calibration.scale import Calibration
from rxmeasure.errors import RecallError
from rxmeasure.filling.results import CanalMeasurement
from rxmeasure.marks import PointPx, ReviewMarks
from rxmeasure.radiograph import ImageSource, Radiograph
from rxmeasure.recall.aligned_pairs import AlignedPair, AlignedVisit, aligned_pair
from rxmeasure.recall.change import Z_95
from rxmeasure.recall.comparison import (
    FillChange,
    LesionChange,
    PixelRatio,
    fill_changes,
    lesion_changes,
)
from rxmeasure.recall.dates import NextRecall, check_dates, next_recall, years_between
from rxmeasure.recall.lesion import Lesion, LesionSource, find_lesion, no_lesion, outlined_lesion
from rxmeasure.recall.pairs import PairAlignment, PairLandmarks
from rxmeasure.recall.scores import (
    Measured,
    ReaderScore,
    Suggest,
    Symptoms,
    published_scales,
    suggested,
    tooth_score,
)
from rxmeasure.values import Warned

#: Visits that one series may have (choice).
LEAST_VISITS, MOST_VISITS = 2, 10


@dataclass(frozen=True, slots=True, kw_only=True)
class LesionMark:
    """What the reader marks at one root: a click, an outline, or that nothing is visible.

    ``painted``: the outline is that of brush strokes.
    """

    root: str
    seed_px: PointPx | None = None
    outline_px: tuple[PointPx, ...] = ()
    none_visible: bool = False
    painted: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class VisitMarks:
    """What the reader states of one visit. ``date`` is YYYY-MM-DD, or empty."""

    image: str
    date: str = ""
    symptoms: Symptoms = Symptoms.NOT_STATED
    lesions: tuple[LesionMark, ...] = ()
    scores: tuple[ReaderScore, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SeriesMarks:
    """All inputs of a series beyond the marks of its films.

    ``treated`` is the date of the treatment. ``differing_reason``: why visits of another
    tooth or pseudonym are compared all the same. ``landmarks`` align pairs of visits by hand.
    """

    visits: tuple[VisitMarks, ...]
    treated: str = ""
    suggest: Suggest = Suggest.AFTER_SCORING
    differing_reason: str = ""
    repeat_sd_area_mm2: float | None = None
    landmarks: tuple[PairLandmarks, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit:
    """One visit with what was measured on its film. ``years``: since the first visit."""

    date: str
    years: float | None
    image: ImageSource
    tooth: str
    patient_pseudonym: str
    film_marks: ReviewMarks
    calibration: Calibration | None
    symptoms: Symptoms
    lesions: tuple[Lesion, ...]
    canals: tuple[CanalMeasurement, ...]
    scores: tuple[ReaderScore, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ToothScore:
    """A scale's score of the tooth at one visit: that of its worst root."""

    visit: int
    scale_id: str
    value: str
    group: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Suggestion:
    """What the measurement suggests for a root that the reader has scored."""

    visit: int
    scale_id: str
    root: str
    scored: str
    suggested: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TrendPoint:
    """Area of the lesion at one root at one visit; ``area_mm2`` is 0 where none is visible."""

    root: str
    visit: int
    years: float
    area_mm2: float
    u_area_mm2: float

    @property
    def interval_mm2(self) -> tuple[float, float]:
        """95 % interval of the area; never below nothing."""
        spread = Z_95 * self.u_area_mm2
        return max(0.0, self.area_mm2 - spread), self.area_mm2 + spread


@dataclass(frozen=True, slots=True, kw_only=True)
class UnchangedBand:
    """Areas at later visits that are no change from the first: within the least significant one."""

    years: tuple[float, ...]
    low_mm2: tuple[float, ...]
    high_mm2: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """Inputs and results of a series; what the series file keeps. Visits count from 1."""

    software_version: str
    created_utc: str
    marks: SeriesMarks
    visits: tuple[Visit, ...]
    lesion_changes: tuple[LesionChange, ...]
    fill_changes: tuple[FillChange, ...]
    trend: tuple[TrendPoint, ...]
    tooth_scores: tuple[ToothScore, ...]
    suggestions: tuple[Suggestion, ...]
    next_recall: NextRecall
    warnings: tuple[Warned, ...] = field(default=())


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Comparison:
    """A series, and the alignments that were made for it: the numbers of both visits to each."""

    series: Series
    alignments: Mapping[tuple[int, int], PairAlignment]


def compare_visits(
    marks: SeriesMarks,
    films: Sequence[tuple[Radiograph, ReviewMarks]],
    *,
    pixel_ratios: Sequence[PixelRatio] | None = None,
) -> Series:
    """Measure every visit and compare each with the one before and with the first.

    Parameters
    ----------
    marks : SeriesMarks
    films : sequence of (Radiograph, ReviewMarks)
        The film of each visit with its own marks, in the order of ``marks.visits``.
    pixel_ratios : sequence of PixelRatio, optional
        How the pixels of two visits compare, where a scale is missing. Left out: the films are
        aligned for it, and for what their difference says of a lesion.

    Raises
    ------
    RecallError
        The visits cannot be compared: see `check_dates` and the texts of the error.
    RxMeasureError
        As the functions called here.
    """
    return compare_films(marks, films, pixel_ratios=pixel_ratios).series


def compare_films(
    marks: SeriesMarks,
    films: Sequence[tuple[Radiograph, ReviewMarks]],
    *,
    pixel_ratios: Sequence[PixelRatio] | None = None,
) -> Comparison:
    """As `compare_visits`, with the alignments that were made on the way."""
    warnings = _checked(marks, films)
    visits = tuple(
        _visit(marks.visits[0].date, visit, radiograph, film)
        for visit, (radiograph, film) in zip(marks.visits, films, strict=True)
    )
    pairs: dict[tuple[int, int], AlignedPair] = {}
    if pixel_ratios is None:
        pairs = _aligned(marks, visits, [radiograph for radiograph, _ in films])
        pixel_ratios = [pair.ratio for pair in pairs.values() if pair.ratio is not None]
    changes = tuple(
        change
        for before, after in _pairs(len(visits))
        for change in lesion_changes(
            (before, visits[before - 1].lesions),
            (after, visits[after - 1].lesions),
            pixel_ratios=pixel_ratios,
            by_difference=pairs[before, after].by_difference if pairs else None,
            repeat_sd_area_mm2=marks.repeat_sd_area_mm2,
        )
    )
    fills = tuple(
        change
        for before, after in _pairs(len(visits))
        for change in fill_changes(
            (before, visits[before - 1].canals), (after, visits[after - 1].canals)
        )
    )
    tooth_scores = _tooth_scores(visits)
    series = Series(
        software_version=__version__,
        created_utc=datetime.now(UTC).isoformat(timespec="seconds"),
        marks=marks,
        visits=visits,
        lesion_changes=changes,
        fill_changes=fills,
        trend=_trend(visits),
        tooth_scores=tooth_scores,
        suggestions=_suggestions(marks, visits, changes),
        next_recall=_next_recall(marks, tooth_scores),
        warnings=(*warnings, *_scale_warnings(visits)),
    )
    return Comparison(
        series=series,
        alignments={key: one.found for key, one in pairs.items() if one.found is not None},
    )


def _pairs(count: int) -> list[tuple[int, int]]:
    """Each visit with the one before, then with the first, by number."""
    steps = [(n - 1, n) for n in range(2, count + 1)]
    return steps + [(1, n) for n in range(3, count + 1)]


def _aligned(
    marks: SeriesMarks, visits: Sequence[Visit], films: Sequence[Radiograph]
) -> dict[tuple[int, int], AlignedPair]:
    """What the alignment of each pair says of the lesions that both visits show."""
    by_hand = {(pair.before, pair.after): pair for pair in marks.landmarks}
    shown = [
        AlignedVisit(
            number=number,
            film=film,
            calibration=visit.calibration,
            lesions=visit.lesions,
            canals=visit.canals,
        )
        for number, (visit, film) in enumerate(zip(visits, films, strict=True), 1)
    ]
    return {
        pair: aligned_pair(shown[pair[0] - 1], shown[pair[1] - 1], landmarks=by_hand.get(pair))
        for pair in _pairs(len(visits))
    }


def _checked(
    marks: SeriesMarks, films: Sequence[tuple[Radiograph, ReviewMarks]]
) -> tuple[Warned, ...]:
    count = len(marks.visits)
    if not LEAST_VISITS <= count <= MOST_VISITS or len(films) != count:
        raise RecallError(
            found=f"{count} visits with {len(films)} films.",
            needed=f"{LEAST_VISITS} to {MOST_VISITS} visits, each with its film.",
            next_step="Add or take away visits.",
        )
    different_images([radiograph for radiograph, _ in films])
    for visit in marks.visits:
        roots = [lesion.root for lesion in visit.lesions]
        if len(set(roots)) < len(roots):
            raise RecallError(
                found=f"two lesions of one name at the visit {visit.date or visit.image}.",
                needed="one name for each lesion, the same at every visit.",
                next_step="Name each lesion by its root.",
            )
    dates = check_dates([visit.date for visit in marks.visits])
    return (*dates, *one_tooth(films, marks.differing_reason))


def different_images(films: Sequence[Radiograph]) -> None:
    """Raise RecallError where two visits have the same image."""
    if len({film.source.sha256 for film in films}) < len(films):
        raise RecallError(
            found="the same image at two visits.",
            needed="another film for each visit.",
            next_step="Choose the film of each visit again.",
        )


def one_tooth(
    films: Sequence[tuple[Radiograph, ReviewMarks]], differing_reason: str
) -> tuple[Warned, ...]:
    """Hold the films and their marks against each other: one tooth of one person.

    Raises
    ------
    RecallError
        Pseudonyms, teeth, or the patients named in the files differ, and no reason is given.
    """
    differences = []
    for what, values in (
        ("pseudonyms", {marks.patient_pseudonym for _, marks in films}),
        ("teeth", {marks.tooth for _, marks in films}),
    ):
        stated = sorted(values - {""})
        if len(stated) > 1:
            differences.append((f"visits of different {what}", ": ", ", ".join(stated)))
    if len({film.patient_sha256 for film, _ in films} - {""}) > 1:
        differences.append(("films of different patients", ", ", "by the Patient ID in the files"))
    if not differences:
        return ()
    reason = differing_reason.strip()
    if not reason:
        raise RecallError(
            found="; ".join("".join(words) for words in differences) + ".",
            needed="visits of one tooth of one person.",
            next_step="Choose the films again, or go on and give the reason.",
            overridable=True,
        )
    told = "; ".join(f"{what} ({which})" for what, _, which in differences)
    return (
        Warned(
            code="visits-differ",
            text=f"{told[:1].upper()}{told[1:]} are compared; reason given: {reason}",
        ),
    )


def _visit(first_date: str, visit: VisitMarks, radiograph: Radiograph, film: ReviewMarks) -> Visit:
    calibration, canals = scale_and_canals(radiograph, film)
    return Visit(
        date=visit.date,
        years=years_between(first_date, visit.date),
        image=radiograph.source,
        tooth=film.tooth,
        patient_pseudonym=film.patient_pseudonym,
        film_marks=film,
        calibration=calibration,
        symptoms=visit.symptoms,
        lesions=tuple(
            measured_lesion(mark, radiograph, film, calibration, canals) for mark in visit.lesions
        ),
        canals=canals,
        scores=_checked_scores(visit.scores),
    )


def scale_and_canals(
    radiograph: Radiograph, film: ReviewMarks
) -> tuple[Calibration | None, tuple[CanalMeasurement, ...]]:
    """The scale and the measured canals of a film, as far as they are marked."""
    from rxmeasure.review import review_film

    if not film.canals:
        return calibrate(radiograph, film), ()
    review = review_film(radiograph, film)
    return review.calibration, review.canals


def measured_lesion(
    mark: LesionMark,
    radiograph: Radiograph,
    film: ReviewMarks,
    calibration: Calibration | None,
    canals: Sequence[CanalMeasurement],
) -> Lesion:
    """Measure what the reader marked at one root.

    Raises
    ------
    RecallError
        Not exactly one of click, outline and 'none visible'.
    MarksError
        See `find_lesion` and `outlined_lesion`.
    """
    given = (mark.seed_px is not None, bool(mark.outline_px), mark.none_visible)
    if sum(given) != 1:
        raise RecallError(
            found=f"{sum(given)} findings for the root {mark.root}.",
            needed="a click, an outline, or that no lesion is visible.",
            next_step="Mark one of the three.",
        )
    if mark.none_visible:
        return no_lesion(mark.root)
    landmarks = {
        f"apex of {canal.name}": canal.apex_px for canal in canals if canal.apex_px is not None
    }
    if mark.outline_px:
        return outlined_lesion(
            radiograph,
            calibration,
            mark.outline_px,
            root=mark.root,
            settings=film.settings,
            landmarks_px=landmarks,
            source=LesionSource.MASK if mark.painted else LesionSource.OUTLINE,
        )
    assert mark.seed_px is not None
    return find_lesion(
        radiograph,
        calibration,
        mark.seed_px,
        root=mark.root,
        root_lines_px=[canal.centre_line.points_px for canal in canals],
        settings=film.settings,
        landmarks_px=landmarks,
    )


def _checked_scores(scores: tuple[ReaderScore, ...]) -> tuple[ReaderScore, ...]:
    scales = published_scales()
    for one in scores:
        if one.scale_id not in scales:
            raise RecallError(
                found=f"a scale '{one.scale_id}'.",
                needed=f"one of: {', '.join(scales)}.",
                next_step="Correct the scale of the score.",
            )
        scales[one.scale_id].choice(one.value)
    return tuple(
        one if one.scale_version else replace(one, scale_version=scales[one.scale_id].version)
        for one in scores
    )


def _scale_warnings(visits: Sequence[Visit]) -> tuple[Warned, ...]:
    missing = [str(n) for n, visit in enumerate(visits, 1) if visit.calibration is None]
    if not missing:
        return ()
    if len(missing) == 1:
        text = (
            f"No scale at visit {missing[0]}: sizes of that film are compared as ratios with a "
            "film aligned to it, or not at all."
        )
    else:
        text = (
            f"No scale at visits {', '.join(missing[:-1])} and {missing[-1]}: sizes of these films "
            "are compared as ratios with films aligned to them, or not at all."
        )
    return (Warned(code="visit-without-scale", text=text),)


def _trend(visits: Sequence[Visit]) -> tuple[TrendPoint, ...]:
    points = []
    for number, visit in enumerate(visits, 1):
        for lesion in visit.lesions:
            area: float | None = None
            u: float | None = None
            if lesion.source is LesionSource.NONE_VISIBLE:
                area, u = 0.0, 0.0
            elif lesion.size is not None:
                area, u = lesion.size.area.value_mm2, lesion.size.area.u_mm2
            if area is None or u is None or visit.years is None:
                continue
            points.append(
                TrendPoint(
                    root=lesion.root,
                    visit=number,
                    years=visit.years,
                    area_mm2=area,
                    u_area_mm2=u,
                )
            )
    return tuple(points)


def unchanged_band(series: Series, root: str) -> UnchangedBand | None:
    """The band round a root's first area; None without a dated comparison in mm2 with it."""
    found: list[tuple[float, float, float]] = []
    for change in series.lesion_changes:
        years = series.visits[change.after - 1].years
        if (change.root, change.before) != (root, 1) or not change.changes or years is None:
            continue
        area = change.changes[0]
        if area.unit == "mm2":
            least = area.least_significant
            found.append((years, max(0.0, area.before - least), area.before + least))
    if not found:
        return None
    found.sort()
    found.insert(0, (0.0, *found[0][1:]))
    return UnchangedBand(
        years=tuple(point[0] for point in found),
        low_mm2=tuple(point[1] for point in found),
        high_mm2=tuple(point[2] for point in found),
    )


def _tooth_scores(visits: Sequence[Visit]) -> tuple[ToothScore, ...]:
    found = []
    for number, visit in enumerate(visits, 1):
        for scale in published_scales().values():
            choice = tooth_score(scale, visit.scores)
            if choice is not None:
                found.append(
                    ToothScore(
                        visit=number, scale_id=scale.id, value=choice.value, group=choice.group
                    )
                )
    return tuple(found)


def _suggestions(
    marks: SeriesMarks, visits: Sequence[Visit], changes: Sequence[LesionChange]
) -> tuple[Suggestion, ...]:
    found = []
    for number, visit in enumerate(visits, 1):
        for given in visit.scores:
            choice = suggested(
                published_scales()[given.scale_id],
                _measured(marks, number, visit, given.root, changes),
                visit.scores,
                root=given.root,
                show=marks.suggest,
            )
            if choice is not None:
                found.append(
                    Suggestion(
                        visit=number,
                        scale_id=given.scale_id,
                        root=given.root,
                        scored=given.value,
                        suggested=choice.value,
                    )
                )
    return tuple(found)


def _measured(
    marks: SeriesMarks, number: int, visit: Visit, root: str, changes: Sequence[LesionChange]
) -> Measured:
    """What is known of a root at a visit; its change is that from the first visit."""
    change = next(
        (c.verdict for c in changes if (c.root, c.before, c.after) == (root, 1, number)), None
    )
    size = next((lesion.size for lesion in visit.lesions if lesion.root == root), None)
    return Measured(
        change=change,
        symptoms=visit.symptoms,
        years=years_between(marks.treated, visit.date),
        largest_mm=None if size is None else size.largest_diameter.value_mm,
    )


def _next_recall(marks: SeriesMarks, scores: Sequence[ToothScore]) -> NextRecall:
    last = len(marks.visits)
    outcome = next(
        (s.value for s in scores if s.visit == last and s.scale_id == "outcome_three_way"), None
    )
    return next_recall(marks.treated, marks.visits[-1].date, outcome)
