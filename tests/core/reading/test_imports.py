"""Reading one kind of file does not load the libraries of the others."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest
import tifffile
from PIL import Image

HEAVY = ["PIL", "pydicom", "tifffile", "skimage", "scipy", "matplotlib"]


def loaded_after(code: str, *arguments: str) -> set[str]:
    program = (
        f"import sys\n{code}\n"
        f"sys.stdout.write(' '.join(m for m in {HEAVY + ['rxmeasure.reading.raster']} "
        "if m in sys.modules))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, *arguments],
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    return set(done.stdout.split())


READ = "from rxmeasure.reading import read_radiograph; read_radiograph(sys.argv[1])"


def test_the_package_alone_is_light():
    assert loaded_after("import rxmeasure.reading") == set()


@pytest.mark.parametrize(
    ("name", "needed"),
    [
        ("film.png", {"PIL", "rxmeasure.reading.raster"}),
        ("film.jpg", {"PIL", "rxmeasure.reading.raster"}),
        ("film.tif", {"tifffile", "rxmeasure.reading.raster"}),
    ],
)
def test_pictures_load_no_dicom(tmp_path, name, needed):
    pixels = np.arange(900, dtype=np.uint8).reshape(30, 30)
    path = tmp_path / name
    if name.endswith("tif"):
        tifffile.imwrite(path, pixels)
    else:
        Image.fromarray(pixels).save(path)
    assert loaded_after(READ, str(path)) == needed


def test_dicom_loads_no_picture_reader(write_dicom, ramp):
    # pydicom itself imports Pillow for its decoders; nothing else comes with it.
    assert loaded_after(READ, str(write_dicom(ramp))) <= {"pydicom", "PIL"}
