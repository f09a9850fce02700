from __future__ import annotations

import struct
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rxmeasure.errors import ImageReadError
from rxmeasure.reading import read_radiograph

EXPLICIT = "1.2.840.10008.1.2.1"


@pytest.fixture(scope="session")
def shared_folder() -> Path:
    folder = Path(__file__).resolve().parents[3].parent / "shared"
    if not folder.is_dir():
        pytest.skip("the folder of shared films does not lie beside the checkout")
    return folder


@pytest.fixture
def ramp() -> np.ndarray:
    """12-bit picture without any symmetry, 40 x 56, not reaching either end of its range."""
    rows, cols = np.mgrid[:40, :56]
    return (100 + 61 * rows + 23 * cols + (rows * cols) % 7).astype(np.uint16)


@pytest.fixture
def write_dicom(tmp_path: Path) -> Callable[..., Path]:
    """Write an intra-oral image. Keywords are DICOM keywords; None leaves one out.

    ``raw``: keyword to bytes, written as they are, valid or not.
    """
    import pydicom
    from pydicom.datadict import dictionary_VR, tag_for_keyword
    from pydicom.dataelem import RawDataElement
    from pydicom.dataset import Dataset, FileMetaDataset
    from pydicom.tag import Tag

    count = 0

    def write(
        stored: np.ndarray,
        *,
        syntax: str = EXPLICIT,
        compress: bool = False,
        raw: dict[str, bytes] | None = None,
        **attributes: Any,
    ) -> Path:
        nonlocal count
        count += 1
        dataset = Dataset()
        dataset.file_meta = FileMetaDataset()
        dataset.file_meta.TransferSyntaxUID = EXPLICIT if compress else syntax
        dataset.file_meta.MediaStorageSOPClassUID = "1.2.840.10008.5.1.4.1.1.1.3"
        dataset.file_meta.MediaStorageSOPInstanceUID = f"1.2.826.0.1.3680043.8.498.{count}"
        bits = 8 * stored.dtype.itemsize
        byte_order = ">" if syntax == "1.2.840.10008.1.2.2" else "<"
        defaults = {
            "SOPClassUID": "1.2.840.10008.5.1.4.1.1.1.3",
            "SOPInstanceUID": dataset.file_meta.MediaStorageSOPInstanceUID,
            "Modality": "IO",
            "PresentationIntentType": "FOR PRESENTATION",
            "SamplesPerPixel": 1,
            "PhotometricInterpretation": "MONOCHROME2",
            "Rows": stored.shape[0],
            "Columns": stored.shape[1],
            "BitsAllocated": bits,
            "BitsStored": bits,
            "HighBit": (attributes.get("BitsStored") or bits) - 1,
            "PixelRepresentation": int(stored.dtype.kind == "i"),
            "PixelData": stored.astype(stored.dtype.newbyteorder(byte_order)).tobytes(),
        }
        for keyword, value in {**defaults, **attributes}.items():
            if value is not None:
                setattr(dataset, keyword, value)
        if "PixelData" in dataset:
            dataset["PixelData"].VR = "OW" if bits > 8 else "OB"
        if compress:
            dataset.compress(syntax, generate_instance_uid=False)
        for keyword, value in (raw or {}).items():
            tag = Tag(tag_for_keyword(keyword))
            dataset[tag] = RawDataElement(
                tag, dictionary_VR(tag), len(value), value, 0, False, True
            )
        path = tmp_path / f"film{count}.dcm"
        pydicom.dcmwrite(path, dataset, enforce_file_format=True)
        return path

    return write


@pytest.fixture
def refused() -> Callable[..., ImageReadError]:
    """Assert that a file is refused with a full message, and return the error."""

    def check(path: Path, found: str) -> ImageReadError:
        with pytest.raises(ImageReadError) as caught:
            read_radiograph(path)
        error = caught.value
        assert found in error.found
        for part in (error.found, error.needed, error.next_step):
            assert part.endswith(".")
        assert str(error) == f"Found: {error.found} Needed: {error.needed} Next: {error.next_step}"
        return error

    return check


@pytest.fixture(scope="session")
def png_bytes() -> Callable[..., bytes]:
    """Encode PNG by hand: what Pillow cannot write (16-bit colour), and false headers."""

    def encode(samples: np.ndarray, colour: int, *, size: tuple[int, int] | None = None) -> bytes:
        rows, columns = samples.shape[:2]
        lines = samples.astype(samples.dtype.newbyteorder(">")).reshape(rows, -1).view(np.uint8)
        step = samples.dtype.itemsize * (samples.shape[2] if samples.ndim == 3 else 1)
        left = np.zeros_like(lines)
        left[:, step:] = lines[:, :-step]
        # Filter 1 (Sub) on each line: the byte of the pixel to the left is taken off.
        filtered = np.column_stack([np.ones(rows, np.uint8), lines - left])

        def chunk(name: bytes, body: bytes) -> bytes:
            check = struct.pack(">I", zlib.crc32(name + body))
            return struct.pack(">I", len(body)) + name + body + check

        height, width = size or (rows, columns)
        header = struct.pack(">IIBBBBB", width, height, 8 * samples.dtype.itemsize, colour, 0, 0, 0)
        return (
            b"\x89PNG\r\n\x1a\n"
            + chunk(b"IHDR", header)
            + chunk(b"IDAT", zlib.compress(filtered.tobytes()))
            + chunk(b"IEND", b"")
        )

    return encode
