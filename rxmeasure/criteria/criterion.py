"""Rule sets: the published ones, and those of a clinic's own.

A rule set is one TOML file. Top level: ``id``, ``version``, ``title``,
``film_kinds``, ``note`` (optional) and one ``[[field]]`` for each thing judged.
Every field has ``name``, ``kind``, ``source``, ``status`` (read / from memory /
common practice, no source / choice) and ``note`` (optional). The kinds:

``bands``
    ``measure``, ``unit`` and ``[[field.band]]`` in ascending order, each with
    ``label``, ``outcome`` (met / not met / unclassified) and its limits:
    ``at_least`` or ``above``, ``at_most`` or ``below``. Every value has its
    band: a gap in a published table is a band of outcome ``unclassified``.
``yes_no``
    ``measure`` (yes/no, or a count: yes is one or more), ``met_when``
    (``"yes"`` / ``"no"``), ``label_yes``, ``label_no``.
``flag``
    ``measure``, ``label_yes``, ``label_no``, ``prompt``; never scored.
``code``
    ``code_measure`` and ``[[field.value]]`` with ``equals``, ``label``,
    ``outcome``; other values go on to ``bands`` or ``yes_no`` given beside.
``reader``
    ``question`` and ``[[field.value]]``: only the reader can say.
``all``, ``any``
    ``fields``, ``label_met``, ``label_not_met``.
``score``
    ``fields`` and ``[[field.band]]`` over how many of them are met.

``bands`` and ``yes_no`` may name a ``floor_measure``: the smallest thing the
film could have shown. A field named ``overall`` stands for the whole canal.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import cache
from importlib import resources
from pathlib import Path

from rxmeasure.criteria.rule_file import parse_rule_set
from rxmeasure.criteria.rules import (
    OVERALL,
    Band,
    BandOutcome,
    BandsRule,
    CodeRule,
    CodeValue,
    CombinationRule,
    FieldText,
    FlagRule,
    ReaderRule,
    Rule,
    RuleField,
    RuleSet,
    RuleSetText,
    ScoreRule,
    SourceStatus,
    YesNoRule,
    describe,
)
from rxmeasure.criteria.toml_lines import key_lines, line_of
from rxmeasure.errors import CriterionError
from rxmeasure.marks import FilmKind
from rxmeasure.record.parsing import MAX_TOML_BYTES, read_text

__all__ = [
    "OVERALL",
    "Band",
    "BandOutcome",
    "BandsRule",
    "CodeRule",
    "CodeValue",
    "CombinationRule",
    "FieldText",
    "FlagRule",
    "ReaderRule",
    "Rule",
    "RuleField",
    "RuleSet",
    "RuleSetText",
    "ScoreRule",
    "SourceStatus",
    "YesNoRule",
    "default_rule_set_ids",
    "describe",
    "load_rule_set",
    "load_rule_sets",
    "pick_rule_sets",
    "published_rule_sets",
]

_DEFAULTS: dict[FilmKind, tuple[str, ...]] = {
    FilmKind.PREOPERATIVE: ("apex_coverage",),
    FilmKind.WORKING_LENGTH: ("tip_within_three", "apex_coverage"),
    FilmKind.MASTER_CONE: ("tip_within_three", "apex_coverage"),
    FilmKind.POSTOPERATIVE: ("zero_two", "extrusion", "gross_extrusion", "apex_coverage"),
    FilmKind.RECALL: ("zero_two", "extrusion", "gross_extrusion", "apex_coverage"),
}


@cache
def _published() -> tuple[RuleSet, ...]:
    folder = resources.files("rxmeasure.criteria") / "published"
    files = sorted(
        (file for file in folder.iterdir() if file.name.endswith(".toml")), key=lambda f: f.name
    )
    return tuple(parse_rule_set(f.read_text(encoding="utf-8"), f.name) for f in files)


def published_rule_sets() -> dict[str, RuleSet]:
    """Rule sets that come with the package, by id."""
    return {rule_set.id: rule_set for rule_set in _published()}


def default_rule_set_ids(film_kind: FilmKind) -> tuple[str, ...]:
    """Rule sets a film of this kind is judged by unless others are chosen.

    0 to 2 mm is the most used length rule (reference beside the rule).
    """
    return _DEFAULTS[FilmKind(film_kind)]


def pick_rule_sets(
    ids: Iterable[str], *, among: Mapping[str, RuleSet] | None = None
) -> tuple[RuleSet, ...]:
    """Rule sets of these ids, in this order, each once.

    Parameters
    ----------
    ids : iterable of str
    among : mapping of str to RuleSet, optional
        The published ones when left out.

    Raises
    ------
    CriterionError
        There is no such rule set.
    """
    known = published_rule_sets() if among is None else among
    wanted = tuple(dict.fromkeys(ids))
    for rule_id in wanted:
        if rule_id not in known:
            raise CriterionError(
                found=f"the rule set '{rule_id}', which does not exist.",
                needed=f"one of: {', '.join(known)}.",
                next_step="Correct the id, or give the file that holds it.",
            )
    return tuple(known[rule_id] for rule_id in wanted)


def load_rule_set(path: str | Path) -> RuleSet:
    """Read a rule set from a TOML file.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    RuleSet

    Raises
    ------
    CriterionError
        The file cannot be read, is wrong (the message names the line), or has
        the id of a published rule set but says something else.
    """
    path = Path(path)
    text = _text_of(path)
    rule_set = parse_rule_set(text, path.name)
    published = published_rule_sets().get(rule_set.id)
    if published is not None and published != rule_set:
        raise _duplicate(path, rule_set.id, text, "a published rule set")
    return rule_set


def load_rule_sets(paths: Iterable[str | Path]) -> dict[str, RuleSet]:
    """Published rule sets and those of the given files, by id.

    Raises
    ------
    CriterionError
        A file is wrong, or two files share an id.
    """
    rule_sets = published_rule_sets()
    own: set[str] = set()
    for path in map(Path, paths):
        rule_set = load_rule_set(path)
        if rule_set.id in own:
            raise _duplicate(path, rule_set.id, _text_of(path), "another file")
        own.add(rule_set.id)
        rule_sets[rule_set.id] = rule_set
    return rule_sets


def _text_of(path: Path) -> str:
    return read_text(path, MAX_TOML_BYTES, CriterionError, mark_allowed=True)


def _duplicate(path: Path, rule_id: str, text: str, whose: str) -> CriterionError:
    return CriterionError(
        found=f"{path.name}, line {line_of(key_lines(text), ('id',))}: "
        f"the id '{rule_id}' of {whose}.",
        needed="an id of its own: reports print it to tell rules apart.",
        next_step="Choose another id.",
    )
