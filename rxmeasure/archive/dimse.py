"""DIMSE: C-ECHO, C-FIND, C-GET or C-MOVE, C-STORE (PS3.4 and PS3.7)."""

from __future__ import annotations

import socket
import ssl
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from itertools import islice, product
from typing import Any

import pynetdicom
from pydicom import dcmread
from pydicom.dataset import Dataset
from pynetdicom import AE, build_context, build_role, evt
from pynetdicom.pdu_primitives import UserIdentityNegotiation
from pynetdicom.presentation import PresentationContext
from pynetdicom.sop_class import StudyRootQueryRetrieveInformationModelFind as FIND
from pynetdicom.sop_class import StudyRootQueryRetrieveInformationModelGet as GET
from pynetdicom.sop_class import StudyRootQueryRetrieveInformationModelMove as MOVE
from pynetdicom.sop_class import Verification

from rxmeasure.archive.config import DimseConfig, Security
from rxmeasure.archive.files import OutgoingFile
from rxmeasure.archive.patience import LEAST_BYTES_PER_S, STEP_TIMEOUTS, Patience
from rxmeasure.archive.refusals import dragging, endless, lost, refused, refused_object, untrusted
from rxmeasure.archive.rows import ASKED, Level
from rxmeasure.archive.status import refusal_words, status_words
from rxmeasure.archive.tls import client_context, server_context
from rxmeasure.archive.values import InstanceRow
from rxmeasure.archive.wire import Get, Store
from rxmeasure.errors import ArchiveError, ArchiveLostError
from rxmeasure.reading.dicom import DICOM_DAMAGE, TRANSFER_SYNTAXES
from rxmeasure.reading.limits import MAX_FILE_BYTES

# Identifiers hold names of patients: none of them is logged. Files go out as their bytes are.
pynetdicom._config.LOG_HANDLER_LEVEL = "none"
pynetdicom._config.LOG_REQUEST_IDENTIFIERS = False
pynetdicom._config.LOG_RESPONSE_IDENTIFIERS = False
pynetdicom._config.STORE_SEND_CHUNKED_DATASET = True

#: Contexts of an association have odd numbers up to 255 (PS3.8 section 9.3.2.2).
_MOST_CONTEXTS = 128
#: Written without compression: an archive may take them either way.
_NATIVE = ("1.2.840.10008.1.2.1", "1.2.840.10008.1.2")
#: Objects that are asked for where the archive does not say what it has: radiographs (IO, DX, CR,
#: PX, secondary capture), presentation state, segmentation, structured reports (PS3.4 B.5).
_USUAL_CLASSES = tuple(
    f"1.2.840.10008.5.1.4.1.1.{end}"
    for end in ("1.3", "1.3.1", "1.1", "1.1.1", "1", "7", "11.1", "66.4", "88.22", "88.33", "88.34")
)
#: Bytes of all answers to one query (choice), and of what surrounds an object.
_MOST_ANSWER_BYTES = 64 * 2**20
_SURROUNDINGS = 2**20
#: Longest unit of the protocol that is taken; ours are stated to be 16 kB.
_LONGEST_PDU = 2**20

_SUCCESS = 0x0000
_PENDING = (0xFF00, 0xFF01)


class _Guard:
    """Counts what comes in, breaks the connection where it is too much or takes too long."""

    def __init__(self, most_bytes: int, timeout_s: float) -> None:
        self._most = most_bytes
        self._timeout_s = timeout_s
        self._taken = 0
        self._patience = Patience(timeout_s, silence=True)
        self.exceeded = False

    @contextmanager
    def step(self) -> Iterator[None]:
        """Do one step in the time that it may take.

        Raises
        ------
        ArchiveLostError
            It took longer, and failed.
        """
        try:
            with self._patience.step():
                yield
        except ArchiveError as error:
            if not self._patience.ended:
                raise
            raise dragging(timeout_s=self._timeout_s) from error

    def reset(self) -> None:
        """Begin to count anew."""
        self._taken = 0

    def attach(self, event: Any) -> None:
        """Watch a connection that was just opened."""
        connection: Any = event.assoc.dul.socket
        connection.socket.settimeout(self._timeout_s)
        self._patience.watch(connection.socket)
        receive, send = connection.recv, connection.send

        def counted(nr_bytes: int) -> bytearray:
            self._taken += nr_bytes
            if nr_bytes > _LONGEST_PDU or self._taken > self._most:
                self.exceeded = True
                raise OSError("more than is taken")
            data: bytearray = receive(nr_bytes)
            self._patience.count(len(data))
            return data

        def counted_send(data: bytes) -> None:
            self._patience.count(len(data))
            send(data)

        connection.recv, connection.send = counted, counted_send


