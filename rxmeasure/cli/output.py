"""What a verb prints: one JSON document, or lines of plain text."""

from __future__ import annotations

import dataclasses
import json
import math
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from datetime import date
from pathlib import PurePath
from typing import TYPE_CHECKING, Any

import click

from rxmeasure import __version__

if TYPE_CHECKING:
    from rxmeasure.report.numbers import Numbers


def plain(value: Any) -> Any:
    """Dataclasses, tuples, numbers, days, paths as JSON holds them; an open end becomes null."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, dict):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(v) for v in value]
    if isinstance(value, (date, PurePath)):
        return str(value)
    if hasattr(value, "item"):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def emit(verb: str, document: dict[str, Any], lines: Iterable[str], *, as_json: bool) -> None:
    """Print the document as JSON, or the lines."""
    if as_json:
        whole = {"verb": verb, "software_version": __version__, **plain(document)}
        click.echo(json.dumps(whole, indent=1, allow_nan=False))
        return
    for line in lines:
        click.echo(line.rstrip())


def numbers_for(decimal_comma: bool) -> Numbers:
    """The number writer with the asked decimal mark."""
    from rxmeasure.report.numbers import Numbers

    return Numbers(decimal_mark="," if decimal_comma else ".")


def columns(rows: Sequence[Sequence[str]], *, indent: str = "  ") -> list[str]:
    """Rows of text in columns two blanks apart; the last column is left ragged."""
    if not rows:
        return []
    widths = [max(len(row[k]) for row in rows) for k in range(len(rows[0]))]
    return [
        indent
        + "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in rows
    ]


def folded(text: str, *, indent: str = "  ", mark: str = "") -> list[str]:
    """A sentence folded to the width of a page, ``mark`` before its first line."""
    import textwrap

    return textwrap.wrap(
        text,
        width=98,
        initial_indent=indent + mark,
        subsequent_indent=indent + " " * len(mark),
        break_long_words=False,
        break_on_hyphens=False,
    )


def value_with_u(numbers: Numbers, value: float, u: float | None, unit: str) -> str:
    """``value ± u unit``; the standard uncertainty is left out where there is none."""
    from rxmeasure.report.numbers import unit_text

    text = numbers.quantity(value, unit)
    if u is not None:
        text += f" ± {numbers.uncertainty(u, unit)}"
    return f"{text} {unit_text(unit)}".rstrip()


@contextmanager
def progress(length: int, label: str) -> Iterator[Callable[[str], None]]:
    """A bar on stderr, on a terminal and for more than one step only.

    Yields a function that is called with a word before each step.
    """
    if length < 2 or not sys.stderr.isatty():
        yield lambda _: None
        return
    with click.progressbar(
        length=length, label=label, file=sys.stderr, item_show_func=lambda item: item
    ) as bar:
        started = False

        def step(word: str) -> None:
            nonlocal started
            bar.update(1 if started else 0, word)
            started = True

        yield step
