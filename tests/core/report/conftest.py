"""A film of the sample teaching clinic with a review whose numbers fit each other.

Two canals of a lower molar are laid out as curves; every length, width and
place in the review is computed from those curves, and the film is painted from
the same curves.
"""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from rxmeasure.calibration.scale import Calibration, ReferenceResult
from rxmeasure.criteria.results import Outcome, ToothSummary, Verdict
from rxmeasure.filling.results import (
    CanalMeasurement,
    CentreLine,
    Curvature,
    DensityGap,
    FillEnd,
    ProfilePoint,
    SealerPuff,
    TaperFit,
)
from rxmeasure.geometry import cumulative_length, normals, point_at, polygon_area
from rxmeasure.marks import (
    CanalMarks,
    FilmKind,
    Landmark,
    LandmarkState,
    LengthReference,
    NominalShape,
    Override,
    ReviewMarks,
)
from rxmeasure.radiograph import ImageSource, Polarity, Radiograph
from rxmeasure.report.content import build_content
from rxmeasure.review import Review
from rxmeasure.values import Area, Length, MeasureValue, Warned

ROWS, COLS = 1000, 1320
MM = 0.030
U_REL = 0.008
SOURCE = "steel wire 10.0 mm, straight, on this film"


def _curve(bend: float, start_col: float) -> np.ndarray:
    t = np.linspace(0.0, 1.0, 240)
    return np.column_stack([150.0 + 690.0 * t, start_col + bend * (0.55 * t + 0.45 * t**2)])


def _tuples(points) -> tuple[tuple[float, float], ...]:
    return tuple((float(r), float(c)) for r, c in points)


