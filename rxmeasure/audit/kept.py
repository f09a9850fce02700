"""Audits and sampling plans as JSON files, to be reported or compared later."""

from __future__ import annotations

import json
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from rxmeasure.atomic import write_text
from rxmeasure.audit.results import Audit
from rxmeasure.audit.statistics.denominators import Level
from rxmeasure.audit.statistics.sampling import SamplingMethod, SamplingPlan
from rxmeasure.errors import AuditError
from rxmeasure.record.parsing import check_tree, read_json
from rxmeasure.values import as_plain

if TYPE_CHECKING:
    from cattrs import Converter

AUDIT_SUFFIX = ".rxaudit.json"
PLAN_SUFFIX = ".rxplan.json"
_AUDIT, _PLAN = "rxmeasure-audit", "rxmeasure-sampling-plan"
_VERSION = 1
#: Most values of a file (choice: a plan for an archive of 100,000 films names each of them).
_MAX_VALUES = 1_000_000
_Kept = TypeVar("_Kept", Audit, SamplingPlan)


def save_audit(audit: Audit, path: str | Path) -> None:
    """Keep an audit. It names no patient.

    Raises
    ------
    WriteError
        The file cannot be written; an older one stays as it was.
    """
    _save(audit, _AUDIT, Path(path))


def load_audit(path: str | Path) -> Audit:
    """Read a kept audit.

    Raises
    ------
    AuditError
        Not an audit, damaged, or of another version.
    """
    return _load(Audit, _AUDIT, Path(path))


def save_plan(plan: SamplingPlan, path: str | Path) -> None:
    """Keep a sampling plan; errors as in `save_audit`."""
    _save(plan, _PLAN, Path(path))


def load_plan(path: str | Path) -> SamplingPlan:
    """Read a kept sampling plan; errors as in `load_audit`."""
    return _load(SamplingPlan, _PLAN, Path(path))


def _save(value: Audit | SamplingPlan, heading: str, path: Path) -> None:
    document = {
        "format": heading,
        "format_version": _VERSION,
        "content": as_plain(_converter().unstructure(value)),
    }
    check_tree(document, name=path.name, error=AuditError)
    write_text(path, json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False) + "\n")


def _load(kind: type[_Kept], heading: str, path: Path) -> _Kept:
    from cattrs import BaseValidationError, transform_error

    tree = read_json(path, AuditError, most=_MAX_VALUES)
    document = tree if isinstance(tree, dict) else {}
    content = document.get("content")
    found = (document.get("format"), document.get("format_version"))
    if found != (heading, _VERSION) or not isinstance(content, dict):
        raise AuditError(
            found=f"{path.name}, which has not the heading of version {_VERSION} of {heading}.",
            needed="a file that this program saved.",
            next_step="Choose another file, or make it again with this version.",
        )
    try:
        return _converter().structure(content, kind)
    except BaseValidationError as fault:
        raise AuditError(
            found=f"{path.name} does not fit: {transform_error(fault)[0][:300]}.",
            needed="an undamaged file.",
            next_step="Take another copy, or make it again.",
        ) from fault


@cache
def _converter() -> Converter:
    from cattrs import Converter

    converter = Converter(forbid_extra_keys=True)
    for kind, wanted in ((float, (float, int)), (int, (int,)), (bool, (bool,)), (str, (str,))):
        converter.register_structure_hook(kind, _exactly(kind, wanted))
    for words in (Level, SamplingMethod):
        # Text by inheritance: without its own hook it would stay plain text.
        converter.register_structure_hook(words, lambda value, kind: kind(value))
    return converter


def _exactly(kind: type, wanted: tuple[type, ...]) -> Callable[[Any, Any], Any]:
    """A hook that takes a value of this kind, and none that could be made into it."""

    def hook(value: Any, _: Any) -> Any:
        if type(value) not in wanted:
            raise ValueError(f"not of type {kind.__name__}: {str(value)[:80]!r}")
        return kind(value)

    return hook
