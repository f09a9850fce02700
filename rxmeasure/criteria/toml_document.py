"""A TOML file read with care: what is wrong is refused with its line and the reason."""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Iterable
from enum import StrEnum
from typing import Any, NoReturn, TypeVar

from rxmeasure.criteria.toml_lines import KeyPath, key_lines, line_of, syntax_error_line
from rxmeasure.errors import RxMeasureError
from rxmeasure.toml_text import toml_tree

_Word = TypeVar("_Word", bound=StrEnum)
_ID = re.compile(r"[a-z0-9][a-z0-9_-]*")


class TomlTable:
    """One table of the file: hands out checked values and remembers where it stands."""

    def __init__(self, data: dict[str, Any], path: KeyPath, document: TomlDocument) -> None:
        self._data = data
        self.path = path
        self.document = document

    def refuse(self, key: str | None, *, found: str, needed: str, next_step: str) -> NoReturn:
        """Refuse a key, or the table itself."""
        path = self.path if key is None else (*self.path, key)
        self.document.refuse(path, found=found, needed=needed, next_step=next_step)

    def has(self, key: str) -> bool:
        """Whether the table has the key."""
        return key in self._data

    def only(self, keys: Iterable[str], *, what: str) -> None:
        """Refuse keys that are not allowed in ``what``."""
        allowed = tuple(keys)
        for key in self._data:
            if key not in allowed:
                self.refuse(
                    key,
                    found=f"unknown key '{key}' in {what}.",
                    needed=f"only these keys: {', '.join(allowed)}.",
                    next_step="Correct the key, or take it out.",
                )

    def text(self, key: str, *, default: str | None = None) -> str:
        """A text that is not empty."""
        if key not in self._data and default is not None:
            return default
        value = self._data.get(key)
        if not isinstance(value, str) or not value.strip():
            self.refuse(
                key,
                found=f"no text for '{key}'." if value is None else f"{key} = {value!r}.",
                needed=f"'{key}' as a text that is not empty.",
                next_step=f'Write {key} = "...".',
            )
        return value.strip()

    def word(self, key: str, words: type[_Word]) -> _Word:
        """One of the words of an enumeration."""
        text = self.text(key)
        try:
            return words(text)
        except ValueError:
            self.refuse_word(key, text, tuple(words))

    def refuse_word(self, key: str, text: str, allowed: Iterable[str]) -> NoReturn:
        """Refuse a word that is not among those allowed."""
        self.refuse(
            key,
            found=f"{key} = '{text}'.",
            needed=f"one of: {', '.join(allowed)}.",
            next_step="Use one of these words.",
        )

    def limit(self, key: str) -> float | None:
        """A finite number; None where the key is left out."""
        value = self._data.get(key)
        if value is None:
            return None
        if (
            isinstance(value, bool)
            or not isinstance(value, (int, float))
            or not math.isfinite(value)
        ):
            self.refuse(
                key,
                found=f"{key} = {value!r}.",
                needed="a finite number.",
                next_step="Give a number, or leave the limit out for an open end.",
            )
        return float(value)

    def number(self, key: str) -> float:
        """A finite number that must be there."""
        value = self.limit(key)
        if value is None:
            self.refuse(
                key,
                found=f"no number for '{key}'.",
                needed=f"'{key}' as a finite number.",
                next_step=f"Write {key} = and a number.",
            )
        return value

    def above_zero(self, key: str) -> float:
        """A number above 0."""
        value = self.number(key)
        if value <= 0.0:
            self._refuse_number(key, value, "a number above 0.")
        return value

    def between(self, key: str, low: float, high: float) -> float:
        """A number within limits, both included."""
        value = self.number(key)
        if not low <= value <= high:
            self._refuse_number(key, value, f"a number from {low:g} to {high:g}.")
        return value

    def whole(self, key: str) -> int:
        """A whole number of 0 or more."""
        value = self.number(key)
        if value < 0.0 or value != int(value):
            self._refuse_number(key, value, "a whole number of 0 or more.")
        return int(value)

    def _refuse_number(self, key: str, value: float, needed: str) -> NoReturn:
        self.refuse(
            key, found=f"{key} = {value:g}.", needed=needed, next_step="Correct the number."
        )

    def identifier(self, key: str) -> str:
        """A name of small letters, digits, ``_`` and ``-``."""
        name = self.text(key)
        if not _ID.fullmatch(name):
            self.refuse(
                key,
                found=f"{key} = '{name}'.",
                needed="small letters, digits, '_' and '-', starting with a letter or digit.",
                next_step="Choose such a name.",
            )
        return name

    def texts(self, key: str) -> tuple[str, ...]:
        """A list of texts, each once, at least one."""
        value = self._data.get(key)
        if (
            not isinstance(value, list)
            or not value
            or not all(isinstance(item, str) for item in value)
        ):
            self.refuse(
                key,
                found=f"no list for '{key}'." if value is None else f"{key} = {value!r}.",
                needed=f"'{key}' as a list of texts with at least one item.",
                next_step=f'Write {key} = ["...", "..."].',
            )
        repeated = next((item for item in value if value.count(item) > 1), None)
        if repeated is not None:
            self.refuse(
                key,
                found=f"'{repeated}' twice in '{key}'.",
                needed="each item once.",
                next_step="Take one of them out.",
            )
        return tuple(value)

    def tables(self, key: str, *, header: str) -> list[TomlTable]:
        """The tables of an array, at least one."""
        value = self._data.get(key)
        if (
            not isinstance(value, list)
            or not value
            or not all(isinstance(item, dict) for item in value)
        ):
            self.refuse(
                key,
                found=f"no [[{header}]] here." if value is None else f"'{key}' is not a table.",
                needed=f"at least one [[{header}]].",
                next_step=f"Add [[{header}]] with its keys.",
            )
        return [
            TomlTable(item, (*self.path, key, place), self.document)
            for place, item in enumerate(value)
        ]


class TomlDocument:
    """The text of one file, able to refuse with a line number."""

    def __init__(self, text: str, name: str, *, what: str, error: type[RxMeasureError]) -> None:
        self._name = name
        self._error = error
        try:
            data = toml_tree(text)
        except tomllib.TOMLDecodeError as fault:
            raise error(
                found=f"{name}, line {syntax_error_line(fault, text)}: not valid TOML ({fault}).",
                needed=f"{what} in TOML.",
                next_step="Correct that line; texts stand in quotation marks.",
            ) from fault
        self._lines = key_lines(text)
        self.root = TomlTable(data, (), self)

    def refuse(self, path: KeyPath, *, found: str, needed: str, next_step: str) -> NoReturn:
        """Refuse a path with its line."""
        line = line_of(self._lines, path)
        raise self._error(
            found=f"{self._name}, line {line}: {found}", needed=needed, next_step=next_step
        )
