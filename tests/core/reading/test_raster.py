"""PNG, JPEG and TIFF: depth, orientation, polarity; no scale ever."""

from __future__ import annotations

import numpy as np
import pytest
import tifffile
from PIL import Image, ImageOps

from rxmeasure.calibration.detector_spacing import calibration_from_spacing
from rxmeasure.marks import Settings
from rxmeasure.reading import read_radiograph

ORIENTATION = 274
LZW, DEFLATE, PACKBITS = "tiff_lzw", "tiff_adobe_deflate", "packbits"


@pytest.fixture
def grey8(ramp):
    return (ramp >> 4).astype(np.uint8)


@pytest.fixture
def grey16(ramp):
    return ramp * 16 + 5


def codes(film):
    return [w.code for w in film.warnings]


def exif(orientation):
    tags = Image.Exif()
    tags[ORIENTATION] = orientation
    return tags


def check(film, pixels, bits, kind):
    np.testing.assert_array_equal(film.pixels, pixels)
    assert film.pixels.dtype == np.float32
    assert not film.pixels.flags.writeable
    assert (film.value_min, film.value_max) == (0, 2**bits - 1)
    assert (film.source.format, film.source.bits) == (kind, bits)
    assert (film.source.rows, film.source.columns) == film.shape
    assert film.spacing is None
    assert film.pixel_aspect == 1.0
    assert film.intensity == "unknown"
    assert film.window is None
    assert calibration_from_spacing(film, Settings()) is None


def test_grey_png_of_8_and_16_bit(tmp_path, grey8, grey16):
    for bits, pixels in ((8, grey8), (16, grey16)):
        path = tmp_path / f"{bits}.png"
        Image.fromarray(pixels).save(path)
        film = read_radiograph(path)
        check(film, pixels, bits, "PNG")
        assert film.warnings == ()
        assert not film.polarity.turned
        mirrored = read_radiograph(path, invert=True)
        np.testing.assert_array_equal(mirrored.pixels, 2.0**bits - 1 - pixels)
        assert mirrored.polarity.turned
        assert "switch" in mirrored.polarity.reason


def test_the_content_counts_not_the_name(tmp_path, grey8):
    path = tmp_path / "film.dcm"
    Image.fromarray(grey8).save(path, "PNG")
    check(read_radiograph(path), grey8, 8, "PNG")


# PNG colour types (ISO/IEC 15948 section 11.2.2): 0 grey, 2 RGB, 4 grey + alpha, 6 RGB + alpha.
@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize(("colour", "channels"), [(0, 1), (2, 3), (4, 2), (6, 4)])
def test_every_png_layout_keeps_all_its_bits(
    tmp_path, png_bytes, grey8, grey16, bits, colour, channels
):
    grey = grey8 if bits == 8 else grey16
    full = 2**bits - 1
    samples = np.repeat(grey[..., None], channels, axis=2)
    if colour in (4, 6):
        samples[..., -1] = full
    path = tmp_path / "film.png"
    path.write_bytes(png_bytes(samples, colour))
    film = read_radiograph(path)
    check(film, grey, bits, "PNG")
    assert film.warnings == ()


def test_transparent_parts_keep_their_grey_and_are_told(tmp_path, png_bytes, grey8):
    samples = np.dstack([grey8, np.full_like(grey8, 255)])
    samples[:5, :5, 1] = 0
    path = tmp_path / "film.png"
    path.write_bytes(png_bytes(samples, 4))
    film = read_radiograph(path)
    check(film, grey8, 8, "PNG")
    assert codes(film) == ["transparency-ignored"]


def test_grey_palette(tmp_path, grey8):
    index = Image.fromarray(grey8).quantize(256)
    order = np.asarray(index.convert("L"))
    path = tmp_path / "film.png"
    index.save(path)
    check(read_radiograph(path), order, 8, "PNG")


