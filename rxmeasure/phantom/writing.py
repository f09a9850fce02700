"""Phantoms as image files with a truth file beside them."""

from __future__ import annotations

import hashlib
import json
import re
from importlib.resources import files
from pathlib import Path
from typing import Any

import cattrs
import numpy as np
from numpy.typing import NDArray

from rxmeasure.phantom.make import Phantom, make_phantom
from rxmeasure.phantom.parameters import PhantomError, PhantomParameters
from rxmeasure.phantom.sampling import random_parameters
from rxmeasure.phantom.specimen import SpecimenFilm, SpecimenTruth
from rxmeasure.phantom.truth import PhantomTruth

SUFFIXES = {"png": ".png", "tiff": ".tif", "jpeg": ".jpg", "dicom": ".dcm"}

#: Invented time of every phantom's exposure.
_DATE, _TIME = "20240229", "101500"


def truth_to_json(truth: PhantomTruth | SpecimenTruth) -> str:
    """Truth as JSON text."""
    text = json.dumps(cattrs.unstructure(truth), indent=1, ensure_ascii=False)
    # Points and rows of numbers stay on one line each.
    text = re.sub(r"\[\s+([-+.,\deE\s]+?)\s+\]", lambda m: f"[{' '.join(m[1].split())}]", text)
    return text + "\n"


def truth_from_json(text: str) -> PhantomTruth:
    """Inverse of `truth_to_json`."""
    return cattrs.structure(json.loads(text), PhantomTruth)


def write_phantom(
    phantom: Phantom | SpecimenFilm,
    folder: Path,
    name: str,
    *,
    format: str = "png",  # noqa: A002
    quality: int = 90,
    orientation: int = 1,
) -> Path:
    """Write ``NAME.png`` (or .tif, .jpg, .dcm) and ``NAME.truth.json``.

    Parameters
    ----------
    phantom : Phantom or SpecimenFilm
    folder : Path
        Made when absent.
    name : str
        File name without suffix.
    format : str
        ``"png"`` and ``"tiff"``: 16 bit, the grey range stretched to it. ``"jpeg"``: 8 bit.
        ``"dicom"``: Digital Intra-Oral X-Ray Image Storage - For Presentation, with Imager
        Pixel Spacing (detector plane) and the magnification factor; of a phantom only.
    quality : int
        Of JPEG.
    orientation : int
        EXIF orientation of JPEG, 1 or 3: with 3 the stored picture stands on its head.

    Returns
    -------
    Path
        The image file.
    """
    if format not in SUFFIXES or orientation not in (1, 3):
        raise PhantomError(
            found=f"format '{format}', orientation {orientation}.",
            needed=f"one of {', '.join(SUFFIXES)} and orientation 1 or 3.",
            next_step="Correct the arguments.",
        )
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / (name + SUFFIXES[format])
    full = 2**phantom.parameters.imaging.bits - 1
    if format == "dicom":
        if isinstance(phantom, SpecimenFilm):
            raise PhantomError(
                found="a film of specimens as DICOM.",
                needed="a tooth, which an intra-oral DICOM image names.",
                next_step="Write it as PNG, TIFF or JPEG.",
            )
        _write_dicom(phantom, path, name)
    elif format == "jpeg":
        _write_jpeg(
            np.rint(phantom.pixels * (255.0 / full)).astype(np.uint8), path, quality, orientation
        )
    else:
        stretched = np.rint(phantom.pixels * (65535.0 / full)).astype(np.uint16)
        _write_16_bit(stretched, path, format)
    (folder / f"{name}.truth.json").write_text(truth_to_json(phantom.truth), encoding="utf-8")
    return path


def _write_16_bit(pixels: NDArray[np.uint16], path: Path, kind: str) -> None:
    from PIL import Image

    image = Image.fromarray(pixels)
    if kind == "png":
        image.save(path, compress_level=6)
    else:
        image.save(path, compression="tiff_adobe_deflate")


def _write_jpeg(pixels: NDArray[np.uint8], path: Path, quality: int, orientation: int) -> None:
    from PIL import Image

    if orientation == 3:
        pixels = pixels[::-1, ::-1]
    image = Image.fromarray(np.ascontiguousarray(pixels))
    exif = Image.Exif()
    exif[0x0112] = orientation
    image.save(path, quality=quality, exif=exif)


def _tooth_code(number: str) -> Any:
    """SNOMED CT code of a permanent tooth, from context group 4018 of DICOM PS3.16."""
    from pydicom.sr.codedict import codes

    position = ("central incisor", "lateral", "canine", "first premolar", "second premolar",
                "first molar", "second molar", "third molar")[int(number[1]) - 1]  # fmt: skip
    jaw = "maxillary" if number[0] in "12" else "mandibular"
    side = "right" if number[0] in "14" else "left"
    for entry in codes.cid4018.dir():
        code = getattr(codes.cid4018, entry)
        meaning = code.meaning.lower()
        if f"{jaw} {side} {position}" in meaning:
            return code
    raise PhantomError(
        found=f"tooth '{number}'.",
        needed="the FDI number of a permanent tooth.",
        next_step="Correct the number.",
    )


