"""Review files into the store, and out of it again."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from rxmeasure.errors import ConflictError, RxMeasureError
from rxmeasure.record.review_file import SUFFIX, load_review, save_review
from rxmeasure.store.people import REVIEW
from rxmeasure.store.search import Search
from rxmeasure.store.store import Store


@dataclass(frozen=True, slots=True, kw_only=True)
class Added:
    """What became of one review file: its revision, or why there is none.

    ``number`` is that of the newest revision; ``changed`` is False where the store had the
    review already.
    """

    path: Path
    record_id: int | None = None
    number: int | None = None
    changed: bool = False
    refusal: RxMeasureError | None = None


def review_files(paths: Sequence[Path]) -> list[Path]:
    """Return the review files among paths, and those in folders."""
    found: list[Path] = []
    for path in paths:
        found += sorted(path.rglob(f"*{SUFFIX}")) if path.is_dir() else [path]
    return found


def add_files(
    store: Store,
    paths: Sequence[Path],
    *,
    tags: Sequence[str] = (),
    reason: str = "",
    on_top: bool = False,
) -> Iterator[Added]:
    """Save review files, each as soon as its line is taken.

    Parameters
    ----------
    store : Store
    paths : sequence of Path
        Review files, or folders of them.
    tags : sequence of str
    reason : str
    on_top : bool
        Save a file that differs from the newest revision as the next one; else it is refused
        as a conflict.

    Yields
    ------
    Added
    """
    for path in review_files(paths):
        try:
            yield _add(store, path, tags, reason, on_top=on_top)
        except RxMeasureError as refusal:
            yield Added(path=path, refusal=refusal)


def _add(store: Store, path: Path, tags: Sequence[str], reason: str, *, on_top: bool) -> Added:
    review = load_review(path)
    try:
        saved = store.save_review(review, based_on=0, tags=tags, reason=reason)
    except ConflictError as conflict:
        if not conflict.difference:
            return Added(path=path, record_id=conflict.record_id, number=conflict.saved_number)
        if not on_top:
            raise
        saved = store.save_review(review, based_on=conflict.saved_number, tags=tags, reason=reason)
    return Added(path=path, record_id=saved.record_id, number=saved.number, changed=True)


def export_files(
    store: Store, search: Search, folder: Path, *, images: Path | None = None
) -> Iterator[Path]:
    """Write the newest revision of the reviews found as review files.

    Parameters
    ----------
    store : Store
    search : Search
    folder : Path
        Must be there.
    images : Path, optional
        Folder of the images; files get the names of those that fit (SHA-256), so that they can
        be used beside them.

    Yields
    ------
    Path
        Each file written. Where an image has several readers, the record's number is in front.

    Raises
    ------
    WriteError
        A file cannot be written.
    """
    names = {} if images is None else _names_by_hash(images)
    found = store.find(replace(search, kind=REVIEW), limit=None)
    readers = Counter(record.subject for record in found)
    for record in found:
        review = store.read(record.record_id).review()
        name = names.get(record.subject, review.image.file_name)
        number = f"{record.record_id}-" if readers[record.subject] > 1 else ""
        path = folder / f"{number}{name}{SUFFIX}"
        save_review(review, path)
        yield path


def _names_by_hash(folder: Path) -> dict[str, str]:
    files = (path for path in sorted(folder.iterdir()) if path.is_file())
    return {hashlib.sha256(path.read_bytes()).hexdigest(): path.name for path in files}
