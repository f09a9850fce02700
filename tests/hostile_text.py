"""Text that would become part of a page, and trees in which every free text is such."""

from __future__ import annotations

import dataclasses
from typing import Any

HOSTILE = (
    "<script>alert(1)</script><img src=x onerror=alert(2)>\"'&amp;]]>{{ 7*7 }}{% raw %}"
    '#panic("x") *bold* _it_ $x^2$ @ref <lab> #include "/etc/passwd" \\ \x00\x1b\u202e\ufffe'
)


def poisoned(value: Any, text: str = HOSTILE) -> Any:
    """The same tree of dataclasses, tuples, lists and dicts with hostile text for free text.

    Words of an enumeration, empty text, drawings and what a template chooses by (``kind``) stay.
    """
    if type(value) is str:
        return text if value and not value.lstrip().startswith(("<svg", "<?xml")) else value
    if isinstance(value, (tuple, list)):
        return type(value)(poisoned(v, text) for v in value)
    if isinstance(value, dict):
        return {k: v if k == "kind" else poisoned(v, text) for k, v in value.items()}
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return dataclasses.replace(
            value,
            **{
                f.name: poisoned(getattr(value, f.name), text)
                for f in dataclasses.fields(value)
                if f.name != "kind"
            },
        )
    return value
