"""A DICOM archive on loopback that holds objects in memory and misbehaves where it is told to."""

from __future__ import annotations

import ssl
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from io import BytesIO
from pathlib import Path
from typing import Any

import pydicom
import pytest
import trustme
from pydicom.dataset import Dataset
from pynetdicom import AE, AllStoragePresentationContexts, build_context, evt
from pynetdicom.sop_class import (
    StudyRootQueryRetrieveInformationModelFind,
    StudyRootQueryRetrieveInformationModelGet,
    StudyRootQueryRetrieveInformationModelMove,
    Verification,
)

from rxmeasure.reading.dicom import TRANSFER_SYNTAXES

#: For tests of connections that fail: the library leaves its socket to the garbage then.
LEAVES_SOCKETS = [
    pytest.mark.filterwarnings("ignore:.*unclosed.*:ResourceWarning"),
    pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning"),
    pytest.mark.usefixtures("left_sockets"),
]
_KEYS = {"STUDY": "StudyInstanceUID", "SERIES": "SeriesInstanceUID", "IMAGE": "SOPInstanceUID"}


@dataclass
class LoopbackArchive:
    """What it holds, by SOP Instance UID, and how it behaves.

    Attributes
    ----------
    stored, asked : list of str
        SOP Instance UIDs and levels, in the order they came.
    users : list of (bytes, bytes)
        Users and passwords that were shown.
    store_status : callable
        Status of a C-STORE of a SOP Instance UID; below zero it breaks the connection.
    before_get : callable
        Called with the event of a C-GET or C-MOVE.
    extra : list of Dataset
        Answers to every C-FIND, beside those of what it holds.
    answer_other : bool
        Hand out objects under an identifier that was not asked for.
    find_status : int
        Status that ends each C-FIND.
    move_to : (str, int)
        Where C-MOVE sends to.
    move_tls : ssl.SSLContext, optional
        C-MOVE sends encrypted.
    """

    objects: dict[str, bytes] = field(default_factory=dict)
    stored: list[str] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)
    users: list[tuple[bytes, bytes]] = field(default_factory=list)
    store_status: Callable[[str], int] = lambda uid: 0x0000
    before_get: Callable[[Any], None] = lambda event: None
    extra: list[Dataset] = field(default_factory=list)
    answer_other: bool = False
    find_status: int = 0x0000
    move_to: tuple[str, int] = ("127.0.0.1", 0)
    move_tls: ssl.SSLContext | None = None
    port: int = 0

    def add(self, path: Path) -> str:
        """Put a file in; returns its SOP Instance UID."""
        data = path.read_bytes()
        uid = str(pydicom.dcmread(BytesIO(data), stop_before_pixels=True).SOPInstanceUID)
        self.objects[uid] = data
        return uid

    def datasets(self) -> list[Any]:
        return [pydicom.dcmread(BytesIO(data)) for data in self.objects.values()]

    def _matching(self, identifier: Any) -> Iterator[Any]:
        level = str(identifier.QueryRetrieveLevel)
        seen = set()
        for held in self.datasets():
            if all(_matches(held, identifier, key) for key in _MATCHED) and (
                held.get(_KEYS[level]) not in seen
            ):
                seen.add(held.get(_KEYS[level]))
                yield held

    def _find(self, event: Any) -> Iterator[tuple[int, Dataset | None]]:
        identifier = event.identifier
        self.asked.append(str(identifier.QueryRetrieveLevel))
        for held in self._matching(identifier):
            answer = Dataset()
            for element in identifier:
                setattr(answer, element.keyword, held.get(element.keyword))
            answer.QueryRetrieveLevel = identifier.QueryRetrieveLevel
            if "ModalitiesInStudy" in identifier:
                answer.ModalitiesInStudy = [held.Modality]
            yield 0xFF00, answer
        for answer in self.extra:
            if event.is_cancelled:
                yield 0xFE00, None
                return
            yield 0xFF00, answer
        if self.find_status:
            yield self.find_status, None

    def _get(self, event: Any) -> Iterator[Any]:
        self.before_get(event)
        found = list(self._matching(event.identifier))
        if event.event is evt.EVT_C_MOVE:
            contexts = [build_context(h.SOPClassUID, h.file_meta.TransferSyntaxUID) for h in found]
            tls = (self.move_tls, self.move_to[0]) if self.move_tls else None
            yield (*self.move_to, {"contexts": contexts, "tls_args": tls})
        yield len(found)
        for held in found:
            if self.answer_other:
                held.SOPInstanceUID += ".1"
                held.file_meta.MediaStorageSOPInstanceUID = held.SOPInstanceUID
            yield 0xFF00, held

    def _store(self, event: Any) -> int:
        uid = str(event.request.AffectedSOPInstanceUID)
        status = self.store_status(uid)
        if status < 0:
            event.assoc.abort(block=False)
            return 0x0110
        if status < 0xA000:
            self.objects[uid] = event.encoded_dataset()
            self.stored.append(uid)
        return status

    def _user(self, event: Any) -> tuple[bool, None]:
        self.users.append((event.primary_field, event.secondary_field))
        return True, None

    def start(
        self, *, title: str = "ARCHIVE", known: str = "", tls: ssl.SSLContext | None = None
    ) -> Any:
        """Listen on a free port of loopback; returns the server."""
        entity = AE(ae_title=title)
        entity.require_called_aet = True
        entity.require_calling_aet = [known] if known else []
        entity.add_supported_context(Verification)
        for model in (
            StudyRootQueryRetrieveInformationModelFind,
            StudyRootQueryRetrieveInformationModelGet,
            StudyRootQueryRetrieveInformationModelMove,
        ):
            entity.add_supported_context(model)
        for context in AllStoragePresentationContexts:
            entity.add_supported_context(
                context.abstract_syntax, list(TRANSFER_SYNTAXES), scu_role=True, scp_role=True
            )
        server = entity.start_server(
            ("127.0.0.1", 0),
            block=False,
            ssl_context=tls,
            evt_handlers=[
                (evt.EVT_USER_ID, self._user),
                (evt.EVT_C_ECHO, lambda event: 0x0000),
                (evt.EVT_C_FIND, self._find),
                (evt.EVT_C_GET, self._get),
                (evt.EVT_C_MOVE, self._get),
                (evt.EVT_C_STORE, self._store),
            ],
        )
        self.port = server.server_address[1]
        return server