class _Inbox:
    """Takes the one object that is waited for."""

    def __init__(self, guard: _Guard) -> None:
        self._guard = guard
        self._wanted = ""
        self._data: bytes | None = None

    def wait_for(self, instance_uid: str) -> None:
        """Say what comes next."""
        self._guard.reset()
        self._wanted, self._data = instance_uid, None

    def taken(self) -> bytes:
        """What came.

        Raises
        ------
        ObjectRefusedError
            Nothing did.
        """
        data, self._data, self._wanted = self._data, None, ""
        if data is None:
            raise refused_object("the archive handed out nothing for one object.")
        return data

    def take(self, event: Any) -> int:
        """Answer a C-STORE of the archive."""
        if not self._wanted or event.request.AffectedSOPInstanceUID != self._wanted:
            return 0x0117  # Invalid SOP Instance (PS3.7 C.5)
        self._data = event.encoded_dataset()
        return _SUCCESS


class DimseWire:
    """The way to an archive by DIMSE."""

    def __init__(self, config: DimseConfig, security: Security) -> None:
        self._config = config
        self._security = security
        self._tls = client_context(security) if config.tls else None

    def test(self) -> None:
        """C-ECHO."""
        guard = self._guard()
        contexts = [build_context(Verification)]
        with self._association(contexts, guard) as association, guard.step():
            self._check(association.send_c_echo())

    def find(self, level: Level, keys: Mapping[str, str], limit: int) -> Iterator[Dataset]:
        """C-FIND."""
        guard = self._guard(_MOST_ANSWER_BYTES)
        with self._association([build_context(FIND)], guard) as association, guard.step():
            for number, (status, answer) in enumerate(
                association.send_c_find(_identifier(level, keys), FIND)
            ):
                self._check(status, guard, pending=True)
                if status.Status not in _PENDING:
                    return
                yield answer or Dataset()
                if number == limit:
                    association.send_c_cancel(1, query_model=FIND)
                    association.abort()
                    return

    @contextmanager
    def getting(self, sop_classes: Iterable[str]) -> Iterator[Get]:
        """C-GET, or C-MOVE where a port is set."""
        guard = self._guard(MAX_FILE_BYTES + _SURROUNDINGS)
        inbox = _Inbox(guard)
        contexts = _contexts(product(TRANSFER_SYNTAXES, sorted(sop_classes) or _USUAL_CLASSES))
        opened = self._open_get if self._config.listen_port is None else self._open_move
        with opened(contexts, guard, inbox) as ask:

            def get(instance: InstanceRow) -> bytes:
                inbox.wait_for(instance.instance_uid)
                wanted = _identifier(Level.INSTANCE, _uids(instance), ask_all=False)
                with guard.step():
                    for status, _ in ask(wanted):
                        self._check(status, guard, pending=True, single=True)
                    return inbox.taken()

            yield get

    @contextmanager
    def _open_get(
        self, contexts: list[PresentationContext], guard: _Guard, inbox: _Inbox
    ) -> Iterator[Callable[[Dataset], Any]]:
        roles = [build_role(uid, scp_role=True) for uid in {c.abstract_syntax for c in contexts}]
        with self._association(
            [build_context(GET), *contexts[: _MOST_CONTEXTS - 1]],
            guard,
            roles,
            [(evt.EVT_C_STORE, inbox.take)],
        ) as association:
            yield lambda identifier: association.send_c_get(identifier, GET)

    @contextmanager
    def _open_move(
        self, contexts: list[PresentationContext], guard: _Guard, inbox: _Inbox
    ) -> Iterator[Callable[[Dataset], Any]]:
        ours = self._entity()
        ours.supported_contexts = _with_all_syntaxes(contexts)
        ours.require_called_aet = True
        ours.require_calling_aet = [self._config.called_ae]
        try:
            server = ours.start_server(
                (self._config.listen_host, self._config.listen_port),
                block=False,
                ssl_context=(
                    server_context(self._security, self._config.timeout_s)
                    if self._config.tls
                    else None
                ),
                evt_handlers=[(evt.EVT_CONN_OPEN, guard.attach), (evt.EVT_C_STORE, inbox.take)],
            )
        except OSError as error:
            raise ArchiveError(
                found=f"port {self._config.listen_port} of this computer cannot be opened: "
                f"{error.strerror}.",
                needed="the port that the archive sends films to, used by nobody else.",
                next_step="Close the other program, or have another port set here and there.",
            ) from error
        try:
            with self._association([build_context(MOVE)], guard) as association:
                yield lambda identifier: association.send_c_move(
                    identifier, self._config.calling_ae, MOVE
                )
        finally:
            server.shutdown()

    @contextmanager
    def storing(self, files: Iterable[OutgoingFile]) -> Iterator[Store]:
        """C-STORE."""
        pairs = {
            (syntax, file.instance.sop_class_uid): None
            for file in files
            for syntax in (file.transfer_syntax, *(_NATIVE if _is_native(file) else ()))
        }
        guard = self._guard(_SURROUNDINGS)
        with self._association(_contexts(pairs)[:_MOST_CONTEXTS], guard) as association:

            def store(file: OutgoingFile) -> str:
                guard.reset()
                with guard.step():
                    return self._stored(association, file)

            yield store

    def _stored(self, association: Any, file: OutgoingFile) -> str:
        accepted = {(c.abstract_syntax, *c.transfer_syntax) for c in association.accepted_contexts}
        as_it_is = (file.instance.sop_class_uid, file.transfer_syntax) in accepted
        try:
            what = file.path if as_it_is else dcmread(file.path)
            status = association.send_c_store(what)
        except RuntimeError as error:
            raise self._lost() from error
        except DICOM_DAMAGE as error:
            raise refused_object(
                "the archive does not take objects of this kind, or not compressed in this way."
            ) from error
        self._check(status, single=True)
        return "" if status.Status == _SUCCESS else status_words(status.Status)

    def _guard(self, most_bytes: int = _SURROUNDINGS) -> _Guard:
        return _Guard(most_bytes, self._config.timeout_s)

    def _entity(self) -> AE:
        entity = AE(ae_title=self._config.calling_ae)
        entity.acse_timeout = self._config.timeout_s
        # Counts until a message is whole: a large film on a slow line. `_Guard` ends silence.
        entity.dimse_timeout = (
            STEP_TIMEOUTS * self._config.timeout_s + MAX_FILE_BYTES / LEAST_BYTES_PER_S
        )
        entity.network_timeout = self._config.timeout_s
        entity.connection_timeout = self._config.timeout_s
        return entity

    @contextmanager
    def _association(
        self,
        contexts: list[PresentationContext],
        guard: _Guard,
        roles: Iterable[Any] = (),
        handlers: Iterable[Any] = (),
    ) -> Iterator[Any]:
        with guard.step():
            association = self._entity().associate(
                self._config.host,
                self._config.port,
                contexts=contexts,
                ae_title=self._config.called_ae,
                ext_neg=[*roles, *self._identity()],
                evt_handlers=[(evt.EVT_CONN_OPEN, guard.attach), *handlers],
                tls_args=None if self._tls is None else (self._tls, self._config.host),
            )
            if not association.is_established:
                raise self._not_established(association)
        try:
            yield association
        except BaseException:
            with guard.step():
                association.abort()
            raise
        if association.is_established:
            with guard.step():
                association.release()

    def _identity(self) -> list[UserIdentityNegotiation]:
        """User and password (PS3.7 D.3.3.7)."""
        if not self._security.user:
            return []
        item = UserIdentityNegotiation()
        item.user_identity_type = 2
        item.primary_field = self._security.user.encode()
        item.secondary_field = self._security.password.encode()
        return [item]

    def _check(
        self,
        status: Dataset,
        guard: _Guard | None = None,
        *,
        pending: bool = False,
        single: bool = False,
    ) -> None:
        """Raise where a status is none, or one of failure."""
        if "Status" not in status:
            raise endless() if guard is not None and guard.exceeded else self._lost()
        code = int(status.Status)
        if code == _SUCCESS or (pending and code in _PENDING) or 0xB000 <= code <= 0xBFFF:
            return
        words = f"the archive refuses: {status_words(code)}"
        raise refused_object(words) if single else refused(words)

    def _not_established(self, association: Any) -> ArchiveError:
        if association.is_rejected:
            answer = association.acceptor.primitive
            words, again = refusal_words(answer.result, answer.result_source, answer.diagnostic)
            kind = ArchiveLostError if again else ArchiveError
            return kind(
                found=f"the archive refuses the connection: {words}.",
                needed=f"an archive named {self._config.called_ae} that knows us as "
                f"{self._config.calling_ae}.",
                next_step="Compare both AE titles with those in the archive's list.",
            )
        if association.rejected_contexts and not association.accepted_contexts:
            return ArchiveError(
                found="an archive that does not offer this service.",
                needed="verification, study root find and get (or move), storage.",
                next_step="Ask who looks after the archive to allow it for "
                f"{self._config.calling_ae}.",
            )
        return self._unreachable()

    def _unreachable(self) -> ArchiveError:
        """Try the bare connection once more, to say at what it fails."""
        place = (self._config.host, self._config.port)
        try:
            with socket.create_connection(place, timeout=self._config.timeout_s) as plain:
                if self._tls is not None:
                    self._tls.wrap_socket(plain, server_hostname=self._config.host).close()
        except ssl.SSLCertVerificationError as error:
            return untrusted(
                f"a certificate of the archive that cannot be trusted: {error.verify_message}."
            )
        except ssl.SSLError as error:
            return ArchiveError(
                found=f"no encrypted connection with the archive: {error.reason}.",
                needed="an archive that speaks TLS at this port.",
                next_step="Check the port, and whether tls is right for it.",
            )
        except socket.gaierror:
            return ArchiveError(
                found=f"no computer named {self._config.host}.",
                needed="the archive's name or address.",
                next_step="Correct host in the file of archives, or check the network.",
            )
        except OSError as error:
            return self._lost(f"the archive cannot be reached: {error.strerror or 'no answer'}.")
        return self._lost("the archive gives no answer, or breaks off.")

    def _lost(self, found: str = "the connection with the archive broke.") -> ArchiveError:
        return lost(found, timeout_s=self._config.timeout_s)


