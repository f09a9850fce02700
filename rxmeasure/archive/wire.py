"""What a way to an archive has to offer; `dimse` and `dicomweb` are such ways."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import AbstractContextManager
from typing import Any, Protocol

from rxmeasure.archive.files import OutgoingFile
from rxmeasure.archive.rows import Level
from rxmeasure.archive.values import InstanceRow

#: Fetches one object as the bytes of a DICOM file.
Get = Callable[[InstanceRow], bytes]
#: Sends one file; returns what the archive remarks on it, empty where it remarks nothing.
Store = Callable[[OutgoingFile], str]


class Wire(Protocol):
    """A way to an archive.

    All raise `ArchiveLostError` where the connection fails or breaks, `ArchiveError` where the
    archive refuses for good, `ObjectRefusedError` for a single object.
    """

    def test(self) -> None:
        """Ask for a sign of life, with all rights that are needed."""

    def find(self, level: Level, keys: Mapping[str, str], limit: int) -> Iterator[Any]:
        """Yield answers as datasets, one more than ``limit`` at most."""

    def getting(self, sop_classes: Iterable[str]) -> AbstractContextManager[Get]:
        """Open a connection that fetches objects of these classes; empty: of the usual ones."""

    def storing(self, files: Iterable[OutgoingFile]) -> AbstractContextManager[Store]:
        """Open a connection that sends these files."""
