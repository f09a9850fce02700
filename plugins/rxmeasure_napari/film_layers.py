"""The napari layers of one film: the radiograph, its lines, its points. No Qt.

Layers are drawn from the state and never read back; the user cannot edit them
by napari's own tools. Each has the film's scale AND units, else napari's scale
bar loses its unit.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import numpy as np
from napari.layers import Image, Layer, Points, Vectors

from rxmeasure.geometry import FloatArray
from rxmeasure.marks import PointPx
from rxmeasure_napari import layer_style as style
from rxmeasure_napari.drawing import Drawing, DrawnPoint, Stroke, dashed
from rxmeasure_napari.layer_edge import (
    KEY,
    film_of_layer,
    offer_whole_range,
    radiograph_layer,
)
from rxmeasure_napari.review_state import OpenFilm

#: How far a drawn line may lie from the measured one (screen pixels).
SIMPLER_BY_PX = 0.25
#: Width of one character of a label in screen pixels at 10 points (about; for aligning only).
_CHARACTER_PX = 7.2
#: Height of a label in screen pixels at 10 points.
_LINE_PX = 18.0
#: Copies of a label drawn dark beneath it, so that it reads on enamel and on bone.
_HALO = ((-1, -1), (-1, 1), (1, -1), (1, 1))


@dataclass(frozen=True, slots=True, kw_only=True)
class FilmPlace:
    """Where a film lies in the world: pitch of its pixels, unit, offset of its first pixel."""

    scale: tuple[float, float]
    unit: str
    offset: tuple[float, float] = (0.0, 0.0)


class FilmLayers:
    """Layers of one film in one viewer.

    Parameters
    ----------
    viewer : napari viewer or ViewerModel
    film : OpenFilm
    image : Image, optional
        A layer that shows the film already. Layers that were drawn for it before are
        found without.
    """

    def __init__(self, viewer: Any, film: OpenFilm, image: Image | None = None) -> None:
        self.viewer = viewer
        self.film = film
        self.image = image or self._shown("radiograph") or _image(film)
        self.image.metadata = {
            **self.image.metadata,
            KEY: {**self.image.metadata.get(KEY, {}), "film": film.id},
        }
        scale = self.image.scale
        self.place = FilmPlace(
            scale=(float(scale[0]), float(scale[1])),
            unit="mm" if str(self.image.units[0]) == "millimeter" else "pixel",
            offset=(float(self.image.translate[0]), float(self.image.translate[1])),
        )
        self.lines: Vectors | None = self._shown("lines")
        self.points: Points | None = self._shown("points")
        self._point_fields: dict[str, Any] = {}
        if self.image not in viewer.layers:
            viewer.add_layer(self.image)
        offer_whole_range(self.image)
        self._drawing: Drawing | None = None
        self._seen = True

    def _shown(self, role: str) -> Any:
        """The layer of this film that is in the viewer, from a dock that was closed."""
        facts = {"role": role, "film": self.film.id}
        for layer in self.viewer.layers:
            if facts.items() <= (film_of_layer(layer) or {}).items():
                return layer
        return None

    def layers(self) -> list[Layer]:
        """All layers of this film that are in the viewer."""
        return [
            layer
            for layer in (self.image, self.lines, self.points)
            if layer is not None and layer in self.viewer.layers
        ]

    @property
    def seen(self) -> bool:
        """Whether the film is in the picture; a reader may hide its pixels all the same."""
        return self._seen

    def see(self, seen: bool) -> None:
        """Take the film into the picture, or out of it."""
        if seen != self._seen:
            self._seen = seen
            for layer in self.layers():
                layer.visible = seen

    def to_px(self, world: Any) -> PointPx:
        """World position to (row, col) pixels of the film."""
        position = np.asarray(world, dtype=np.float64)[-2:]
        row, col = (position - np.array(self.place.offset)) / np.array(self.place.scale)
        return (float(row), float(col))

    def to_world(self, point_px: PointPx) -> tuple[float, float]:
        """Pixels of the film to world. Inverse of `to_px`."""
        row, col = np.array(point_px) * np.array(self.place.scale) + np.array(self.place.offset)
        return (float(row), float(col))

    def contains(self, point_px: PointPx) -> bool:
        """Whether a point lies on the film."""
        rows, cols = self.film.radiograph.shape
        return -0.5 <= point_px[0] <= rows - 0.5 and -0.5 <= point_px[1] <= cols - 0.5

    def image_px_per_screen_px(self, zoom: float) -> float:
        """How many pixels of the film one screen pixel covers."""
        return 1.0 / max(zoom * self.place.scale[1], 1e-9)

    def put(self, place: FilmPlace) -> None:
        """Lay the film elsewhere, or give it another scale."""
        if place == self.place:
            return
        self.place = place
        for layer in self.layers():
            _lay(layer, place)

    def show_radiograph(self) -> None:
        """Show the film's pixels anew (after the grey levels were turned)."""
        fresh = _image(self.film)
        self.image.data = fresh.data
        self.image.metadata = {
            **self.image.metadata,
            KEY: {**fresh.metadata[KEY], "film": self.film.id},
        }
        self.image.contrast_limits = fresh.contrast_limits
        offer_whole_range(self.image)

    def draw(self, drawing: Drawing, zoom: float) -> None:
        """Draw lines and points; layers the user took away are made again."""
        old, self._drawing = self._drawing, drawing
        if old is None or old.strokes or drawing.strokes:
            self._draw_lines(drawing.strokes, zoom)
        if old is None or old.points != drawing.points or self.points not in self.viewer.layers:
            self._draw_points(drawing.points, zoom)

    def follow_zoom(self, zoom: float) -> None:
        """Keep lines and labels at their size on the screen."""
        if self._drawing is not None:
            self._draw_lines(self._drawing.strokes, zoom)
            self._draw_points(self._drawing.points, zoom)

    def remove(self) -> None:
        """Take all layers of the film out of the viewer."""
        for layer in self.layers():
            self.viewer.layers.remove(layer)

    def _draw_lines(self, strokes: list[Stroke], zoom: float) -> None:
        unit = self.image_px_per_screen_px(zoom)
        vectors, colours = line_vectors(strokes, unit)
        if self.lines is None or self.lines not in self.viewer.layers:
            self.lines = Vectors(
                vectors,
                name=f"{self.film.name}: lines",
                edge_width=style.LINE_PX * unit,
                edge_color=colours if len(colours) else "white",
                vector_style="line",
                metadata={KEY: {"role": "lines", "film": self.film.id}},
                **_where(self.place),
            )
            self._add(self.lines)
            return
        with changed_at_once(self.lines):
            self.lines.edge_width = style.LINE_PX * unit
            self.lines.data = vectors
            if len(colours):
                self.lines.edge_color = colours

    def _draw_points(self, points: list[DrawnPoint], zoom: float) -> None:
        fields = point_fields(points, self.image_px_per_screen_px(zoom))
        where = fields.pop("where")
        if self.points is None or self.points not in self.viewer.layers:
            self.points = Points(
                where,
                name=f"{self.film.name}: points",
                metadata={KEY: {"role": "points", "film": self.film.id}},
                antialiasing=1,
                border_width=0.16,
                **fields,
                **_where(self.place),
            )
            self._add(self.points)
            self._point_fields = fields
            return
        # Text and colours have signals of their own, so this layer stays seen: an unseen one
        # would be drawn with the indices of its old points. One refresh in place of many.
        kept = self._point_fields if len(where) == len(self.points.data) else {}
        with self.points.events.blocker_all(), self.points.text.events.blocker_all():
            self.points.data = where
            for name, value in fields.items() if len(where) else ():
                if name not in kept or not _equal(kept[name], value):
                    setattr(self.points, name, value)
        self.points.refresh(thumbnail=False)
        self._point_fields = fields

    def _add(self, layer: Layer) -> None:
        layer.editable = False
        active = self.viewer.layers.selection.active
        self.viewer.layers.insert(self.viewer.layers.index(self.image) + 1, layer)
        self.viewer.layers.selection.active = active if active in self.viewer.layers else self.image


