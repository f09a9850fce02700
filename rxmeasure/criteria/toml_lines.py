"""Line numbers of the keys of a TOML text, for messages that point at a line.

The standard parser tells lines for broken syntax only. This scan runs after it
has accepted the text.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator

KeyPath = tuple[str | int, ...]

_KEY_PART = r"""\s*(?:"[^"\n]*"|'[^'\n]*'|[A-Za-z0-9_-]+)\s*"""
_KEY = re.compile(rf"{_KEY_PART}(?:\.{_KEY_PART})*=")
_HEADER = re.compile(rf"\s*(\[\[?)({_KEY_PART}(?:\.{_KEY_PART})*)\]")
_QUOTES = ('"""', "'''", '"', "'")


def key_lines(text: str) -> dict[KeyPath, int]:
    """Line (from 1) of every table header and key outside inline tables.

    Paths are those of the parsed document, e.g. ``("field", 1, "band", 0,
    "at_most")``.
    """
    lines: dict[KeyPath, int] = {}
    counts: dict[KeyPath, int] = {}
    table: KeyPath = ()
    for line, statement in _statements(text):
        header = _HEADER.match(statement)
        if header:
            parts = _parts(header.group(2))
            table = ()
            for part in parts[:-1]:
                table = (*table, part)
                if table in counts:
                    table = (*table, counts[table])
            table = (*table, parts[-1])
            if header.group(1) == "[[":
                counts[table] = counts.get(table, -1) + 1
                table = (*table, counts[table])
            lines[table] = line
            continue
        key = _KEY.match(statement)
        if key:
            path = table
            for part in _parts(key.group()[:-1]):
                path = (*path, part)
                lines.setdefault(path, line)
    return lines


def line_of(lines: dict[KeyPath, int], path: KeyPath) -> int:
    """Line of a path, or of the nearest enclosing table."""
    for end in range(len(path), 0, -1):
        if path[:end] in lines:
            return lines[path[:end]]
    return 1


def syntax_error_line(error: tomllib.TOMLDecodeError, text: str) -> int:
    """Line that the parser complains of; the last one for an unfinished document."""
    found = re.search(r"at line (\d+)", str(error))
    return int(found.group(1)) if found else max(1, len(text.split("\n")))


def _parts(dotted: str) -> list[str]:
    return [
        part.strip().strip("\"'") for part in re.findall(_KEY_PART, dotted.strip()) if part.strip()
    ]


def _statements(text: str) -> Iterator[tuple[int, str]]:
    """Yield (line, text) of every line that starts outside of strings and brackets."""
    depth = 0
    quote = ""
    for number, line in enumerate(text.split("\n"), start=1):
        if not quote and depth == 0:
            yield number, line
            if _HEADER.match(line):
                continue
        at = 0
        while at < len(line):
            if quote:
                if quote in ('"', '"""') and line[at] == "\\":
                    at += 2
                elif line.startswith(quote, at):
                    at += len(quote)
                    quote = ""
                else:
                    at += 1
                continue
            opened = next((q for q in _QUOTES if line.startswith(q, at)), "")
            if opened:
                quote = opened
                at += len(opened)
                continue
            if line[at] == "#":
                break
            depth += {"[": 1, "{": 1, "]": -1, "}": -1}.get(line[at], 0)
            at += 1
