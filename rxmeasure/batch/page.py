"""A page that sums a batch up."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from pathlib import Path

from rxmeasure.atomic import write_text
from rxmeasure.batch.ledger import LedgerRow
from rxmeasure.report.cautions import CAUTIONS
from rxmeasure.report.numbers import clean
from rxmeasure.report.templating import html_page, need_report_packages

#: Quarantined films that the page names (choice); the tables have all.
NAMED = 200


def write_page(rows: Iterable[LedgerRow], path: Path) -> None:
    """Write counts, verdicts by rule set, the quarantined films with their reasons, cautions.

    Verdicts on canals that nobody confirmed stand apart.

    Raises
    ------
    WriteError
        It cannot be written, or the packages that make reports are missing.
    """
    need_report_packages()
    numbers: Counter[str] = Counter()
    verdicts: dict[bool, Counter[tuple[str, str]]] = {True: Counter(), False: Counter()}
    refused: list[tuple[str, str]] = []
    for row in rows:
        if row.review is None:
            numbers["refused" if row.image_sha256 else "unread"] += 1
            if len(refused) < NAMED:
                refused.append((clean(row.name), clean(row.reason)))
            continue
        numbers["measured"] += 1
        numbers["unscaled"] += row.review["calibration"] is None
        for verdict in row.review["verdicts"]:
            if verdict["field"] == "overall" and verdict["canal"]:
                rule = f"{verdict['rule_id']}, version {verdict['rule_version']}"
                verdicts[verdict["confirmed"]][rule, verdict["outcome"]] += 1
    content = {
        "facts": [
            ("Films measured", numbers["measured"]),
            ("of these without a scale", numbers["unscaled"]),
            ("Films in quarantine", numbers["refused"]),
            ("Files that could not be read", numbers["unread"]),
        ],
        "verdicts": [
            ("Verdicts on canals with marks", _listed(verdicts[True])),
            ("Verdicts on canals that the program proposed, not confirmed",
             _listed(verdicts[False])),
        ],
        "refused": refused,
        "refused_more": numbers["refused"] + numbers["unread"] - len(refused),
        "cautions": CAUTIONS,
    }  # fmt: skip
    write_text(path, html_page("batch.html.j2", c=content))


def _listed(counts: Counter[tuple[str, str]]) -> list[tuple[str, str, int]]:
    return [(rule, outcome, count) for (rule, outcome), count in sorted(counts.items())]