_MATCHED = (
    "StudyInstanceUID",
    "SeriesInstanceUID",
    "SOPInstanceUID",
    "PatientID",
    "PatientName",
)


def leaves_sockets(test: Callable[..., None]) -> Callable[..., None]:
    """Mark one test with `LEAVES_SOCKETS`."""
    for mark in LEAVES_SOCKETS:
        test = mark(test)
    return test


def _matches(held: Any, identifier: Any, keyword: str) -> bool:
    wanted = str(identifier.get(keyword) or "").rstrip("*")
    return str(held.get(keyword) or "").startswith(wanted)


def settings(folder: Path, table: dict[str, Any]) -> Path:
    """A file that names the archive ``here``."""
    path = folder / "archives.toml"
    lines = [
        f"{key} = {str(value).lower() if isinstance(value, bool) else repr(value)}"
        for key, value in table.items()
    ]
    path.write_text("\n".join(["[archives.here]", *lines, ""]))
    path.chmod(0o600)
    return path


def server_tls(authority: trustme.CA, host: str = "127.0.0.1") -> ssl.SSLContext:
    """For an archive with a certificate of this authority."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    authority.issue_cert(host).configure_cert(context)
    return context


def pem(authority: trustme.CA, folder: Path) -> str:
    """Write the authority's certificate; returns what ``ca_file`` has to say."""
    path = folder / "ca.pem"
    authority.cert_pem.write_to_path(path)
    return path.name


def own_certificate(authority: trustme.CA, folder: Path) -> dict[str, str]:
    """Write a certificate of our own and its key; returns the entries that name them."""
    made = authority.issue_cert("127.0.0.1")
    made.cert_chain_pems[0].write_to_path(folder / "own.pem")
    made.private_key_pem.write_to_path(folder / "own.key")
    (folder / "own.key").chmod(0o600)
    return {"certificate": "own.pem", "certificate_key": "own.key"}
