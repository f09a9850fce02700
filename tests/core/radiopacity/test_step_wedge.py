"""Step wedge: laws on a film drawn from a formula, truth on synthetic films, refusals.

The drawn wedge has steps of 40 px by 48 px, 1 to 10 mm thick, on a grey scale
``20 + 200 (1 - exp(-0.25 t))``; a disc beside it equals ``DISC_MM``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import ndimage

from rxmeasure.calibration.scale import Calibration
from rxmeasure.criteria.results import Outcome
from rxmeasure.errors import CalibrationError, MarksError
from rxmeasure.filling.measurement import measure_canal
from rxmeasure.marks import CanalMarks, FilmKind, Settings
from rxmeasure.phantom import (
    PhantomParameters,
    SpecimenFilm,
    make_phantom,
    make_specimen_film,
    random_parameters,
    random_specimen,
)
from rxmeasure.phantom.materials import Material, aluminium_equivalent_mm, beam
from rxmeasure.phantom.scene import Scene
from rxmeasure.radiograph import Radiograph
from rxmeasure.radiopacity import (
    AluminiumCurve,
    Circle,
    Equivalent,
    Specimen,
    WedgeMarks,
    calibrate_wedge,
    measure_fill,
    measure_specimen,
    read_circle,
    read_wedge,
)

STEP_PX, STEPS, DISC_MM, RADIUS_PX = 40, 10, 4.3, 50.0
FIRST, LAST, DISC = (60.0, 59.5), (60.0, 419.5), (170.0, 240.0)
MARKS = WedgeMarks(first_px=FIRST, last_px=LAST, steps=STEPS, first_mm=1.0, step_mm=1.0)
#: Standard uncertainties of 95 % of a normal distribution.
Z95 = 1.96

Greys = Callable[[np.ndarray], np.ndarray]


def exponential(thickness_mm: np.ndarray) -> np.ndarray:
    return 20.0 + 200.0 * (1.0 - np.exp(-0.25 * thickness_mm))


def drawn(
    grey: Greys = exponential, *, noise: float = 0.4, thickness: np.ndarray | None = None
) -> np.ndarray:
    """Pixels of the wedge and the disc."""
    map_mm = np.zeros((240, 480))
    steps = np.arange(1.0, STEPS + 1.0) if thickness is None else thickness
    map_mm[36:84, 40 : 40 + STEPS * STEP_PX] = np.repeat(steps, STEP_PX)
    r, c = np.mgrid[:240, :480]
    map_mm[np.hypot(r - DISC[0], c - DISC[1]) <= RADIUS_PX] = DISC_MM
    pixels = ndimage.gaussian_filter(grey(map_mm), 1.5)
    return pixels + np.random.default_rng(3).normal(0.0, noise, pixels.shape)


def read(film: Radiograph, marks: WedgeMarks = MARKS, centre: Any = DISC) -> Equivalent:
    rim = (centre[0] + RADIUS_PX, centre[1])
    region = read_circle(film, Circle(centre_px=centre, rim_px=rim))
    return calibrate_wedge(read_wedge(film, marks)).equivalent(region)


@pytest.fixture(scope="module")
def pixels() -> np.ndarray:
    return drawn()


@pytest.fixture(scope="module")
def plain(make_radiograph, pixels: np.ndarray) -> Equivalent:
    return read(make_radiograph(pixels))


# --- laws -----------------------------------------------------------------------------------


def test_the_disc_is_read_as_drawn(plain: Equivalent) -> None:
    assert plain.value_mm_al == pytest.approx(DISC_MM, abs=Z95 * plain.u_mm_al)
    assert plain.u_mm_al < 0.05


def test_the_curve_between_the_steps() -> None:
    """Grey 130 on that scale is 3.194 mm; a straight line between the steps gives 3.214."""
    t = np.arange(1.0, 11.0)
    grey = tuple(float(g) for g in exponential(t))
    zeros = (0.0,) * 10
    curve = AluminiumCurve(grey=grey, thickness_mm=tuple(t), u_grey=zeros, unevenness=zeros)
    found = curve.equivalent_of(130.0, 0.0, 0.0)
    exact = -np.log(1.0 - 110.0 / 200.0) / 0.25
    assert exact == pytest.approx(3.194, abs=5e-4)
    assert abs(found.value_mm_al - exact) < abs(3.214 - exact) / 2
    assert abs(found.value_mm_al - exact) < Z95 * found.u_mm_al


def test_the_curve_rises_throughout(make_radiograph, pixels: np.ndarray) -> None:
    curve = calibrate_wedge(read_wedge(make_radiograph(pixels), MARKS))
    grey = np.linspace(curve.grey[0], curve.grey[-1], 500)[1:-1]
    assert (np.diff([curve.thickness_at(g) for g in grey]) > 0.0).all()


@pytest.mark.parametrize(("gain", "offset"), [(16.0, 0.0), (0.25, 100.0)])
def test_gain_and_offset_change_nothing(
    make_radiograph, pixels: np.ndarray, plain: Equivalent, gain: float, offset: float
) -> None:
    found = read(make_radiograph(gain * pixels + offset))
    assert found.value_mm_al == pytest.approx(plain.value_mm_al, abs=1e-4)
    assert found.u_mm_al == pytest.approx(plain.u_mm_al, rel=1e-3)


@pytest.mark.parametrize("gamma", [0.5, 2.0])
def test_gamma_changes_little(
    make_radiograph, pixels: np.ndarray, plain: Equivalent, gamma: float
) -> None:
    found = read(make_radiograph(255.0 * (pixels.clip(0.0) / 255.0) ** gamma))
    assert found.value_mm_al == pytest.approx(plain.value_mm_al, abs=0.01)


def test_one_more_millimetre_on_every_step_is_one_more_on_the_disc(
    make_radiograph, pixels: np.ndarray, plain: Equivalent
) -> None:
    found = read(make_radiograph(pixels), replace(MARKS, first_mm=2.0))
    assert found.value_mm_al == pytest.approx(plain.value_mm_al + 1.0)


def moved(points: tuple[Any, ...], how: Callable[[float, float], Any]) -> tuple[Any, ...]:
    return tuple(how(*p) for p in points)


@pytest.mark.parametrize(
    ("turn", "how"),
    [
        (lambda a: a[::-1], lambda r, c: (239.0 - r, c)),
        (lambda a: a[:, ::-1], lambda r, c: (r, 479.0 - c)),
        (lambda a: a.T, lambda r, c: (c, r)),
        (lambda a: np.rot90(a), lambda r, c: (479.0 - c, r)),
    ],
    ids=["upside down", "mirrored", "transposed", "quarter turn"],
)
def test_the_way_the_film_lies_changes_nothing(
    make_radiograph, pixels: np.ndarray, plain: Equivalent, turn: Any, how: Any
) -> None:
    first, last, disc = moved((FIRST, LAST, DISC), how)
    found = read(make_radiograph(turn(pixels)), replace(MARKS, first_px=first, last_px=last), disc)
    assert found.value_mm_al == pytest.approx(plain.value_mm_al, abs=0.003)


@pytest.mark.parametrize("angle_deg", [7.0, 33.0, 135.0])
def test_any_rotation(
    make_radiograph, pixels: np.ndarray, plain: Equivalent, angle_deg: float
) -> None:
    a, size = np.radians(angle_deg), 640
    matrix = np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])
    old, new = (np.array(pixels.shape) - 1.0) / 2.0, np.full(2, (size - 1.0) / 2.0)
    turned = ndimage.affine_transform(
        pixels, matrix, offset=old - matrix @ new, output_shape=(size, size), cval=20.0
    )
    points = [matrix.T @ (np.array(p) - old) + new for p in (FIRST, LAST, DISC)]
    first, last, disc = (tuple(float(v) for v in p) for p in points)
    found = read(make_radiograph(turned), replace(MARKS, first_px=first, last_px=last), disc)
    assert found.value_mm_al == pytest.approx(plain.value_mm_al, abs=0.03)


def test_unequal_pixel_pitch(make_radiograph, pixels: np.ndarray, plain: Equivalent) -> None:
    film = make_radiograph(pixels[::2], pixel_aspect=2.0)
    marks = replace(MARKS, first_px=(30.0, FIRST[1]), last_px=(30.0, LAST[1]))
    region = read_circle(
        film, Circle(centre_px=(85.0, DISC[1]), rim_px=(85.0, DISC[1] + RADIUS_PX))
    )
    found = calibrate_wedge(read_wedge(film, marks)).equivalent(region)
    assert found.value_mm_al == pytest.approx(plain.value_mm_al, abs=0.02)


def test_rough_clicks_find_the_same_steps(
    make_radiograph, pixels: np.ndarray, plain: Equivalent
) -> None:
    film = make_radiograph(pixels)
    rough = replace(MARKS, first_px=(64.0, 66.0), last_px=(56.0, 413.0))
    reading = read_wedge(film, rough)
    centres = [s.region.centre_px[1] for s in reading.steps]
    assert_allclose(centres, 59.5 + STEP_PX * np.arange(STEPS), atol=1.5)
    assert read(film, rough).value_mm_al == pytest.approx(plain.value_mm_al, abs=0.01)


def test_more_noise_is_more_uncertain(make_radiograph, plain: Equivalent) -> None:
    noisy = read(make_radiograph(drawn(noise=4.0)))
    assert noisy.u_mm_al > 2.0 * plain.u_mm_al
    assert noisy.value_mm_al == pytest.approx(DISC_MM, abs=3.0 * noisy.u_mm_al)


def test_an_uneven_background_is_more_uncertain(
    make_radiograph, pixels: np.ndarray, plain: Equivalent
) -> None:
    uneven = pixels + np.linspace(0.0, 12.0, 240)[:, None]
    assert read(make_radiograph(uneven)).u_background_mm_al > 3.0 * plain.u_background_mm_al


# --- refusals -------------------------------------------------------------------------------


@pytest.mark.parametrize("steps", [5, 8, 9, 11, 12, 19])
def test_a_wrong_number_of_steps(make_radiograph, pixels: np.ndarray, steps: int) -> None:
    with pytest.raises(CalibrationError, match=r"staircase|brighter"):
        read_wedge(make_radiograph(pixels), replace(MARKS, steps=steps))


def test_clicks_beside_the_wedge(make_radiograph, pixels: np.ndarray) -> None:
    beside = replace(MARKS, first_px=(110.0, 59.5), last_px=(110.0, 180.0))
    with pytest.raises(CalibrationError):
        read_wedge(make_radiograph(pixels), beside)


def test_thickest_step_first(make_radiograph, pixels: np.ndarray) -> None:
    swapped = replace(MARKS, first_px=LAST, last_px=FIRST)
    with pytest.raises(CalibrationError, match="gets darker"):
        read_wedge(make_radiograph(pixels), swapped)


def test_metal_shown_dark(make_radiograph, pixels: np.ndarray) -> None:
    with pytest.raises(CalibrationError, match="turn the grey levels"):
        read_wedge(make_radiograph(255.0 - pixels), MARKS)


def test_saturated_steps(make_radiograph, pixels: np.ndarray) -> None:
    film = replace(make_radiograph(pixels.clip(None, 190.0)), value_max=190.0)
    with pytest.raises(CalibrationError, match="end of the grey range: 8, 9, 10"):
        read_wedge(film, MARKS)
    assert read(film, replace(MARKS, last_px=(60.0, 299.5), steps=7)).u_mm_al < 0.1


def test_steps_cut_off_by_a_window_are_not_told_apart(make_radiograph, pixels: np.ndarray) -> None:
    """Cut off below the end of the range, as in a picture that was saved from a screen."""
    film = replace(make_radiograph(pixels.clip(None, 190.0)), value_max=255.0)
    with pytest.raises(CalibrationError, match="do not get brighter"):
        read_wedge(film, MARKS)


def test_steps_that_are_not_monotone(make_radiograph) -> None:
    thickness = np.array([1.0, 2.0, 3.0, 5.0, 4.0, 6.0, 7.0, 8.0, 9.0, 10.0])
    with pytest.raises(CalibrationError, match="4 and 5"):
        read_wedge(make_radiograph(drawn(thickness=thickness)), MARKS)


def test_beyond_the_steps(make_radiograph, pixels: np.ndarray) -> None:
    film = make_radiograph(pixels)
    with pytest.raises(CalibrationError, match="more than 4 mm"):
        read(film, replace(MARKS, last_px=(60.0, 179.5), steps=4))
    with pytest.raises(CalibrationError, match="less than 5 mm"):
        read(film, replace(MARKS, first_px=(60.0, 219.5), steps=6, first_mm=5.0))
    few = calibrate_wedge(read_wedge(film, replace(MARKS, last_px=(60.0, 179.5), steps=4)))
    circle = Circle(centre_px=DISC, rim_px=(DISC[0] + RADIUS_PX, DISC[1]))
    with pytest.raises(CalibrationError, match="the specimen 'A' that equals more than 4 mm"):
        measure_specimen(film, few, Specimen(name="A", circle=circle, thickness_mm=1.0))


@pytest.mark.parametrize(
    "wrong",
    [
        {"steps": 3},
        {"steps": 400},
        {"first_mm": 0.0},
        {"step_mm": -1.0},
        {"step_mm": float("nan")},
        {"last_px": (60.0, 63.0)},
        {"last_px": (60.0, 900.0)},
    ],
)
def test_wrong_marks(make_radiograph, pixels: np.ndarray, wrong: dict[str, Any]) -> None:
    with pytest.raises(MarksError):
        read_wedge(make_radiograph(pixels), replace(MARKS, **wrong))


def test_a_small_or_white_disc(make_radiograph, pixels: np.ndarray) -> None:
    film = make_radiograph(pixels)
    with pytest.raises(MarksError, match="pixels"):
        read_circle(film, Circle(centre_px=DISC, rim_px=(DISC[0] + 3.0, DISC[1])))
    white = pixels.copy()
    white[130:210] = 300.0
    film = replace(make_radiograph(white), value_max=300.0)
    with pytest.raises(CalibrationError, match="region at an end"):
        read(film)


# --- limits of the standards ----------------------------------------------------------------


def outcome(film: Radiograph, thickness_mm: float) -> list[Outcome]:
    curve = calibrate_wedge(read_wedge(film, MARKS))
    circle = Circle(centre_px=DISC, rim_px=(DISC[0] + RADIUS_PX, DISC[1]))
    specimen = Specimen(name="A", circle=circle, thickness_mm=thickness_mm)
    return [c.outcome for c in measure_specimen(film, curve, specimen).comparisons]


def test_limits_are_those_of_a_disc_one_millimetre_thick(
    make_radiograph, pixels: np.ndarray
) -> None:
    film = make_radiograph(pixels)
    assert outcome(film, 1.0) == [Outcome.MET, Outcome.NOT_MET]
    assert outcome(film, 2.0) == [Outcome.CANNOT_BE_JUDGED] * 2
    with pytest.raises(MarksError, match="thick"):
        outcome(film, 0.0)


def test_near_the_limit_is_borderline(make_radiograph) -> None:
    """Of noisy films of a wedge whose disc is 4.3 mm, with steps stated so that it is 6 mm."""
    film = make_radiograph(drawn(noise=3.0))
    curve = calibrate_wedge(read_wedge(film, replace(MARKS, first_mm=1.0 + 6.0 - DISC_MM)))
    circle = Circle(centre_px=DISC, rim_px=(DISC[0] + RADIUS_PX, DISC[1]))
    made = measure_specimen(film, curve, Specimen(name="A", circle=circle, thickness_mm=1.0))
    sealer, point = made.comparisons
    assert sealer.outcome is Outcome.MET
    assert point.outcome is Outcome.BORDERLINE
    assert 0.02 < point.probability_met < 0.98


# --- truth ----------------------------------------------------------------------------------


def radiograph_of_film(film: Any, make_radiograph: Any) -> Radiograph:
    full = 2.0**film.parameters.imaging.bits - 1.0
    return replace(make_radiograph(film.pixels), value_min=0.0, value_max=full)


def marks_of(film: SpecimenFilm, rng: np.random.Generator) -> WedgeMarks:
    """Marks of the true wedge, the clicks 0.2 mm off (choice)."""
    steps = film.truth.steps
    first, last = (
        np.array(s.centre_px) + rng.normal(0.0, 0.2 / film.truth.mm_per_px, 2)
        for s in (steps[0], steps[-1])
    )
    return WedgeMarks(
        first_px=tuple(first),
        last_px=tuple(last),
        steps=len(steps),
        first_mm=steps[0].thickness_mm,
        step_mm=steps[1].thickness_mm - steps[0].thickness_mm,
    )


def errors_of(seed: int, make_radiograph: Any) -> list[tuple[float, float]]:
    """(error, standard uncertainty) of each disc of a random film."""
    film = make_specimen_film(random_specimen(seed))
    radiograph = radiograph_of_film(film, make_radiograph)
    wedge = read_wedge(radiograph, marks_of(film, np.random.default_rng(seed)))
    curve = calibrate_wedge(wedge)
    found = []
    for disc in film.truth.discs:
        rim = (disc.centre_px[0], disc.centre_px[1] + disc.radius_px)
        region = read_circle(radiograph, Circle(centre_px=disc.centre_px, rim_px=rim))
        e = curve.equivalent(region)
        found.append((e.value_mm_al - disc.equivalent_mm_al, e.u_mm_al))
    return found


def test_truth_lies_within_the_uncertainty(make_radiograph) -> None:
    """Over 40 random films the 95 % interval holds about 95 % of the discs."""
    error, u = np.array([e for s in range(300, 340) for e in errors_of(s, make_radiograph)]).T
    assert len(error) == 120
    assert (np.abs(error) < Z95 * u).mean() >= 0.90
    assert np.median(np.abs(error)) < 0.05
    # Nor may the interval be so wide that it says nothing.
    assert np.median(u) < 0.1


def test_the_equivalent_lets_the_same_signal_through() -> None:
    for material in (Material.GUTTA_PERCHA, Material.CALCIUM_SILICATE_SEALER):
        thickness = np.zeros(len(Material))
        thickness[material] = 1.0
        aluminium = np.zeros(len(Material))
        aluminium[Material.ALUMINIUM] = aluminium_equivalent_mm(material)
        assert beam().transmission(aluminium) == pytest.approx(
            beam().transmission(thickness), rel=1e-9
        )


def test_a_wedge_changes_nothing_else_of_a_phantom() -> None:
    bare = replace(random_parameters(9000, kind="premolar"), supersampling=1)
    with_wedge = Scene(replace(bare, wedge_mm=(1.0, 2.0, 3.0))).thickness_maps()
    aluminium = with_wedge.pop(Material.ALUMINIUM)
    assert aluminium.max() == 3.0
    for material, thickness in Scene(bare).thickness_maps().items():
        np.testing.assert_array_equal(with_wedge[material], thickness)


# --- fill of a canal ------------------------------------------------------------------------


def _in_air() -> PhantomParameters:
    """A filled premolar without bone and cheek beside a wedge of 2 to 16 mm."""
    p = random_parameters(9000, kind="premolar")
    bone = replace(p.bone, ridge_mm=0.0, cheek_mm=0.0, lesion_mm=0.0)
    imaging = replace(
        p.imaging, window=(-0.1, 3.5), gamma=1.0, sharpen=0.0, edge="none", inverted=False,
        response="log", bits=12, scatter=0.02,
    )  # fmt: skip
    wedge = tuple(2.0 * t for t in range(1, 9))
    return replace(p, wedge_mm=wedge, bone=bone, imaging=imaging, neighbours=(), files=())


def _aluminium_like(signal: np.ndarray, tube_kv: int) -> np.ndarray:
    """Thickness of aluminium behind which the beam leaves such a signal."""
    thickness = np.zeros((400, len(Material)))
    thickness[:, Material.ALUMINIUM] = np.linspace(0.0, 40.0, 400)
    through = beam(tube_kv).transmission(thickness)
    return np.interp(-signal, -through, thickness[:, Material.ALUMINIUM])


def test_fill_in_a_tooth(make_radiograph) -> None:
    p = _in_air()
    made = make_phantom(p)
    film = radiograph_of_film(made, make_radiograph)
    canal = made.truth.canals[0]
    scale = Calibration(
        row_mm=canal.mm_per_px, col_mm=canal.mm_per_px, u_rel=0.01, source="true scale"
    )
    line = np.array(canal.centre_line_px)
    clicks = tuple(tuple(line[k]) for k in (len(line) // 2, len(line) - 1))
    marks = CanalMarks(name=canal.name, clicks_px=clicks)
    measured = measure_canal(film, scale, marks, FilmKind.POSTOPERATIVE, Settings())

    size = round(3.0 / canal.mm_per_px)
    row = p.shape[0] - 0.5 - round(3.5 / canal.mm_per_px) / 2.0
    wedge = WedgeMarks(
        first_px=(row, 0.5 * size - 0.5),
        last_px=(row, 7.5 * size - 0.5),
        steps=8,
        first_mm=2.0,
        step_mm=2.0,
    )
    found = measure_fill(film, calibrate_wedge(read_wedge(film, wedge)), measured)

    k = p.supersampling
    maps = Scene(p).thickness_maps()
    width = np.array([q.width_px for q in measured.profile])
    wide = [q for q in measured.profile if q.width_px >= np.median(width)]
    left, right = (np.array([getattr(q, f"{s}_edge_px") for q in wide]) for s in ("left", "right"))

    def true_mm(share: float) -> np.ndarray:
        at = ((left + right) / 2.0 + share * (right - left) + 0.5) * k
        r, c = at.astype(int).T
        thickness = np.zeros((len(at), len(Material)))
        for material, values in maps.items():
            thickness[:, material] = values[r, c]
        signal = beam(p.imaging.tube_kv).transmission(thickness)
        return _aluminium_like(signal, p.imaging.tube_kv)

    whole = np.median([true_mm(x) for x in (-0.15, 0.0, 0.15)])
    beside = np.median([true_mm(x) for x in (-1.1, -0.8, 0.8, 1.1)])
    assert found.rows == len(wide)
    assert found.whole_path.value_mm_al == pytest.approx(whole, abs=Z95 * found.whole_path.u_mm_al)
    assert found.beside.value_mm_al == pytest.approx(beside, abs=Z95 * found.beside.u_mm_al)
    assert found.added_mm_al == pytest.approx(whole - beside, abs=Z95 * found.u_added_mm_al)


def test_a_canal_without_a_fill(make_radiograph, pixels: np.ndarray) -> None:
    film = make_radiograph(pixels)
    marks = CanalMarks(name="single", clicks_px=(DISC, (DISC[0] + 40.0, DISC[1] + 8.0)))
    measured = measure_canal(film, None, marks, FilmKind.PREOPERATIVE, Settings())
    with pytest.raises(MarksError, match="no measured fill"):
        measure_fill(film, calibrate_wedge(read_wedge(film, MARKS)), measured)
