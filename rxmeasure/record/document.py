"""What the kept files share: a heading with format and version, a checked tree, its text."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any

from rxmeasure.errors import ReviewFileError
from rxmeasure.record.parsing import check_tree
from rxmeasure.values import as_plain

if TYPE_CHECKING:
    from cattrs import Converter

Document = dict[str, Any]

# Line breaks inside an array of plain numbers; a JSON string never holds a raw line break.
_NUMBER_ARRAY = re.compile(r"\[\n[-+.\deE,\s]*\]")


@dataclass(frozen=True, slots=True, kw_only=True)
class DocumentKind:
    """One kind of kept file.

    Attributes
    ----------
    format, version
        Its heading.
    key : str
        Where its content stands.
    name : str
        What it is called, with its article.
    otherwise, too_old : str
        Next step where the file is another one, and where no step leads from its version.
    """

    format: str
    version: int
    key: str
    name: str
    otherwise: str
    too_old: str


def tree_of(content: Any, kind: DocumentKind, *, name: str) -> Document:
    """What a file of that kind holds.

    Raises
    ------
    ReviewFileError
        A value cannot be kept (NaN, infinity, broken text); the place in ``name`` is told.
    """
    document = {
        "format": kind.format,
        "format_version": kind.version,
        kind.key: as_plain(converter().unstructure(content)),
    }
    check_tree(document, name=name, error=ReviewFileError)
    return document


def as_json(document: Document) -> str:
    """The text of a file for people too: indented, arrays of numbers on one line."""
    text = json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False)
    return _NUMBER_ARRAY.sub(lambda m: re.sub(r"\s+", " ", m[0]), text) + "\n"


def migrated(
    tree: Any, kind: DocumentKind, steps: Mapping[int, Callable[[Document], Document]]
) -> Document:
    """Bring a parsed file to the version of its kind; the tree is not changed.

    Parameters
    ----------
    tree
        The parsed file.
    kind : DocumentKind
    steps : mapping
        Version -> function to the next version.

    Raises
    ------
    ReviewFileError
        Not a file of that kind, made by a newer program, or too old for any step.
    """
    document: Document = tree if isinstance(tree, dict) else {}
    found = document.get("format_version")
    if document.get("format") != kind.format or type(found) is not int or found < 0:
        raise ReviewFileError(
            found=f"a JSON file without the heading of {kind.name}.",
            needed=f'"format": "{kind.format}" and a whole "format_version".',
            next_step=kind.otherwise,
        )
    if found > kind.version:
        raise ReviewFileError(
            found=f"{kind.name} of version {found}, made by a newer program.",
            needed=f"version {kind.version} or older.",
            next_step="Open it with the newer program; this one would lose part of it.",
        )
    while found < kind.version:
        if found not in steps:
            raise ReviewFileError(
                found=f"{kind.name} of version {found}.",
                needed=f"a version that can be brought to version {kind.version}.",
                next_step=kind.too_old,
            )
        document = {**steps[found](document), "format_version": found + 1}
        found += 1
    return document


@cache
def converter() -> Converter:
    """Between dataclasses and plain trees; unknown keys are refused."""
    from cattrs import Converter

    made = Converter(forbid_extra_keys=True)
    # The one field that may be number, yes/no or text keeps what JSON gave.
    made.register_structure_hook(float | bool | str | None, lambda value, _: value)
    return made
