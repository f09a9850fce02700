"""A search of a record store as films of a batch, and the results of a batch in a store."""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from rxmeasure.atomic import make_folder
from rxmeasure.batch.films import Film
from rxmeasure.batch.measuring import PROGRAM, FilmResult
from rxmeasure.errors import AccessError, ConflictError, ImageReadError
from rxmeasure.reading.radiograph_file import read_file
from rxmeasure.record.review_file import SUFFIX, review_from_tree, save_review

if TYPE_CHECKING:
    from rxmeasure.store import Search, Store
    from rxmeasure.store.search import Found

_TAG = "batch"
#: The one place in which two results of equal inputs differ.
_TIME = "review.created_utc"


def films_of_store(
    store: Store, search: Search, images: Iterable[Film], marks_folder: Path
) -> Iterator[Film]:
    """Yield the film of every review that is found, with the marks of its newest revision.

    A store keeps no images: they are known by their SHA-256 among those given. The marks are
    written into a folder, as review files. A review whose image is not among them is yielded
    as a film without a file.

    Raises
    ------
    StoreError
        The store is damaged, busy or out of reach.
    WriteError
        The marks cannot be written.
    """
    wanted: dict[str, list[Found]] = defaultdict(list)
    for found in store.find(replace(search, kind="review"), limit=None):
        wanted[found.subject].append(found)
    make_folder(marks_folder)
    for film in images:
        if not wanted:
            return
        if film.fault is not None:
            yield film
            continue
        with suppress(ImageReadError):
            sha256 = hashlib.sha256(read_file(film.path)).hexdigest()
            for found in wanted.pop(sha256, ()):
                yield replace(film, marks=_marks_of(store, found, marks_folder))
    for missing in wanted.values():
        for found in missing:
            name = f"record {found.record_id} (no image with its SHA-256)"
            yield Film(path=marks_folder / found.subject, name=name, marks=None)


def _marks_of(store: Store, found: Found, folder: Path) -> Path:
    path = folder / f"record-{found.record_id}{SUFFIX}"
    save_review(store.read(found.record_id).review(), path)
    return path


def check_may_save(store: Store) -> None:
    """Refuse a person who may not save what the program marked.

    Raises
    ------
    AccessError
        The person's role allows own records only.
    """
    if not store.person.role.sees_all:
        raise AccessError(
            found=f"results of a batch, to be saved by a {store.person.role}.",
            needed="the role clinician, teacher or lead: what the program proposes is no "
            "review of your own.",
            next_step="Leave out --store, or ask who runs the store.",
        )


def save_result(result: FilmResult, store: Store) -> None:
    """Save the review of a film once.

    What a person saved stays. The program's own proposals get a new revision where the
    settings or the version changed what comes out.

    Raises
    ------
    StoreError
        The store is damaged, busy or out of reach.
    """
    if result.review is None:
        return
    now = datetime.now(UTC).isoformat(timespec="seconds")
    review = replace(review_from_tree(result.review), created_utc=now)
    try:
        store.save_review(review, based_on=0, tags=(_TAG,), reason=_TAG)
    except ConflictError as there:
        changed = any(place != _TIME for place, _, _ in there.difference)
        if changed and _is_the_programs(store, there.record_id):
            store.save_review(review, based_on=there.saved_number, tags=(_TAG,), reason=_TAG)


def _is_the_programs(store: Store, record_id: int) -> bool:
    """Whether the newest revision holds nothing that a person entered."""
    header = store.read(record_id).header
    nobody = not any(canal["confirmed"] for canal in header.canals)
    return header.owner == PROGRAM and _TAG in header.tags and nobody