class Maker:
    """Makes the values of one canal, with or without a scale."""

    def __init__(self, calibrated: bool) -> None:
        self.mm = MM if calibrated else None
        self.source = SOURCE if calibrated else None

    def length(self, px: float, u_px: float) -> Length:
        if self.mm is None:
            return Length(value_px=px, u_px=u_px)
        value = px * self.mm
        return Length(
            value_px=px,
            u_px=u_px,
            value_mm=value,
            u_mm=float(np.hypot(u_px * self.mm, U_REL * value)),
            scale_source=self.source,
        )

    def area(self, px2: float, u_px2: float) -> Area:
        if self.mm is None:
            return Area(value_px2=px2, u_px2=u_px2)
        value = px2 * self.mm**2
        return Area(
            value_px2=px2,
            u_px2=u_px2,
            value_mm2=value,
            u_mm2=float(np.hypot(u_px2 * self.mm**2, 2 * U_REL * value)),
            scale_source=self.source,
        )

    def measure(self, name: str, length: Length | None) -> MeasureValue:
        if length is None:
            return MeasureValue(name=name, value=None, unit="mm", why_missing="not marked")
        if length.value_mm is None:
            return MeasureValue(
                name=name, value=None, unit="mm", why_missing="this film has no scale"
            )
        return MeasureValue(
            name=name, value=length.value_mm, u=length.u_mm, unit="mm", scale_source=self.source
        )

    def canal(
        self,
        name: str,
        line: np.ndarray,
        short_px: float,
        gaps: list[tuple[float, float, float, float, str, str]],
        puff: bool,
    ) -> CanalMeasurement:
        s = cumulative_length(line)
        total = float(s[-1])
        end_s, start_s = total - short_px, 190.0
        end = FillEnd(
            point_px=_tuples([point_at(line, end_s)])[0],
            s_px=end_s,
            u_px=3.0,
            spread_px=4.5,
            how="two-dimensional cone fit",
        )
        start = FillEnd(
            point_px=_tuples([point_at(line, start_s)])[0],
            s_px=start_s,
            u_px=5.0,
            spread_px=8.0,
            how="axial derivative",
        )
        to_end = np.linspace(0.0, end_s - start_s, 140)
        places = end_s - to_end
        centres = np.array([point_at(line, v) for v in places])
        across = normals(line)[np.clip(np.searchsorted(s, places), 0, len(s) - 1)]
        rng = np.random.default_rng(len(name))
        slope, width0 = 0.052, 11.0
        width = width0 + slope * to_end + rng.normal(0.0, 0.35, to_end.size)
        left, right = centres + across * width[:, None] / 2, centres - across * width[:, None] / 2
        expected = 900.0 * np.sqrt(width / 40.0)
        density = expected + rng.normal(0.0, 12.0, to_end.size)
        made_gaps = []
        for at, gap_length, gap_width, contrast, kind, side in gaps:
            hit = np.abs(to_end - at) < gap_length / 2
            density[hit] -= contrast * expected[hit]
            k = int(np.argmin(np.abs(to_end - at)))
            offset = {"left": 0.4, "right": -0.4, "": 0.0}[side] * width[k]
            centre = centres[k] + across[k] * offset
            angle = np.linspace(0, 2 * np.pi, 25)[:-1]
            along = np.array([-across[k][1], across[k][0]])
            outline = (
                centre
                + np.cos(angle)[:, None] * along * gap_length / 2
                + np.sin(angle)[:, None] * across[k] * gap_width / 2
            )
            third = ("apical", "middle", "coronal")[int(3 * at / to_end[-1])]
            made_gaps.append(
                DensityGap(
                    kind=kind,
                    side=side,
                    third=third,
                    to_end_px=at,
                    to_end_mm=at * self.mm if self.mm else None,
                    centre_px=_tuples([centre])[0],
                    length=self.length(gap_length, 1.5),
                    width=self.length(gap_width, 1.2),
                    area=self.area(polygon_area(outline), 8.0),
                    contrast=contrast,
                    contrast_sd=contrast * float(expected[k]) / 40.0,
                    confidence=0.86,
                    outline_px=_tuples(outline),
                )
            )
        profile = tuple(
            ProfilePoint(
                s_px=float(places[k]),
                to_end_px=float(to_end[k]),
                to_end_mm=float(to_end[k]) * self.mm if self.mm else None,
                width_px=float(width[k]),
                width_mm=float(width[k]) * self.mm if self.mm else None,
                u_width_px=1.0,
                u_width_mm=self.mm if self.mm else None,
                left_edge_px=_tuples([left[k]])[0],
                right_edge_px=_tuples([right[k]])[0],
                density=float(density[k]),
                density_expected=float(expected[k]),
            )
            for k in range(to_end.size)
        )
        nominal = ()
        if self.mm:
            nominal = tuple(
                (x, 0.30 + 0.04 * x - 0.05, 0.30 + 0.04 * x + 0.05)
                for x in np.linspace(0.0, 12.0, 25).tolist()
            )
        taper = TaperFit(
            taper=slope,
            u_taper=0.0016,
            width_at_end_px=width0,
            width_at_end_mm=width0 * self.mm if self.mm else None,
            from_to_end_px=1.0 / MM,
            upto_to_end_px=float(to_end[-1]) - 1.0 / MM,
            residual_rms_px=(0.4, 0.5, 0.6),
            residual_rms_mm=tuple(v * self.mm for v in (0.4, 0.5, 0.6)) if self.mm else None,
            departures=("step of 0.08 mm at 6.2 mm from the end",) if self.mm else (),
            even=True,
            p_even=0.91,
            nominal_band_mm=nominal,
            inside_nominal_share=0.62 if self.mm else None,
        )
        sealer_puff = None
        if puff:
            angle = np.linspace(0, 2 * np.pi, 31)[:-1]
            radius = 17.0 + 4.0 * np.cos(3 * angle)
            centre = point_at(line, total + 16.0) + (0.0, 6.0)
            outline = centre + radius[:, None] * np.column_stack([np.sin(angle), np.cos(angle)])
            sealer_puff = SealerPuff(
                area=self.area(polygon_area(outline), 160.0),
                side="apical",
                centre_px=_tuples([centre])[0],
                reach=self.length(35.0, 6.0),
                outline_px=_tuples(outline),
                gross=False,
            )
        canal_length = self.length(total, 4.0)
        straight = self.length(float(np.hypot(*(line[-1] - line[0]))), 4.0)
        to_apex = self.length(short_px, 6.0)
        fill_length = self.length(end_s - start_s, 6.0)
        smallest = self.length(8.0, 1.0)
        coverage = self.length(ROWS - 1 - float(line[-1][0]), 2.0)
        area = sum(g.area.value_mm2 for g in made_gaps) if self.mm else None
        measures = (
            self.measure("canal_length_mm", canal_length),
            self.measure("canal_length_straight_mm", straight),
            self.measure("fill_length_mm", fill_length),
            self.measure("fill_to_apex_core_mm", to_apex),
            self.measure("fill_to_apex_sealer_mm", None),
            MeasureValue(name="fill_level", value="canal", unit="code"),
            MeasureValue(
                name="core_beyond_apex",
                value=short_px < 0,
                unit="bool",
                p_true=0.98 - 0.97 * (short_px > 0),
            ),
            MeasureValue(name="void_count", value=len(made_gaps), unit="1"),
            MeasureValue(
                name="void_area_mm2",
                value=area,
                unit="mm2",
                u=0.01 if self.mm else None,
                why_missing=None if self.mm else "this film has no scale",
                scale_source=self.source,
            ),
            self.measure("smallest_visible_void_mm", smallest),
            MeasureValue(name="taper_mm_per_mm", value=slope, u=0.0016, unit="mm/mm"),
            MeasureValue(name="taper_even", value=True, unit="bool", p_true=0.91),
            MeasureValue(name="schneider_deg", value=9.4, u=0.8, unit="deg"),
            self.measure("coverage_beyond_apex_mm", coverage),
        )
        return CanalMeasurement(
            name=name,
            film_kind="post-operative",
            centre_line=CentreLine(
                points_px=_tuples(line), s_px=tuple(s.tolist()), confidence=0.93
            ),
            canal_length=canal_length,
            canal_length_straight=straight,
            working_length=None,
            fill_length=fill_length,
            fill_to_apex_core=to_apex,
            fill_to_apex_core_straight=to_apex,
            fill_to_apex_sealer=None,
            tip_to_apex=None,
            core_start=start,
            core_end=end,
            fill_end=end,
            sealer_end=None,
            apex_px=_tuples([line[-1]])[0],
            profile=profile,
            taper=taper,
            gaps=tuple(made_gaps),
            smallest_visible_void=smallest,
            homogeneous=not made_gaps,
            puff=sealer_puff,
            post_gap=None,
            apical_fill_under_post=None,
            curvature=Curvature(
                schneider_deg=9.4,
                schneider_class="between classes (5-10)",
                weine_deg=13.1,
                pruett_deg=14.0,
                pruett_radius_px=610.0,
                pruett_radius_mm=610.0 * self.mm if self.mm else None,
                u_deg=0.8,
            ),
            coverage_beyond_apex=coverage,
            locator_difference_mm=0.4 if self.mm else None,
            measures=measures,
            warnings=(
                Warned(
                    code="fill-end-methods-differ",
                    text="The methods that find the end of the core lie 4.5 px apart.",
                ),
            ),
        )


