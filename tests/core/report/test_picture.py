"""Drawing and radiograph agree on every page engine, to half a pixel of the image."""

from __future__ import annotations

import shutil
import subprocess
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree as ET

import numpy as np
import pytest

from rxmeasure.calibration.scale import Calibration
from rxmeasure.filling.results import CentreLine, FillEnd
from rxmeasure.geometry import cumulative_length
from rxmeasure.marks import FilmKind, ReviewMarks
from rxmeasure.radiograph import ImageSource, Polarity, Radiograph
from rxmeasure.report import colours
from rxmeasure.report.numbers import Numbers
from rxmeasure.report.page import write_html, write_pdf
from rxmeasure.report.picture import close_up, film_picture, gap_numbers, grey_for_the_eye
from rxmeasure.review import Review

#: Centre of a bright square painted into the pixels, and half its side.
BLOCK, HALF = (271, 233), 24
ORANGE = tuple(bytes.fromhex(colours.CORE_END[1:]))


def _target(rows: int, cols: int, aspect: float, sample) -> tuple[Review, Radiograph]:
    """A black film with one bright square, and a core end drawn at the centre of the square."""
    pixels = np.zeros((rows, cols), dtype=np.float32)
    r, c = BLOCK
    pixels[r - HALF : r + HALF + 1, c - HALF : c + HALF + 1] = 255.0
    source = ImageSource(
        file_name="target.png",
        format="PNG",
        sha256="00" * 32,
        rows=rows,
        columns=cols,
        bits=8,
        lossy=False,
    )
    radiograph = Radiograph(
        pixels=pixels,
        value_min=0.0,
        value_max=255.0,
        source=source,
        polarity=Polarity(turned=False, reason="as stored"),
        pixel_aspect=aspect,
        window=(0.0, 255.0),
    )
    line = np.column_stack([np.linspace(r - 90, r + 90, 31), np.full(31, float(c))])
    s = cumulative_length(line * (aspect, 1.0))
    canal = sample.review.canals[0]
    blank = dict.fromkeys(
        (
            "fill_length",
            "fill_to_apex_core",
            "fill_to_apex_core_straight",
            "core_start",
            "taper",
            "apex_px",
            "smallest_visible_void",
            "homogeneous",
            "curvature",
            "coverage_beyond_apex",
            "locator_difference_mm",
        )
    )

    canal = replace(
        canal,
        **blank,
        name="",
        centre_line=CentreLine(
            points_px=tuple(map(tuple, line.tolist())), s_px=tuple(s.tolist()), confidence=1.0
        ),
        core_end=FillEnd(
            point_px=(float(r), float(c)),
            s_px=float(s[15]),
            u_px=0.1,
            spread_px=0.0,
            how="painted",
        ),
        profile=(),
        gaps=(),
        measures=(),
        warnings=(),
    )
    review = Review(
        software_version="0.1.0",
        created_utc="2025-03-01T09:30:00Z",
        image=source,
        polarity_reason="as stored",
        spacing_attribute=None,
        marks=ReviewMarks(film_kind=FilmKind.POSTOPERATIVE),
        calibration=None,
        canals=(canal,),
        verdicts=(),
        tooth_summaries=(),
        warnings=(),
    )
    return review, radiograph


def _square_and_marker(rgb: np.ndarray, origin: tuple[int, int] = (0, 0)) -> np.ndarray:
    """Edges of the bright square (top, bottom, left, right) and centroid of the marker (row, col).

    Edges are taken at half brightness, to a fraction of a device pixel.
    """
    rgb = rgb.astype(float)
    orange = np.abs(rgb - ORANGE).max(axis=2) < 40
    rows, cols = np.nonzero(orange)
    marker = np.array([rows.mean(), cols.mean()])
    assert len(rows) > 10
    # Profiles beside the marker and beside the centre line, through the square.
    bright = rgb.min(axis=2)
    r, c = np.rint(marker).astype(int)
    off = int(0.75 * np.ptp(cols)) + 6
    edges = [
        *_half_way(bright[:, c + off]),
        *_half_way(bright[r + off, :]),
    ]
    return np.array([*edges, *marker])


