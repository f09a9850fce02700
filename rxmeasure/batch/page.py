"""A page that sums a batch up."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from html import escape
from pathlib import Path

from rxmeasure.atomic import write_text
from rxmeasure.batch.ledger import LedgerRow

#: Quarantined films that the page names (choice); the tables have all.
NAMED = 200


def write_page(rows: Iterable[LedgerRow], path: Path) -> None:
    """Write counts, verdicts by rule, and the quarantined films with their reasons.

    Raises
    ------
    WriteError
        It cannot be written.
    """
    numbers: Counter[str] = Counter()
    verdicts: Counter[tuple[str, str]] = Counter()
    refused: list[tuple[str, str]] = []
    for row in rows:
        if row.review is None:
            numbers["Films in quarantine"] += 1
            if len(refused) < NAMED:
                refused.append((row.name, row.reason))
            continue
        numbers["Films measured"] += 1
        for canal in row.review["marks"]["canals"]:
            proposed = canal["origin"] == "not confirmed"
            numbers["Canals not confirmed" if proposed else "Canals with marks"] += 1
        for verdict in row.review["verdicts"]:
            if verdict["field"] == "overall":
                verdicts[f"{verdict['rule_id']} {verdict['rule_version']}", verdict["outcome"]] += 1
    counted = [(name, str(count)) for name, count in sorted(numbers.items())]
    judged = [(rule, word, str(count)) for (rule, word), count in sorted(verdicts.items())]
    parts = [
        _table("Films and canals", ("What", "Number"), counted),
        _table("Verdicts of canals", ("Rule", "Verdict", "Number"), judged),
        _table("Quarantine", ("Film", "Reason"), refused),
    ]
    head = '<!doctype html><html lang="en"><meta charset="utf-8"><title>Batch</title>'
    style = "<style>body{font:11pt sans-serif;margin:2em}td,th{text-align:left;padding:2px 1em}"
    note = "<p>Values of canals that are not confirmed are proposals of the program.</p>"
    write_text(path, f"{head}{style}</style><h1>Batch</h1>{note}{''.join(parts)}</html>\n")


def _table(title: str, head: tuple[str, ...], rows: Sequence[tuple[str, ...]]) -> str:
    if not rows:
        return ""
    cells = "".join(f"<th>{escape(cell)}</th>" for cell in head)
    body = "".join(
        "<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in row) + "</tr>" for row in rows
    )
    return f"<h2>{escape(title)}</h2><table><tr>{cells}</tr>{body}</table>"
