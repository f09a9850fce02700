"""``rxmeasure store``: reviews kept in a record store, with every revision."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import AbstractContextManager
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rxmeasure.cli import exit_codes
from rxmeasure.cli.options import FILE, ROLES, all_of, json_option, person_option, role_option
from rxmeasure.cli.output import columns, emit
from rxmeasure.errors import ConflictError, RxMeasureError, StoreError

if TYPE_CHECKING:
    from rxmeasure.store import Found, Search, Store
    from rxmeasure.store.files import Added

#: Differences that are shown (choice: fits a screen); JSON has all.
_SHOWN = 20
_OUTCOMES = ("met", "not met", "borderline", "cannot be judged")

_store_options = all_of(
    click.argument("where", metavar="STORE"),
    person_option(required=True),
    role_option,
    json_option,
)
key_option = click.option(
    "--key",
    "key_path",
    type=FILE,
    metavar="FILE",
    envvar="RXMEASURE_KEY",
    help="Key of the patients' pseudonyms; keep it apart from the store. Or RXMEASURE_KEY. "
    "Without it the key in your settings folder is taken.",
)
search_options = all_of(
    click.option("--tooth", metavar="FDI", help="Of this tooth."),
    click.option("--since", metavar="DAY", help="On this day or later, e.g. 2025-03-14."),
    click.option("--until", metavar="DAY", help="On this day or earlier."),
    click.option(
        "--outcome", type=click.Choice(_OUTCOMES), help="With this verdict of a canal on any item."
    ),
    click.option("--tag", metavar="TEXT", help="With this tag."),
    click.option("--reader", "owner", metavar="TEXT", help="Of this reader."),
    click.option("--case", "patient", metavar="TEXT", help="Of this case, as typed or as kept."),
    click.option("--film-kind", metavar="KIND", help="Of this kind of film."),
)
_search_options = all_of(
    search_options, click.option("--rule", metavar="ID", help="Judged by this rule set.")
)
_reason_option = click.option(
    "--reason", metavar="TEXT", default="", help="Why; kept with the revision."
)
_record_argument = click.argument("record_id", metavar="RECORD", type=click.IntRange(min=1))


@click.group()
def store() -> None:
    """Keep reviews with every revision, who made it and when.

    STORE is a file, or postgresql://NAME@HOST/DATABASE. Folders of review
    files stay usable without it.
    """
    if not all(map(find_spec, ("sqlalchemy", "alembic", "orjson"))):
        raise StoreError(
            found="no packages for a record store.",
            needed="the extra store of this package.",
            next_step='Install it: pip install "rxmeasure[store]"',
        )


@store.command()
@_store_options
@key_option
def init(where: str, name: str, role: str, as_json: bool, key_path: Path | None) -> None:
    """Make a store, and a key of pseudonyms where there is none."""
    from rxmeasure.store import Person, Role, make_key, make_store

    key = make_key(key_path or _usual_key())
    with make_store(where, Person(name=name, role=Role(role)), key_path=key.path):
        pass
    lines = [f"Store {where} is ready.", f"Key of pseudonyms: {key.path}"]
    lines += ["Keep a copy of the key apart from the store; without it no case is found again."]
    emit("store init", {"store": where, "key": str(key.path)}, lines, as_json=as_json)


@store.command()
@_store_options
@click.argument("paths", type=FILE, metavar="FILE...", nargs=-1, required=True)
@key_option
@click.option("--tag", "tags", metavar="TEXT", multiple=True, help="A tag (repeat for more).")
@_reason_option
@click.option(
    "--on-top", is_flag=True, help="Save a file that differs as the next revision; else refused."
)
@click.pass_context
def add(
    ctx: click.Context,
    where: str,
    name: str,
    role: str,
    as_json: bool,
    paths: tuple[Path, ...],
    key_path: Path | None,
    tags: tuple[str, ...],
    reason: str,
    on_top: bool,
) -> None:
    """Save review files, or folders of them."""
    from rxmeasure.cli.verb_group import refusal_record
    from rxmeasure.store.files import add_files

    with opened_store(where, name, role, key_path) as opened:
        added = []
        for one in add_files(opened, paths, tags=tags, reason=reason, on_top=on_top):
            added.append(one)
            if not as_json:
                _tell(one)
    refusals = [one.refusal for one in added if one.refusal is not None]
    document = {
        "added": [
            {"file": str(a.path), "record": a.record_id, "revision": a.number, "changed": a.changed}
            for a in added
            if a.refusal is None
        ],
        "refused": [
            refusal_record(one.refusal, one.path) | {"difference": _difference(one.refusal)}
            for one in added
            if one.refusal is not None
        ],
    }
    lines = [f"{sum(a.changed for a in added)} saved, {len(refusals)} refused."]
    emit("store add", document, lines, as_json=as_json)
    if refusals:
        all_refused = len(refusals) == len(added)
        ctx.exit(refusals[0].exit_code if all_refused else exit_codes.PARTLY_REFUSED)


@store.command()
@_store_options
@key_option
@_search_options
@click.option(
    "--limit", type=click.IntRange(min=1), default=100, show_default=True, help="Show so many."
)
def search(
    where: str,
    name: str,
    role: str,
    as_json: bool,
    key_path: Path | None,
    limit: int,
    **asked: str | None,
) -> None:
    """List records, the newest date first."""
    with opened_store(where, name, role, key_path) as opened:
        wanted = search_of(opened, asked)
        found = opened.find(wanted, limit=limit)
        count = opened.count(wanted)
    rows: list[tuple[str, ...]] = [
        ("record", "date", "tooth", "film", "reader", "case", "revision")
    ]
    rows += [_row_of(record) for record in found]
    lines = [*_table(rows), f"{len(found)} of {count} records."]
    emit("store search", {"count": count, "records": found}, lines, as_json=as_json)


@store.command()
@_store_options
@_record_argument
def history(where: str, name: str, role: str, as_json: bool, record_id: int) -> None:
    """Show every revision of a record: who, when, why, with which version."""
    with opened_store(where, name, role) as opened:
        revisions = opened.history(record_id)
    rows: list[tuple[str, ...]] = [
        ("revision", "what", "author", "role", "time (UTC)", "version", "hash", "reason")
    ]
    for r in revisions:
        time = r.time_utc[:19].replace("T", " ")
        what = (str(r.number), r.action, r.author, r.role, time)
        rows.append((*what, r.software_version, r.hash[:12], r.reason))
    emit("store history", {"revisions": revisions}, _table(rows), as_json=as_json)


@store.command()
@_store_options
@_record_argument
@click.option("--based-on", type=int, required=True, help="Number of the revision you saw.")
@click.option("--to", type=int, help="Number of the revision wanted; else the one before.")
@_reason_option
def undo(
    where: str,
    name: str,
    role: str,
    as_json: bool,
    record_id: int,
    based_on: int,
    to: int | None,
    reason: str,
) -> None:
    """Save the content of an older revision again, as a new one."""
    with opened_store(where, name, role) as opened:
        saved = opened.undo(record_id, based_on=based_on, to=to, reason=reason)
    line = f"Revision {saved.number} of record {saved.record_id} saved."
    emit("store undo", {"revision": saved}, [line], as_json=as_json)


@store.command()
@_store_options
@click.argument("folder", type=FILE)
@key_option
@_search_options
@click.option(
    "--images",
    type=FILE,
    metavar="FOLDER",
    help="Name the files after the images of this folder that they belong to.",
)
def export(
    where: str,
    name: str,
    role: str,
    as_json: bool,
    folder: Path,
    key_path: Path | None,
    images: Path | None,
    **asked: str | None,
) -> None:
    """Write the newest reviews found as review files into a folder."""
    from rxmeasure.store.files import export_files

    for needed in (folder, images):
        if needed is not None and not needed.is_dir():
            raise click.BadParameter(f"there is no folder {needed}.")
    with opened_store(where, name, role, key_path) as opened:
        written = list(export_files(opened, search_of(opened, asked), folder, images=images))
    lines = [*map(str, written), f"{len(written)} review files written."]
    emit("store export", {"files": [str(p) for p in written]}, lines, as_json=as_json)


@store.command()
@_store_options
@click.option("--hash", "known_hash", metavar="HASH", help="A newest hash that you noted before.")
def verify(where: str, name: str, role: str, as_json: bool, known_hash: str | None) -> None:
    """Check that every revision is what was saved; names the first that is not."""
    with opened_store(where, name, role) as opened:
        verified = opened.verify(known_hash=known_hash)
    lines = [
        f"{verified.revisions} revisions of {verified.records} records hold; "
        f"{verified.forgotten} records were forgotten.",
        f"Newest hash, to note elsewhere: {verified.newest_hash}",
    ]
    emit("store verify", {"verified": verified}, lines, as_json=as_json)


@store.command()
@_store_options
@click.argument("target", type=FILE)
def backup(where: str, name: str, role: str, as_json: bool, target: Path) -> None:
    """Copy the whole store while it is in use."""
    with opened_store(where, name, role) as opened:
        opened.back_up(target)
    lines = [f"{target} written. The key of pseudonyms is not in it: keep its copy elsewhere."]
    emit("store backup", {"file": str(target)}, lines, as_json=as_json)


@store.command()
@_store_options
@click.argument("patient", metavar="CASE")
@key_option
@click.option("--reason", metavar="TEXT", required=True, help="Why; this is kept.")
def forget(
    where: str,
    name: str,
    role: str,
    as_json: bool,
    patient: str,
    key_path: Path | None,
    reason: str,
) -> None:
    """Delete all that is kept of a case (role lead); the chain goes on to verify.

    Backups and review files outside the store are not touched.
    """
    with opened_store(where, name, role, key_path) as opened:
        emptied = opened.forget(patient, reason=reason)
    lines = [f"{emptied} records emptied. Backups and exported files still have them."]
    emit("store forget", {"records": emptied}, lines, as_json=as_json)


@store.command()
@_store_options
@click.argument("newcomer", metavar="LOGIN")
@click.option(
    "--to-role", type=click.Choice(ROLES), required=True, help="What the newcomer is to be."
)
def admit(where: str, name: str, role: str, as_json: bool, newcomer: str, to_role: str) -> None:
    """Let a login use a store on a server, in a role; for the database's owner."""
    from rxmeasure.store import Role

    with opened_store(where, name, role) as opened:
        opened.admit(newcomer, Role(to_role))
    lines = [f"{newcomer} is admitted as {to_role}. Set a password with psql: \\password"]
    emit("store admit", {"login": newcomer, "role": to_role}, lines, as_json=as_json)


