"""The draft of a series: visits that are not kept yet, so that a crash loses none of them.

``NAME.rxseriesdraft.json`` lies beside the image of the first visit and holds the marks of the
series as they stand, finished or not. The finished work is the series file's.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from rxmeasure.radiograph import ImageSource
from rxmeasure.recall.series import SeriesMarks
from rxmeasure.record.document import Document, DocumentKind
from rxmeasure.record.draft import DraftSort
from rxmeasure.record.sidecar import SERIES_DRAFT_SUFFIX

FORMAT = "rxmeasure-series-draft"
VERSION = 1

#: Version of the file -> function that returns the same draft in the next version.
#: A released step is never changed.
STEPS: dict[int, Callable[[Document], Document]] = {}


@dataclass(frozen=True, slots=True, kw_only=True)
class SeriesDraft:
    """Unfinished work on a series.

    Attributes
    ----------
    image : ImageSource
        That of the first visit.
    marks : SeriesMarks
        As they stand: an outline may have one point. Images are named by their whole path.
    series_file : str
        The series file that it belongs to; empty where none was kept.
    saved_utc : str
        ISO 8601.
    software_version : str
    """

    image: ImageSource
    marks: SeriesMarks
    series_file: str
    saved_utc: str
    software_version: str


SERIES_DRAFTS = DraftSort(
    kind=SeriesDraft,
    suffix=SERIES_DRAFT_SUFFIX,
    document=DocumentKind(
        format=FORMAT,
        version=VERSION,
        key="series_draft",
        name="a draft of a series",
        otherwise="Leave it; the work begins from the series file or anew.",
        too_old="Mark the visits again.",
    ),
    schema_path=Path(__file__).with_name("series_draft.schema.json"),
    steps=STEPS,
)
