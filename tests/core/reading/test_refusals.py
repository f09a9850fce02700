"""What is not opened, and that it is refused before memory is taken."""

from __future__ import annotations

import os
import struct
import subprocess
import sys
import tracemalloc
import zlib
from io import BytesIO

import numpy as np
import pytest
import tifffile
from PIL import Image

from rxmeasure.reading import read_radiograph
from rxmeasure.reading.limits import MAX_FILE_BYTES, MAX_PIXELS, MAX_SIDE_PX, MIN_SIDE_PX


@pytest.fixture
def grey8(ramp):
    return (ramp >> 4).astype(np.uint8)


@pytest.fixture
def refused_small(refused):
    """Refused, and without taking memory for the pixels that the header promises."""

    def check(path, found):
        tracemalloc.start()
        try:
            refused(path, found)
            peak = tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()
        assert peak < 20e6

    return check


# --- paths -------------------------------------------------------------------------------


def test_paths_that_are_no_file(tmp_path, refused):
    refused(tmp_path / "missing.dcm", "no file")
    refused(tmp_path, "a folder")
    (tmp_path / "empty.dcm").touch()
    refused(tmp_path / "empty.dcm", "an empty file")
    refused(tmp_path / "empty.dcm" / "below", "cannot be opened")
    refused(tmp_path / ("x" * 5000), "cannot be opened")
    refused(tmp_path / "a\0b", "cannot be opened")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes on this system")
def test_a_pipe_is_refused_without_waiting_for_it(tmp_path, refused):
    os.mkfifo(tmp_path / "pipe")
    refused(tmp_path / "pipe", "not an ordinary file")


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="no file rights of this kind here")
def test_a_file_without_the_right_to_read(tmp_path, refused):
    path = tmp_path / "film.png"
    path.write_bytes(b"x")
    path.chmod(0)
    user = os.geteuid()
    if user == 0:
        os.seteuid(65534)
    try:
        refused(path, "may not be read")
    finally:
        os.seteuid(user)


def test_a_file_over_the_limit_is_not_read(tmp_path, refused_small):
    path = tmp_path / "big.png"
    with path.open("wb") as file:
        file.truncate(MAX_FILE_BYTES + 1)
    refused_small(path, f"{MAX_FILE_BYTES + 1:,} bytes")


# --- kinds -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("content", "found"),
    [
        (b"\0", "not a known picture"),
        (b"hello, this is text\n" * 20, "not a known picture"),
        (b"%PDF-1.7\n" + bytes(200), "PDF"),
        (b"PK\x03\x04" + bytes(200), "ZIP"),
        (b"BM" + bytes(200), "BMP"),
        (b"RIFF\0\0\0\0WEBPVP8 " + bytes(200), "WebP"),
        (b"\x08\0\x05\0CS\x0a\0ISO_IR 100" + bytes(200), "without the DICOM file header"),
        (b"\x89PNG\r\n\x1a\n", "PNG"),
        (b"\x89PNG\r\n\x1a\n" + bytes(100), "PNG"),
        (b"\xff\xd8\xff\xe0", "without a readable header"),
        (b"II*\0", "TIFF"),
        (b"II*\0\x08\0\0\0" + bytes(100), "0 x 0 pixels"),
        (bytes(128) + b"DICM", "does not say how its data are written"),
    ],
)
def test_content_that_is_no_radiograph(tmp_path, refused, content, found):
    path = tmp_path / "film"
    path.write_bytes(content)
    refused(path, found)


def test_gif_and_moving_pictures(tmp_path, grey8, refused):
    image = Image.fromarray(grey8)
    image.save(tmp_path / "film.gif")
    refused(tmp_path / "film.gif", "GIF")
    other = Image.fromarray(255 - grey8)
    image.save(tmp_path / "film.png", save_all=True, append_images=[other])
    refused(tmp_path / "film.png", "2 pictures")
    image.convert("RGB").save(
        tmp_path / "film.jpg", "MPO", save_all=True, append_images=[other.convert("RGB")]
    )
    refused(tmp_path / "film.jpg", "2 pictures")
    tifffile.imwrite(tmp_path / "film.tif", np.stack([grey8, grey8]), photometric="minisblack")
    refused(tmp_path / "film.tif", "several pages")
    tifffile.imwrite(tmp_path / "film.tif", np.stack([grey8, grey8]), imagej=True)
    refused(tmp_path / "film.tif", "several pages")


