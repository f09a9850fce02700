"""``rxmeasure deidentify``: copies of films and reviews without identity."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rxmeasure.cli.exit_codes import PARTLY_REFUSED
from rxmeasure.cli.options import FILE, json_option
from rxmeasure.cli.output import emit, folded, progress
from rxmeasure.cli.verb_group import tell_refusal

if TYPE_CHECKING:
    from rxmeasure.deidentify.desk import Desk
    from rxmeasure.deidentify.run import Item


@click.command()
@click.argument("paths", type=FILE, nargs=-1, required=True, metavar="FILE|FOLDER...")
@click.option(
    "--out", type=FILE, required=True, metavar="FOLDER", help="Where the copies go, to hand on."
)
@click.option(
    "--private",
    type=FILE,
    metavar="FOLDER",
    help="Key, contact sheet, decisions and list of originals, which stay with you. Else "
    "OUT-private beside --out.",
)
@json_option
@click.pass_context
def deidentify(
    ctx: click.Context, /, paths: tuple[Path, ...], out: Path, private: Path | None, as_json: bool
) -> None:
    """Copy films and their reviews without identity; the originals are never changed.

    DICOM (PS3.15 Basic Profile, dates shifted), PNG, JPEG, TIFF, review files, and structured
    reports of this program. Films that may show text are held back until you have looked at the
    contact sheet and written in look.txt which may go; then run the same command again.
    """
    from rxmeasure.atomic import make_folder
    from rxmeasure.deidentify.run import deidentify as run
    from rxmeasure.deidentify.run import files_of

    if private is None:
        place = Path(os.path.realpath(out))
        private = place.with_name(f"{place.name}-private")
    make_folder(out)
    with progress(len(files_of(paths)), "Copying") as step:
        items, desk = run(paths, out, private, progress=step)
    document = {"out": str(out), "private": str(private), "new_key": desk.new_key, "files": [
        {"file": str(i.source), "copy": i.copy, "decision": str(i.decision), "reason": i.reason,
         "by_person": i.by_person, "notes": i.notes} for i in items
    ]}  # fmt: skip
    emit("deidentify", document, _in_words(items, desk), as_json=as_json)
    refused = [item for item in items if item.refusal is not None]
    for item in refused:
        assert item.refusal is not None
        tell_refusal(item.refusal, as_json=as_json, file=item.source)
    if refused:
        first = refused[0].refusal
        assert first is not None
        ctx.exit(first.exit_code if len(refused) == len(items) else PARTLY_REFUSED)


def _in_words(items: list[Item], desk: Desk) -> Iterator[str]:
    from rxmeasure.deidentify.gate import Decision
    from rxmeasure.report.numbers import clean

    for decision, heading in (
        (Decision.RELEASE, "Released"),
        (Decision.LOOK, "Held back until you have looked"),
    ):
        some = [item for item in items if item.decision is decision]
        if some:
            yield f"{heading} ({len(some)}):"
            for item in some:
                yield from folded(f"{clean(item.source.name)} -> {item.copy}: {item.reason}")
                for note in item.notes:
                    yield from folded(note, indent="    ")
    yield ""
    if any(item.decision is Decision.LOOK for item in items):
        yield f"Look at {desk.sheet_path}, then write in {desk.decisions_path} what may go."
    if desk.new_key:
        yield from folded(
            f"A new key was made: {desk.key_path}. Keep a copy of it in a safe place, never with "
            "the films. Without it later films of the same patients get other names and dates, "
            "and nobody can find the originals again.",
            indent="",
        )
