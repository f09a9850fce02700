"""Small files that unpack to much, or never end: refused or opened, soon, in bounded memory."""

from __future__ import annotations

import zlib
from collections.abc import Callable
from pathlib import Path

import bombs
import measured
import pytest
from PIL import Image

FILMS: dict[str, tuple[Callable[[], bytes], str]] = {
    "PNG, grey, as large as allowed": (lambda: bombs.png(3906, 16_384), "opened"),
    "PNG, 4 x 16 bits, 0.5 MB for 512 MB": (
        lambda: bombs.png(3906, 16_384, bits=16, colour=6), "refused"
    ),
    "PNG, palette, as many pixels": (lambda: bombs.png(3906, 16_384, colour=3), "refused"),
    "PNG, beyond all limits": (
        lambda: bombs.png(2**31 - 1, 2**31 - 1, rows_inside=9, columns_inside=9), "refused"
    ),
    "PNG with a second header": (
        lambda: bombs.png(
            40, 40, before=bombs.png_header(13_000, 13_000), rows_inside=13_000,
            columns_inside=13_000,
        ),
        "refused",
    ),
    "PNG with a second header of other bits": (
        lambda: bombs.png(40, 40, before=bombs.png_header(40, 20, 16)), "refused"
    ),
    "PNG of 400,000 empty parts": (
        lambda: bombs.png(40, 40, before=bombs.png_part(b"abCd", b"") * 400_000), "refused"
    ),
    "PNG of 400,000 empty pixel parts": (
        lambda: bombs.png(40, 40, before=bombs.png_part(b"IDAT", b"") * 400_000), "refused"
    ),
    "PNG with a text of 200 MB": (
        lambda: bombs.png(
            40, 40, before=bombs.png_part(b"zTXt", b"a\0\0" + zlib.compress(bytes(200_000_000)))
        ),
        "refused",
    ),
    "PNG with a profile of 200 MB": (
        lambda: bombs.png(
            40, 40, before=bombs.png_part(b"iCCP", b"a\0\0" + zlib.compress(bytes(200_000_000)))
        ),
        "refused",
    ),
    "JPEG with a second frame": (bombs.jpeg_of_two_frames, "refused"),
    "JPEG with 20 MB of fill bytes": (lambda: bombs.jpeg_with(b"\xff" * 20_000_000), "refused"),
    "JPEG of 4,000,000 comments": (
        lambda: bombs.jpeg_with(b"\xff\xfe\0\2" * 4_000_000), "refused"
    ),
    "JPEG of 300 scans": (lambda: bombs.jpeg_of_scans(300), "refused"),
    "JPEG of the usual scans": (lambda: bombs.jpeg_of_scans(0), "opened"),
    "TIFF, deflate, 64 million pixels in 64 kB": (lambda: _tiff(16_384, 3906), "opened"),
    "TIFF, deflate, beyond the limit": (lambda: _tiff(16_384, 16_384), "refused"),
    "DICOM, RLE of 24 MB that unpacks to 1.5 GB": (
        lambda: bombs.dicom_of_runs(2500, 2500, 6_000_000), "refused RLE"
    ),
    "DICOM, RLE of 2 MB that is what it says": (
        lambda: bombs.dicom_of_runs(7680, 7680, 7680 * 60), "opened"
    ),
    "DICOM, JPEG 2000 of 60,000 tiles": (lambda: bombs.dicom_of_tiles(980, 4), "opened"),
    "DICOM, JPEG 2000 of a million tiles": (lambda: bombs.dicom_of_tiles(1000, 1), "refused"),
}  # fmt: skip

TEXTS: dict[str, tuple[str, Callable[[], str], str]] = {
    "a name of 500,000 parts": ("marks", lambda: ".".join("a" * 500_000) + " = 1", ".toml"),
    "a table's name of 500,000 parts": (
        "series", lambda: "[" + ".".join("a" * 500_000) + "]", ".toml"
    ),
    "quoted parts": ("rules", lambda: ' . '.join(['"a"'] * 100_000) + " = 1", ".toml"),
    "names of 60 parts": (
        "rubric", lambda: "".join(f"b{k}{'.a' * 60} = 1\n" for k in range(7000)), ".toml"
    ),
    "rules nested 100,000 deep": ("rules", lambda: "a = " + "[" * 100_000, ".toml"),
    "a rule file of 30 MB": ("rules", lambda: f'id = "{"x" * 30_000_000}"', ".toml"),
    "a number of 5,000 digits": ("rubric", lambda: "version = " + "9" * 5000, ".toml"),
    "32 MiB of empty lists": ("review", lambda: "[" + "[]," * 10_000_000 + "[]]", ".json"),
    "4 million numbers": ("marks", lambda: "[" + "1," * 4_000_000 + "1]", ".json"),
    "a draft nested 10 million deep": ("draft", lambda: "[" * 10_000_000, ".json"),
    "5 million columns": ("ratings", lambda: "unit,rater,rating" + ",x" * 5_000_000, ".csv"),
    "one cell of 30 MB": ("ratings", lambda: "unit,rater,rating\n" + "x" * 30_000_000, ".csv"),
    "a table of 80 MB": ("ratings", lambda: "unit,rater,rating\n" + "a,b,1\n" * 14_000_000, ".csv"),
}  # fmt: skip


def _tiff(columns: int, rows: int) -> bytes:
    from io import BytesIO

    stream = BytesIO()
    Image.new("L", (columns, rows)).save(stream, "TIFF", compression="tiff_adobe_deflate")
    return stream.getvalue()


@pytest.mark.parametrize("name", FILMS)
def test_a_picture_that_grows(name: str, tmp_path: Path) -> None:
    make, wanted = FILMS[name]
    path = tmp_path / "film"
    path.write_bytes(make())
    found = measured.opened_apart("film", path)
    assert found.said.startswith(wanted)
    assert found.peak_mb < 1024


@pytest.mark.parametrize("name", TEXTS)
def test_a_text_that_grows(name: str, tmp_path: Path) -> None:
    kind, make, ending = TEXTS[name]
    path = tmp_path / f"file{ending}"
    path.write_text(make(), encoding="utf-8")
    found = measured.opened_apart(kind, path)
    assert found.said.startswith("refused")
    assert found.peak_mb < 512


@pytest.mark.parametrize("kind", measured.KINDS)
def test_a_device_without_end(kind: str) -> None:
    assert measured.opened_apart(kind, Path("/dev/zero")).said.startswith("refused")
