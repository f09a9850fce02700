"""``rxmeasure rules``: criteria, the published ones and your own."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from rxmeasure.cli.options import FILE, json_option
from rxmeasure.cli.output import columns, emit, folded

if TYPE_CHECKING:
    from rxmeasure.criteria.rules import RuleSet


@click.group()
def rules() -> None:
    """List, show and check criteria."""


@rules.command("list")
@json_option
def list_rules(as_json: bool) -> None:
    """List the published rule sets, and by which of them each kind of film is judged."""
    from rxmeasure.criteria.criterion import default_rule_set_ids, published_rule_sets
    from rxmeasure.marks import FilmKind

    sets = published_rule_sets()
    defaults = {str(kind): default_rule_set_ids(kind) for kind in FilmKind}
    document = {
        "rule_sets": [
            {"id": r.id, "version": r.version, "title": r.title, "film_kinds": r.film_kinds}
            for r in sets.values()
        ],
        "defaults": defaults,
    }
    lines = columns(
        [("id", "version", "title"), *((r.id, r.version, r.title) for r in sets.values())]
    )
    lines += ["", "Judged by without --rule"]
    lines += columns([(kind, ", ".join(ids)) for kind, ids in defaults.items()])
    emit("rules list", document, lines, as_json=as_json)


@rules.command()
@click.argument("rule_id", metavar="ID")
@json_option
def show(rule_id: str, as_json: bool) -> None:
    """Show a published rule set in words, with its sources."""
    from rxmeasure.criteria.criterion import pick_rule_sets

    (rule_set,) = pick_rule_sets((rule_id,))
    emit("rules show", {"rule_set": rule_set}, _in_words(rule_set), as_json=as_json)


@rules.command()
@click.argument("file", type=FILE)
@json_option
def check(file: Path, as_json: bool) -> None:
    """Check your own criteria file (TOML), and show it in words."""
    from rxmeasure.criteria.criterion import load_rule_set

    rule_set = load_rule_set(file)
    emit("rules check", {"rule_set": rule_set}, _in_words(rule_set), as_json=as_json)


def _in_words(rule_set: RuleSet) -> list[str]:
    from rxmeasure.criteria.rules import describe
    from rxmeasure.report.numbers import clean

    words = describe(rule_set)
    lines = [f"{clean(words.id)}, version {clean(words.version)}: {clean(words.title)}"]
    lines += ["films: " + ", ".join(rule_set.film_kinds)]
    lines += folded(clean(words.note), indent="") if words.note else []
    for field in words.fields:
        lines += ["", f"{clean(field.name)}: {clean(field.what)}"]
        for line in field.lines:
            lines += folded(clean(line), mark="- ")
        lines += folded(f"Source ({field.status}): {clean(field.source)}")
        lines += folded(clean(field.note)) if field.note else []
    return lines
