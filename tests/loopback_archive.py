"""A small DICOM archive on loopback, for finding and fetching (C-FIND, C-GET)."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pydicom import Dataset, dcmread
from pynetdicom import AE, StoragePresentationContexts, evt
from pynetdicom.sop_class import (
    StudyRootQueryRetrieveInformationModelFind,
    StudyRootQueryRetrieveInformationModelGet,
    Verification,
)

_LEVELS = {"STUDY": "StudyInstanceUID", "SERIES": "SeriesInstanceUID", "IMAGE": "SOPInstanceUID"}


@dataclass
class LoopbackArchive:
    """What it holds and, in order, which objects it handed out; ``lost`` ones it cannot read."""

    objects: list[Dataset]
    config: Path
    handed_out: list[str] = field(default_factory=list)
    lost: set[str] = field(default_factory=set)

    def matching(self, asked: Dataset) -> list[Dataset]:
        """Objects that a query or a retrieval means."""
        found = self.objects
        for keyword in _LEVELS.values():
            wanted = asked.get(keyword)
            if wanted:
                found = [ds for ds in found if getattr(ds, keyword) == wanted]
        if asked.get("StudyDate"):
            first, last = str(asked.StudyDate).split("-")
            found = [ds for ds in found if first <= ds.StudyDate <= last]
        return found

    def find(self, event: Any) -> Iterator[tuple[int, Dataset | None]]:
        """Answer a C-FIND: one answer for each thing of the level."""
        asked = event.identifier
        keyword = _LEVELS[asked.QueryRetrieveLevel]
        answers = {getattr(ds, keyword): ds for ds in self.matching(asked)}
        for ds in answers.values():
            answer = Dataset()
            answer.QueryRetrieveLevel = asked.QueryRetrieveLevel
            for element in asked:
                if element.keyword in ds:
                    setattr(answer, element.keyword, ds[element.keyword].value)
            yield 0xFF00, answer

    def get(self, event: Any) -> Iterator[Any]:
        """Answer a C-GET."""
        found = self.matching(event.identifier)
        yield len(found)
        for ds in found:
            if ds.SOPInstanceUID in self.lost:
                yield 0xA702, None
                return
            self.handed_out.append(str(ds.SOPInstanceUID))
            yield 0xFF00, ds


@contextmanager
def loopback_archive(films: list[Path], folder: Path) -> Iterator[LoopbackArchive]:
    """An archive of these DICOM files, and a file of settings that names it ``hospital``."""
    there = LoopbackArchive(objects=[dcmread(film) for film in films], config=folder / "a.toml")
    entity = AE(ae_title="PACS")
    entity.add_supported_context(Verification)
    entity.add_supported_context(StudyRootQueryRetrieveInformationModelFind)
    entity.add_supported_context(StudyRootQueryRetrieveInformationModelGet)
    for context in StoragePresentationContexts:
        assert context.abstract_syntax is not None
        entity.add_supported_context(context.abstract_syntax, scu_role=True, scp_role=True)
    handlers = [(evt.EVT_C_FIND, there.find), (evt.EVT_C_GET, there.get)]
    server = entity.start_server(("127.0.0.1", 0), block=False, evt_handlers=handlers)
    port = server.socket.getsockname()[1]
    there.config.write_text(
        f'[archives.hospital]\nhost = "127.0.0.1"\nport = {port}\ncalled_ae = "PACS"\n'
    )
    there.config.chmod(0o600)
    try:
        yield there
    finally:
        server.shutdown()
