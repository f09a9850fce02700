"""Films from a DICOM archive, and results back to it."""

from rxmeasure.archive.archive import Archive
from rxmeasure.archive.config import archive_names, default_config_path
from rxmeasure.archive.opening import open_archive
from rxmeasure.archive.values import (
    Fetched,
    Found,
    InstanceRow,
    Progress,
    Query,
    Remark,
    Sent,
    SeriesRow,
    StudyRow,
    Uids,
)

__all__ = [
    "Archive",
    "Fetched",
    "Found",
    "InstanceRow",
    "Progress",
    "Query",
    "Remark",
    "Sent",
    "SeriesRow",
    "StudyRow",
    "Uids",
    "archive_names",
    "default_config_path",
    "open_archive",
]