def _identifier(level: Level, keys: Mapping[str, str], *, ask_all: bool = True) -> Dataset:
    identifier = Dataset()
    if not all(text.isascii() for text in keys.values()):
        identifier.SpecificCharacterSet = "ISO_IR 192"
    identifier.QueryRetrieveLevel = str(level)
    for keyword in ASKED[level] if ask_all else ():
        setattr(identifier, keyword, None)
    for keyword, text in keys.items():
        setattr(identifier, keyword, text)
    return identifier


def _uids(instance: InstanceRow) -> dict[str, str]:
    return {
        "StudyInstanceUID": instance.study_uid,
        "SeriesInstanceUID": instance.series_uid,
        "SOPInstanceUID": instance.instance_uid,
    }


def _contexts(pairs: Iterable[tuple[str, str]]) -> list[PresentationContext]:
    """One context for each transfer syntax and class, so that nothing is compressed anew."""
    return [build_context(sop_class, syntax) for syntax, sop_class in islice(pairs, _MOST_CONTEXTS)]


def _with_all_syntaxes(contexts: list[PresentationContext]) -> list[PresentationContext]:
    """One context for each class, as an acceptor states them."""
    classes = sorted({str(context.abstract_syntax) for context in contexts})
    return [build_context(uid, list(TRANSFER_SYNTAXES)) for uid in classes]


def _is_native(file: OutgoingFile) -> bool:
    return file.transfer_syntax in _NATIVE
