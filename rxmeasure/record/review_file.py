"""The review file: one JSON beside the image with all inputs and results.

``NAME.rxreview.json`` holds everything that is needed to compute the review
again, and what came out: format and software version, the image's hash and
facts, the marks with all settings, the scale, the canals, the verdicts, the
warnings and the overrides with their reasons. Floats return exactly as they
were.

The annotation file is the small sister: the marks alone, as TOML or JSON, with
the defaults of :class:`~rxmeasure.marks.ReviewMarks` where a field is left out.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from rxmeasure.atomic import write_text
from rxmeasure.errors import ImageChangedError, MarksError, ReviewFileError, RxMeasureError
from rxmeasure.marks import ReviewMarks
from rxmeasure.radiograph import Radiograph
from rxmeasure.record.document import as_json, converter, tree_of
from rxmeasure.record.migrations import FORMAT, REVIEW, migrate
from rxmeasure.record.parsing import parse_json, read_json, read_toml, refuse
from rxmeasure.record.schema import MARKS_SCHEMA_PATH, REVIEW_SCHEMA_PATH
from rxmeasure.review import Review

SUFFIX = ".rxreview.json"
#: Written as the rule of an override that passes over a changed image.
IMAGE_CHANGED = "image-changed"


def review_path(image_path: str | Path) -> Path:
    """Return where the review of an image is kept: beside it, ``NAME.rxreview.json``."""
    image_path = Path(image_path)
    return image_path.with_name(image_path.name + SUFFIX)


def save_review(review: Review, path: str | Path) -> None:
    """Write a review file, whole or not at all. Inverse of `load_review`.

    Raises
    ------
    ReviewFileError
        A value cannot be kept (NaN, infinity, broken text); the place is named.
    WriteError
        The file cannot be written; an older review stays as it was.
    """
    path = Path(path)
    write_text(path, review_text(review, name=path.name))


def review_text(review: Review, *, name: str) -> str:
    """Return what the review file ``name`` holds. Inverse of `review_of_text`.

    Raises
    ------
    ReviewFileError
        A value cannot be kept (NaN, infinity, broken text); the place is named.
    """
    return as_json(review_tree(review, name=name))


def review_tree(review: Review, *, name: str = "the review") -> dict[str, Any]:
    """Return what a review file holds, as a JSON tree. Inverse of `review_from_tree`.

    Raises
    ------
    ReviewFileError
        A value cannot be kept (NaN, infinity, broken text); the place is named.
    """
    return tree_of(review, REVIEW, name=name)


def review_of_text(text: str, *, name: str) -> Review:
    """Return the review in a review file's text; older versions are brought to the current one.

    Raises
    ------
    ReviewFileError
        As of `load_review`.
    """
    path = Path(name)
    return _review_of(parse_json(text, path, ReviewFileError), path)


def review_from_tree(tree: dict[str, Any]) -> Review:
    """Return the review of a tree that was checked when it was kept; older ones are migrated.

    Raises
    ------
    ReviewFileError
        Not a review, or made by a newer program.
    """
    review: Review = _structure(
        migrate(tree)["review"], Review, Path("the review"), ReviewFileError
    )
    return review


def load_review(path: str | Path) -> Review:
    """Read a review file; older versions are brought to the current one.

    Raises
    ------
    ReviewFileError
        Not a review file, damaged, too new, or not fitting the schema; the
        place is named.
    """
    path = Path(path)
    return _review_of(read_json(path, ReviewFileError), path)


def read_marks(path: str | Path) -> ReviewMarks:
    """Read the marks from an annotation file (``.toml``, else JSON) or from a review file.

    Raises
    ------
    MarksError
        The annotation file is damaged or does not fit the schema; the place is named.
    ReviewFileError
        A review file was given and it is not valid.
    """
    path = Path(path)
    toml = path.suffix.lower() == ".toml"
    tree = read_toml(path, MarksError) if toml else read_json(path, MarksError)
    if isinstance(tree, dict) and tree.get("format") == FORMAT:
        return _review_of(tree, path).marks
    refuse(tree, str(MARKS_SCHEMA_PATH), name=path.name, error=MarksError)
    tree.pop("format_version", None)
    marks: ReviewMarks = _structure(tree, ReviewMarks, path, MarksError)
    return marks


def check_image(review: Review, radiograph: Radiograph) -> None:
    """Raise unless the radiograph is the one that the review was made on (SHA-256 of the file).

    Raises
    ------
    ImageChangedError
        Overridable: a person may go on by giving a reason.
    """
    then, now = review.image, radiograph.source
    if then.sha256 == now.sha256:
        return
    raise ImageChangedError(
        found=f"{now.file_name} ({now.rows} x {now.columns}, SHA-256 {now.sha256[:12]}...) is not "
        f"the image of this review ({then.file_name}, {then.rows} x {then.columns}, "
        f"SHA-256 {then.sha256[:12]}...).",
        needed="the unchanged image, because marks and numbers belong to its pixels.",
        next_step="Open the original image, or go on and give the reason.",
        overridable=True,
    )


def _review_of(tree: Any, path: Path) -> Review:
    document = migrate(tree)
    refuse(document, str(REVIEW_SCHEMA_PATH), name=path.name, error=ReviewFileError)
    review: Review = _structure(document["review"], Review, path, ReviewFileError)
    return review


def _structure(tree: Any, kind: type, path: Path, error: type[RxMeasureError]) -> Any:
    from cattrs import BaseValidationError, transform_error

    try:
        return converter().structure(tree, kind)
    except BaseValidationError as fault:
        raise error(
            found=f"{path.name} does not fit: {transform_error(fault)[0][:300]}.",
            needed="a file that fits the schema.",
            next_step="Correct that entry.",
        ) from fault
