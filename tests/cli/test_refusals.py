"""Bad input: a message with what was found, needed and next; the right status; nothing written."""

from __future__ import annotations

import json
import struct
import zlib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

FILM = "adequate_premolar.png"
MARKS = "adequate_premolar.marks.toml"
CLICKS = ["--click", "75,242", "--click", "531,254"]


def _png_chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def _huge_png(path: Path) -> None:
    header = struct.pack(">IIBBBBB", 65535, 65535, 16, 0, 0, 0, 0)
    body = _png_chunk(b"IHDR", header) + _png_chunk(b"IDAT", zlib.compress(b"\0" * 64))
    path.write_bytes(b"\x89PNG\r\n\x1a\n" + body + _png_chunk(b"IEND", b""))


def _dicom(path: Path, *, frames: int = 1, pixels: bool = True, side: int = 64) -> None:
    from pydicom.dataset import Dataset, FileMetaDataset
    from pydicom.uid import (
        DigitalIntraOralXRayImageStorageForPresentation,
        ExplicitVRLittleEndian,
        generate_uid,
    )

    dataset = Dataset()
    dataset.file_meta = FileMetaDataset()
    dataset.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    dataset.SOPClassUID = DigitalIntraOralXRayImageStorageForPresentation
    dataset.SOPInstanceUID = generate_uid(entropy_srcs=[path.name])
    dataset.file_meta.MediaStorageSOPClassUID = dataset.SOPClassUID
    dataset.file_meta.MediaStorageSOPInstanceUID = dataset.SOPInstanceUID
    dataset.Modality = "IO"
    dataset.Rows = dataset.Columns = side
    dataset.SamplesPerPixel, dataset.PhotometricInterpretation = 1, "MONOCHROME2"
    dataset.BitsAllocated, dataset.BitsStored, dataset.HighBit = 16, 12, 11
    dataset.PixelRepresentation = 0
    if frames > 1:
        dataset.NumberOfFrames = frames
    if pixels:
        dataset.PixelData = np.zeros((frames, 64, 64), dtype="<u2").tobytes()
        dataset["PixelData"].VR = "OW"
    dataset.save_as(path, enforce_file_format=True)


def _truncated_dicom(path: Path) -> None:
    _dicom(path)
    path.write_bytes(path.read_bytes()[:-4000])


def _colour_photo(path: Path) -> None:
    from PIL import Image

    rows, cols = np.mgrid[:64, :64]
    Image.fromarray(np.dstack([rows * 4, cols * 4, 255 - rows * 4]).astype(np.uint8)).save(path)


def _one_pixel(path: Path) -> None:
    from PIL import Image

    Image.fromarray(np.zeros((1, 1), dtype=np.uint8)).save(path)


def _nan_tiff(path: Path) -> None:
    import tifffile

    pixels = np.ones((64, 64), dtype=np.float32)
    pixels[3, 4] = np.nan
    tifffile.imwrite(path, pixels)


def _pages_tiff(path: Path) -> None:
    import tifffile

    tifffile.imwrite(path, np.zeros((3, 64, 64), dtype=np.uint16), photometric="minisblack")


IMAGES: dict[str, Callable[[Path], object]] = {
    "not-an-image.png": lambda path: path.write_bytes(b"hello, this is text"),
    "empty.png": lambda path: path.write_bytes(b""),
    "folder.png": lambda path: path.mkdir(),
    "missing.png": lambda path: None,
    "truncated.dcm": _truncated_dicom,
    "no-pixel-data.dcm": lambda path: _dicom(path, pixels=False),
    "multi-frame.dcm": lambda path: _dicom(path, frames=3),
    "huge.dcm": lambda path: _dicom(path, side=65535),
    "huge.png": _huge_png,
    "colour-photo.png": _colour_photo,
    "one-pixel.png": _one_pixel,
    "not-a-number.tif": _nan_tiff,
    "three-pages.tif": _pages_tiff,
}


def _check(result, code: int, kind: str | None = None) -> None:
    assert result.code == code, (result.stdout, result.stderr)
    error = result.error
    assert error["exit_code"] == code
    if kind is not None:
        assert error["type"] == kind
    for part in ("found", "needed", "next_step"):
        assert len(error[part]) > 3, part
        assert "Traceback" not in error[part]


@pytest.mark.parametrize("verb", ["review", "info", "trace"])
@pytest.mark.parametrize("name", IMAGES)
def test_images_that_are_none(run, tmp_path: Path, contents, name: str, verb: str) -> None:
    if verb == "review" and name == "folder.png":
        pytest.skip("a folder stands for its films: see the next test")
    path = tmp_path / name
    IMAGES[name](path)
    before = contents(tmp_path)
    more = [] if verb == "info" else [*CLICKS, "--kind", "post-operative"]
    result = run(verb, path, *more, "--json")
    _check(result, 3, "ImageReadError")
    assert contents(tmp_path) == before
    if verb == "review":
        assert result.document["films"][0]["review"] is None
    else:
        assert result.stdout == ""


def test_folder_without_films(run, tmp_path: Path) -> None:
    _check(run("review", tmp_path, "--json"), 5, "MarksError")


