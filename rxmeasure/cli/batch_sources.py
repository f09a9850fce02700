"""Which films ``rxmeasure batch`` measures: a folder, a CSV, a search of a store or an archive."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import dataclass
from datetime import date
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rxmeasure.cli.archive import config_option
from rxmeasure.cli.options import FILE, all_of
from rxmeasure.cli.store import key_option, opened_store, search_of, search_options

if TYPE_CHECKING:
    from rxmeasure.batch import Film
    from rxmeasure.store import Store

_DAYS = ("since", "until")

source_options = all_of(
    click.argument("folder_or_table", type=FILE, metavar="FOLDER|CSV", required=False),
    click.option(
        "--from-store",
        metavar="STORE",
        help="Of the folder only films with a review in this record store, by the newest marks "
        "there. The options from --tooth to --judged-by say which.",
    ),
    search_options,
    click.option("--judged-by", metavar="ID", help="Judged by this rule set."),
    key_option,
    click.option(
        "--archive",
        metavar="ARCHIVE",
        help="Films of an archive instead of a folder, fetched one by one: with --since, "
        "--until, --modality, --patient-id.",
    ),
    config_option,
    click.option("--modality", metavar="CODE", default="", help="Studies with it; IO: intra-oral."),
    click.option("--patient-id", metavar="TEXT", default="", help="Studies of this patient."),
    click.option("--keep-films", is_flag=True, help="Leave fetched films in OUT/films."),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """Films, and how to count them beforehand."""

    films: Iterator[Film]
    count: Callable[[], int]


@contextmanager
def opened_source(
    out: Path,
    name: str | None,
    role: str,
    *,
    folder_or_table: Path | None,
    from_store: str | None,
    archive: str | None,
    key_path: Path | None,
    judged_by: str | None,
    **more: Any,
) -> Iterator[Source]:
    """Open what `source_options` named; a store stays open as long as films come from it."""
    own = {option: more.pop(option) for option in ("config", "modality", "patient_id")}
    keep_films = more.pop("keep_films")
    if (folder_or_table is None) == (archive is None):
        raise click.UsageError("Give a folder or a CSV, or --archive ARCHIVE.")
    if archive is not None:
        days = {day: more.pop(day) for day in _DAYS}
        _refuse_search(from_store, judged_by, more)
        yield _archive_source(archive, out / "films", keep=keep_films, **own, **days)
        return
    assert folder_or_table is not None
    images = partial(_images, folder_or_table)
    with maybe_store(from_store, name, role, key_path) as store:
        if store is None:
            _refuse_search(None, judged_by, more)
            yield Source(films=images(), count=lambda: sum(1 for _ in images()))
        else:
            yield _store_source(store, {**more, "rule": judged_by}, images(), out / "marks")


def maybe_store(
    where: str | None, name: str | None, role: str, key_path: Path | None
) -> AbstractContextManager[Store | None]:
    """Open a store where one is named."""
    if where is None:
        return nullcontext()
    if name is None:
        raise click.UsageError("A record store needs --as NAME.")
    return opened_store(where, name, role, key_path)


def _refuse_search(from_store: str | None, judged_by: str | None, asked: dict[str, Any]) -> None:
    if from_store is not None:
        raise click.UsageError("--from-store needs the folder of the images.")
    if judged_by is not None or any(asked.values()):
        raise click.UsageError("A search of reviews needs --from-store STORE.")


def _images(place: Path) -> Iterator[Film]:
    from rxmeasure.batch import films_of_folder, films_of_table

    return films_of_folder(place) if place.is_dir() else films_of_table(place)


def _store_source(
    store: Store, asked: dict[str, str | None], images: Iterator[Film], marks: Path
) -> Source:
    from rxmeasure.batch import films_of_store

    search = search_of(store, asked)
    return Source(
        films=films_of_store(store, search, images, marks), count=lambda: store.count(search)
    )


def _archive_source(
    archive: str,
    spool: Path,
    *,
    keep: bool,
    config: Path | None,
    modality: str,
    patient_id: str,
    since: str | None,
    until: str | None,
) -> Source:
    from rxmeasure.archive import Query, open_archive
    from rxmeasure.batch.archive_films import count_in_archive, films_of_archive

    place = open_archive(archive, config)
    query = Query(modality=modality, patient_id=patient_id, since=_day(since), until=_day(until))
    return Source(
        films=films_of_archive(place, query, spool, keep=keep),
        count=lambda: count_in_archive(place, query),
    )


def _day(text: str | None) -> date | None:
    try:
        return None if text is None else date.fromisoformat(text)
    except ValueError:
        raise click.BadParameter(f"{text!r} is no day, e.g. 2025-03-14.") from None
