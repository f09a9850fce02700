"""Sample films for napari's menu: synthetic films of known truth, each with its marks. No Qt.

A checkout has them in ``sample_images``; elsewhere the same films are made anew
from their seeds. Either way they lie in a folder that goes when the program
ends, so that a review of a sample leaves nothing behind.
"""

from __future__ import annotations

import atexit
import shutil
import tempfile
from functools import cache
from pathlib import Path

from rxmeasure.errors import WriteError
from rxmeasure.phantom.samples import CASES, make_case
from rxmeasure_napari.layer_edge import LayerData
from rxmeasure_napari.reader import read_films

_CHECKOUT_FOLDER = Path(__file__).resolve().parents[2] / "sample_images"


def adequate_premolar() -> list[LayerData]:
    """Lower premolar, adequate fill, a file beside the tooth."""
    return _open("adequate_premolar")


def short_incisor() -> list[LayerData]:
    """Upper incisor, short fill; a DICOM file with the detector's spacing."""
    return _open("short_incisor")


def overfilled_with_puff() -> list[LayerData]:
    """Lower premolar, core beyond the apex, sealer puff."""
    return _open("overfilled_with_puff")


def voids_canine() -> list[LayerData]:
    """Upper canine with three voids in its fill."""
    return _open("voids_canine")


def two_canals_premolar() -> list[LayerData]:
    """Upper premolar with two canals, a wire of known length beside the tooth."""
    return _open("two_canals_premolar")


def curved_molar() -> list[LayerData]:
    """Lower molar with curved canals and nothing that gives a scale."""
    return _open("curved_molar")


def working_length_premolar() -> list[LayerData]:
    """Lower premolar with a file in its canal."""
    return _open("working_length_premolar")


def _open(name: str) -> list[LayerData]:
    try:
        image = sample_film(name)
    except OSError as error:
        raise WriteError(
            found=f"the sample film cannot be written: {error.strerror}.",
            needed="room for temporary files.",
            next_step="Free some space, then try again.",
        ) from error
    return read_films(image)


@cache
def sample_film(name: str) -> Path:
    """Image file of a sample, with its marks and its truth beside it; one of each process."""
    found = sorted(_CHECKOUT_FOLDER.glob(f"{name}.*"))
    if not found:
        return make_case(CASES[name], _folder())
    copies = [Path(shutil.copy(p, _folder())) for p in found]
    return next(p for p in copies if p.suffix not in (".toml", ".json"))


@cache
def _folder() -> Path:
    folder = Path(tempfile.mkdtemp(prefix="rxmeasure-samples-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return folder
