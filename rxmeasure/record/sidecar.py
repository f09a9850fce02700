"""Files that lie beside an image under its name."""

from __future__ import annotations

from pathlib import Path

from rxmeasure.errors import MarksError
from rxmeasure.record.review_file import SUFFIX

#: Ends of the names of annotation files that are found beside an image.
SIDECAR_SUFFIXES = (".marks.toml", ".marks.json")
#: End of the names of files that keep the visits of one tooth.
SERIES_SUFFIX = ".rxseries.json"
#: The same with unfinished work on them, beside the image of the first visit.
SERIES_DRAFT_SUFFIX = ".rxseriesdraft.json"
#: Ends of the names of files that belong to an image and are none themselves.
COMPANION_SUFFIXES = (*SIDECAR_SUFFIXES, ".truth.json", SUFFIX, ".html", ".pdf")


def sidecar_of(image: Path) -> Path | None:
    """Marks beside an image: ``NAME.marks.toml``, with or without its ending, else its review."""
    names = [base + suffix for base in (image.name, image.stem) for suffix in SIDECAR_SUFFIXES]
    names.append(image.name + SUFFIX)
    found = (image.with_name(name) for name in dict.fromkeys(names))
    return next((path for path in found if path.is_file()), None)


def image_of(sidecar: Path) -> Path:
    """Image that an annotation file belongs to.

    Raises
    ------
    MarksError
        There is none, or there are several.
    """
    suffix = next(s for s in SIDECAR_SUFFIXES if sidecar.name.endswith(s))
    base = sidecar.name.removesuffix(suffix)
    images = [
        path
        for path in sorted(sidecar.parent.iterdir())
        if base in (path.name, path.stem)
        and path.is_file()
        and not path.name.endswith(COMPANION_SUFFIXES)
    ]
    if len(images) != 1:
        raise MarksError(
            found=f"{sidecar.name} with {len(images)} images of its name beside it.",
            needed="one image beside each annotation file, with the same name.",
            next_step="Put the image there, or name image and annotation file one by one.",
        )
    return images[0]
