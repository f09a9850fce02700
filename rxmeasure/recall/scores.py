"""Scores that the reader gives: scales from files, the tooth's score, what the numbers suggest.

A scale is one TOML file: ``id``, ``version``, ``title``, ``question``, ``tooth_rule``,
``in_doubt``, ``source``, ``status``, ``note`` and one ``[[choice]]`` for each score, best first,
with ``value``, ``label`` and ``group``. ``when`` and ``or_when`` say which measurement
suggests the choice. The program never picks a score.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from importlib import resources

from rxmeasure.criteria.rules import SourceStatus
from rxmeasure.errors import RecallError
from rxmeasure.recall.change import ChangeVerdict


class Symptoms(StrEnum):
    """Signs and symptoms, as the reader states them."""

    NONE = "none"
    PRESENT = "present"
    NOT_STATED = "not stated"


class Suggest(StrEnum):
    """When the reader sees what the measurement suggests."""

    NEVER = "never"
    AFTER_SCORING = "after scoring"


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """What has to hold for a choice to be suggested; what is left out does not matter."""

    change: tuple[ChangeVerdict, ...] = ()
    symptoms: Symptoms | None = None
    years_below: float | None = None
    years_from: float | None = None
    largest_above_mm: float | None = None
    largest_at_most_mm: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """One score of a scale: its value, its anchor in words, and its group."""

    value: str
    label: str
    group: str
    suggested_by: tuple[Condition, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """A published scale; ``choices`` from best to worst."""

    id: str
    version: str
    title: str
    question: str
    choices: tuple[Choice, ...]
    source: str
    status: SourceStatus
    note: str = ""
    first_check_years: float | None = None
    last_check_years: float | None = None

    def choice(self, value: str) -> Choice:
        """The choice of that value, or raise RecallError."""
        for choice in self.choices:
            if choice.value == value:
                return choice
        raise RecallError(
            found=f"a score '{value}' for {self.title}.",
            needed=f"one of: {', '.join(c.value for c in self.choices)}.",
            next_step="Choose one of these scores.",
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class ReaderScore:
    """A score that a reader gave to one root; an empty version is the current one."""

    scale_id: str
    root: str
    value: str
    reader: str = ""
    scale_version: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """What a measurement can say to a scale; None where it says nothing."""

    change: ChangeVerdict | None = None
    symptoms: Symptoms = Symptoms.NOT_STATED
    years: float | None = None
    largest_mm: float | None = None


def published_scales() -> dict[str, Scale]:
    """Scales that come with the package, by id."""
    return {scale.id: scale for scale in _published()}


def score(scale: Scale, root: str, value: str, *, reader: str = "") -> ReaderScore:
    """A reader's score; raises RecallError for a value that the scale does not have."""
    scale.choice(value)
    return ReaderScore(
        scale_id=scale.id, scale_version=scale.version, root=root, value=value, reader=reader
    )


def tooth_score(scale: Scale, scores: Iterable[ReaderScore]) -> Choice | None:
    """The worst root's score rules the tooth; None without a score on this scale."""
    values = [s.value for s in scores if s.scale_id == scale.id]
    ranks = [scale.choices.index(scale.choice(value)) for value in values]
    return scale.choices[max(ranks)] if ranks else None


def suggested(
    scale: Scale,
    measured: Measured,
    scores: Sequence[ReaderScore],
    *,
    root: str,
    show: Suggest = Suggest.AFTER_SCORING,
) -> Choice | None:
    """What the measurement suggests for a root, once the reader has scored it.

    Returns
    -------
    Choice or None
        None before the reader has scored, when suggestions are off, or when the
        measurement does not decide between the choices.
    """
    scored = any(s.scale_id == scale.id and s.root == root for s in scores)
    if show is Suggest.NEVER or not scored:
        return None
    fitting = [
        choice
        for choice in scale.choices
        if any(_holds(condition, measured) for condition in choice.suggested_by)
    ]
    return fitting[-1] if fitting else None


def _holds(condition: Condition, measured: Measured) -> bool:
    checks = (
        (bool(condition.change), measured.change in condition.change),
        (condition.symptoms is not None, measured.symptoms is condition.symptoms),
        (condition.years_below is not None, _below(measured.years, condition.years_below)),
        (condition.years_from is not None, _at_least(measured.years, condition.years_from)),
        (
            condition.largest_above_mm is not None,
            _below(condition.largest_above_mm, measured.largest_mm),
        ),
        (
            condition.largest_at_most_mm is not None,
            _at_least(condition.largest_at_most_mm, measured.largest_mm),
        ),
    )
    return all(holds for asked, holds in checks if asked)


def _below(value: float | None, limit: float | None) -> bool:
    return value is not None and limit is not None and value < limit


def _at_least(value: float | None, limit: float | None) -> bool:
    return value is not None and limit is not None and value >= limit


@cache
def _published() -> tuple[Scale, ...]:
    folder = resources.files("rxmeasure.recall") / "published"
    files = sorted(
        (file for file in folder.iterdir() if file.name.endswith(".toml")), key=lambda f: f.name
    )
    return tuple(parse_scale(f.read_text(encoding="utf-8"), f.name) for f in files)


def parse_scale(text: str, name: str) -> Scale:
    """Read a scale from TOML.

    Raises
    ------
    RecallError
        Not TOML, a key is missing or unknown, or a word is not one of those allowed.
    """
    from cattrs import BaseValidationError, Converter, transform_error

    try:
        data = tomllib.loads(text)
        worst_first = (data.pop("tooth_rule"), data.pop("in_doubt"))
        if worst_first != ("worst root", "higher"):
            raise RecallError(
                found=f"{name}: tooth_rule and in_doubt are {worst_first}.",
                needed="'worst root' and 'higher', the only ones known.",
                next_step="Correct these two keys.",
            )
        for choice in data.pop("choice"):
            conditions = [choice.pop("when")] if "when" in choice else []
            choice["suggested_by"] = (*conditions, *choice.pop("or_when", ()))
            data.setdefault("choices", []).append(choice)
        return Converter(forbid_extra_keys=True).structure(data, Scale)
    except tomllib.TOMLDecodeError as fault:
        raise _wrong(name, str(fault)) from fault
    except KeyError as fault:
        raise _wrong(name, f"no {fault}") from fault
    except BaseValidationError as fault:
        raise _wrong(name, transform_error(fault)[0][:300]) from fault


def _wrong(name: str, fault: str) -> RecallError:
    return RecallError(
        found=f"{name}: {fault}.",
        needed="a scale as in rxmeasure/recall/published.",
        next_step="Correct that entry.",
    )
