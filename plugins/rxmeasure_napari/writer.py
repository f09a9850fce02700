"""Writer for napari: the review of a radiograph's layer as a review file. No Qt."""

from __future__ import annotations

from collections.abc import Sequence

from rxmeasure.errors import MarksError
from rxmeasure.record.review_file import save_review
from rxmeasure.review import Review
from rxmeasure_napari.layer_edge import LayerData, facts_in
from rxmeasure_napari.review_state import OpenFilm, film_by_id


def write_review(path: str, layer_data: Sequence[LayerData]) -> list[str]:
    """Write the review of the radiograph among these layers; return the paths written.

    Raises
    ------
    MarksError
        No radiograph of ours among the layers, or no review of it yet.
    ReviewFileError, WriteError
        The review cannot be kept, or not at this place.
    """
    save_review(current_review(_film_of(layer_data)), path)
    return [path]


def current_review(film: OpenFilm) -> Review:
    """The review of a film's marks as they stand.

    Raises
    ------
    RxMeasureError
        The marks cannot be measured (the reason for it), are not measured yet, or hold
        no whole canal.
    """
    if not film.is_current:
        raise MarksError(
            found="the measuring of the last edit is not done.",
            needed="results that belong to the marks.",
            next_step="Wait a moment and try again.",
        )
    if film.computed.problem is not None:
        raise film.computed.problem
    if film.review is None:
        raise MarksError(
            found="no canal that is whole.",
            needed="clicks along at least one canal.",
            next_step="Click the coronal reference and the apex of a canal.",
        )
    return film.review


def _film_of(layer_data: Sequence[LayerData]) -> OpenFilm:
    facts = [facts_in(options.get("metadata")) for _, options, _ in layer_data]
    radiographs = [f for f in facts if f is not None and f["role"] == "radiograph"]
    if not radiographs:
        raise MarksError(
            found="no radiograph that this program opened among the layers.",
            needed="the layer of a radiograph under review.",
            next_step="Choose the radiograph in the layer list, then save again.",
        )
    film = film_by_id(radiographs[0]["film"])
    if film is None:
        raise MarksError(
            found="a radiograph that is not under review.",
            needed="an open review of it.",
            next_step="Open the panel 'Root-canal review', mark a canal, then save again.",
        )
    return film