def _verdict(canal: str, **changes) -> Verdict:
    facts = {
        "canal": canal,
        "rule_id": "zero_two",
        "rule_version": "1.0.0",
        "field": "length",
        "outcome": Outcome.MET,
        "label": "adequate",
        "probability_met": 0.97,
        "measure_name": "fill_to_apex_core_mm",
        "value_text": "1.2",
        "unit": "mm",
        "source": "Liang 2012, doi:10.1007/s00784-011-0671-3",
        "source_status": "read",
    }
    return Verdict(**{**facts, **changes})


def _radiograph(canals, reference_px, calibrated: bool) -> Radiograph:
    from skimage.draw import polygon
    from skimage.filters import gaussian

    rng = np.random.default_rng(3)
    film = 1150.0 + 260.0 * gaussian(rng.normal(size=(ROWS, COLS)), 14) * 14
    film += 160.0 * gaussian(rng.normal(size=(ROWS, COLS)), 3) * 3

    def paint(points, value, blur) -> None:
        mask = np.zeros((ROWS, COLS))
        rr, cc = polygon(*np.asarray(points).T, shape=(ROWS, COLS))
        mask[rr, cc] = 1.0
        film[...] += value * gaussian(mask, blur)

    for canal in canals:
        line = np.array(canal.centre_line.points_px)
        n = normals(line)
        half = np.interp(np.arange(len(line)), [0, 60, 200, 239], [120, 95, 60, 24])[:, None]
        paint(np.vstack([line + n * half, (line - n * half)[::-1]]), 700.0, 6)
    paint([(110, 430), (110, 880), (330, 900), (360, 640), (330, 400)], 500.0, 8)
    for canal in canals:
        left = [p.left_edge_px for p in canal.profile]
        right = [p.right_edge_px for p in canal.profile]
        paint([*left, *right[::-1]], 1500.0, 1.4)
        for gap in canal.gaps:
            paint(gap.outline_px, -1500.0 * gap.contrast, 1.4)
        if canal.puff:
            paint(canal.puff.outline_px, 700.0, 2)
    wire = np.asarray(reference_px)
    paint([wire[0] - (0, 7), wire[0] + (0, 7), wire[-1] + (0, 7), wire[-1] - (0, 7)], 1700.0, 1.2)
    film += rng.normal(0.0, 25.0, film.shape)
    pixels = np.clip(film, 0, 4095).astype(np.float32)
    pixels.flags.writeable = False
    return Radiograph(
        pixels=pixels,
        value_min=0.0,
        value_max=4095.0,
        source=_source(),
        polarity=Polarity(turned=False, reason="MONOCHROME2: bright is radiopaque"),
    )


