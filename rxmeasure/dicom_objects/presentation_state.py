"""The drawings of a review as a Grayscale Softcopy Presentation State (PS3.3, A.33.1)."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from highdicom import PresentationLUTTransformation, pr
from highdicom.color import CIELabColor
from numpy.typing import ArrayLike

from rxmeasure.dicom_objects.codes import decimal_text
from rxmeasure.dicom_objects.coordinates import closed, to_dicom
from rxmeasure.dicom_objects.quantities import Region, canal_thing
from rxmeasure.dicom_objects.reviewed_image import ReviewedImage
from rxmeasure.filling.results import CanalMeasurement
from rxmeasure.marks import PointPx
from rxmeasure.report import colours
from rxmeasure.report.content import NO_SCALE, NOT_CONFIRMED
from rxmeasure.report.numbers import clean

#: Layer name, colour and description by what is drawn, lowest first.
_LAYERS = {
    "edges": ("EDGES", colours.EDGES, "Edges of the fill, file or cone"),
    "centre": ("CENTRE_LINE", colours.CENTRE_LINE, "Centre line of the canal"),
    "scale": ("SCALE", colours.REFERENCE, "Length that gave the scale"),
    "puff": ("PUFF", colours.PUFF, "Sealer beyond the canal"),
    "lesion": ("LESION", colours.LANDMARK, "Periapical lesion"),
    "void": ("VOIDS", colours.VOID, "Visible voids"),
    "ends": ("ENDS", colours.CORE_END, "Ends of the fill, and the radiographic apex"),
    "names": ("NAMES", colours.LANDMARK, "Names"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Mark:
    """A line or a point on a layer, with its name; ``text`` is written beside it."""

    layer: str
    points_px: ArrayLike
    thing: str = ""
    text: str = ""


def presentation_state(image: ReviewedImage) -> Any:
    """Return the presentation state of a review.

    Radiopaque is shown bright whatever the stored grey levels are, through the window of the
    report's pictures. Pixels keep the shape that the scale, or else the file, gives them.
    """
    marks = list(_all_marks(image))
    layers = {
        layer: pr.GraphicLayer(
            name, order=order, description=words, display_color=CIELabColor.from_string(colour)
        )
        for order, (layer, (name, colour, words)) in enumerate(_LAYERS.items(), start=1)
        if any(mark.layer == layer for mark in marks)
    }
    low, high = image.stored_window
    state = pr.GrayscaleSoftcopyPresentationState(
        referenced_images=[image.header],
        content_label="ROOT_CANAL",
        content_description="Drawings of a root-canal review",
        content_creator_name=None,
        concept_name=None,
        graphic_layers=list(layers.values()),
        graphic_annotations=[
            _annotation(image, graphic_layer, [mark for mark in marks if mark.layer == layer])
            for layer, graphic_layer in layers.items()
        ],
        voi_lut_transformations=[
            # PS3.3, C.11.2.1.2.1: black up to centre - 0.5 - (width - 1) / 2, and so on.
            pr.SoftcopyVOILUTTransformation(
                window_center=(low + high) / 2.0 + 0.5, window_width=high - low + 1.0
            )
        ],
        presentation_lut_transformation=PresentationLUTTransformation(
            presentation_lut_shape="INVERSE" if image.source.turned else "IDENTITY"
        ),
        **image.identity("presentation"),
    )
    _set_pixel_shape(state.DisplayedAreaSelectionSequence[0], image)
    # PS3.3, C.7.3.1: required (may be empty) for a paired body part.
    state.Laterality = image.header.Laterality
    return image.finished(state)


def _set_pixel_shape(area: Any, image: ReviewedImage) -> None:
    """Spacing where there is a scale, else the aspect ratio (PS3.3, C.10.4)."""
    if image.pitch_mm is not None:
        del area.PresentationPixelAspectRatio
        area.PresentationPixelSpacing = [decimal_text(pitch) for pitch in image.pitch_mm]
        return
    # Whole numbers, vertical over horizontal.
    area.PresentationPixelAspectRatio = [round(1000 * image.radiograph.pixel_aspect), 1000]


def _all_marks(image: ReviewedImage) -> Iterator[_Mark]:
    for canal in image.review.canals:
        yield from _canal_marks(image, canal)
    calibration = image.review.calibration
    for reference in calibration.references if calibration else ():
        yield _Mark(layer="scale", points_px=reference.path_px)
    if calibration is None:
        yield _Mark(layer="names", points_px=[(0.0, 0.0)], text=NO_SCALE)
    for region in image.regions:
        yield _Mark(
            layer=region.kind,
            points_px=closed(region.outline_px),
            thing=region.name,
            text=_region_text(region),
        )


def _canal_marks(image: ReviewedImage, canal: CanalMeasurement) -> Iterator[_Mark]:
    line = canal.centre_line.points_px
    if len(line) > 1:
        marks = image.marks_of(canal.name)
        unsure = "" if marks is not None and marks.confirmed else NOT_CONFIRMED
        yield _Mark(layer="centre", points_px=line, thing=canal_thing(canal.name))
        yield _Mark(layer="names", points_px=line[:1], text=clean(canal.name) + unsure)
    if len(canal.profile) > 1:
        yield _Mark(layer="edges", points_px=[p.left_edge_px for p in canal.profile])
        yield _Mark(layer="edges", points_px=[p.right_edge_px for p in canal.profile])
    words: dict[PointPx, str] = {}
    for end, word in (
        (canal.core_start, "coronal end"),
        (canal.core_end, "apical end"),
        (canal.sealer_end, "end of the sealer"),
    ):
        if end is not None:
            words.setdefault(end.point_px, word)
    if canal.apex_px is not None:
        words[canal.apex_px] = "radiographic apex"
    for point, word in words.items():
        yield _Mark(layer="ends", points_px=[point], text=word)


def _region_text(region: Region) -> str:
    return region.name.removeprefix(region.owner).strip() if region.kind != "puff" else ""


def _annotation(image: ReviewedImage, layer: Any, marks: Sequence[_Mark]) -> Any:
    shape = image.radiograph.shape
    return pr.GraphicAnnotation(
        referenced_images=[image.header],
        graphic_layer=layer,
        graphic_objects=list(_graphics(image, marks)) or None,
        text_objects=[
            pr.TextObject(
                clean(mark.text),
                units=pr.AnnotationUnitsValues.PIXEL,
                anchor_point=tuple(float(v) for v in to_dicom(mark.points_px, shape)[0]),
            )
            for mark in marks
            if mark.text
        ]
        or None,
    )


def _graphics(image: ReviewedImage, marks: Iterable[_Mark]) -> Iterator[Any]:
    for mark in marks:
        points = to_dicom(mark.points_px, image.radiograph.shape)
        if mark.layer == "names":
            continue
        kind = pr.GraphicTypeValues.POLYLINE if len(points) > 1 else pr.GraphicTypeValues.POINT
        yield pr.GraphicObject(
            graphic_type=kind,
            graphic_data=points,
            units=pr.AnnotationUnitsValues.PIXEL,
            tracking_id=mark.thing or None,
            tracking_uid=image.tracking_uid(mark.thing) if mark.thing else None,
        )
