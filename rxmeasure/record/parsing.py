"""Reading JSON and TOML files that may be damaged or hostile.

Beyond the grammar, a tree is refused when it holds what cannot be kept
exactly: a repeated key, NaN or infinity, a whole number beyond 2**53 (RFC 7493,
section 2.2), text that is not Unicode.
"""

from __future__ import annotations

import json
import math
import stat
from collections.abc import Iterator
from pathlib import Path
from tomllib import TOMLDecodeError
from typing import Any

from rxmeasure.errors import RxMeasureError
from rxmeasure.toml_text import toml_tree

#: Largest JSON file that is read (choice: a review of four canals with all its draws is < 10 MiB).
MAX_JSON_BYTES = 32 * 2**20
#: Largest TOML file that is read (choice: marks typed by hand are a few kB).
MAX_TOML_BYTES = 1 * 2**20
#: Most values that a JSON file may hold (choice: a review of four canals has 15,000; to check
#: a tenth of a millisecond each takes).
MAX_VALUES = 100_000
#: Deepest nesting that is read (choice: the formats need fewer than 12 levels).
MAX_DEPTH = 32

_MAX_WHOLE = 2**53
_MARK = b"\xef\xbb\xbf"

_Trail = tuple[Any, Any] | None


class _Repeated(dict[str, Any]):
    """An object in which ``key`` came twice."""

    key = ""


def read_json(path: Path, error: type[RxMeasureError], *, most: int = MAX_VALUES) -> Any:
    """Return the parsed JSON file, or raise ``error`` with the place of the fault."""
    return parse_json(read_text(path, MAX_JSON_BYTES, error), path, error, most=most)


def parse_json(
    text: str, path: Path, error: type[RxMeasureError], *, most: int = MAX_VALUES
) -> Any:
    """Return the parsed JSON text of `path`, or raise ``error`` with the place of the fault.

    Texts of more than ``most`` values, told by their commas and brackets, are refused.
    """
    if sum(map(text.count, ",[{")) > most:
        raise error(
            found=f"{path.name} holds more than {most:,} values.",
            needed="a file of common size.",
            next_step="Check that this is the right file.",
        )
    try:
        tree = json.loads(text, object_pairs_hook=_object)
    except json.JSONDecodeError as fault:
        raise error(
            found=f"{path.name} is not JSON: {fault.msg} at line {fault.lineno}, "
            f"column {fault.colno}.",
            needed="a whole JSON file.",
            next_step="Correct the file at that place or take an undamaged copy.",
        ) from fault
    except RecursionError as fault:
        raise _too_deep(path, error) from fault
    except ValueError as fault:
        raise error(
            found=f"{path.name} holds a number that is too long to be read.",
            needed="numbers of common length.",
            next_step="Correct the file or take an undamaged copy.",
        ) from fault
    check_tree(tree, name=path.name, error=error)
    return tree


def read_toml(path: Path, error: type[RxMeasureError]) -> Any:
    """Return the parsed TOML file, or raise ``error`` with the place of the fault."""
    text = read_text(path, MAX_TOML_BYTES, error)
    try:
        tree = toml_tree(text)
    except TOMLDecodeError as fault:
        raise error(
            found=f"{path.name} is not TOML: {fault}.",
            needed="a whole TOML file.",
            next_step="Correct the file at that line.",
        ) from fault
    check_tree(tree, name=path.name, error=error)
    return tree


def check_tree(tree: Any, *, name: str, error: type[RxMeasureError]) -> None:
    """Raise ``error`` with the place of anything in the tree that JSON cannot keep exactly."""
    for node, trail, depth in _walk(tree):
        fault = ""
        if depth > MAX_DEPTH:
            raise _too_deep(Path(name), error)
        if isinstance(node, _Repeated):
            fault = f"the key {_short(node.key)} twice in one object"
        elif isinstance(node, float) and not math.isfinite(node):
            fault = "a number that is not finite"
        elif isinstance(node, int) and abs(node) > _MAX_WHOLE:
            fault = "a whole number beyond 2**53"
        elif isinstance(node, str) and not _is_unicode(node):
            fault = "text with broken characters"
        if fault:
            raise error(
                found=f"{name} holds {fault}, at {_place(trail)}.",
                needed="unique keys, finite numbers and whole Unicode text.",
                next_step="Correct that entry.",
            )


