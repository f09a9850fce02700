"""JSON schemas of review file, annotation file, drafts and series file, made from the dataclasses.

Run ``python -m rxmeasure.record.schema`` after a change to the dataclasses; a
test compares the shipped files with what this module makes.
"""

from __future__ import annotations

import dataclasses
import inspect
import json
import re
import types
import typing
from enum import StrEnum
from pathlib import Path
from typing import Any

from rxmeasure.marks import ReviewMarks
from rxmeasure.record import draft
from rxmeasure.record.migrations import FORMAT, MARKS_VERSION, VERSION
from rxmeasure.review import Review

REVIEW_SCHEMA_PATH = Path(__file__).with_name("review.schema.json")
MARKS_SCHEMA_PATH = Path(__file__).with_name("marks.schema.json")

_SIMPLE: dict[Any, dict[str, Any]] = {
    str: {"type": "string"},
    float: {"type": "number"},
    int: {"type": "integer"},
    bool: {"type": "boolean"},
    type(None): {"type": "null"},
}


def review_schema() -> dict[str, Any]:
    """Return the schema of a review file of the current version (JSON Schema 2020-12)."""
    return _headed("review", Review, FORMAT, VERSION, title="Review of one radiograph")


def draft_schema() -> dict[str, Any]:
    """Return the schema of a draft of the current version."""
    return _headed(
        "draft", draft.Draft, draft.FORMAT, draft.VERSION, title="Unfinished work on one radiograph"
    )


def series_schema() -> dict[str, Any]:
    """Return the schema of a series file of the current version."""
    # Only here: reviews are read without what compares visits.
    from rxmeasure.recall.series import Series
    from rxmeasure.record import series_file

    return _headed(
        "series", Series, series_file.FORMAT, series_file.VERSION, title="Visits of one tooth"
    )


def series_draft_schema() -> dict[str, Any]:
    """Return the schema of a series' draft of the current version."""
    from rxmeasure.record import series_draft

    return _headed(
        "series_draft",
        series_draft.SeriesDraft,
        series_draft.FORMAT,
        series_draft.VERSION,
        title="Unfinished work on visits of one tooth",
    )


def form_draft_schema() -> dict[str, Any]:
    """Return the schema of a marking's draft of the current version."""
    from rxmeasure.record import form_draft

    return _headed(
        "form_draft",
        form_draft.FormDraft,
        form_draft.FORMAT,
        form_draft.VERSION,
        title="Unfinished marking of one film of a course",
    )


def marks_schema() -> dict[str, Any]:
    """Return the schema of an annotation file (JSON or TOML) of the current version."""
    defs: dict[str, Any] = {}
    _schema_of(ReviewMarks, defs)
    top = defs.pop(ReviewMarks.__name__)
    top["properties"] = {"format_version": {"const": MARKS_VERSION}, **top["properties"]}
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": f"urn:rxmeasure:marks:{MARKS_VERSION}",
        "title": "Marks on one radiograph",
        **top,
        "$defs": dict(sorted(defs.items())),
    }


def _headed(name: str, kind: type, heading: str, version: int, *, title: str) -> dict[str, Any]:
    """Schema of a file with a heading and one entry, ``name``."""
    defs: dict[str, Any] = {}
    entry = _schema_of(kind, defs)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": f"urn:rxmeasure:{name}:{version}",
        "title": title,
        "type": "object",
        "properties": {
            "format": {"const": heading},
            "format_version": {"const": version},
            name: entry,
        },
        "required": ["format", "format_version", name],
        "additionalProperties": False,
        "$defs": dict(sorted(defs.items())),
    }


def _schema_of(kind: Any, defs: dict[str, Any]) -> dict[str, Any]:
    if kind in _SIMPLE:
        return dict(_SIMPLE[kind])
    origin, arguments = typing.get_origin(kind), typing.get_args(kind)
    if origin is tuple:
        if arguments[-1] is Ellipsis:
            return {"type": "array", "items": _schema_of(arguments[0], defs)}
        items = [_schema_of(a, defs) for a in arguments]
        return {
            "type": "array",
            "prefixItems": items,
            "minItems": len(items),
            "maxItems": len(items),
        }
    if origin in (typing.Union, types.UnionType):
        parts = [_schema_of(a, defs) for a in arguments]
        if all(set(p) == {"type"} for p in parts):
            return {"type": [p["type"] for p in parts]}
        return {"anyOf": parts}
    if isinstance(kind, type) and issubclass(kind, StrEnum):
        return {"enum": [str(member) for member in kind]}
    if dataclasses.is_dataclass(kind):
        name = typing.cast(type, kind).__name__
        if name not in defs:
            defs[name] = {}
            defs[name] = _schema_of_dataclass(kind, defs)
        return {"$ref": f"#/$defs/{name}"}
    raise TypeError(f"no JSON schema for {kind!r}")


def _schema_of_dataclass(kind: Any, defs: dict[str, Any]) -> dict[str, Any]:
    hints = typing.get_type_hints(kind)
    fields = dataclasses.fields(kind)
    return {
        "description": _first_paragraph(kind),
        "type": "object",
        "properties": {f.name: _schema_of(hints[f.name], defs) for f in fields},
        "required": [
            f.name
            for f in fields
            if f.default is dataclasses.MISSING and f.default_factory is dataclasses.MISSING
        ],
        "additionalProperties": False,
    }


def _first_paragraph(kind: Any) -> str:
    text = (inspect.getdoc(kind) or "").partition("\n\n")[0].replace("\n", " ")
    return re.sub(r":\w+:`~?([^`]*)`|``", r"\1", text)


def as_text(schema: dict[str, Any]) -> str:
    """Return a schema as the text of its shipped file."""
    return json.dumps(schema, indent=2, ensure_ascii=False) + "\n"


if __name__ == "__main__":
    REVIEW_SCHEMA_PATH.write_text(as_text(review_schema()), encoding="utf-8")
    MARKS_SCHEMA_PATH.write_text(as_text(marks_schema()), encoding="utf-8")
    draft.DRAFT_SCHEMA_PATH.write_text(as_text(draft_schema()), encoding="utf-8")
    from rxmeasure.record.series_file import SERIES_SCHEMA_PATH

    SERIES_SCHEMA_PATH.write_text(as_text(series_schema()), encoding="utf-8")

    from rxmeasure.record.series_draft import SERIES_DRAFTS

    SERIES_DRAFTS.schema_path.write_text(as_text(series_draft_schema()), encoding="utf-8")

    from rxmeasure.record.form_draft import FORM_DRAFTS

    FORM_DRAFTS.schema_path.write_text(as_text(form_draft_schema()), encoding="utf-8")