def test_small_colour_differences_are_rounding_larger_ones_are_colour(tmp_path, grey8, refused):
    rgb = np.repeat(grey8[..., None].astype(int), 3, axis=2)
    tinted = np.clip(rgb + (4, 0, -4), 0, 255).astype(np.uint8)
    path = tmp_path / "tint.png"
    Image.fromarray(tinted).save(path)
    film = read_radiograph(path)
    np.testing.assert_allclose(film.pixels, tinted.mean(axis=2), rtol=1e-6)
    marked = rgb.astype(np.uint8)
    marked[3, 4] = (255, 0, 0)
    path = tmp_path / "mark.png"
    Image.fromarray(marked).save(path)
    refused(path, "a colour picture")
    photo = np.random.default_rng(1).integers(0, 255, (40, 50, 3), dtype=np.uint8)
    for name in ("photo.png", "photo.jpg", "photo.tif"):
        Image.fromarray(photo).save(tmp_path / name)
        refused(tmp_path / name, "a colour picture")


def test_jpeg_grey_and_grey_in_colour_agree(tmp_path, grey8):
    plain, colour = tmp_path / "grey.jpg", tmp_path / "rgb.jpg"
    Image.fromarray(grey8).save(plain, quality=90)
    Image.fromarray(grey8).convert("RGB").save(colour, quality=90)
    a, b = read_radiograph(plain), read_radiograph(colour)
    for film in (a, b):
        assert film.source.lossy
        assert codes(film) == ["lossy"]
        assert np.abs(film.pixels - grey8).max() < 12
    np.testing.assert_allclose(a.pixels, b.pixels, atol=2)


# EXIF 2.3 / TIFF 6.0 Orientation against plain numpy turns and mirrors.
TURNS = {
    1: lambda a: a,
    2: np.fliplr,
    3: lambda a: np.rot90(a, 2),
    4: np.flipud,
    5: np.transpose,
    6: lambda a: np.rot90(a, -1),
    7: lambda a: np.rot90(np.transpose(a), 2),
    8: np.rot90,
}


@pytest.mark.parametrize("orientation", TURNS)
@pytest.mark.parametrize("kind", ["png", "jpg", "tif", "lzw.tif"])
def test_orientation_is_carried_out(tmp_path, grey8, orientation, kind):
    path, plain = tmp_path / f"turned.{kind}", tmp_path / f"plain.{kind}"
    image = Image.fromarray(grey8)
    if kind == "tif":
        tifffile.imwrite(path, grey8, extratags=[(ORIENTATION, 3, 1, orientation, True)])
        tifffile.imwrite(plain, grey8)
    elif kind == "lzw.tif":
        image.save(path, compression=LZW, tiffinfo={ORIENTATION: orientation})
        image.save(plain, compression=LZW)
    else:
        image.save(path, exif=exif(orientation))
        image.save(plain)
    film, stored = read_radiograph(path), read_radiograph(plain)
    np.testing.assert_array_equal(film.pixels, TURNS[orientation](stored.pixels))
    assert film.pixels.flags.c_contiguous
    if kind in ("png", "jpg"):
        # Pillow's own turning as the reference.
        with Image.open(path) as opened:
            np.testing.assert_array_equal(film.pixels, np.asarray(ImageOps.exif_transpose(opened)))


@pytest.mark.parametrize("orientation", [0, 9, 77])
def test_unknown_orientation_changes_nothing(tmp_path, grey8, orientation):
    path = tmp_path / "film.png"
    Image.fromarray(grey8).save(path, exif=exif(orientation))
    check(read_radiograph(path), grey8, 8, "PNG")


@pytest.mark.parametrize("kind", ["png", "jpg", "tif"])
def test_print_resolution_is_no_scale(tmp_path, grey8, kind):
    path = tmp_path / f"film.{kind}"
    Image.fromarray(grey8).save(path, dpi=(600, 600))
    film = read_radiograph(path)
    assert film.spacing is None
    assert film.pixel_aspect == 1.0
    assert "print-resolution-unequal" not in codes(film)
    Image.fromarray(grey8).save(path, dpi=(600, 300))
    film = read_radiograph(path)
    assert film.spacing is None
    assert film.pixel_aspect == 1.0
    assert "print-resolution-unequal" in codes(film)


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("bits", [8, 16])
def test_white_is_zero_is_turned_by_the_possible_range(tmp_path, grey8, grey16, bits, order):
    pixels = grey8 if bits == 8 else grey16
    full = 2**bits - 1
    path = tmp_path / "film.tif"
    tifffile.imwrite(path, full - pixels, photometric="miniswhite", byteorder=order)
    film = read_radiograph(path)
    check(film, pixels, bits, "TIFF")
    assert film.polarity.turned
    assert "WhiteIsZero" in film.polarity.reason
    tifffile.imwrite(path, pixels, photometric="minisblack", byteorder=order)
    film = read_radiograph(path)
    check(film, pixels, bits, "TIFF")
    assert not film.polarity.turned
    assert not film.source.lossy


