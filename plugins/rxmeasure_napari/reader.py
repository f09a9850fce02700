"""Reader for napari: radiographs, and review files with the radiograph beside them. No Qt."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from rxmeasure.calibration.scale import Calibration
from rxmeasure.errors import ImageReadError, ReviewFileError
from rxmeasure.radiograph import Radiograph
from rxmeasure.reading import read_radiograph
from rxmeasure.reading.polarity import inverted_by_user
from rxmeasure.reading.sniff import sniff
from rxmeasure.record.review_file import SUFFIX, check_image, load_review
from rxmeasure_napari.layer_edge import FILM_GAP, LayerData, pitch_of, radiograph_layer

PathOrPaths = str | os.PathLike[str] | Sequence[str | os.PathLike[str]]

#: Bytes that tell the kind of a file.
_HEAD_BYTES = 132


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReadFilm:
    """One film as it was read; calibration and review only if opened through a review file."""

    path: Path
    radiograph: Radiograph
    inverted: bool = False
    calibration: Calibration | None = None
    review_path: Path | None = None


def get_reader(path: PathOrPaths) -> Callable[[PathOrPaths], list[LayerData]] | None:
    """Return `read_films` if all files are radiographs or reviews by their content, else None."""
    paths = _as_paths(path)
    return read_films if paths and all(_is_ours(p) for p in paths) else None


def read_films(path: PathOrPaths) -> list[LayerData]:
    """Read films as layers, side by side; in millimetres if every one of them has a scale.

    Raises
    ------
    ImageReadError
        A file is no radiograph that can be opened.
    ReviewFileError
        A review file is not valid, or its image does not lie beside it.
    ImageChangedError
        The image is not the one that was reviewed.
    """
    films = [read_film(p) for p in _as_paths(path)]
    if not all(pitch_of(f.radiograph, f.calibration)[1] == "mm" for f in films):
        films = [_without_scale(f) for f in films]
    layers = []
    offset = 0.0
    for film in films:
        scale, _ = pitch_of(film.radiograph, film.calibration)
        layers.append(
            radiograph_layer(
                film.radiograph,
                film.path,
                inverted=film.inverted,
                calibration=film.calibration,
                translate=(0.0, offset),
                review=film.review_path,
            )
        )
        offset += film.radiograph.shape[1] * scale[1] * (1.0 + FILM_GAP)
    return layers


def read_film(path: Path) -> ReadFilm:
    """Read a radiograph, or the radiograph that a review file belongs to.

    Raises as `read_films` does.
    """
    if not _is_review(path):
        return ReadFilm(path=path, radiograph=read_radiograph(path))
    review = load_review(path)
    image = image_of(path)
    inverted = inverted_by_user(review.polarity_reason)
    radiograph = read_radiograph(image, invert=inverted)
    check_image(review, radiograph)
    return ReadFilm(
        path=image,
        radiograph=radiograph,
        inverted=inverted,
        calibration=review.calibration,
        review_path=path,
    )


def image_of(path: Path) -> Path:
    """The image itself, or the image beside a review file.

    Raises
    ------
    ReviewFileError
        The review file is not valid, or its image does not lie beside it.
    """
    if not _is_review(path):
        return path
    review = load_review(path)
    image = path.parent / Path(review.image.file_name).name
    if not image.is_file():
        raise ReviewFileError(
            found=f"the image {review.image.file_name} is not beside {path.name}.",
            needed="the review file in the folder of its image.",
            next_step="Put the image and its review file into one folder.",
        )
    return image


def _without_scale(film: ReadFilm) -> ReadFilm:
    return replace(film, radiograph=replace(film.radiograph, spacing=None), calibration=None)


def _as_paths(path: PathOrPaths) -> list[Path]:
    if isinstance(path, str | os.PathLike):
        return [Path(path)]
    return [Path(p) for p in path]


def _is_review(path: Path) -> bool:
    return path.name.lower().endswith(SUFFIX)


def _is_ours(path: Path) -> bool:
    if _is_review(path):
        return True
    try:
        with path.open("rb") as file:
            sniff(file.read(_HEAD_BYTES))
    except ImageReadError:
        return False
    except OSError:
        return True  # reading says what is wrong with the path
    return True