def test_too_few_bits_and_other_colour_models(tmp_path, grey8, refused):
    path = tmp_path / "film.png"
    Image.fromarray(grey8 > 100).save(path)
    refused(path, "1 bits")
    Image.fromarray(grey8).quantize(4).save(path, bits=2)
    refused(path, "2 bits")
    path = tmp_path / "film.jpg"
    Image.fromarray(grey8).convert("CMYK").save(path)
    refused(path, "CMYK")
    path = tmp_path / "film.tif"
    Image.fromarray(grey8).convert("CMYK").save(path)
    refused(path, "colours of kind 5")
    Image.fromarray(grey8 > 100).save(path)
    refused(path, "1 bits")
    tifffile.imwrite(path, grey8.astype(np.int16))
    refused(path, "signed numbers with 16 bits")
    tifffile.imwrite(path, grey8.astype(np.uint32))
    refused(path, "whole numbers with 32 bits")


def test_white_or_black_must_be_said(tmp_path, grey8, refused):
    path = tmp_path / "film.tif"
    Image.fromarray(grey8).save(path)
    data = bytearray(path.read_bytes())
    entry = data.index(struct.pack("<HH", 262, 3))
    data[entry : entry + 2] = struct.pack("<H", 260)
    path.write_bytes(data)
    refused(path, "whether 0 is black or white")


# --- sizes -------------------------------------------------------------------------------


def test_smallest_picture(tmp_path, grey8, write_dicom, refused):
    enough = grey8[:MIN_SIDE_PX, :MIN_SIDE_PX]
    few = grey8[: MIN_SIDE_PX - 1, :MIN_SIDE_PX]
    for name in ("film.png", "film.jpg", "film.tif"):
        path = tmp_path / name
        Image.fromarray(enough).save(path)
        assert read_radiograph(path).shape == (MIN_SIDE_PX, MIN_SIDE_PX)
        Image.fromarray(few).save(path)
        refused(path, f"{MIN_SIDE_PX - 1} x {MIN_SIDE_PX} pixels")
        Image.fromarray(grey8[:1, :1]).save(path)
        refused(path, "1 x 1 pixels")
    assert read_radiograph(write_dicom(enough)).shape == (MIN_SIDE_PX, MIN_SIDE_PX)
    refused(write_dicom(few), f"{MIN_SIDE_PX - 1} x {MIN_SIDE_PX} pixels")


SIZES = [(65535, 65535), (MAX_SIDE_PX + 1, 100), (100, MAX_SIDE_PX + 1), (8001, 8000), (0, 100)]


@pytest.mark.parametrize("size", SIZES)
def test_size_in_a_false_header(tmp_path, png_bytes, write_dicom, grey8, refused_small, size):
    rows, columns = size
    assert rows * columns > MAX_PIXELS or max(size) > MAX_SIDE_PX or min(size) == 0
    found = f"{rows} x {columns} pixels"
    path = tmp_path / "film.png"
    path.write_bytes(png_bytes(grey8, 0, size=size))
    refused_small(path, found)

    refused_small(write_dicom(grey8, Rows=rows, Columns=columns), found)

    path = tmp_path / "film.jpg"
    Image.fromarray(grey8).save(path)
    data = bytearray(path.read_bytes())
    at = data.index(b"\xff\xc0") + 5
    data[at : at + 4] = struct.pack(">HH", rows, columns)
    path.write_bytes(data)
    refused_small(path, found)

    for compression in (None, "tiff_lzw"):
        path = tmp_path / "film.tif"
        Image.fromarray(grey8).save(path, compression=compression)
        with tifffile.TiffFile(path, mode="r+") as tiff:
            tiff.pages.first.tags["ImageWidth"].overwrite(columns)
            tiff.pages.first.tags["ImageLength"].overwrite(rows)
        refused_small(path, found)


def test_a_large_header_within_the_limits_needs_its_data(
    tmp_path, png_bytes, write_dicom, grey8, refused
):
    refused(write_dicom(grey8, Rows=4000, Columns=4000), "need 16,000,000")
    path = tmp_path / "film.png"
    path.write_bytes(png_bytes(grey8, 0, size=(4000, 4000)))
    refused(path, "damaged or cut short")
    path = tmp_path / "film.tif"
    tifffile.imwrite(path, grey8)
    with tifffile.TiffFile(path, mode="r+") as tiff:
        tiff.pages.first.tags["ImageLength"].overwrite(4000)
        tiff.pages.first.tags["RowsPerStrip"].overwrite(4000)
    refused(path, "cut short")


def test_tiff_pointing_at_itself_ends(tmp_path, grey8, refused):
    path = tmp_path / "film.tif"
    tifffile.imwrite(path, grey8, metadata=None)
    with tifffile.TiffFile(path) as tiff:
        first = tiff.pages.first.offset
        link = first + 2 + 12 * len(tiff.pages.first.tags)
    data = bytearray(path.read_bytes())
    data[link : link + 4] = struct.pack("<I", first)
    path.write_bytes(data)
    refused(path, "several pages")