@contextmanager
def changed_at_once(layer: Layer) -> Iterator[None]:
    """Change several fields of a layer and refresh it once.

    Each field would draw the layer and its thumbnail anew; those of an unseen layer do not.
    """
    seen = layer.visible
    with layer.events.blocker_all():
        layer.visible = False
        try:
            yield
        finally:
            layer.visible = seen
    layer.refresh(thumbnail=False)


def _image(film: OpenFilm) -> Image:
    data, options, _ = radiograph_layer(
        film.radiograph, film.path, inverted=film.work.inverted, film_id=film.id
    )
    return Image(data, **options)


def _equal(a: Any, b: Any) -> bool:
    if isinstance(a, dict):
        return a.keys() == b.keys() and all(_equal(a[k], b[k]) for k in a)
    return bool(np.array_equal(a, b))


def _where(place: FilmPlace) -> dict[str, Any]:
    return {
        "scale": place.scale,
        "units": (place.unit, place.unit),
        "translate": place.offset,
    }


def _lay(layer: Layer, place: FilmPlace) -> None:
    layer.scale = place.scale
    layer.units = (place.unit, place.unit)
    layer.translate = place.offset


def line_vectors(strokes: list[Stroke], unit: float) -> tuple[FloatArray, FloatArray]:
    """Strokes as napari vectors, shape (N, 2, 2), with a colour (RGBA) for each.

    ``unit`` is how many pixels of the film one screen pixel covers.
    """
    from napari.utils.colormaps.standardize_color import transform_color
    from skimage.measure import approximate_polygon

    vectors: list[FloatArray] = []
    colours: list[FloatArray] = []
    for stroke in strokes:
        colour = transform_color(stroke.style.colour)[0].copy()
        colour[3] = stroke.style.opacity
        for part in dashed(
            stroke.points_px, stroke.style.dash_px * unit, stroke.style.gap_px * unit
        ):
            # As many pieces as the eye can tell apart; napari's work grows with each.
            part = approximate_polygon(part, tolerance=SIMPLER_BY_PX * unit)
            steps = np.diff(part, axis=0)
            vectors.append(np.stack([part[:-1], steps], axis=1))
            colours.append(np.repeat(colour[None], len(steps), axis=0))
    if not vectors:
        return np.zeros((0, 2, 2)), np.zeros((0, 4))
    return np.concatenate(vectors), np.concatenate(colours)


