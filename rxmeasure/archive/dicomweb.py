"""DICOMweb: QIDO-RS, WADO-RS and STOW-RS (PS3.18)."""

from __future__ import annotations

import logging
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from io import BytesIO
from typing import Any

import pydicom
import requests
from dicomweb_client.api import DICOMwebClient
from pydicom.dataset import Dataset
from requests.adapters import HTTPAdapter
from urllib3 import HTTPConnectionPool, HTTPSConnectionPool
from urllib3.connection import HTTPConnection, HTTPSConnection

from rxmeasure.archive.config import Security, WebConfig
from rxmeasure.archive.files import OutgoingFile
from rxmeasure.archive.patience import Patience
from rxmeasure.archive.refusals import dragging, endless, lost, refused_object, untrusted
from rxmeasure.archive.rows import ASKED, Level, text_of
from rxmeasure.archive.status import status_words
from rxmeasure.archive.values import InstanceRow
from rxmeasure.archive.wire import Get, Store
from rxmeasure.errors import ArchiveError, ObjectRefusedError
from rxmeasure.reading.damage import collected_warnings
from rxmeasure.reading.dicom import DICOM_DAMAGE
from rxmeasure.reading.limits import MAX_FILE_BYTES

# Addresses of searches hold names of patients: none of them is logged.
for _name in ("dicomweb_client", "urllib3"):
    logging.getLogger(_name).setLevel(logging.CRITICAL)

#: Bytes of one page of answers (choice), and of what surrounds an object.
_MOST_ANSWER_BYTES = 64 * 2**20
_SURROUNDINGS = 2**20
#: Bytes that are read at once.
_CHUNK = 2**14
#: Answers asked for at once (choice).
_PAGE = 500
_BROKEN = (
    requests.ConnectionError,
    requests.Timeout,
    requests.exceptions.ChunkedEncodingError,
)
#: The same may work a moment later (RFC 9110, RFC 6585).
_TRANSIENT = (408, 429, 502, 503, 504)


class _TooMuchError(Exception):
    """More than is taken."""


class _Bounded(HTTPAdapter):  # type: ignore[misc]
    """Reads answers whole, up to a number of bytes."""

    def __init__(self, most_bytes: int, patience: Patience) -> None:
        self._most = most_bytes
        self._patience = patience
        super().__init__(max_retries=0)

    def init_poolmanager(self, *sizes: Any, **more: Any) -> None:
        """Have each connection watched as it is opened."""
        super().init_poolmanager(*sizes, **more)
        self.poolmanager.pool_classes_by_scheme = _watched_pools(self._patience)

    def send(self, request: Any, **more: Any) -> Any:
        """Send a request and read its answer.

        Wildcards stand as they are (RFC 3986 allows it), since some archives take escapes for
        letters.
        """
        request.url = request.url.replace("%2A", "*").replace("%3F", "?")
        response = super().send(request, **{**more, "stream": True})
        content = bytearray()
        for chunk in response.iter_content(_CHUNK):
            content += chunk
            self._patience.count(len(chunk))
            if len(content) > self._most:
                response.close()
                raise _TooMuchError
        # Where the answer lies once it was read.
        response._content = bytes(content)
        return response


def _watched_pools(patience: Patience) -> dict[str, type[HTTPConnectionPool]]:
    class Plain(HTTPConnection):
        def connect(self) -> None:
            super().connect()
            patience.watch(self.sock)

    class Encrypted(HTTPSConnection):
        def connect(self) -> None:
            super().connect()
            patience.watch(self.sock)

    class PlainPool(HTTPConnectionPool):
        ConnectionCls = Plain

    class EncryptedPool(HTTPSConnectionPool):
        ConnectionCls = Encrypted

    return {"http": PlainPool, "https": EncryptedPool}


