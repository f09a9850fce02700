"""Real files: each is copied as the same picture, or refused with a reason; none crashes."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path

import pydicom.data
import pytest

from rxmeasure.deidentify.copies import copy_of
from rxmeasure.deidentify.gate import Decision
from rxmeasure.deidentify.key import Key
from rxmeasure.errors import DeidentificationError, ImageReadError
from rxmeasure.reading.radiograph_file import read_file

KEY = Key(secret=b"collections")
OTHER = "class that is not on the list"

#: What becomes of the shared films that open as radiographs; all others are refused when opened.
EXPECTED = {
    "mit_redistributor/RG1_J2KI.dcm": Decision.LOOK,
    "mit_redistributor/RG3_J2KI.dcm": Decision.LOOK,
    "mit_redistributor/RG3_J2KR.dcm": Decision.LOOK,
    "mit_redistributor/RG2_JLSN.dcm": Decision.LOOK,
    "mit_redistributor/RG2_JLSL.dcm": Decision.LOOK,
    "mit_redistributor/highdicom_dx_image.dcm": Decision.RELEASE,
    "mit_redistributor/pydicom_CR1_6154_mono1_16x16.dcm": Decision.LOOK,
    "mit_redistributor/pydicom_CR2_6247_mono1_16x16.dcm": Decision.LOOK,
    "mit_redistributor/pydicom_CR3_6278_mono1_16x16.dcm": Decision.LOOK,
    "mspl/CR_ModalityLUTSequence_mono1_jpegll.dcm": Decision.LOOK,
}


def outcome(path: Path) -> object:
    try:
        return copy_of(read_file(path), KEY).gate.decision
    except DeidentificationError as refusal:
        return refusal.found
    except ImageReadError:
        return "not opened"


def test_every_shared_film(shared_folder):
    folder = shared_folder / "dicom"
    found = {p.relative_to(folder).as_posix(): outcome(p) for p in folder.rglob("*.dcm")}
    assert {name: what for name, what in found.items() if what != "not opened"} == EXPECTED


def test_every_file_of_pydicom():
    folders = [Path(pydicom.data.__file__).parent]
    try:
        import data_store
    except ImportError:
        pass
    else:
        folders.append(Path(data_store.__file__).parent / "data")
    paths = sorted(p for folder in folders for p in folder.rglob("*") if p.is_file())
    assert len(paths) > 150
    found = {path.name: outcome(path) for path in paths}
    copied = {name for name, what in found.items() if isinstance(what, Decision)}
    assert copied >= {"6154", "6247", "6278"}
    assert all(name in {"6154", "6247", "6278"} or name.startswith("RG") for name in copied)


@pytest.mark.parametrize("name", ["RG1_J2KI.dcm", "RG2_JLSN.dcm"])
def test_lossy_films_stay_called_lossy(shared_folder, name):
    copy = copy_of(read_file(shared_folder / "dicom/mit_redistributor" / name), KEY)
    assert pydicom.dcmread(BytesIO(copy.data)).LossyImageCompression == "01"