# --- cut short ---------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["png", "jpg", "tif", "lzw.tif"])
def test_every_cut_picture_is_refused(tmp_path, refused, kind):
    noise = np.random.default_rng(2).integers(0, 255, (60, 70), dtype=np.uint8)
    path = tmp_path / f"film.{kind}"
    Image.fromarray(noise).save(path, **({"compression": "tiff_lzw"} if "lzw" in kind else {}))
    data = path.read_bytes()
    assert read_radiograph(path).shape == (60, 70)
    for share in (0.1, 0.3, 0.5, 0.7, 0.9):
        path.write_bytes(data[: int(share * len(data))])
        refused(path, "")


def test_every_cut_dicom_is_refused(tmp_path, write_dicom, ramp, refused):
    for path in (
        write_dicom(ramp),
        write_dicom(ramp, syntax="1.2.840.10008.1.2.4.80", compress=True),
        write_dicom(ramp, syntax="1.2.840.10008.1.2.5", compress=True),
        write_dicom(ramp, syntax="1.2.840.10008.1.2.1.99"),
    ):
        data = path.read_bytes()
        assert read_radiograph(path).shape == ramp.shape
        for cut in (*np.linspace(1, len(data) - 300, 40).astype(int), len(data) - 20):
            path.write_bytes(data[:cut])
            refused(path, "")


# --- DICOM -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("attributes", "found"),
    [
        ({"Modality": "CT"}, "modality CT"),
        ({"Modality": "OT"}, "modality OT"),
        ({"Modality": "MG"}, "modality MG"),
        ({"Modality": None, "SOPClassUID": "1.2.840.10008.5.1.4.1.1.7"}, "not name its modality"),
        ({"PixelData": None}, "without pixel data"),
        ({"PixelData": b""}, "pixel data are empty"),
        ({"NumberOfFrames": 2}, "2 frames"),
        ({"NumberOfFrames": 0}, "0 frames"),
        ({"SamplesPerPixel": 3, "PhotometricInterpretation": "RGB"}, "3 samples"),
        ({"PhotometricInterpretation": "PALETTE COLOR"}, "PALETTE COLOR"),
        ({"PhotometricInterpretation": None}, "none"),
        ({"SamplesPerPixel": None}, "Samples per Pixel (0028,0002) is missing"),
        ({"Rows": None}, "Rows (0028,0010) is missing"),
        ({"Columns": None}, "Columns (0028,0011) is missing"),
        ({"BitsAllocated": None}, "Bits Allocated"),
        ({"BitsStored": None}, "Bits Stored"),
        ({"PixelRepresentation": None}, "Pixel Representation"),
        ({"BitsAllocated": 1, "BitsStored": 1, "HighBit": 0}, "1 bits stored in 1"),
        ({"BitsAllocated": 32, "BitsStored": 32, "HighBit": 31}, "32 bits stored in 32"),
        ({"BitsStored": 5, "HighBit": 4}, "5 bits stored"),
        ({"BitsStored": 17, "HighBit": 16}, "17 bits stored"),
        ({"BitsStored": 12, "HighBit": 15}, "highest bit 15"),
        ({"PixelRepresentation": 2}, "representation 2"),
        ({"Rows": 41}, "need"),
    ],
)
def test_dicom_that_is_not_one_grey_frame(write_dicom, ramp, refused, attributes, found):
    refused(write_dicom(ramp, **attributes), found)


def test_one_frame_said_and_high_bit_left_out(write_dicom, ramp):
    for attributes in ({"NumberOfFrames": 1}, {"HighBit": None}):
        film = read_radiograph(write_dicom(ramp, **attributes))
        np.testing.assert_array_equal(film.pixels, ramp)


def test_unknown_transfer_syntax(write_dicom, ramp, refused):
    path = write_dicom(ramp)
    data = path.read_bytes().replace(b"1.2.840.10008.1.2.1\0", b"1.2.840.10008.1.2.9\0", 1)
    path.write_bytes(data)
    refused(path, "not known here (1.2.840.10008.1.2.9)")


def test_deflated_data_that_grow_without_end(tmp_path, write_dicom, ramp, refused, monkeypatch):
    monkeypatch.setattr("rxmeasure.reading.dicom.MAX_FILE_BYTES", 4 * 2**20)
    path = write_dicom(ramp, syntax="1.2.840.10008.1.2.1.99")
    data = path.read_bytes()
    assert read_radiograph(path).shape == ramp.shape
    start = 132 + 12 + struct.unpack("<I", data[140:144])[0]
    packer = zlib.compressobj(wbits=-zlib.MAX_WBITS)
    packed = b"".join(packer.compress(bytes(2**20)) for _ in range(10)) + packer.flush()
    assert len(packed) < 20_000
    path.write_bytes(data[:start] + packed)
    refused(path, "unpack to more than")
    path.write_bytes(data[:start] + b"\xff" * 100)
    refused(path, "cannot be unpacked")


