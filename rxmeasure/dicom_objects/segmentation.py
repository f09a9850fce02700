"""Voids, sealer beyond canals and lesions as masks (Segmentation, PS3.3, A.51)."""

from __future__ import annotations

from typing import Any

import highdicom as hd
import numpy as np
from highdicom import seg
from numpy.typing import NDArray
from pydicom.sr.codedict import codes as dicom_codes

from rxmeasure import __version__
from rxmeasure.dicom_objects import codes
from rxmeasure.dicom_objects.quantities import Region
from rxmeasure.dicom_objects.region_kinds import REGION_KINDS
from rxmeasure.dicom_objects.reviewed_image import ReviewedImage


def segmentation(image: ReviewedImage) -> Any | None:
    """Return one segment for each patch, on the pixels of the image; None without a patch."""
    regions = image.regions
    if not regions:
        return None
    masks = np.stack([mask_of(region, image.radiograph.shape) for region in regions], axis=-1)
    pitch = image.pitch_mm
    made = seg.Segmentation(
        source_images=[image.header],
        pixel_array=masks[None].astype(np.uint8),
        segmentation_type=seg.SegmentationTypeValues.BINARY,
        segment_descriptions=[
            _description(image, region, number) for number, region in enumerate(regions, start=1)
        ],
        content_label="ROOT_CANAL",
        content_description="Voids, sealer beyond canals, lesions",
        pixel_measures=None
        if pitch is None
        else hd.PixelMeasuresSequence(pixel_spacing=pitch, slice_thickness=None),
        **image.identity("segmentation"),
    )
    # PS3.3, C.7.6.1: required (may be empty) without a frame of reference.
    made.PatientOrientation = image.header.PatientOrientation
    _share_what_all_frames_have(made)
    _settle_dimensions(made, image)
    return image.finished(made)


def mask_of(region: Region, shape: tuple[int, int]) -> NDArray[np.bool_]:
    """Pixels whose centre lies inside the outline; at least the one at the middle."""
    from skimage.draw import polygon2mask

    mask: NDArray[np.bool_] = np.asarray(polygon2mask(shape, np.asarray(region.outline_px)))
    if not mask.any():
        row, col = (
            int(np.clip(round(v), 0, n - 1)) for v, n in zip(region.centre_px, shape, strict=True)
        )
        mask[row, col] = True
    return mask


def _description(image: ReviewedImage, region: Region, number: int) -> Any:
    meaning, category = REGION_KINDS[region.kind]
    tooth = codes.tooth_code(image.review.marks.tooth)
    return seg.SegmentDescription(
        segment_number=number,
        segment_label=codes.short_text(region.name),
        segmented_property_category=category,
        segmented_property_type=codes.own_code(region.kind, meaning),
        algorithm_type=seg.SegmentAlgorithmTypeValues.SEMIAUTOMATIC,
        algorithm_identification=hd.AlgorithmIdentificationSequence(
            name="rxmeasure", version=__version__, family=dicom_codes.DCM.MorphologicalOperations
        ),
        tracking_uid=image.tracking_uid(region.name),
        tracking_id=codes.short_text(region.name),
        primary_anatomic_structures=None if tooth is None else [tooth],
    )


def _share_what_all_frames_have(made: Any) -> None:
    """Without a scale nothing else is shared, and the shared item may not be empty."""
    shared = made.SharedFunctionalGroupsSequence[0]
    for frame in made.PerFrameFunctionalGroupsSequence:
        if "DerivationImageSequence" in frame:
            shared.DerivationImageSequence = frame.pop("DerivationImageSequence").value


def _settle_dimensions(made: Any, image: ReviewedImage) -> None:
    """Identifier of the dimensions that equal reviews have in common."""
    uid = image.tracking_uid("dimensions of the segmentation")
    for item in (*made.DimensionOrganizationSequence, *made.DimensionIndexSequence):
        item.DimensionOrganizationUID = uid
