"""Presentation state, segmentation and calibrated copy."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from dicom_films import (
    DICOM,
    PICTURE,
    SAMPLES,
    as_monochrome1,
    dataset,
    lesion_on,
    marks_of,
    review_of,
    review_with_a_line,
    review_without_scale,
    said_by,
    spoiled_film,
)
from PIL import Image

from rxmeasure.dicom_objects.writing import DicomObject
from rxmeasure.reading import read_radiograph
from rxmeasure.report.picture import grey_for_the_eye
from rxmeasure.review import Review, review_film

PRESENTATION, MASKS = DicomObject.PRESENTATION, DicomObject.SEGMENTATION


def shown(image: Any, state: Any) -> np.ndarray:
    """What a viewer shows, 0 to 255: modality, window, presentation LUT (PS3.4, N.2)."""
    values = image.pixel_array * float(state.get("RescaleSlope", 1)) + float(
        state.get("RescaleIntercept", 0)
    )
    window = state.SoftcopyVOILUTSequence[0]
    centre, width = float(window.WindowCenter), float(window.WindowWidth)
    # PS3.3, C.11.2.1.2.1.
    grey = np.clip((values - (centre - 0.5)) / (width - 1.0) + 0.5, 0.0, 1.0)
    return 255.0 * (1.0 - grey if state.PresentationLUTShape == "INVERSE" else grey)


@pytest.fixture
def mono1(tmp_path: Path) -> tuple[Path, Review]:
    path = spoiled_film(tmp_path, as_monochrome1)
    return path, review_film(read_radiograph(path), marks_of(DICOM))


def test_radiopaque_is_shown_bright_for_monochrome1_too(
    write: Callable[..., Any], mono1: tuple[Path, Review]
) -> None:
    path, review = mono1
    state = dataset(write(image=path, review=review)[PRESENTATION])
    assert state.PresentationLUTShape == "INVERSE"
    plain = dataset(write(DICOM)[PRESENTATION])
    assert plain.PresentationLUTShape == "IDENTITY"
    here, there = shown(dataset(path), state), shown(dataset(SAMPLES / DICOM), plain)
    assert np.abs(here - there).max() < 1.0
    assert np.abs(there - grey_for_the_eye(read_radiograph(SAMPLES / DICOM))).max() <= 1.0


def test_dcmtk_renders_monochrome1_as_the_report_shows_it(
    write: Callable[..., Any], mono1: tuple[Path, Review], tmp_path: Path
) -> None:
    path, review = mono1
    state = write(image=path, review=review)[PRESENTATION]
    out = tmp_path / "shown.pgm"
    done = said_by("dcmp2pgm", "-p", state, path, out)
    assert done.returncode == 0, done.stderr
    rendered = np.asarray(Image.open(out)).astype(float)
    wanted = grey_for_the_eye(read_radiograph(path)).astype(float)
    assert rendered.shape == wanted.shape
    # Lines are drawn over the picture; bone and background are not.
    assert np.median(np.abs(rendered - wanted)) <= 2.0


def test_a_film_turned_by_the_user_is_turned_in_the_presentation(write: Callable[..., Any]) -> None:
    turned = read_radiograph(SAMPLES / PICTURE, invert=True)
    review = review_film(turned, marks_of(PICTURE))
    written = write(review=review)
    state, capture = dataset(written[PRESENTATION]), dataset(written[DicomObject.CAPTURE])
    assert state.PresentationLUTShape == "INVERSE"
    assert np.abs(shown(capture, state) - grey_for_the_eye(turned)).max() <= 1.0


def lines_on(state: Any, layer: str) -> list[np.ndarray]:
    return [
        np.asarray(graphic.GraphicData).reshape(-1, 2)
        for annotation in state.GraphicAnnotationSequence
        if annotation.GraphicLayer == layer
        for graphic in annotation.get("GraphicObjectSequence", ())
    ]


def test_lines_lie_half_a_pixel_from_the_programs_points(write: Callable[..., Any]) -> None:
    canal = review_of(PICTURE).canals[0]
    state = dataset(write()[PRESENTATION])
    (line,) = lines_on(state, "CENTRE_LINE")
    wanted = np.asarray(canal.centre_line.points_px)[:, ::-1] + 0.5
    assert np.allclose(line, wanted, rtol=0, atol=1e-4)
    assert len(lines_on(state, "VOIDS")) == len(canal.gaps) > 1
    assert len(lines_on(state, "EDGES")) == 2
    assert len(lines_on(state, "SCALE")) == 1


def test_every_layer_is_declared_with_a_colour(write: Callable[..., Any]) -> None:
    state = dataset(write(lesions=(lesion_on(PICTURE),))[PRESENTATION])
    declared = {layer.GraphicLayer: layer for layer in state.GraphicLayerSequence}
    used = {annotation.GraphicLayer for annotation in state.GraphicAnnotationSequence}
    assert used == set(declared)
    assert {"LESION", "VOIDS", "NAMES"} <= used
    assert all("GraphicLayerRecommendedDisplayCIELabValue" in v for v in declared.values())


def test_pixels_keep_their_shape_on_the_screen(write: Callable[..., Any], tmp_path: Path) -> None:
    def unequal(image: Any) -> None:
        del image.ImagerPixelSpacing, image.EstimatedRadiographicMagnificationFactor
        image.PixelAspectRatio = [5, 4]

    path = spoiled_film(tmp_path, unequal)
    review = review_film(read_radiograph(path), marks_of(DICOM))
    (area,) = dataset(write(image=path, review=review)[PRESENTATION]).DisplayedAreaSelectionSequence
    vertical, horizontal = area.PresentationPixelAspectRatio
    assert vertical / horizontal == pytest.approx(1.25)
    assert "PresentationPixelSpacing" not in area


def test_a_scale_stands_in_drawings_and_masks(write: Callable[..., Any]) -> None:
    calibration = review_of(PICTURE).calibration
    assert calibration is not None
    pitch = [calibration.row_mm, calibration.col_mm]
    written = write()
    (area,) = dataset(written[PRESENTATION]).DisplayedAreaSelectionSequence
    assert [float(v) for v in area.PresentationPixelSpacing] == pytest.approx(pitch, rel=1e-9)
    (shared,) = dataset(written[MASKS]).SharedFunctionalGroupsSequence
    spacing = shared.PixelMeasuresSequence[0].PixelSpacing
    assert [float(v) for v in spacing] == pytest.approx(pitch, rel=1e-9)


def test_without_a_scale_no_object_has_one(write: Callable[..., Any]) -> None:
    written = write(review=review_without_scale())
    assert DicomObject.CALIBRATED not in written
    assert MASKS in written
    for path in written.values():
        spacings = [e.keyword for e in dataset(path).iterall() if "Spacing" in e.keyword]
        assert spacings == []


def test_masks_are_the_outlines_and_come_back_identical(write: Callable[..., Any]) -> None:
    from skimage.draw import polygon2mask

    review, lesion = review_of(PICTURE), lesion_on(PICTURE)
    made = dataset(write(lesions=(lesion,))[MASKS])
    outlines = [g.outline_px for g in review.canals[0].gaps] + [lesion.outline_px]
    frames = made.pixel_array.astype(bool)
    assert frames.shape == (len(outlines), *read_radiograph(SAMPLES / PICTURE).shape)
    for frame, outline in zip(frames, outlines, strict=True):
        assert np.array_equal(frame, polygon2mask(frame.shape, np.asarray(outline)))
        assert frame.any()
    types = [s.SegmentedPropertyTypeCodeSequence[0].CodeValue for s in made.SegmentSequence]
    assert types == ["void"] * (len(outlines) - 1) + ["lesion"]


def test_area_of_a_mask_is_the_area_that_is_stated(write: Callable[..., Any]) -> None:
    """The whole chain of scale and pixels, through what a viewer sees."""
    lesion = lesion_on(PICTURE)
    made = dataset(write(lesions=(lesion,))[MASKS])
    (shared,) = made.SharedFunctionalGroupsSequence
    row_mm, col_mm = (float(v) for v in shared.PixelMeasuresSequence[0].PixelSpacing)
    assert lesion.size is not None
    assert made.pixel_array[-1].sum() * row_mm * col_mm == pytest.approx(
        lesion.size.area.value_mm2, rel=0.01
    )


def test_a_film_without_a_patch_has_no_segmentation(write: Callable[..., Any]) -> None:
    assert review_of(DICOM).canals[0].gaps == ()
    assert MASKS not in write(DICOM)


def test_patches_are_tracked_alike_in_report_drawing_and_masks(write: Callable[..., Any]) -> None:
    from rxmeasure.dicom_objects.report_reading import read_report

    written = write()
    groups = read_report(written[DicomObject.REPORT]).groups
    in_report = {g.tracking_uid for g in groups if "void" in g.tracking_id}
    in_masks = {s.TrackingUID for s in dataset(written[MASKS]).SegmentSequence}
    in_drawing = {
        graphic.get("TrackingUID")
        for annotation in dataset(written[PRESENTATION]).GraphicAnnotationSequence
        for graphic in annotation.get("GraphicObjectSequence", ())
    }
    assert len(in_report) > 1
    assert in_masks == in_report <= in_drawing


def test_the_calibrated_copy_is_read_with_the_scale_of_the_review(
    write: Callable[..., Any],
) -> None:
    calibration = review_of(PICTURE).calibration
    assert calibration is not None
    written = write()
    copy, capture = (dataset(written[k]) for k in (DicomObject.CALIBRATED, DicomObject.CAPTURE))
    assert copy.PixelData == capture.PixelData
    assert copy.PixelSpacingCalibrationType == "FIDUCIAL"
    assert copy.ImageType[0] == "DERIVED"
    (source,) = copy.SourceImageSequence
    assert source.ReferencedSOPInstanceUID == capture.SOPInstanceUID != copy.SOPInstanceUID
    spacing = read_radiograph(written[DicomObject.CALIBRATED]).spacing
    assert spacing is not None
    assert spacing.plane == "patient"
    assert spacing.calibration_type == "FIDUCIAL"
    assert (spacing.row_mm, spacing.col_mm) == pytest.approx(
        (calibration.row_mm, calibration.col_mm), rel=1e-9
    )


def test_the_calibrated_copy_of_a_dicom_image_keeps_all_else(write: Callable[..., Any]) -> None:
    copy = dataset(write(DICOM, review_with_a_line())[DicomObject.CALIBRATED])
    original = dataset(SAMPLES / DICOM)
    assert [float(v) for v in copy.PixelSpacing] == pytest.approx([9.3 / 200] * 2)
    changed = {
        element.keyword
        for element in copy
        if element.keyword not in original or original[element.keyword].value != element.value
    }
    assert changed == {
        *("SOPInstanceUID", "SeriesInstanceUID", "SeriesNumber", "SeriesDescription", "ImageType"),
        *("PixelSpacing", "PixelSpacingCalibrationType", "PixelSpacingCalibrationDescription"),
        *("DerivationDescription", "SourceImageSequence", "ContentDate", "ContentTime"),
        *("InstanceCreationDate", "InstanceCreationTime"),
    }
    assert {element.keyword for element in original} <= {element.keyword for element in copy}


def test_detector_spacing_is_no_fiducial(write: Callable[..., Any]) -> None:
    calibration = review_of(DICOM).calibration
    assert calibration is not None
    assert calibration.references == ()
    assert DicomObject.CALIBRATED not in write(DICOM)
