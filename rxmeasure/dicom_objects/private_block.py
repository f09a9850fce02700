"""The whole review as private elements of its report (PS3.5, 7.8).

The review file's text, compressed, beside the identifier of the report it belongs to.
"""

from __future__ import annotations

import gzip
import zlib
from io import BytesIO
from typing import Any

from rxmeasure.errors import ReviewFileError
from rxmeasure.record.parsing import MAX_JSON_BYTES

_GROUP, _CREATOR = 0x0099, "RXMEASURE REVIEW"
_REVIEW, _REPORT_UID = 0x01, 0x02


def put_review(report: Any, text: str) -> None:
    """Add the text of a review file to a report."""
    packed = gzip.compress(text.encode("utf-8"), mtime=0)
    block = report.private_block(_GROUP, _CREATOR, create=True)
    block.add_new(_REVIEW, "OB", packed + b"\0" * (len(packed) % 2))
    block.add_new(_REPORT_UID, "UI", str(report.SOPInstanceUID))


def kept_review(report: Any) -> tuple[str, str] | None:
    """Return the text of the review file and the UID of its report; None where there is none.

    Raises
    ------
    ReviewFileError
        The block is damaged, or larger than a review file may be.
    """
    try:
        block = report.private_block(_GROUP, _CREATOR)
        packed, uid = bytes(block[_REVIEW].value), str(block[_REPORT_UID].value)
    except (KeyError, TypeError, ValueError):
        return None
    try:
        with gzip.GzipFile(fileobj=BytesIO(packed)) as stream:
            text = stream.read(MAX_JSON_BYTES + 1)
        if len(text) > MAX_JSON_BYTES:
            raise ValueError
        return text.decode("utf-8"), uid
    except (OSError, EOFError, ValueError, zlib.error) as fault:
        raise ReviewFileError(
            found="a report whose kept review is damaged.",
            needed="the report as it was written.",
            next_step="Take an undamaged copy, or read the report's numbers only.",
        ) from fault