def _source() -> ImageSource:
    return ImageSource(
        file_name="case-017-visit-2.png",
        format="PNG",
        sha256="3f5ac19e" * 8,
        rows=ROWS,
        columns=COLS,
        bits=12,
        lossy=False,
    )


def _make(calibrated: bool) -> SimpleNamespace:
    maker = Maker(calibrated)
    canals = (
        maker.canal(
            "M",
            _curve(-150.0, 560.0),
            1.95 / MM,
            [(150.0, 26.0, 12.0, 0.42, "internal", ""), (330.0, 9.0, 26.0, 0.35, "joint", "")],
            puff=False,
        ),
        maker.canal(
            "D",
            _curve(110.0, 760.0),
            -0.4 / MM,
            [(240.0, 60.0, 9.0, 0.3, "wall", "right")],
            puff=True,
        ),
    )
    wire = ((300.0, 1160.0), (300.0 + 10.0 / MM, 1170.0))
    length_px = float(np.hypot(wire[1][0] - wire[0][0], wire[1][1] - wire[0][1]))
    reference = LengthReference(
        kind="line", points_px=wire, length_mm=10.0, length_u_mm=0.05, label="Steel wire"
    )
    calibration = None
    if calibrated:
        calibration = Calibration(
            row_mm=MM,
            col_mm=MM,
            u_rel=U_REL,
            source=SOURCE,
            references=(
                ReferenceResult(
                    reference=reference,
                    path_px=wire,
                    length_px=length_px,
                    u_length_px=1.4,
                    mm_per_px=10.0 / length_px,
                    residual_sd=None,
                ),
            ),
            warnings=(
                Warned(
                    code="detector-and-file-disagree",
                    text="The scale differs by 4.1 % from the spacing in the file.",
                ),
            ),
        )
    cannot = {
        "outcome": Outcome.CANNOT_BE_JUDGED,
        "label": "",
        "probability_met": None,
        "value_text": "",
        "why": "this film has no scale",
    }
    if calibrated:
        lengths = (
            _verdict(
                "M",
                outcome=Outcome.BORDERLINE,
                probability_met=0.61,
                value_text="1.95",
                why="0.05 mm from the limit of 2.0 mm, standard uncertainty 0.18 mm",
            ),
            _verdict(
                "D",
                outcome=Outcome.NOT_MET,
                label="overfilled",
                probability_met=0.02,
                value_text="-0.4",
            ),
        )
    else:
        lengths = (_verdict("M", **cannot), _verdict("D", **cannot))
    void_free = {
        "rule_id": "void_free",
        "field": "density",
        "measure_name": "void_count",
        "unit": "1",
        "source": "Tronstad 2000, summary, endodonticresource.com",
        "outcome": Outcome.NOT_MET,
        "label": "inadequate",
    }
    verdicts = (
        lengths[0],
        _verdict("M", **void_free, value_text="2"),
        _verdict(
            "M",
            rule_id="even_taper",
            field="taper",
            measure_name="taper_even",
            value_text="yes",
            unit="bool",
            source="AAE Guide to Clinical Endodontics",
            source_status="from memory",
        ),
        lengths[1],
        _verdict(
            "D",
            **{**void_free, "outcome": Outcome.MET, "label": "adequate"},
            value_text="1",
            overridden_by="The dark line is the edge of the root, seen on the shifted film.",
            tool_outcome=Outcome.NOT_MET,
        ),
    )
    marks = ReviewMarks(
        film_kind=FilmKind.POSTOPERATIVE,
        tooth="46",
        patient_pseudonym="Case 017, the sample teaching clinic",
        visit="visit 2",
        reader="reader B",
        canals=tuple(
            CanalMarks(
                name=canal.name,
                clicks_px=tuple(canal.centre_line.points_px[k] for k in (0, 150, 239)),
                coronal_reference=Landmark(
                    point_px=(140.0, canal.centre_line.points_px[0][1] - 14.0),
                    state=LandmarkState.MARKED,
                    label="mesiobuccal cusp tip",
                ),
                orifice=Landmark(
                    point_px=canal.centre_line.points_px[62], state=LandmarkState.MARKED
                ),
                nominal=NominalShape(size=30.0, taper=0.04),
                locator_reading_mm=20.5,
            )
            for canal in canals
        ),
        references=(reference,),
        overrides=(
            Override(
                canal="D",
                rule_id="void_free",
                verdict="met",
                reason="The dark line is the edge of the root, seen on the shifted film.",
            ),
        ),
    )
    radiograph = _radiograph(canals, wire, calibrated)
    review = Review(
        software_version="0.1.0",
        created_utc="2025-03-01T09:30:00Z",
        image=radiograph.source,
        polarity_reason=radiograph.polarity.reason,
        spacing_attribute=None,
        marks=marks,
        calibration=calibration,
        canals=canals,
        verdicts=verdicts,
        tooth_summaries=(
            ToothSummary(
                rule_id="zero_two",
                outcome=Outcome.NOT_MET if calibrated else Outcome.CANNOT_BE_JUDGED,
                worst_canal="D",
                counts=(("not met", 1), ("borderline", 1))
                if calibrated
                else (("cannot be judged", 2),),
            ),
            ToothSummary(
                rule_id="void_free",
                outcome=Outcome.NOT_MET,
                worst_canal="M",
                counts=(("met", 1), ("not met", 1)),
            ),
        ),
        warnings=(Warned(code="density-relative", text="Grey levels are not declared linear."),),
    )
    return SimpleNamespace(
        review=review, radiograph=radiograph, content=build_content(review, radiograph)
    )


@pytest.fixture(scope="session")
def calibrated() -> SimpleNamespace:
    """Review and radiograph of a film with a scale."""
    return _make(True)


@pytest.fixture(scope="session")
def uncalibrated() -> SimpleNamespace:
    """The same film without a scale."""
    return _make(False)
