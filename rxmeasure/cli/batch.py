"""``rxmeasure batch``: many films in one run that can be stopped and gone on with."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, nullcontext
from functools import partial
from importlib.util import find_spec
from pathlib import Path
from time import monotonic
from typing import TYPE_CHECKING

import click

from rxmeasure.cli.exit_codes import PARTLY_REFUSED
from rxmeasure.cli.options import FILE, json_option, person_option, role_option
from rxmeasure.cli.output import emit
from rxmeasure.cli.store import key_option, search_options
from rxmeasure.errors import WriteError
from rxmeasure.marks import FilmKind

if TYPE_CHECKING:
    from rxmeasure.batch import Counts, Film
    from rxmeasure.store import Store


@click.command()
@click.argument("source", type=FILE, metavar="FOLDER|CSV")
@click.option("--out", type=FILE, metavar="FOLDER", required=True, help="Where results go.")
@click.option(
    "--kind",
    type=click.Choice([str(k) for k in FilmKind if k.filled]),
    default=str(FilmKind.POSTOPERATIVE),
    show_default=True,
    help="Kind of the films without marks.",
)
@click.option("--rule", "rule_ids", metavar="ID", multiple=True, help="Judge by this rule set.")
@click.option(
    "--workers", type=click.IntRange(min=1), default=2, show_default=True, help="Processes here."
)
@click.option(
    "--scheduler", metavar="ADDRESS", help="Use the workers of this dask scheduler instead."
)
@click.option("--store", "where", metavar="STORE", help="Save the reviews in a record store too.")
@click.option(
    "--from-store",
    metavar="STORE",
    help="Only films with a review in this record store, by the newest marks there. The "
    "options from --tooth to --judged-by say which.",
)
@search_options
@click.option("--judged-by", metavar="ID", help="Judged by this rule set.")
@key_option
@person_option(required=False)
@role_option
@click.option("--profile", is_flag=True, help="Print the workers' time by step.")
@json_option
@click.pass_context
def batch(
    ctx: click.Context,
    source: Path,
    out: Path,
    kind: str,
    rule_ids: tuple[str, ...],
    workers: int,
    scheduler: str | None,
    where: str | None,
    from_store: str | None,
    judged_by: str | None,
    key_path: Path | None,
    name: str | None,
    role: str,
    profile: bool,
    as_json: bool,
    **asked: str | None,
) -> None:
    """Measure all films of a folder, or of a CSV with the column film.

    Films with marks beside them are measured by these; on others the program
    proposes the filled canals, called not confirmed. The same command goes on
    where an earlier run stopped.

    \b
    rxmeasure batch films/ --out results/ --workers 4
    rxmeasure batch films/ --out results/ --scheduler tcp://head:8786
    rxmeasure batch films/ --out results/ --as NAME --from-store clinic.rxstore \\
        --tooth 35 --outcome "not met" --rule zero_three
    """
    from rxmeasure.batch import BatchSettings, run_batch

    if find_spec("pyarrow") is None:
        raise WriteError(
            found="no package for Parquet tables.",
            needed="the extra batch of this package.",
            next_step='Install it: pip install "rxmeasure[batch]"',
        )
    if name is None and (where or from_store):
        raise click.UsageError("a record store needs --as NAME.")
    asked["rule"] = judged_by
    if from_store is None and any(asked.values()):
        raise click.UsageError("a search needs --from-store STORE.")
    with (
        _store(where, name, role, key_path) as store,
        _store(from_store, name, role, key_path) as searched,
    ):
        films, count = _films(source, searched, asked, out)
        counts = run_batch(
            films,
            BatchSettings(film_kind=FilmKind(kind), rule_ids=rule_ids),
            out,
            workers=workers,
            scheduler=scheduler,
            store=store,
            progress=_progress(count),
        )
    lines = [
        f"{counts.measured} measured, {counts.quarantined} in quarantine, "
        f"{counts.unreadable} unreadable, {counts.done_before} done before. Results: {out}"
    ]
    if profile:
        lines += [f"  {step:<8} {seconds:9.2f} s" for step, seconds in counts.seconds.items()]
    from rxmeasure.cli.tables import caution_lines

    lines += ["", *caution_lines()]
    emit("batch", {"out": str(out), "counts": counts}, lines, as_json=as_json)
    if counts.quarantined or counts.unreadable:
        ctx.exit(PARTLY_REFUSED)


def _films(
    source: Path, searched: Store | None, asked: dict[str, str | None], out: Path
) -> tuple[Iterator[Film], Callable[[], int]]:
    """Films, and how to count them."""
    from rxmeasure.batch import films_of_folder, films_of_store, films_of_table
    from rxmeasure.cli.store import search_of

    images = partial(films_of_folder if source.is_dir() else films_of_table, source)
    if searched is None:
        return images(), lambda: sum(1 for _ in images())
    search = search_of(searched, asked)
    return films_of_store(searched, search, images(), out / "marks"), lambda: searched.count(search)


def _store(
    where: str | None, name: str | None, role: str, key_path: Path | None
) -> AbstractContextManager[Store | None]:
    if where is None or name is None:
        return nullcontext()
    from rxmeasure.cli.store import opened_store

    return opened_store(where, name, role, key_path)


def _progress(count: Callable[[], int]) -> Callable[[Counts], None] | None:
    """Rate and time left on a terminal."""
    if not sys.stderr.isatty():
        return None
    total = count()
    start = monotonic()

    def tell(counts: Counts) -> None:
        rate = counts.new / max(monotonic() - start, 1e-9)
        left = total - counts.new - counts.unreadable - counts.done_before
        done = f"{total - left} of {total} films, {rate:.2f} a second"
        click.echo(f"\r{done}, {left / rate / 60.0:.0f} min left  ", nl=False, err=True)

    return tell
