"""``rxmeasure batch``: many films in one run that can be stopped and gone on with."""

from __future__ import annotations

import sys
from collections.abc import Callable
from importlib.util import find_spec
from pathlib import Path
from time import monotonic
from typing import TYPE_CHECKING, Any

import click

from rxmeasure.cli.batch_sources import maybe_store, opened_source, source_options
from rxmeasure.cli.exit_codes import PARTLY_REFUSED
from rxmeasure.cli.options import FILE, json_option, person_option, role_option
from rxmeasure.cli.output import emit
from rxmeasure.errors import WriteError
from rxmeasure.marks import FilmKind

if TYPE_CHECKING:
    from rxmeasure.batch import Counts

#: Seconds between two lines about progress where there is no terminal (choice).
LINE_EVERY_S = 60.0


@click.command()
@source_options
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
@person_option(required=False)
@role_option
@click.option("--profile", is_flag=True, help="Print the workers' time by step.")
@json_option
@click.pass_context
def batch(
    ctx: click.Context,
    /,
    out: Path,
    kind: str,
    rule_ids: tuple[str, ...],
    workers: int,
    scheduler: str | None,
    where: str | None,
    name: str | None,
    role: str,
    profile: bool,
    as_json: bool,
    **source: Any,
) -> None:
    """Measure all films of a folder, of a CSV with the column film, or of an archive.

    Films with marks beside them are measured by these; on others the program
    proposes the filled canals, called not confirmed. The same command goes on
    where an earlier run stopped.

    \b
    rxmeasure batch films/ --out results/ --workers 4
    rxmeasure batch films/ --out results/ --scheduler tcp://head:8786
    rxmeasure batch films/ --out results/ --as NAME --from-store a.rxstore --tooth 35
    rxmeasure batch --archive hospital --since 2024-01-01 --out results/
    """
    from rxmeasure.batch import BatchSettings, run_batch

    if find_spec("pyarrow") is None:
        raise WriteError(
            found="no package for Parquet tables.",
            needed="the extra batch of this package.",
            next_step='Install it: pip install "rxmeasure[batch]"',
        )
    with (
        maybe_store(where, name, role, source["key_path"]) as store,
        opened_source(out, name, role, **source) as opened,
    ):
        counts = run_batch(
            opened.films,
            BatchSettings(film_kind=FilmKind(kind), rule_ids=rule_ids),
            out,
            workers=workers,
            scheduler=scheduler,
            store=store,
            progress=_progress(opened.count),
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


def _progress(count: Callable[[], int]) -> Callable[[Counts], None]:
    """Rate and time left: in one line of a terminal, else a line now and then."""
    terminal = sys.stderr.isatty()
    total = count()
    start = monotonic()
    due = start + LINE_EVERY_S

    def tell(counts: Counts) -> None:
        nonlocal due
        now = monotonic()
        if terminal:
            click.echo(f"\r{_rate(counts, total, now - start)}  ", nl=False, err=True)
        elif now >= due:
            click.echo(_rate(counts, total, now - start), err=True)
            due = now + LINE_EVERY_S

    return tell


def _rate(counts: Counts, total: int, seconds: float) -> str:
    rate = counts.new / max(seconds, 1e-9)
    left = max(total - counts.new - counts.unreadable - counts.done_before, 0)
    done = f"{total - left} of {total} films, {rate:.2f} a second"
    if not rate:
        return done
    hours, minutes = divmod(round(left / rate / 60.0), 60)
    return f"{done}, {f'{hours} h ' if hours else ''}{minutes} min left"