class WebWire:
    """The way to an archive by DICOMweb."""

    def __init__(self, config: WebConfig, security: Security) -> None:
        self._config = config
        self._security = security
        self._patience = Patience(config.timeout_s)

    def test(self) -> None:
        """Search for one study."""
        with self._told():
            self._client(_MOST_ANSWER_BYTES).search_for_studies(limit=1)

    def find(self, level: Level, keys: Mapping[str, str], limit: int) -> Iterator[Dataset]:
        """QIDO-RS, page by page until nothing new comes."""
        client = self._client(_MOST_ANSWER_BYTES)
        seen: set[str] = set()
        left = limit + 1
        while left > 0:
            with self._told():
                page = _searched(client, level, keys, min(_PAGE, left), limit + 1 - left)
                answers = [Dataset.from_json(item) for item in page[:left]]
            new = [a for a in answers if text_of(a, ASKED[level][0]) not in seen]
            seen.update(text_of(answer, ASKED[level][0]) for answer in new)
            yield from new
            left -= len(answers)
            if not new or (level is Level.STUDY and "StudyInstanceUID" in keys):
                return

    @contextmanager
    def getting(self, sop_classes: Iterable[str]) -> Iterator[Get]:
        """WADO-RS, as the archive holds the object."""
        client = self._client(MAX_FILE_BYTES + _SURROUNDINGS)

        def get(instance: InstanceRow) -> bytes:
            with self._told(single=True):
                dataset = client.retrieve_instance(
                    instance.study_uid, instance.series_uid, instance.instance_uid
                )
                stream = BytesIO()
                pydicom.dcmwrite(stream, dataset, enforce_file_format=True)
                return stream.getvalue()

        yield get

    @contextmanager
    def storing(self, files: Iterable[OutgoingFile]) -> Iterator[Store]:
        """STOW-RS, one object at a time."""
        client = self._client(_SURROUNDINGS)

        def store(file: OutgoingFile) -> str:
            with self._told(single=True):
                self._patience.count(file.path.stat().st_size)
                answer = client.store_instances([pydicom.dcmread(file.path)])
                failed = _reason(answer, "FailedSOPSequence", "FailureReason")
                warned = _reason(answer, "ReferencedSOPSequence", "WarningReason")
            if failed is not None:
                raise refused_object(f"the archive refuses: {status_words(failed)}")
            return "" if not warned else status_words(warned)

        yield store

    def _client(self, most_bytes: int) -> DICOMwebClient:
        session = requests.Session()
        # What the file of archives says counts, not what lies about in the environment.
        session.trust_env = False
        session.max_redirects = 0
        for scheme in ("http://", "https://"):
            session.mount(scheme, _Bounded(most_bytes, self._patience))
        security = self._security
        if security.ca_file is not None:
            session.verify = str(security.ca_file)
        if security.certificate is not None:
            session.cert = (str(security.certificate), str(security.certificate_key))
        if security.user:
            session.auth = (security.user, security.password)
        client = DICOMwebClient(
            url=self._config.url.rstrip("/"), session=session, timeout=self._config.timeout_s
        )
        client.set_http_retry_params(retry=False)
        return client

    @contextmanager
    def _told(self, *, single: bool = False) -> Iterator[None]:
        """Wait for one answer as long as may be; tell what went wrong in our words."""
        try:
            with self._patience.step(), self._in_our_words(single=single):
                yield
        except ArchiveError as error:
            if not self._patience.ended:
                raise
            raise dragging(timeout_s=self._config.timeout_s) from error
        if self._patience.ended:
            # An answer without a stated length looks whole where its connection was ended.
            raise dragging(timeout_s=self._config.timeout_s)

    @contextmanager
    def _in_our_words(self, *, single: bool) -> Iterator[None]:
        try:
            with collected_warnings():
                yield
        except requests.HTTPError as error:
            raise self._status_error(error.response, single=single) from error
        except requests.exceptions.SSLError as error:
            raise untrusted(
                "no encrypted connection with the archive, or a certificate of it that cannot be "
                "trusted."
            ) from error
        except requests.TooManyRedirects as error:
            raise ArchiveError(
                found="an archive that sends us on to another address.",
                needed="the address of the archive itself.",
                next_step="Correct url in the file of archives.",
            ) from error
        except _BROKEN as error:
            raise lost(
                "the archive cannot be reached, or the connection broke.",
                timeout_s=self._config.timeout_s,
            ) from error
        except _TooMuchError as error:
            raise endless() from error
        except (requests.RequestException, *DICOM_DAMAGE) as error:
            kind = ObjectRefusedError if single else ArchiveError
            raise kind(
                found="an answer of the archive that is no DICOM.",
                needed="answers as PS3.18 describes them.",
                next_step="Check url in the file of archives; it ends before /studies.",
            ) from error

    def _status_error(self, response: Any, *, single: bool) -> ArchiveError:
        code = response.status_code
        if code in (401, 403):
            return ArchiveError(
                found=f"the archive does not let us in, or not do this (HTTP status {code}).",
                needed="user, password or certificate of someone who may do this.",
                next_step="Check user and password in the file of archives or in the keyring.",
            )
        if code in _TRANSIENT:
            return lost(
                f"the archive is busy or out of reach (HTTP status {code}).",
                timeout_s=self._config.timeout_s,
            )
        if single:
            return refused_object(f"the archive refuses: {_words_of(response)}")
        return ArchiveError(
            found=f"the archive refuses (HTTP status {code}).",
            needed="the address of a DICOMweb service that allows searches.",
            next_step="Check url in the file of archives; it ends before /studies.",
        )


def _searched(
    client: DICOMwebClient, level: Level, keys: Mapping[str, str], limit: int, offset: int
) -> list[Any]:
    # Some archives take the escape of ^ for letters; ? matches it (PS3.4 C.2.2.2.4).
    wanted = {keyword: text.replace("^", "?") for keyword, text in keys.items()}
    more = {"limit": limit, "offset": offset, "fields": list(ASKED[level])}
    if level is Level.STUDY:
        return list(client.search_for_studies(search_filters=wanted, **more))
    study = wanted.pop("StudyInstanceUID")
    if level is Level.SERIES:
        return list(client.search_for_series(study, search_filters=wanted, **more))
    series = wanted.pop("SeriesInstanceUID")
    return list(client.search_for_instances(study, series, search_filters=wanted, **more))


def _reason(answer: Any, sequence: str, keyword: str) -> int | None:
    """Reason of the first item; None without an item, 0 where it gives none."""
    items = answer.get(sequence)
    return int(items[0].get(keyword) or 0) if items else None


def _words_of(response: Any) -> str:
    """Why one object was refused: the reason of PS3.18 where there is one, else the HTTP status."""
    try:
        code = _reason(Dataset.from_json(response.json()), "FailedSOPSequence", "FailureReason")
    except DICOM_DAMAGE:
        code = None
    return status_words(code) if code else f"HTTP status {response.status_code}."
