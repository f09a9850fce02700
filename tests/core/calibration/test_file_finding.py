"""A file found from one click."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage

from rxmeasure.calibration.file_finding import FoundFile, find_file, snap_file
from rxmeasure.calibration.known_length import calibrate_known_lengths
from rxmeasure.errors import CalibrationError, MarksError
from rxmeasure.geometry import foot_on_polyline, polyline_length
from rxmeasure.marks import LengthReference, PointPx, Settings
from rxmeasure.radiograph import Radiograph

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class FileScene:
    """A straight steel file with its stop over soft bone texture; all by formula, lengths in mm.

    The stop is a disc 2.8 mm wide; ``tilt_deg`` turns it about the axis across
    the shaft, so its faces show as ellipses. Grey levels are proportional to thickness.
    """

    pitch: float = 0.04
    rows: int = 800
    cols: int = 400
    start: tuple[float, float] = (5.0, 8.0)
    direction_deg: float = 5.0
    length: float = 20.0
    tip: float = 0.2
    handle: float = 3.0
    stop: bool = True
    tilt_deg: float = 0.0
    thickness: float = 1.0

    def grey(self, seed: int = 3) -> Floats:
        """Grey levels without noise of the file alone, shape (rows, cols)."""
        fine = 2
        r, c = (
            ((np.arange(n * fine) + 0.5) / fine - 0.5) * self.pitch for n in (self.rows, self.cols)
        )
        a = np.radians(self.direction_deg)
        y, x = r[:, None] - self.start[0], c[None, :] - self.start[1]
        s, d = y * np.cos(a) + x * np.sin(a), x * np.cos(a) - y * np.sin(a)
        to_tip = self.length - s
        half = 0.5 * (self.tip + 0.02 * np.clip(to_tip, 0.0, 16.0))
        half = np.where((to_tip > 0.0) & (s > -self.handle), half, 0.0)
        grey = 3000.0 * np.sqrt(np.clip(half**2 - d**2, 0.0, None))
        if self.stop:
            across = np.sqrt(np.clip(1.4**2 - d**2, 0.0, None))
            bulge = across * np.sin(np.radians(self.tilt_deg))
            inside = (s > -self.thickness - bulge) & (s < bulge)
            grey = grey + 60.0 * across * inside
        grey = ndimage.gaussian_filter(grey, 0.05 * fine / self.pitch)
        return np.asarray(grey.reshape(self.rows, fine, self.cols, fine).mean(axis=(1, 3)))

    def at(self, s: float) -> PointPx:
        """Pixel point on the axis."""
        a = np.radians(self.direction_deg)
        row, col = (
            (self.start[0] + s * np.cos(a)) / self.pitch,
            (self.start[1] + s * np.sin(a)) / self.pitch,
        )
        return (float(row), float(col))


def texture(rows: int, cols: int, *, noise: float = 3.0, seed: int = 3) -> Floats:
    """Soft bone texture and noise."""
    rng = np.random.default_rng(seed)
    soft = ndimage.gaussian_filter(rng.normal(0.0, 1.0, (rows, cols)), 8.0)
    return np.asarray(500.0 + 25.0 * soft / soft.std() + rng.normal(0.0, noise, (rows, cols)))


@pytest.fixture(scope="module")
def drawn(make_radiograph: Callable[..., Radiograph]) -> Callable[..., Radiograph]:
    def film(*scenes: FileScene, **changes: Any) -> Radiograph:
        first = scenes[0]
        pixels = texture(first.rows, first.cols) + sum(scene.grey() for scene in scenes)
        return make_radiograph(pixels, **changes)

    return film


def length_px(found: FoundFile) -> float:
    return polyline_length(found.path_px)


def near(point: PointPx, other: PointPx) -> float:
    return float(np.hypot(point[0] - other[0], point[1] - other[1]))


# --- where it is ----------------------------------------------------------------------------


@pytest.mark.parametrize("s", [0.0, 7.0, 13.0, 19.8])
@pytest.mark.parametrize("off", [(0.0, 0.45), (0.2, -0.4)])
def test_one_click_anywhere_finds_both_ends(
    drawn: Callable[..., Radiograph], s: float, off: tuple[float, float]
) -> None:
    scene = FileScene()
    click = np.array(scene.at(s)) + np.array(off) / scene.pitch
    found = find_file(drawn(scene), [click], length_mm=20.0)
    # Tip and edge lie within 0.08 mm (2 px) of where they were drawn.
    assert near(found.tip_px, scene.at(20.0)) < 2.0
    assert near(found.stop_px, scene.at(0.0)) < 2.0
    assert found.path_px[0] == found.stop_px
    assert found.path_px[-1] == found.tip_px
    assert found.confidence > 0.8
    assert found.reasons == ()
    assert 0.0 < np.hypot(found.u_tip_px, found.u_stop_px) * scene.pitch < 0.15


def test_length_need_not_be_known(drawn: Callable[..., Radiograph]) -> None:
    scene = FileScene(length=17.0)
    found = find_file(drawn(scene), [scene.at(9.0)])
    assert length_px(found) * scene.pitch == pytest.approx(17.0, rel=0.006)


def test_two_clicks_must_lie_on_one_file(drawn: Callable[..., Radiograph]) -> None:
    scene = FileScene()
    film = drawn(scene)
    both = find_file(film, [scene.at(0.2), scene.at(19.7)], length_mm=20.0)
    assert near(both.tip_px, scene.at(20.0)) < 2.0
    assert snap_file(film, [scene.at(10.0), (500.0, 40.0)], length_mm=20.0) is None


@pytest.mark.parametrize("how", ["flip", "transpose", "turn", "quarter turn"])
def test_the_picture_turned_turns_what_is_found(
    make_radiograph: Callable[..., Radiograph], drawn: Callable[..., Radiograph], how: str
) -> None:
    scene = FileScene()
    pixels = drawn(scene).pixels
    rows, cols = pixels.shape
    turned, moved = {
        "flip": (pixels[:, ::-1], lambda p: (p[0], cols - 1 - p[1])),
        "transpose": (pixels.T, lambda p: (p[1], p[0])),
        "quarter turn": (np.rot90(pixels), lambda p: (cols - 1 - p[1], p[0])),
        "turn": (pixels[::-1, ::-1], lambda p: (rows - 1 - p[0], cols - 1 - p[1])),
    }[how]
    click = scene.at(8.0)
    plain = find_file(make_radiograph(pixels), [click], length_mm=20.0)
    other = find_file(make_radiograph(turned), [moved(click)], length_mm=20.0)
    for a, b in ((plain.tip_px, other.tip_px), (plain.stop_px, other.stop_px)):
        assert near(moved(a), b) < 0.7


def test_grey_levels_stretched_find_the_same(
    make_radiograph: Callable[..., Radiograph], drawn: Callable[..., Radiograph]
) -> None:
    scene = FileScene()
    film = drawn(scene)
    plain = find_file(film, [scene.at(8.0)], length_mm=20.0)
    other = find_file(make_radiograph(300.0 + 7.0 * film.pixels), [scene.at(8.0)], length_mm=20.0)
    assert near(plain.tip_px, other.tip_px) < 0.1
    assert near(plain.stop_px, other.stop_px) < 0.1


@pytest.mark.parametrize("gamma", [0.6, 1.5])
def test_another_grey_scale_finds_nearly_the_same(
    make_radiograph: Callable[..., Radiograph], drawn: Callable[..., Radiograph], gamma: float
) -> None:
    scene = FileScene()
    film = drawn(scene)
    share = (film.pixels - film.pixels.min()) / np.ptp(film.pixels)
    plain = find_file(film, [scene.at(8.0)], length_mm=20.0)
    other = find_file(make_radiograph(4000.0 * share**gamma), [scene.at(8.0)], length_mm=20.0)
    # The tip's rounding looks longer or shorter: 0.06 mm.
    assert near(plain.tip_px, other.tip_px) < 1.5
    assert near(plain.stop_px, other.stop_px) < 1.0


def test_eight_bits_find_nearly_the_same(
    make_radiograph: Callable[..., Radiograph], drawn: Callable[..., Radiograph]
) -> None:
    scene = FileScene()
    film = drawn(scene)
    coarse = np.round(255.0 * (film.pixels - film.pixels.min()) / np.ptp(film.pixels))
    plain = find_file(film, [scene.at(8.0)], length_mm=20.0)
    other = find_file(make_radiograph(coarse), [scene.at(8.0)], length_mm=20.0)
    assert near(plain.tip_px, other.tip_px) < 1.0
    assert near(plain.stop_px, other.stop_px) < 1.0


def test_twice_the_pixels_are_twice_the_length(drawn: Callable[..., Radiograph]) -> None:
    coarse = FileScene()
    fine = replace(coarse, pitch=0.02, rows=1600, cols=800)
    lengths = [
        length_px(find_file(drawn(scene), [scene.at(8.0)], length_mm=20.0))
        for scene in (coarse, fine)
    ]
    assert lengths[1] / lengths[0] == pytest.approx(2.0, rel=0.005)


def test_unequal_pitch(
    make_radiograph: Callable[..., Radiograph], drawn: Callable[..., Radiograph]
) -> None:
    # Every second row left out: rows are twice as far apart as columns.
    scene = replace(FileScene(), pitch=0.02, rows=1600, cols=800)
    film = make_radiograph(drawn(scene).pixels[::2], pixel_aspect=2.0)
    row, col = scene.at(8.0)
    found = find_file(film, [(row / 2.0, col)], length_mm=20.0)
    for point, s in ((found.stop_px, 0.0), (found.tip_px, 20.0)):
        assert near((2.0 * point[0], point[1]), scene.at(s)) < 4.5


# --- phantoms -------------------------------------------------------------------------------


@pytest.mark.parametrize("place", ["in the canal", "beside the tooth"])
def test_files_of_a_phantom(film: Callable[..., Any], place: str) -> None:
    radiograph, truth = film("working length")
    (file,) = [f for f in truth.files if bool(f.canal) == (place == "in the canal")]
    axis = np.asarray(file.axis_px)
    click = axis[len(axis) // 2] + np.array([3.0, 8.0])
    found = find_file(radiograph, [click], length_mm=file.length_mm)
    reference = LengthReference(
        kind="file",
        points_px=found.path_px,
        length_mm=file.length_mm,
        length_u_mm=0.0,
        ends_u_px=(found.u_stop_px, found.u_tip_px),
    )
    known = calibrate_known_lengths(radiograph, (reference,), Settings())
    assert known.col_mm == pytest.approx(truth.mm_per_px, rel=0.008)
    # A third of what two clicks are good for.
    assert known.u_rel < 0.006
    assert max(foot_on_polyline(axis, p)[1] for p in found.path_px) < 3.0


# --- what is told and refused ---------------------------------------------------------------


def test_a_tilted_stop_is_told_and_nothing_corrected(drawn: Callable[..., Radiograph]) -> None:
    def codes(tilt_deg: float) -> set[str]:
        scene = FileScene(tilt_deg=tilt_deg)
        return {w.code for w in find_file(drawn(scene), [scene.at(9.0)], length_mm=20.0).reasons}

    assert "stop-tilted" not in codes(0.0)
    assert "stop-tilted" in codes(15.0)


@pytest.mark.parametrize("thickness", [0.8, 1.0, 1.5])
def test_the_apical_edge_is_where_it_is_seen_whatever_the_stop_is_thick(
    drawn: Callable[..., Radiograph], thickness: float
) -> None:
    scene = FileScene(thickness=thickness)
    found = find_file(drawn(scene), [scene.at(9.0)], length_mm=20.0)
    assert near(found.stop_px, scene.at(0.0)) < 2.0
    unsure = "stop-unsure" in {w.code for w in found.reasons}
    assert unsure is (thickness == 1.5)


def test_two_files_that_run_together_to_the_tip_are_refused(
    drawn: Callable[..., Radiograph],
) -> None:
    one = FileScene(direction_deg=6.0)
    other = FileScene(start=(5.0, 11.0), direction_deg=-2.0, length=20.6)
    film = drawn(one, other)
    for scene in (one, other):
        assert snap_file(film, [scene.at(6.0)], length_mm=20.0) is None


def test_a_file_that_runs_out_of_the_picture_is_refused(
    make_radiograph: Callable[..., Radiograph], drawn: Callable[..., Radiograph]
) -> None:
    scene = FileScene()
    whole = drawn(scene).pixels
    # The tip lies in row 623 of 800, column 243.
    assert snap_file(make_radiograph(whole[:640]), [scene.at(9.0)]) is not None
    for rows in (626, 560, 500):
        assert snap_file(make_radiograph(whole[:rows]), [scene.at(9.0)]) is None


def test_no_file_is_refused(drawn: Callable[..., Radiograph]) -> None:
    film = drawn(FileScene())
    with pytest.raises(CalibrationError) as caught:
        find_file(film, [(600.0, 60.0)], length_mm=20.0)
    for text in (caught.value.found, caught.value.needed, caught.value.next_step):
        assert text.endswith(".")
    assert snap_file(film, [(600.0, 60.0)], length_mm=20.0) is None


def test_a_wire_without_a_stop_is_refused(drawn: Callable[..., Radiograph]) -> None:
    scene = FileScene(stop=False)
    with pytest.raises(CalibrationError):
        find_file(drawn(scene), [scene.at(9.0)], length_mm=20.0)


def test_two_files_crossing_at_the_click_are_refused(drawn: Callable[..., Radiograph]) -> None:
    one = FileScene()
    other = FileScene(start=(5.0, 11.0), direction_deg=-11.0)
    film = drawn(one, other)
    # They cross where both axes have the same column: 3 mm apart, closing by 0.28 mm a mm.
    crossing = one.at(3.0 / (np.sin(np.radians(5.0)) + np.sin(np.radians(11.0))))
    with pytest.raises(CalibrationError, match="two files"):
        find_file(film, [crossing], length_mm=20.0)
    # Clicked apart from each other, each is found.
    for scene in (one, other):
        found = find_file(film, [scene.at(18.5)], length_mm=20.0)
        assert near(found.tip_px, scene.at(20.0)) < 3.0
        assert near(found.stop_px, scene.at(0.0)) < 3.0


def test_clicks_outside_the_picture_are_refused(drawn: Callable[..., Radiograph]) -> None:
    with pytest.raises(MarksError, match="outside the picture"):
        find_file(drawn(FileScene()), [(5000.0, 10.0)])


# --- the reference that comes of it ---------------------------------------------------------


def test_ends_carry_their_own_uncertainty(make_radiograph: Callable[..., Radiograph]) -> None:
    blank = make_radiograph(np.zeros((1200, 300)))
    reference = LengthReference(
        kind="line", points_px=((50.0, 40.0), (1050.0, 40.0)), length_mm=20.0, length_u_mm=0.0,
        ends_u_px=(3.0, 4.0),
    )  # fmt: skip
    # Ends known to 3 px and 4 px: 5 px of 1000 px, 0.5 % (calculation).
    found = calibrate_known_lengths(blank, (reference,), Settings())
    assert found.u_rel == pytest.approx(0.005)
    for wrong in ((0.0, 1.0), (1.0, float("nan"))):
        with pytest.raises(CalibrationError, match="uncertainties"):
            calibrate_known_lengths(blank, (replace(reference, ends_u_px=wrong),), Settings())
