"""A search of an archive as films of a batch: fetched one by one, when their turn comes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from functools import partial
from pathlib import Path

from rxmeasure.archive import Archive, InstanceRow, Query, StudyRow, Uids
from rxmeasure.archive.files import file_for
from rxmeasure.batch.films import Film, Origin
from rxmeasure.errors import ArchiveError, ImageReadError
from rxmeasure.reading.dicom import RADIOGRAPH_MODALITIES


def films_of_archive(archive: Archive, query: Query, spool: Path, *, keep: bool) -> Iterator[Film]:
    """Yield the radiographs of the studies that are found, by day.

    Parameters
    ----------
    archive : Archive
    query : Query
        Where an archive has more studies than it tells at once, the days are halved.
    spool : Path
        Where films lie while they are measured.
    keep : bool
        Leave them there afterwards.

    Raises
    ------
    ArchiveError
        The archive cannot be reached or refuses; more studies of one day than it tells.
    """
    for study in _studies(archive, query):
        for row in _radiographs(archive, study):
            yield Film(
                path=file_for(spool, row),
                name=f"{row.study_uid}/{row.instance_uid}.dcm",
                marks=None,
                origin=Origin(
                    uid=f"{archive.name}/{row.instance_uid}",
                    fetch=partial(_fetch, archive, row, spool),
                    keep=keep,
                ),
            )


def count_in_archive(archive: Archive, query: Query) -> int:
    """Return how many objects the archive says these studies have."""
    return sum(study.instance_count or 0 for study in _studies(archive, query))


def _studies(archive: Archive, query: Query) -> Iterator[StudyRow]:
    found = archive.find(query)
    if found.more:
        for half in _halves(query):
            yield from _studies(archive, half)
    else:
        yield from sorted(found.rows, key=lambda study: study.study_uid)


def _halves(query: Query) -> tuple[Query, Query]:
    since, until = query.since, query.until
    if since is None or until is None or since >= until:
        raise ArchiveError(
            found="more studies than an archive tells at once.",
            needed="a first and a last day, and no single day with so many.",
            next_step="Give both days, or narrow the search: kind of image, patient.",
        )
    middle = since + (until - since) // 2
    return replace(query, until=middle), replace(query, since=middle + timedelta(days=1))


def _radiographs(archive: Archive, study: StudyRow) -> Iterator[InstanceRow]:
    for series in archive.series(study.study_uid).rows:
        if series.modality in ("", *RADIOGRAPH_MODALITIES):
            yield from archive.instances(study.study_uid, series.series_uid).rows


def _fetch(archive: Archive, row: InstanceRow, spool: Path) -> None:
    if file_for(spool, row).exists():
        return
    uids = Uids(study=row.study_uid, series=row.series_uid, instance=row.instance_uid)
    fetched = archive.fetch(uids, spool)
    if not fetched.files:
        raise ImageReadError(
            found="; ".join(remark.text for remark in fetched.failed) or "no object.",
            needed="an object that the archive hands out.",
            next_step="Give the same command again, or ask who looks after the archive.",
        )