@pytest.mark.parametrize("name", ["not-an-image.png", "huge.png", "truncated.dcm"])
def test_status_of_the_real_process(run_outside, tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    IMAGES[name](path)
    result = run_outside("info", path)
    assert result.code == 3
    assert result.stdout == ""
    for word in ("Found:", "Needed:", "Next:"):
        assert word in result.stderr
    assert "Traceback" not in result.stderr


FILE_21 = ["--file-length", "21"]


@pytest.mark.parametrize(
    ("options", "code"),
    [
        # points
        (["--click", "75,242"], 5),
        (["--click", "75,242", "--click", "75,242"], 5),
        (["--click", "75,242", "--click", "99999,242"], 5),
        (["--click", "-40,242", "--click", "531,254"], 5),
        (["--click", "nan,242", "--click", "531,254"], 5),
        (["--click", "inf,242", "--click", "531,254"], 5),
        ([*CLICKS, "--apex", "9999,9999"], 5),
        ([*CLICKS, "--coronal-reference", "nan,3"], 5),
        # known lengths
        ([*CLICKS, *FILE_21, "--file-click", "99,92", "--file-click", "99,92"], 4),
        ([*CLICKS, "--file-length", "0", "--file-click", "99,92", "--file-click", "483,57"], 4),
        ([*CLICKS, "--file-length", "-21", "--file-click", "99,92", "--file-click", "483,57"], 4),
        ([*CLICKS, "--file-length", "nan", "--file-click", "99,92", "--file-click", "483,57"], 4),
        ([*CLICKS, *FILE_21, "--length-u", "-1", "--file-click", "9,9", "--file-click", "90,9"], 4),
        ([*CLICKS, "--line-length", "10", "--line-click", "99,92", "--line-click", "99,92"], 4),
        # criteria
        ([*CLICKS, "--rule", "no_such_rule"], 6),
        ([*CLICKS, "--rules-file", "missing.toml"], 6),
        # marks and review files
        (["--marks", "missing.toml"], 5),
        # stated numbers
        ([*CLICKS, "--override", "single", "zero_two/length", "nonsense", "because"], 5),
        # what the command line itself refuses
        (["--click", "75", "--click", "531,254"], 2),
        (["--click", "75;242", "--click", "531,254"], 2),
        (["--click", "75,2,42", "--click", "531,254"], 2),
        ([*CLICKS, *FILE_21], 2),
        ([*CLICKS, "--file-click", "99,92", "--file-click", "483,57"], 2),
        ([*CLICKS, "--file-length", "21,5"], 2),
        ([*CLICKS, "--length-u", "0.1"], 2),
        ([*CLICKS, "--size", "35"], 2),
        ([*CLICKS, "--canal", "MB 1,1 50,50"], 2),
        (["--canal", "MB 75,242 531,254", "--canal", "D 80,242 531,254", "--apex", "500,200"], 2),
        (["--canal", "75,242 531,254"], 2),
        ([*CLICKS, "--no-such-option"], 2),
    ],
)
def test_wrong_options(run, sample_copy, contents, options: list[str], code: int) -> None:
    folder = sample_copy(marks=False)
    before = contents(folder)
    result = run("review", folder / FILM, *options, "--kind", "post-operative", "--json")
    _check(result, code, "UsageError" if code == 2 else None)
    assert contents(folder) == before


def test_film_kind_must_be_told(run, sample_copy) -> None:
    folder = sample_copy(marks=False)
    _check(run("review", folder / FILM, *CLICKS, "--json"), 2)
    _check(run("review", folder / FILM, *CLICKS, "--kind", "holiday", "--json"), 2)


@pytest.mark.parametrize(
    "change",
    [
        lambda text: text.replace('film_kind = "post-operative"', 'film_kind = "holiday"'),
        lambda text: text.replace("film_kind", "film_sort"),
        lambda text: text + "\n[settings]\nclick_sd_mm = nan\n",
        lambda text: text.replace("clicks_px = [[", 'clicks_px = [["a", '),
        lambda text: text + "\n= broken",
        lambda text: '{"film_kind": "post-operative"',
    ],
)
def test_wrong_marks_files(run, sample_copy, contents, change: Callable[[str], str]) -> None:
    folder = sample_copy()
    text = (folder / MARKS).read_text(encoding="utf-8")
    assert change(text) != text
    (folder / MARKS).write_text(change(text), encoding="utf-8")
    before = contents(folder)
    _check(run("review", folder / FILM, "--json"), 5, "MarksError")
    assert contents(folder) == before


def test_wrong_review_files(run, sample_copy, contents, tmp_path: Path) -> None:
    folder = sample_copy()
    assert run("review", folder / FILM).code == 0
    kept = json.loads((folder / (FILM + ".rxreview.json")).read_text(encoding="utf-8"))
    changes = {
        "newer": {"format_version": 999},
        "schema": {"review": {"canals": 3}},
        "other": {"format": "something"},
    }
    for name, change in changes.items():
        path = tmp_path / f"{name}.rxreview.json"
        path.write_text(json.dumps({**kept, **change}), encoding="utf-8")
        _check(run("report", folder / FILM, "--review", path, "--json"), 7)
    before = contents(folder)
    _check(run("report", folder / FILM, "--review", tmp_path / "missing.json", "--json"), 7)
    assert contents(folder) == before


def test_review_of_another_image(run, sample_copy, contents) -> None:
    folder = sample_copy(FILM, "voids_canine.png")
    assert run("review", folder / FILM).code == 0
    before = contents(folder)
    wrong = ["--marks", folder / (FILM + ".rxreview.json")]
    _check(run("review", folder / "voids_canine.png", *wrong, "--json"), 8, "ImageChangedError")
    assert contents(folder) == before


def test_sizes_and_tapers_out_of_range(run) -> None:
    for size, taper in (("0", "0.04"), ("-25", "0.04"), ("nan", "0.04"), ("25", "4"), ("25", "-1")):
        _check(run("fit", "diameters", "--size", size, "--taper", taper, "--json"), 5)
    ratio = ["--file-length", "20", "--file-image", "0", "--tooth-image", "1092"]
    _check(run("working-length", "ratio", *ratio, "--json"), 5)
