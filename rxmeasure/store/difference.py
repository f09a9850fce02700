"""Where two documents differ, for a person who has to choose between them."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

#: Longest value that is told (choice: fits a line).
_LONGEST = 80
#: Parts of a review that a person enters or reads; the rest is computed from them.
_TOLD_OF_REVIEW = ("marks", "verdicts")


def difference(saved: Any, yours: Any) -> tuple[tuple[str, str, str], ...]:
    """Return (place, what is saved, what is yours) for every value that differs.

    Of reviews only what a person entered, and the verdicts, are compared; when these are
    equal, everything is.
    """
    if _holds_review(saved) and _holds_review(yours):
        told = tuple(
            change
            for part in _TOLD_OF_REVIEW
            for change in _walk(saved["review"].get(part), yours["review"].get(part), part)
        )
        if told:
            return told
    return tuple(_walk(saved, yours, ""))


def _holds_review(tree: Any) -> bool:
    return isinstance(tree, dict) and isinstance(tree.get("review"), dict)


def _walk(saved: Any, yours: Any, place: str) -> Iterator[tuple[str, str, str]]:
    if saved == yours:
        return
    if isinstance(saved, dict) and isinstance(yours, dict):
        for key in sorted(saved.keys() | yours.keys()):
            yield from _walk(saved.get(key), yours.get(key), f"{place}.{key}".lstrip("."))
    elif isinstance(saved, list) and isinstance(yours, list) and len(saved) == len(yours):
        for k, (one, other) in enumerate(zip(saved, yours, strict=True)):
            yield from _walk(one, other, f"{place}[{k}]")
    else:
        yield place, _short(saved), _short(yours)


def _short(value: Any) -> str:
    text = json.dumps(value, ensure_ascii=False)
    return text if len(text) <= _LONGEST else text[: _LONGEST - 4] + " ..."