@pytest.mark.parametrize("compression", [LZW, DEFLATE, PACKBITS])
@pytest.mark.parametrize("white_is_zero", [False, True])
@pytest.mark.parametrize("bits", [8, 16])
def test_compressed_tiff(tmp_path, grey8, grey16, compression, white_is_zero, bits):
    pixels = grey8 if bits == 8 else grey16
    stored = (2**bits - 1 - pixels) if white_is_zero else pixels
    path = tmp_path / "film.tif"
    Image.fromarray(stored.astype(pixels.dtype)).save(path, compression=compression)
    if white_is_zero:
        with tifffile.TiffFile(path, mode="r+") as tiff:
            tiff.pages.first.tags["PhotometricInterpretation"].overwrite(0)
    film = read_radiograph(path)
    check(film, pixels, bits, "TIFF")
    assert film.polarity.turned is white_is_zero


def test_jpeg_in_tiff_is_lossy(tmp_path, grey8):
    path = tmp_path / "film.tif"
    Image.fromarray(grey8).save(path, compression="jpeg")
    film = read_radiograph(path)
    assert film.source.lossy
    assert codes(film) == ["lossy"]
    assert np.abs(film.pixels - grey8).max() < 40


@pytest.mark.parametrize("planar", ["contig", "separate"])
@pytest.mark.parametrize("bits", [8, 16])
def test_grey_in_rgb_tiff(tmp_path, grey8, grey16, planar, bits):
    pixels = grey8 if bits == 8 else grey16
    rgb = np.stack([pixels] * 3, axis=-1 if planar == "contig" else 0)
    path = tmp_path / "film.tif"
    tifffile.imwrite(path, rgb, photometric="rgb", planarconfig=planar)
    check(read_radiograph(path), pixels, bits, "TIFF")


def test_tiff_palette_tiles_and_reduced_copy(tmp_path, grey8):
    path = tmp_path / "film.tif"
    shades = (255 - np.arange(256)) * 257
    tifffile.imwrite(
        path, grey8, photometric="palette", colormap=np.stack([shades] * 3).astype(np.uint16)
    )
    check(read_radiograph(path), 255 - grey8, 8, "TIFF")
    tifffile.imwrite(path, grey8, tile=(16, 16))
    check(read_radiograph(path), grey8, 8, "TIFF")
    with tifffile.TiffWriter(path) as writer:
        writer.write(grey8)
        writer.write(np.ascontiguousarray(grey8[::2, ::2]), subfiletype=1)
    check(read_radiograph(path), grey8, 8, "TIFF")
    tifffile.imwrite(path, grey8, bigtiff=True)
    check(read_radiograph(path), grey8, 8, "TIFF")


def test_decimal_tiff_from_0_to_1(tmp_path, grey8):
    pixels = (grey8 / 255).astype(np.float32)
    path = tmp_path / "film.tif"
    tifffile.imwrite(path, pixels)
    film = read_radiograph(path)
    np.testing.assert_array_equal(film.pixels, pixels)
    assert (film.value_min, film.value_max, film.source.bits) == (0.0, 1.0, 32)


@pytest.mark.parametrize("bad", [np.nan, np.inf, -0.1, 1.1, 255.0])
def test_other_decimals_are_refused(tmp_path, grey8, refused, bad):
    pixels = (grey8 / 255).astype(np.float32)
    pixels[3, 4] = bad
    path = tmp_path / "film.tif"
    tifffile.imwrite(path, pixels)
    refused(path, "decimal numbers outside 0 to 1")


def test_a_turned_copy_of_a_film_reads_as_the_turned_film(tmp_path, grey16):
    """Transposing and flipping the saved picture does the same to what is read."""
    for turn in (np.transpose, np.fliplr, np.flipud):
        path = tmp_path / "film.png"
        Image.fromarray(np.ascontiguousarray(turn(grey16))).save(path)
        np.testing.assert_array_equal(read_radiograph(path).pixels, turn(grey16))
