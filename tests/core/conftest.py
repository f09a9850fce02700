"""Films for the tests of the measuring core: drawn from formulas, and small phantoms."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage
from simulated_course import SimulatedCourse, reviewed_samples, simulated_course

from rxmeasure.calibration.scale import Calibration
from rxmeasure.marks import CanalMarks, FilmKind
from rxmeasure.phantom import (
    CanalTruth,
    PhantomParameters,
    PhantomTruth,
    cached_phantom,
    noisy_clicks,
    random_parameters,
)
from rxmeasure.phantom.anatomy import neck_share
from rxmeasure.phantom.parameters import (
    CanalParameters,
    CrownParameters,
    FileParameters,
    PostParameters,
    PuffParameters,
    RootParameters,
    ToothParameters,
    VoidParameters,
)
from rxmeasure.radiograph import ImageSource, Polarity, Radiograph
from rxmeasure.reading import read_radiograph
from rxmeasure.review import Review
from rxmeasure.teaching.course import CourseRecords

Floats = NDArray[np.float64]


def radiograph_of(pixels: ArrayLike, *, pixel_aspect: float = 1.0) -> Radiograph:
    """Pixels as a radiograph without a scale; read-only, as a reader gives them."""
    array = np.array(pixels, dtype=np.float32)
    array.setflags(write=False)
    rows, columns = array.shape
    return Radiograph(
        pixels=array,
        value_min=float(array.min()),
        value_max=float(array.max()) + 1.0,
        source=ImageSource(
            file_name="scene", format="array", sha256="0" * 64, rows=rows, columns=columns,
            bits=16, lossy=False,
        ),
        polarity=Polarity(turned=False, reason="drawn so"),
        pixel_aspect=pixel_aspect,
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class CanalScene:
    """A filled canal in a root, drawn from its formula.

    The axis runs straight, along an arc and straight again from ``start_mm`` (row, col) at
    ``direction_deg`` from the rows' direction; s is the distance along it. The fill is a
    round rod of diameter ``tip_mm + taper * (fill_end_mm - s)`` with a hemispherical end; the
    canal goes on empty beyond it, ``canal_mm`` wide. The root round it is one more rod that
    thins towards its apex; it lies in bone and stands out by little. Grey levels are
    proportional to thickness (``root_grey`` over bone, ``canal_grey`` under dentine);
    ``bubbles`` are (s, side distance, radius) of spheres without filling. Bone texture is a
    sum of waves 0.5 to 1.5 mm long, ``texture`` its standard deviation. Lengths in mm.
    """

    pitch_mm: tuple[float, float] = (0.03, 0.03)
    size_mm: tuple[float, float] = (20.0, 10.0)
    start_mm: tuple[float, float] = (2.2, 4.0)
    direction_deg: float = 4.0
    straight_mm: float = 6.0
    radius_mm: float = 20.0
    turn_deg: float = 18.0
    apex_mm: float = 15.0
    fill_start_mm: float = -1.0
    fill_end_mm: float = 13.8
    tip_mm: float = 0.36
    taper: float = 0.05
    canal_mm: float = 0.24
    bubbles: tuple[tuple[float, float, float], ...] = ()
    blur_mm: float = 0.05
    noise: float = 6.0
    texture: float = 30.0
    fill_grey: float = 900.0
    root_grey: float = 30.0
    canal_grey: float = 120.0
    seed: int = 7
    supersampling: int = 3

    def coordinates(self, plane: Floats) -> tuple[Floats, Floats]:
        """(s, d) of plane points, shape (..., 2); d is positive towards the bend."""
        a = np.radians(self.direction_deg)
        r, c = plane[..., 0] - self.start_mm[0], plane[..., 1] - self.start_mm[1]
        y, x = r * np.cos(a) + c * np.sin(a), c * np.cos(a) - r * np.sin(a)
        away, turn = self.radius_mm, np.radians(self.turn_deg)
        phi = np.arctan2(y - self.straight_mm, away - x)
        u, v = x - away, y - self.straight_mm
        last_s = self.straight_mm + away * turn + v * np.cos(turn) + u * np.sin(turn)
        last_d = away + u * np.cos(turn) - v * np.sin(turn)
        s = np.where(phi < 0, y, np.where(phi < turn, self.straight_mm + away * phi, last_s))
        d = np.where(phi < 0, x, np.where(phi < turn, away - np.hypot(u, v), last_d))
        return s, d

    def at(self, s: ArrayLike, d: ArrayLike = 0.0) -> Floats:
        """Plane points (mm) at distance s along the axis and d beside it. Inverse of above."""
        s, d = np.broadcast_arrays(np.asarray(s, float), np.asarray(d, float))
        turn = np.radians(self.turn_deg)
        phi = np.clip((s - self.straight_mm) / self.radius_mm, 0.0, turn)
        before = np.minimum(s, self.straight_mm)
        after = np.maximum(s - self.straight_mm - self.radius_mm * turn, 0.0)
        x = self.radius_mm - (self.radius_mm - d) * np.cos(phi) + after * np.sin(phi)
        y = before + (self.radius_mm - d) * np.sin(phi) + after * np.cos(phi)
        a = np.radians(self.direction_deg)
        return np.stack(
            [
                self.start_mm[0] + y * np.cos(a) - x * np.sin(a),
                self.start_mm[1] + y * np.sin(a) + x * np.cos(a),
            ],
            axis=-1,
        )

    def width_mm(self, s: ArrayLike) -> Floats:
        """Diameter of the fill, its rounded end left out of account."""
        return np.asarray(self.tip_mm + self.taper * (self.fill_end_mm - np.asarray(s, float)))

    def _grey(self, s: Floats, d: Floats) -> Floats:
        def rod(radius: Floats, end: float, closing: float) -> Floats:
            cap = np.clip((end - s) / closing, 0.0, 1.0)
            shown = radius * np.sqrt(1.0 - (1.0 - cap) ** 2)
            return np.asarray(2.0 * np.sqrt(np.maximum(shown**2 - d**2, 0.0)))

        fill = rod(np.maximum(self.width_mm(s) / 2, 0.01), self.fill_end_mm, self.tip_mm / 2)
        fill = np.where(s >= self.fill_start_mm, fill, 0.0)
        for place, side, radius in self.bubbles:
            gone = radius**2 - (s - place) ** 2 - (d - side) ** 2
            fill = np.maximum(fill - 2.0 * np.sqrt(np.maximum(gone, 0.0)), 0.0)
        canal = np.maximum(self.width_mm(s), self.canal_mm) / 2
        root = rod(0.9 + 0.13 * (self.apex_mm - s), self.apex_mm + 0.05, 4.0)
        hollow = rod(canal, self.apex_mm, 0.1)
        return np.asarray(self.fill_grey * fill + self.root_grey * root - self.canal_grey * hollow)

    def pixels(self) -> Floats:
        """Grey levels, averaged over ``supersampling`` squared points of each pixel."""
        n = self.supersampling
        shape = [
            round(size / pitch) for size, pitch in zip(self.size_mm, self.pitch_mm, strict=True)
        ]
        rows, cols = (
            ((np.arange(count * n) + 0.5) / n - 0.5) * pitch
            for count, pitch in zip(shape, self.pitch_mm, strict=True)
        )
        plane = np.stack(np.meshgrid(rows, cols, indexing="ij"), axis=-1)
        grey = 600.0 + self._grey(*self.coordinates(plane))
        grey = ndimage.gaussian_filter(grey, [self.blur_mm * n / p for p in self.pitch_mm])
        grey = grey.reshape(shape[0], n, shape[1], n).mean(axis=(1, 3))
        rng = np.random.default_rng(self.seed)
        return np.asarray(
            grey + self._texture(shape, rng) + rng.normal(0.0, self.noise, grey.shape)
        )

    def _texture(self, shape: list[int], rng: np.random.Generator) -> Floats:
        rows, cols = (np.arange(n) * p for n, p in zip(shape, self.pitch_mm, strict=True))
        waves = np.zeros(shape)
        for _ in range(40):
            angle, phase = rng.uniform(0.0, 2.0 * np.pi, 2)
            k = 2.0 * np.pi / rng.uniform(0.5, 1.5)
            along = k * (rows[:, None] * np.cos(angle) + cols[None, :] * np.sin(angle))
            waves += np.cos(along + phase)
        return np.asarray(self.texture * waves / np.sqrt(20.0))

    def to_px(self, plane: ArrayLike) -> Floats:
        """Plane points (mm) to pixels."""
        return np.asarray(plane, dtype=float) / self.pitch_mm

    def radiograph(self) -> Radiograph:
        """The film without a scale, its pixel aspect stated."""
        return radiograph_of(self.pixels(), pixel_aspect=self.pitch_mm[0] / self.pitch_mm[1])

    def clicks_px(self, *s: float) -> tuple[tuple[float, float], ...]:
        """Clicks on the axis at the given distances; from start to apex without any."""
        where = s or (0.0, self.apex_mm / 2, self.apex_mm)
        return tuple((float(r), float(c)) for r, c in self.to_px(self.at(where)))

    def calibration(self, *, times: float = 1.0, u_rel: float = 0.01) -> Calibration:
        """The true scale, or a multiple of it."""
        row, col = (p * times for p in self.pitch_mm)
        return Calibration(row_mm=row, col_mm=col, u_rel=u_rel, source="true scale")


@pytest.fixture(scope="session")
def make_radiograph() -> Callable[..., Radiograph]:
    return radiograph_of


@pytest.fixture(scope="session")
def make_scene() -> Callable[..., CanalScene]:
    """A scene with some of its fields changed."""

    def made(**changes: Any) -> CanalScene:
        return replace(CanalScene(), **changes)

    return made


def _premolar(
    seed: int,
    kind: FilmKind = FilmKind.POSTOPERATIVE,
    *,
    coronal: str = "composite",
    files: tuple[FileParameters, ...] = (),
    shape: tuple[int, int] = (960, 640),
    **canal: Any,
) -> PhantomParameters:
    """One tooth 21.5 mm long with one gently bent canal, on 0.03 mm pixels."""
    crown = CrownParameters(
        shape="pointed", half_width_mm=3.5, half_depth_mm=4.2, height_mm=8.2, coronal=coronal
    )
    root = RootParameters(
        length_mm=21.5, turns_deg=(16.0,), neck_half_width_mm=3.5 * neck_share("pointed"),
        tip_half_width_mm=0.7, depth_ratio=1.4,
    )  # fmt: skip
    plain = CanalParameters(
        name="single", size=40, taper=0.05, core_to_apex_mm=1.2, sealer_to_apex_mm=0.9,
        film_mm=(0.02, 0.05),
    )  # fmt: skip
    tooth = ToothParameters(crown=crown, roots=(root,), canals=(replace(plain, **canal),))
    return PhantomParameters(
        seed=seed, tooth_number="45", tooth=tooth, film_kind=kind, shape=shape, pitch_mm=0.03,
        magnification=1.05, rotation_deg=6.0, files=files,
    )  # fmt: skip


def _molar() -> PhantomParameters:
    """A lower molar of three canals, the distal one left empty."""
    p = random_parameters(9001, kind="lower molar")
    mb, ml, d = p.tooth.canals
    bare = replace(d, content="tissue", voids=(), max_width_mm=0.6)
    return replace(p, tooth=replace(p.tooth, canals=(mb, ml, bare)))


#: The films of the measuring core's tests; about 2 s each.
FILMS: dict[str, Callable[[], PhantomParameters]] = {
    "faults": lambda: _premolar(
        9000,
        voids=(
            VoidParameters(kind="bubble", to_end_mm=8.0, length_mm=0.5),
            VoidParameters(kind="lateral", to_end_mm=3.0, length_mm=2.0, width_mm=0.25, side=-1),
            VoidParameters(kind="transverse", to_end_mm=5.3, length_mm=0.4, angle_deg=5.0),
        ),
    ),
    # A file in the canal, and a curved one beside the tooth.
    "working length": lambda: _premolar(
        9001, FilmKind.WORKING_LENGTH, coronal="open", content="tissue", max_width_mm=0.7,
        shape=(1000, 900),
        files=(
            FileParameters(size=20, canal=0, tip_to_apex_mm=1.5),
            FileParameters(
                size=20, length_mm=20.0, start_mm=(1.0, 9.0), direction_deg=-2.0, bend_deg=25.0
            ),
        ),
    ),
    "master cone": lambda: _premolar(
        9002, FilmKind.MASTER_CONE, coronal="open", content="cone", core_to_apex_mm=1.4
    ),
    "preoperative": lambda: _premolar(
        9003, FilmKind.PREOPERATIVE, coronal="sound", content="tissue", max_width_mm=0.8,
        apical_width_mm=0.3,
    ),
    "post and puff": lambda: _premolar(
        9004, core_to_apex_mm=0.6, sealer_to_apex_mm=0.0, foramen_offset_mm=0.0,
        start_below_orifice_mm=7.0, puffs=(PuffParameters(area_mm2=1.0),),
        post=PostParameters(diameter_mm=1.2, gap_mm=2.0, metal=False),
    ),
    "premolar": lambda: random_parameters(9000, kind="premolar"),
    "canine": lambda: random_parameters(9002, kind="canine"),
    "molar": _molar,
}  # fmt: skip


@pytest.fixture(scope="session")
def film(
    tmp_path_factory: pytest.TempPathFactory,
) -> Callable[[str], tuple[Radiograph, PhantomTruth]]:
    """One of `FILMS` as the reader gives it, and its truth; each is made once."""
    folder = tmp_path_factory.mktemp("films")

    @cache
    def made(name: str) -> tuple[Radiograph, PhantomTruth]:
        p = FILMS[name]()
        image, truth = cached_phantom(p.seed, folder, parameters=p)
        return read_radiograph(image), truth

    return made


def true_scale(truth: PhantomTruth) -> Calibration:
    """The phantom's own scale, as if it were known to 1 %."""
    pitch = truth.mm_per_px
    return Calibration(row_mm=pitch, col_mm=pitch, u_rel=0.01, source="true scale")


