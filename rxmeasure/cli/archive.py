"""``rxmeasure archive``: films from a DICOM archive, and results back to it."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rxmeasure.cli.exit_codes import PARTLY_REFUSED
from rxmeasure.cli.options import FILE, all_of, json_option
from rxmeasure.cli.output import columns, emit, folded

if TYPE_CHECKING:
    from rxmeasure.archive import Archive, Found, Progress, Remark, SeriesRow, StudyRow

_DAY = click.DateTime(formats=["%Y-%m-%d"])
config_option = click.option(
    "--config",
    type=FILE,
    metavar="FILE",
    envvar="RXMEASURE_ARCHIVES",
    help="The file that names the archives. Or RXMEASURE_ARCHIVES. "
    "Without it archives.toml in your settings folder is taken.",
)
_archive_options = all_of(click.argument("name", metavar="ARCHIVE"), config_option, json_option)


@click.group()
def archive() -> None:
    """Find and fetch films in a DICOM archive, send results to it.

    ARCHIVE is a name in the file of archives, which says where it is and how it is reached.
    """


@archive.command()
@_archive_options
def test(name: str, config: Path | None, as_json: bool) -> None:
    """Ask an archive for a sign of life."""
    _opened(name, config).test()
    emit("archive test", {"archive": name}, [f"{name} answers."], as_json=as_json)


@archive.command()
@_archive_options
@click.option("--patient-id", metavar="TEXT", default="", help="Of this patient's number.")
@click.option("--patient", metavar="NAME", default="", help="Family^Given; * for any text.")
@click.option("--accession", metavar="TEXT", default="", help="Of this accession number.")
@click.option("--since", type=_DAY, help="On this day or later, e.g. 2025-03-14.")
@click.option("--until", type=_DAY, help="On this day or earlier.")
@click.option("--modality", metavar="CODE", default="", help="With images of it; IO: intra-oral.")
@click.option("--study", metavar="UID", default="", help="This study, with its series.")
def find(
    name: str,
    config: Path | None,
    as_json: bool,
    patient_id: str,
    patient: str,
    accession: str,
    since: datetime | None,
    until: datetime | None,
    modality: str,
    study: str,
) -> None:
    """List studies; with --study the series of one.

    \b
    rxmeasure archive find hospital --since 2025-03-14 --modality IO
    """
    from rxmeasure.archive import Query

    place = _opened(name, config)
    studies = place.find(
        Query(
            patient_id=patient_id,
            patient_name=patient,
            accession_number=accession,
            modality=modality,
            since=None if since is None else since.date(),
            until=None if until is None else until.date(),
            study_uid=study,
        )
    )
    series = place.series(study) if study and studies.rows else None
    lines = _study_lines(studies)
    if series is not None:
        lines += ["", *_series_lines(series)]
    document = {"archive": name, "studies": studies, "series": series}
    emit("archive find", document, lines, as_json=as_json)


@archive.command()
@_archive_options
@click.option("--study", metavar="UID", required=True, help="All of this study,")
@click.option("--series", metavar="UID", default="", help="or of this series of it,")
@click.option("--object", "instance", metavar="UID", default="", help="or this object of that.")
@click.option("--out", type=FILE, metavar="FOLDER", required=True, help="Where films go.")
@click.pass_context
def fetch(
    ctx: click.Context,
    name: str,
    config: Path | None,
    as_json: bool,
    study: str,
    series: str,
    instance: str,
    out: Path,
) -> None:
    """Fetch films as FOLDER/STUDY/OBJECT.dcm; what is there is not fetched again.

    \b
    rxmeasure archive fetch hospital --study 1.2.3 --out films/
    """
    from rxmeasure.archive import Uids

    uids = Uids(study=study, series=series, instance=instance)
    place = _opened(name, config)
    with _progress() as tell:
        fetched = place.fetch(uids, out, tell)
    count = len(fetched.files)
    lines = [f"{count} there, {fetched.new} of them new, {len(fetched.failed)} failed. In: {out}"]
    lines += _remark_lines("Failed", fetched.failed)
    emit("archive fetch", {"archive": name, "fetched": fetched}, lines, as_json=as_json)
    if fetched.failed:
        ctx.exit(PARTLY_REFUSED)


@archive.command()
@_archive_options
@click.argument("files", type=FILE, nargs=-1, required=True, metavar="FILE|FOLDER...")
@click.pass_context
def send(
    ctx: click.Context, name: str, config: Path | None, as_json: bool, files: tuple[Path, ...]
) -> None:
    """Send DICOM objects, of a folder all *.dcm. What the archive has is not sent again.

    \b
    rxmeasure archive send hospital objects/
    """
    place = _opened(name, config)
    with _progress() as tell:
        sent = place.send(tuple(_all_files(files)), tell)
    lines = [
        f"{len(sent.sent)} sent, {len(sent.there_before)} there before, {len(sent.failed)} failed."
    ]
    lines += _remark_lines("Taken with a warning", sent.warned)
    lines += _remark_lines("Failed", sent.failed)
    emit("archive send", {"archive": name, "sent": sent}, lines, as_json=as_json)
    if sent.failed:
        ctx.exit(PARTLY_REFUSED)


def _opened(name: str, config: Path | None) -> Archive:
    from rxmeasure.archive import open_archive

    return open_archive(name, config)


def _all_files(files: Iterable[Path]) -> Iterator[Path]:
    for file in files:
        if file.is_dir():
            yield from sorted(file.rglob("*.dcm"))
        else:
            yield file


def _study_lines(studies: Found[StudyRow]) -> list[str]:
    rows: list[tuple[str, ...]] = [
        (
            "-" if row.taken is None else row.taken.isoformat(),
            row.patient_id or "-",
            row.patient_name or "-",
            "/".join(row.modalities) or "-",
            "-" if row.instance_count is None else str(row.instance_count),
            row.description or "-",
            row.study_uid,
        )
        for row in studies.rows
    ]
    head = ("Date", "Number", "Patient", "Kind", "Objects", "Study", "Identifier")
    return _table(head, rows) + _left_lines(studies, "studies")


def _series_lines(series: Found[SeriesRow]) -> list[str]:
    rows: list[tuple[str, ...]] = [
        (
            row.modality or "-",
            "-" if row.instance_count is None else str(row.instance_count),
            row.description or "-",
            row.series_uid,
        )
        for row in series.rows
    ]
    head = ("Kind", "Objects", "Series", "Identifier")
    return _table(head, rows) + _left_lines(series, "series")


def _table(head: tuple[str, ...], rows: list[tuple[str, ...]]) -> list[str]:
    return columns([head, *rows], indent="") if rows else []


def _left_lines(found: Found[StudyRow] | Found[SeriesRow], what: str) -> list[str]:
    lines = []
    if not found.rows:
        lines.append(f"No {what}.")
    if found.more:
        lines.append(f"There are more {what} than these. Narrow the search.")
    if found.left_out:
        lines.append(f"{found.left_out} {what} left out: their identifier is none by the standard.")
    return lines


def _remark_lines(label: str, remarks: Sequence[Remark]) -> list[str]:
    return [line for r in remarks for line in folded(f"{label}: {r.what}: {r.text}")]


@contextmanager
def _progress() -> Iterator[Callable[[Progress], None]]:
    """Tell how far it is, on a terminal."""
    if not sys.stderr.isatty():
        yield lambda _: None
        return

    def tell(progress: Progress) -> None:
        click.echo(f"\r{progress.done} of {progress.total} objects", nl=False, err=True)

    yield tell
    click.echo(err=True)