def _encapsulated(stream):
    from pydicom.encaps import encapsulate

    return encapsulate([stream])


def test_compressed_size_must_be_the_header_size(write_dicom, ramp, grey8, refused):
    """A small file whose inner picture claims to be huge is stopped at the inner header."""
    import pydicom

    for syntax, marker, offset in (
        ("1.2.840.10008.1.2.4.90", b"\xff\x4f\xff\x51", 8),
        ("1.2.840.10008.1.2.4.80", b"\xff\xf7", 5),
    ):
        path = write_dicom(ramp, syntax=syntax, compress=True)
        data = bytearray(path.read_bytes())
        at = data.index(marker) + offset
        width = 4 if syntax.endswith("90") else 2
        data[at : at + 2 * width] = (60000).to_bytes(width, "big") * 2
        path.write_bytes(data)
        refused(path, "compressed pixel data of 60000 x 60000 pixels")
    buffer = BytesIO()
    Image.fromarray(grey8.T).save(buffer, "JPEG")
    path = write_dicom(
        grey8, syntax="1.2.840.10008.1.2.4.50", PixelData=_encapsulated(buffer.getvalue())
    )
    refused(path, "56 x 40 pixels where the header says 40 x 56")
    path = write_dicom(
        grey8, syntax="1.2.840.10008.1.2.4.50", PixelData=_encapsulated(b"no picture at all.")
    )
    refused(path, "without a readable header")
    path = write_dicom(grey8, syntax="1.2.840.10008.1.2.5", PixelData=_encapsulated(bytes(80_000)))
    refused(path, "more than the picture has")
    dataset = pydicom.dcmread(path)
    assert dataset.Rows == 40


def test_damaged_compressed_data_are_refused(write_dicom, ramp, refused):
    for syntax in ("1.2.840.10008.1.2.4.80", "1.2.840.10008.1.2.5"):
        path = write_dicom(ramp, syntax=syntax, compress=True)
        data = bytearray(path.read_bytes())
        start = data.index(struct.pack("<HH", 0x7FE0, 0x0010))
        data[start + 120 : -100] = bytes(len(data[start + 120 : -100]))
        path.write_bytes(data)
        refused(path, "installed decoders cannot open")


def test_damage_that_crashes_the_decoder_is_only_a_refusal(write_dicom, ramp, refused):
    """The decoder for JPEG Lossless aborts its process when the Huffman table is gone."""
    gdcm = pytest.importorskip("gdcm")
    path = write_dicom(ramp, BitsStored=12)
    reader = gdcm.ImageReader()
    reader.SetFileName(str(path))
    assert reader.Read()
    change = gdcm.ImageChangeTransferSyntax()
    change.SetTransferSyntax(gdcm.TransferSyntax(gdcm.TransferSyntax.JPEGLosslessProcess14_1))
    change.SetInput(reader.GetImage())
    assert change.Change()
    writer = gdcm.ImageWriter()
    writer.SetFileName(str(path))
    writer.SetFile(reader.GetFile())
    writer.SetImage(change.GetOutput())
    assert writer.Write()
    film = read_radiograph(path)
    assert "JPEG Lossless first-order" in film.source.transfer_syntax
    assert not film.source.lossy
    np.testing.assert_array_equal(film.pixels, ramp)
    data = bytearray(path.read_bytes())
    frame = data.index(b"\xff\xd8\xff\xc3")
    data[data.index(b"\xff\xc4", frame) + 1] = 0
    path.write_bytes(data)
    refused(path, "installed decoders cannot open")
    data[frame + 6] = 255
    path.write_bytes(data)
    refused(path, "1 components and 255 bits")


def test_missing_decoder_names_the_extra(write_dicom, ramp):
    path = write_dicom(ramp, syntax="1.2.840.10008.1.2.4.80", compress=True)
    program = (
        "import sys\n"
        "for name in ('jpeg_ls', 'pylibjpeg', 'gdcm', 'openjpeg', 'libjpeg', 'rle'):\n"
        "    sys.modules[name] = None\n"
        "from rxmeasure.errors import ImageReadError\n"
        "from rxmeasure.reading import read_radiograph\n"
        "try:\n"
        "    read_radiograph(sys.argv[1])\n"
        "except ImageReadError as error:\n"
        "    sys.stdout.write(str(error))\n"
    )
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", program, str(path)],
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    assert "JPEG-LS Lossless" in done.stdout
    assert "'rxmeasure[dicom]'" in done.stdout
    assert done.stderr == ""