def refuse(tree: Any, schema: str, *, name: str, error: type[RxMeasureError]) -> None:
    """Raise ``error`` with the place when the tree does not fit the shipped schema file."""
    from itertools import islice

    from jsonschema.exceptions import best_match

    # The first fault only: a hostile file may have millions.
    fault = best_match(islice(_validator(schema).iter_errors(tree), 1))
    if fault is not None:
        message = fault.message if len(fault.message) <= 300 else fault.message[:300] + " ..."
        raise error(
            found=f"{name} is wrong at {fault.json_path[:200]}: {message}.",
            needed=f"a file that fits {Path(schema).name}.",
            next_step="Correct that entry.",
        )


_VALIDATORS: dict[str, Any] = {}


def _validator(schema: str) -> Any:
    if schema not in _VALIDATORS:
        from jsonschema import Draft202012Validator
        from jsonschema.validators import extend

        strict = extend(  # type: ignore[no-untyped-call]
            Draft202012Validator,
            type_checker=Draft202012Validator.TYPE_CHECKER.redefine(
                "integer", lambda _, value: _is_whole(value)
            ),
        )
        text = Path(schema).read_text(encoding="utf-8")
        _VALIDATORS[schema] = strict(json.loads(text))
    return _VALIDATORS[schema]


def _is_whole(value: Any) -> bool:
    """Whether a number is whole and small enough to be kept exactly: 3, 3.0, not 1e300."""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return False
    return abs(value) <= _MAX_WHOLE and value == int(value)


def read_text(
    path: Path, limit: int, error: type[RxMeasureError], *, mark_allowed: bool = False
) -> str:
    """The text of a UTF-8 file of at most ``limit`` bytes, or raise ``error``.

    A byte order mark is refused, or passed over where it is allowed.
    """
    try:
        if not stat.S_ISREG(path.stat().st_mode):
            raise error(
                found=f"{path.name} is not a file.",
                needed="a file.",
                next_step="Choose a file.",
            )
        with path.open("rb") as file:
            data = file.read(limit + 1)
    except OSError as fault:
        raise error(
            found=f"{path.name} cannot be read: {fault.strerror}.",
            needed="a file that can be read.",
            next_step="Check the name and the right to read it.",
        ) from fault
    if len(data) > limit:
        raise error(
            found=f"{path.name} is larger than {limit // 2**20} MiB.",
            needed="a file of common size.",
            next_step="Check that this is the right file.",
        )
    if mark_allowed:
        data = data.removeprefix(_MARK)
    if data.startswith(_MARK):
        raise error(
            found=f"{path.name} begins with a byte order mark, at line 1.",
            needed="UTF-8 without a byte order mark.",
            next_step="Save the file as plain UTF-8.",
        )
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as fault:
        line = data.count(b"\n", 0, fault.start) + 1
        raise error(
            found=f"{path.name} is not UTF-8 at line {line}.",
            needed="UTF-8 text.",
            next_step="Save the file as UTF-8.",
        ) from fault


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    made = dict(pairs)
    if len(made) == len(pairs):
        return made
    repeated = _Repeated(made)
    seen: set[str] = set()
    repeated.key = next(k for k, _ in pairs if k in seen or seen.add(k))  # type: ignore[func-returns-value]
    return repeated


def _walk(tree: Any) -> Iterator[tuple[Any, _Trail, int]]:
    """All nodes and keys with their trail, without recursion."""
    waiting: list[tuple[Any, _Trail, int]] = [(tree, None, 0)]
    while waiting:
        node, trail, depth = waiting.pop()
        yield node, trail, depth
        if isinstance(node, dict):
            for key, value in node.items():
                yield key, trail, depth
                waiting.append((value, (trail, key), depth + 1))
        elif isinstance(node, (list, tuple)):
            waiting.extend((value, (trail, k), depth + 1) for k, value in enumerate(node))


def _place(trail: _Trail) -> str:
    steps: list[str] = []
    while trail is not None:
        trail, key = trail
        if isinstance(key, int):
            steps.append(f"[{key}]")
        else:
            steps.append(f".{key}" if key.isidentifier() else f"[{_short(key)}]")
    return ("$" + "".join(reversed(steps)))[:200]


def _short(key: str) -> str:
    return ascii(key if len(key) <= 40 else key[:40] + "...")


def _is_unicode(text: str) -> bool:
    try:
        text.encode("utf-8")
    except UnicodeEncodeError:
        return False
    return True


def _too_deep(path: Path, error: type[RxMeasureError]) -> RxMeasureError:
    return error(
        found=f"{path.name} is nested more than {MAX_DEPTH} levels deep.",
        needed="a file of the expected form.",
        next_step="Check that this is the right file.",
    )
