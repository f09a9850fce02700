"""TOML that may be hostile: one parser, one kind of error."""

from __future__ import annotations

import re
import tomllib
from typing import Any

_PART = r"""(?:[A-Za-z0-9_-]+|"[^"\n]*"|'[^'\n]*')"""
#: A name of more than 32 dotted parts (choice: the formats need 4). The parser takes time and
#: memory with the square of them.
_LONG_NAME = re.compile(rf"(?<![A-Za-z0-9_-]){_PART}(?:[ \t]*\.[ \t]*{_PART}){{32}}")


def toml_tree(text: str) -> dict[str, Any]:
    """Return the parsed text.

    Raises
    ------
    tomllib.TOMLDecodeError
        Not TOML; or nested too deeply, a number too long, no such date, a name too long.
    """
    if _LONG_NAME.search(text):
        raise tomllib.TOMLDecodeError("a name of more than 32 dotted parts")
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        raise
    except RecursionError as fault:
        raise tomllib.TOMLDecodeError("nested more than 32 levels deep") from fault
    except ValueError as fault:
        raise tomllib.TOMLDecodeError(f"a number or date that cannot be read: {fault}") from fault