def _half_way(profile: np.ndarray) -> tuple[float, float]:
    first, last = np.nonzero(profile > 127.5)[0][[0, -1]]
    low = first - (profile[first] - 127.5) / (profile[first] - profile[first - 1])
    high = last + (profile[last] - 127.5) / (profile[last] - profile[last + 1])
    return float(low), float(high)


def _offset_px(rgb: np.ndarray) -> tuple[float, float]:
    """Marker minus centre of the square in pixels of the radiograph, (rows, cols)."""
    top, bottom, left, right, row, col = _square_and_marker(rgb)
    side = 2 * HALF + 1
    return (
        (row - (top + bottom) / 2) / ((bottom - top) / side),
        (col - (left + right) / 2) / ((right - left) / side),
    )


FILMS = [(520, 470, 1.0), (400, 640, 1.0), (520, 470, 1.3)]


@pytest.mark.parametrize(("rows", "cols", "aspect"), FILMS)
def test_marker_in_the_pdf(tmp_path: Path, calibrated, rows, cols, aspect) -> None:
    pdfium = pytest.importorskip("pypdfium2")
    review, radiograph = _target(rows, cols, aspect, calibrated)
    write_pdf(review, radiograph, tmp_path / "a.pdf")
    document = pdfium.PdfDocument(tmp_path / "a.pdf")
    page = document[0]
    # The picture alone: the page is black there, so cut round the embedded radiograph.
    picture = next(o for o in page.get_objects() if o.type == 3)
    left, bottom, right, top = picture.get_bounds()
    scale = 3.0 * cols / (right - left)
    rgb = page.render(scale=scale, rev_byteorder=True).to_numpy()[:, :, :3]
    height = page.get_height()
    y0, x0 = (height - top) * scale, left * scale
    cut = rgb[
        int(np.ceil(y0)) : int((height - bottom) * scale), int(np.ceil(x0)) : int(right * scale)
    ]
    assert np.abs(_offset_px(cut)).max() < 0.5
    # And against the place of the embedded bitmap on the page.
    *_, row, col = _square_and_marker(cut)
    found = (
        (row + np.ceil(y0) + 0.5 - y0) / (3.0 * aspect) - 0.5,
        (col + np.ceil(x0) + 0.5 - x0) / 3.0 - 0.5,
    )
    assert np.abs(np.array(found) - BLOCK).max() < 0.5


@pytest.mark.parametrize(("rows", "cols", "aspect"), FILMS)
def test_marker_in_the_svg_of_the_html_page(tmp_path: Path, calibrated, rows, cols, aspect) -> None:
    typst = pytest.importorskip("typst")
    review, radiograph = _target(rows, cols, aspect, calibrated)
    write_html(review, radiograph, tmp_path / "a.html")
    html = (tmp_path / "a.html").read_text()
    svg = html[html.index("<svg") : html.index("<figcaption>")]
    (tmp_path / "a.svg").write_text(svg)
    width = float(ET.fromstring(svg).get("viewBox").split()[2])
    (tmp_path / "a.typ").write_text(
        f'#set page(width: auto, height: auto, margin: 0pt)\n#image("a.svg", width: {width}pt)'
    )
    png = tmp_path / "a.png"
    typst.compile(str(tmp_path / "a.typ"), output=str(png), format="png", ppi=72 * 3)
    from PIL import Image

    rgb = np.asarray(Image.open(png).convert("RGB"))
    rgb = rgb[: int(rows * aspect * 3) - 2, : cols * 3 - 2]  # without the legend
    assert np.abs(_offset_px(rgb)).max() < 0.5


@pytest.mark.skipif(shutil.which("chromium") is None, reason="no browser on this machine")
def test_marker_in_a_browser(tmp_path: Path, calibrated) -> None:
    from PIL import Image

    review, radiograph = _target(520, 470, 1.3, calibrated)
    write_html(review, radiograph, tmp_path / "a.html")
    subprocess.run(
        [
            "chromium",
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-quic",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            f"--user-data-dir={tmp_path / 'profile'}",
            "--window-size=1280,1600",
            "--hide-scrollbars",
            f"--screenshot={tmp_path / 'a.png'}",
            (tmp_path / "a.html").as_uri(),
        ],
        check=True,
        capture_output=True,
        timeout=60,
    )
    rgb = np.asarray(Image.open(tmp_path / "a.png").convert("RGB"))
    dark = np.nonzero((rgb.max(axis=2) < 20).mean(axis=1) > 0.3)[0]
    row = dark[0] + 3
    cols = np.nonzero(rgb[row].max(axis=1) < 20)[0]
    cut = rgb[dark[0] : dark[-1], cols[0] : cols[-1]]
    assert np.abs(_offset_px(cut)).max() < 0.5