def _write_dicom(phantom: Phantom, path: Path, name: str) -> None:
    from pydicom.dataset import Dataset, FileMetaDataset
    from pydicom.sr.codedict import codes
    from pydicom.uid import (
        DigitalIntraOralXRayImageStorageForPresentation,
        ExplicitVRLittleEndian,
        generate_uid,
    )

    def item(code: Any) -> Dataset:
        d = Dataset()
        d.CodeValue, d.CodingSchemeDesignator = code.value, code.scheme_designator
        d.CodeMeaning = code.meaning
        return d

    def uid(role: str) -> Any:
        return generate_uid(entropy_srcs=["rxmeasure phantom", name, str(p.seed), role])

    p, imaging = phantom.parameters, phantom.parameters.imaging
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = DigitalIntraOralXRayImageStorageForPresentation
    meta.MediaStorageSOPInstanceUID = uid("instance")
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    ds = Dataset()
    ds.file_meta = meta
    ds.SpecificCharacterSet = "ISO_IR 192"
    ds.SOPClassUID = meta.MediaStorageSOPClassUID
    ds.SOPInstanceUID = meta.MediaStorageSOPInstanceUID
    ds.StudyInstanceUID, ds.SeriesInstanceUID = uid("study"), uid("series")
    ds.PatientName, ds.PatientID = "Phantom^Sample", f"PHANTOM-{p.seed}"
    ds.PatientBirthDate, ds.PatientSex = "", "O"
    ds.InstitutionName = "The sample teaching clinic"
    ds.StudyID, ds.AccessionNumber, ds.ReferringPhysicianName = "1", "", ""
    ds.StudyDate = ds.SeriesDate = ds.AcquisitionDate = ds.ContentDate = _DATE
    ds.StudyTime = ds.SeriesTime = ds.AcquisitionTime = ds.ContentTime = _TIME
    ds.Modality, ds.SeriesNumber, ds.InstanceNumber = "IO", 1, 1
    ds.PresentationIntentType = "FOR PRESENTATION"
    ds.Manufacturer, ds.ManufacturerModelName = "none", "synthetic phantom"
    ds.DeviceSerialNumber, ds.SoftwareVersions = "0", "0"
    ds.ImageType = ["ORIGINAL", "PRIMARY"]
    ds.SamplesPerPixel = 1
    ds.PhotometricInterpretation = "MONOCHROME1" if imaging.inverted else "MONOCHROME2"
    ds.PresentationLUTShape = "INVERSE" if imaging.inverted else "IDENTITY"
    ds.Rows, ds.Columns = phantom.pixels.shape
    ds.BitsAllocated, ds.BitsStored, ds.HighBit = 16, imaging.bits, imaging.bits - 1
    ds.PixelRepresentation = 0
    ds.PixelIntensityRelationship = "LOG" if imaging.response == "log" else "LIN"
    ds.PixelIntensityRelationshipSign = 1 if imaging.inverted else -1
    ds.RescaleIntercept, ds.RescaleSlope, ds.RescaleType = 0, 1, "US"
    ds.LossyImageCompression, ds.BurnedInAnnotation = "00", "NO"
    ds.WindowCenter, ds.WindowWidth = 2 ** (imaging.bits - 1), 2**imaging.bits
    ds.PatientOrientation = ["P", "F"]
    ds.DetectorType, ds.DetectorConfiguration = "SCINTILLATOR", "AREA"
    ds.DetectorActiveShape = "RECTANGLE"
    ds.ImagerPixelSpacing = [p.pitch_mm, p.pitch_mm]
    ds.EstimatedRadiographicMagnificationFactor = round(p.magnification, 4)
    ds.PositionerType, ds.ImageLaterality = "NONE", "R" if p.tooth_number[0] in "14" else "L"
    ds.AnatomicRegionSequence = [item(codes.SCT.JawRegion)]
    ds.PrimaryAnatomicStructureSequence = [item(_tooth_code(p.tooth_number))]
    ds.AcquisitionContextSequence = []
    ds.KVP = imaging.tube_kv
    ds.PixelData = phantom.pixels.astype("<u2").tobytes()
    ds["PixelData"].VR = "OW"
    ds.save_as(path, enforce_file_format=True)


def _code_digest() -> str:
    """Digest of the phantom's own code and tables, so that a cache never outlives them."""
    digest = hashlib.sha256()
    for entry in sorted(files("rxmeasure.phantom").iterdir(), key=lambda e: e.name):
        if entry.name.endswith((".py", ".csv")):
            digest.update(entry.read_bytes())
    return digest.hexdigest()


def cached_phantom(
    seed: int, folder: Path, *, parameters: PhantomParameters | None = None, **options: Any
) -> tuple[Path, PhantomTruth]:
    """Image file and truth of a phantom, made once and kept in a folder.

    Parameters
    ----------
    seed : int
        For `random_parameters`; unused with ``parameters``.
    folder : Path
    parameters : PhantomParameters, optional
        A phantom of known parameters instead of a random one.
    **options
        Further arguments of `random_parameters`.

    Returns
    -------
    image : Path
        A 16-bit PNG file.
    truth : PhantomTruth
    """
    p = parameters or random_parameters(seed, **options)
    key = hashlib.sha256((repr(p) + _code_digest()).encode()).hexdigest()[:16]
    name = f"phantom-{p.seed}-{key}"
    image, truth = folder / f"{name}.png", folder / f"{name}.truth.json"
    if truth.exists() and image.exists():
        return image, truth_from_json(truth.read_text(encoding="utf-8"))
    phantom = make_phantom(p)
    return write_phantom(phantom, folder, name), phantom.truth