def opened_store(
    where: str, name: str, role: str, key_path: Path | None = None
) -> AbstractContextManager[Store]:
    """Open a store as a person, with the key that is given or the usual one."""
    from rxmeasure.store import Person, Role, open_store

    usual = _usual_key()
    key = key_path or (usual if usual.is_file() else None)
    return open_store(where, Person(name=name, role=Role(role)), key_path=key)


def _usual_key() -> Path:
    return Path(click.get_app_dir("rxmeasure")) / "patients.key"


def search_of(opened: Store, asked: dict[str, str | None]) -> Search:
    """Return what `search_options` asked for.

    Raises
    ------
    AuditError
        A day that is none, or an end before the start: it would find nothing, without a word.
    """
    from rxmeasure.audit.dates import Period
    from rxmeasure.store import Search

    Period(since=asked["since"] or "", until=asked["until"] or "")
    patient = asked.pop("patient")
    return Search(**asked, patient=None if patient is None else opened.keyed(patient))


def _row_of(record: Found) -> tuple[str, ...]:
    film = record.film_kind or record.kind
    which = (str(record.record_id), record.date, record.tooth, film, record.owner)
    return (*which, record.patient or "", str(record.number))


def _table(rows: Sequence[Sequence[str]]) -> list[str]:
    """Columns under a heading; nothing where there is only the heading."""
    from rxmeasure.report.numbers import clean

    return columns([[clean(cell) for cell in row] for row in rows]) if len(rows) > 1 else []


def _tell(one: Added) -> None:
    from rxmeasure.cli.verb_group import tell_refusal
    from rxmeasure.report.numbers import clean

    if one.refusal is None:
        word = "saved as" if one.changed else "is already"
        place = f"revision {one.number} of record {one.record_id}"
        click.echo(f"{clean(str(one.path))}: {word} {place}")
        return
    tell_refusal(one.refusal, as_json=False, file=one.path)
    for change in _difference(one.refusal)[:_SHOWN]:
        what = f"{change['place']}: saved {change['saved']}, yours {change['yours']}"
        click.echo(f"    {clean(what)}", err=True)


def _difference(refusal: RxMeasureError) -> list[dict[str, str]]:
    changes = refusal.difference if isinstance(refusal, ConflictError) else ()
    return [{"place": p, "saved": s, "yours": y} for p, s, y in changes]