@pytest.fixture(scope="session")
def scale_of() -> Callable[[PhantomTruth], Calibration]:
    return true_scale


@pytest.fixture(scope="session")
def clicked() -> Callable[..., CanalMarks]:
    """Marks of one canal of a phantom: three clicks, 0.2 mm off (choice), and what is given."""

    def marks(
        canal: CanalTruth, *, start: str = "orifice", sd_mm: float = 0.2, **given: Any
    ) -> CanalMarks:
        rng = np.random.default_rng([9000, len(canal.centre_line_px)])
        points = noisy_clicks(canal, rng, sd_mm=sd_mm, count=3, start=start)
        clicks = tuple((float(r), float(c)) for r, c in points)
        return CanalMarks(name=canal.name, clicks_px=clicks, **given)

    return marks


@pytest.fixture(scope="session")
def reviewed_films(sample_images: Path) -> list[tuple[str, Review]]:
    """Some sample films with their reviews, for courses."""
    return reviewed_samples(sample_images)


@pytest.fixture(scope="session")
def whole_course(reviewed_films: list[tuple[str, Review]]) -> SimulatedCourse:
    """30 cases, 12 students with two fillings each, 3 teachers; gone through to the end."""
    course = simulated_course(reviewed_films)
    course.run()
    return course


@pytest.fixture(scope="session")
def course_records(whole_course: SimulatedCourse) -> CourseRecords:
    """All that this course has gathered."""
    return whole_course.records()