def _paths(svg: str, colour: str) -> list[np.ndarray]:
    """End points of all straight two-point lines of one colour."""
    found = []
    for path in ET.fromstring(svg).iter("{http://www.w3.org/2000/svg}path"):
        d = path.get("d", "")
        if path.get("stroke") == colour and d.count("L") == 1 and not d.endswith("Z"):
            found.append(np.array([[float(v) for v in part.split()] for part in d[1:].split("L")]))
    return found


def test_close_up_shows_the_same_places(calibrated) -> None:
    """The cut-out is drawn in the film's own pixel coordinates."""
    review, radiograph = calibrated.review, calibrated.radiograph
    canal = review.canals[0]
    picture = close_up(review, radiograph, canal, Numbers())
    assert picture is not None
    row, col = canal.core_end.point_px
    middles = [line.mean(axis=0) for line in _paths(picture.svg, colours.CORE_END)]
    assert min(np.hypot(*(m - (col, row))) for m in middles) < 1e-3
    image = ET.fromstring(picture.svg).find("{http://www.w3.org/2000/svg}image")
    x, y, width, height = (float(image.get(k)) for k in ("x", "y", "width", "height"))
    assert x % 1 == 0.5
    assert y % 1 == 0.5
    assert x < col < x + width
    assert y < row < y + height


def test_scale_bar_has_its_length_and_stands_only_with_a_scale(calibrated, uncalibrated) -> None:
    namespace = {"s": "http://www.w3.org/2000/svg"}
    with_bar = film_picture(calibrated.review, calibrated.radiograph, Numbers()).svg
    group = ET.fromstring(with_bar).find(".//s:g[@class='scale-bar']", namespace)
    inner = group.findall("s:path", namespace)[-1].get("d")
    start, end = (float(v) for v in inner[1:].replace("H", " ").split()[::2])
    assert (end - start) * calibrated.review.calibration.col_mm == pytest.approx(10.0, abs=1e-3)
    assert "10 mm" in with_bar
    without = film_picture(uncalibrated.review, uncalibrated.radiograph, Numbers()).svg
    assert "scale-bar" not in without
    assert " mm" not in "".join(ET.fromstring(without).itertext())


def test_unequal_pitch_comes_from_the_scale(calibrated) -> None:

    scale = calibrated.review.calibration
    tall = Calibration(row_mm=2 * scale.col_mm, col_mm=scale.col_mm, u_rel=0.01, source="x")
    plain = film_picture(calibrated.review, calibrated.radiograph, Numbers())
    review = replace(calibrated.review, calibration=tall)
    stretched = film_picture(review, calibrated.radiograph, Numbers())

    def size(picture) -> tuple[float, float]:
        image = ET.fromstring(picture.svg).find("{http://www.w3.org/2000/svg}image")
        return float(image.get("width")), float(image.get("height"))

    assert size(stretched) == (size(plain)[0], 2 * size(plain)[1])


def test_voids_are_numbered_over_the_whole_film(calibrated) -> None:
    numbers = gap_numbers(calibrated.review)
    assert numbers == {("M", 0): 1, ("M", 1): 2, ("D", 0): 3}
    svg = film_picture(calibrated.review, calibrated.radiograph, Numbers()).svg
    texts = [t.text for t in ET.fromstring(svg).iter("{http://www.w3.org/2000/svg}text")]
    for number in ("1", "2", "3"):
        assert texts.count(number) == 2  # outline, then fill


def test_grey_for_the_eye_uses_the_files_window(calibrated) -> None:

    radiograph = replace(
        calibrated.radiograph,
        pixels=np.array([[0.0, 10.0, 20.0, 30.0]], dtype=np.float32),
        window=(10.0, 20.0),
    )
    assert grey_for_the_eye(radiograph).tolist() == [[0, 0, 255, 255]]
    flat = replace(radiograph, pixels=np.full((2, 2), 7.0, dtype=np.float32), window=None)
    assert grey_for_the_eye(flat).shape == (2, 2)