def point_fields(points: list[DrawnPoint], unit: float) -> dict[str, Any]:
    """Points and labels as the arguments of a napari points layer.

    Labels are points without a symbol; each is drawn dark round itself first.
    """
    where: list[tuple[float, float]] = []
    size: list[float] = []
    symbol: list[str] = []
    face: list[str] = []
    border: list[str] = []
    texts: list[str] = []
    text_colours: list[str] = []

    def add(
        at: tuple[float, float], px: float, sign: str, fill: str, rim: str, text: str, ink: str
    ) -> None:
        where.append(at)
        size.append(max(px, 0.01) * unit)
        symbol.append(sign)
        face.append(fill)
        border.append(rim)
        texts.append(text)
        text_colours.append(ink)

    for point in points:
        if point.symbol is None:
            continue
        larger = 4.0 if point.chosen else 0.0
        rim = style.CHOSEN_COLOUR if point.chosen else "#000000"
        if point.symbol.symbol == "ring":
            rim = style.CHOSEN_COLOUR if point.chosen else point.symbol.colour
            add(point.point_px, point.symbol.size_px + larger, "disc", "#00000055", rim, "", "#fff")
        else:
            add(
                point.point_px,
                point.symbol.size_px + larger,
                point.symbol.symbol,
                point.symbol.colour,
                rim,
                "",
                "#fff",
            )
    for point, (row, col) in label_places(points, unit):
        for r, c in _HALO:
            at = (row + r * style.HALO_PX * unit, col + c * style.HALO_PX * unit)
            add(at, 0.0, "disc", "#00000000", "#00000000", point.text, "#000000")
        add((row, col), 0.0, "disc", "#00000000", "#00000000", point.text, point.text_colour)
    return {
        "where": np.array(where, dtype=np.float64).reshape(-1, 2),
        "features": {"label": texts},
        "size": np.array(size) if size else 1.0,
        "symbol": symbol or "disc",
        "face_color": _rgba(face),
        "border_color": _rgba(border),
        "text": {
            "string": "{label}",
            "color": _rgba(text_colours),
            "size": style.LABEL_PT,
            "anchor": "center",
        },
    }


def label_places(
    points: list[DrawnPoint], unit: float
) -> list[tuple[DrawnPoint, tuple[float, float]]]:
    """Each label with the (row, col) of its centre; one that would lie on another moves down."""
    placed: list[tuple[DrawnPoint, tuple[float, float]]] = []
    for point in points:
        if not point.text:
            continue
        half = 0.5 * _CHARACTER_PX * len(point.text) * point.align
        row = point.point_px[0] + point.shift_px[0] * unit
        col = point.point_px[1] + (point.shift_px[1] + half) * unit
        for other, (at_row, at_col) in sorted(placed, key=lambda p: p[1][0]):
            wide = 0.5 * _CHARACTER_PX * (len(point.text) + len(other.text)) * unit
            if abs(row - at_row) < _LINE_PX * unit and abs(col - at_col) < wide:
                row = at_row + _LINE_PX * unit
        placed.append((point, (row, col)))
    return placed


def _rgba(colours: list[str]) -> Any:
    from napari.utils.colormaps.standardize_color import transform_color

    return transform_color(colours) if colours else "white"
