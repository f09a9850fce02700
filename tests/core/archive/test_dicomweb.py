"""Answers of a web archive that go wrong; what goes right is tested on a real one."""

from __future__ import annotations

import json
import logging
import ssl
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Thread
from time import sleep
from typing import Any

import pytest
import trustme
from loopback_archive import settings

from rxmeasure.archive import Archive, Query, Uids, open_archive
from rxmeasure.errors import ArchiveError, ArchiveLostError

Answer = Callable[[BaseHTTPRequestHandler], None]
ASKED = Query(patient_name="Planted^Name")


@contextmanager
def serving(answer: Answer, tls: ssl.SSLContext | None = None) -> Iterator[int]:
    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            answer(self)

        def do_POST(self) -> None:
            if "chunked" in self.headers.get("Transfer-Encoding", ""):
                while size := int(self.rfile.readline(), 16):
                    self.rfile.read(size + 2)
                self.rfile.readline()
            else:
                self.rfile.read(int(self.headers["Content-Length"]))
            answer(self)

        def log_message(self, *_: Any) -> None:
            pass

    with ThreadingHTTPServer(("127.0.0.1", 0), Handler) as server:
        if tls is not None:
            server.socket = tls.wrap_socket(server.socket, server_side=True)
        thread = Thread(target=server.serve_forever)
        thread.start()
        yield server.server_address[1]
        server.shutdown()
        thread.join()


def replying(code: int, body: bytes = b"", kind: str = "application/dicom+json") -> Answer:
    def answer(request: BaseHTTPRequestHandler) -> None:
        request.send_response(code)
        request.send_header("Content-Type", kind)
        request.send_header("Location", "http://127.0.0.1:1/elsewhere")
        request.send_header("Content-Length", str(len(body)))
        request.end_headers()
        request.wfile.write(body)

    return answer


def opened(folder: Path, port: int, **entries: Any) -> Archive:
    scheme = "https" if "ca_file" in entries else "http"
    table = {"url": f"{scheme}://127.0.0.1:{port}/dicom-web", "timeout_s": 5.0, **entries}
    return open_archive("here", settings(folder, table))


@pytest.mark.parametrize(
    ("code", "kind", "words"),
    [
        (401, ArchiveError, "does not let us in"),
        (403, ArchiveError, "does not let us in"),
        (404, ArchiveError, "HTTP status 404"),
        (302, ArchiveError, "another address"),
        (503, ArchiveLostError, "busy"),
    ],
)
def test_a_refusal_is_told(tmp_path: Path, code: int, kind: type[ArchiveError], words: str) -> None:
    with serving(replying(code)) as port, pytest.raises(ArchiveError, match=words) as refusal:
        opened(tmp_path, port).find(ASKED)
    assert type(refusal.value) is kind


@pytest.mark.parametrize(
    "body", [b"<html>", b"[3]", b'[{"0020000D": 3}]', b'{"a": ', b"\xff\xfe", b"[" * 10_000]
)
def test_answers_that_are_no_dicom(tmp_path: Path, body: bytes) -> None:
    with serving(replying(200, body)) as port, pytest.raises(ArchiveError, match="no DICOM"):
        opened(tmp_path, port).find(ASKED)


def studies(*uids: str) -> bytes:
    return json.dumps([{"0020000D": {"vr": "UI", "Value": [uid]}} for uid in uids]).encode()


def test_identifiers_that_are_none_are_left_out(tmp_path: Path) -> None:
    with serving(replying(200, studies("../../x", "1.2/..", "1.2"))) as port:
        found = opened(tmp_path, port).find(ASKED)
    assert [row.study_uid for row in found.rows] == ["1.2"]
    assert found.left_out == 2


def test_an_archive_that_does_not_count_pages_is_cut_off(tmp_path: Path) -> None:
    everything = studies(*(f"1.2.{n}" for n in range(3_000)))
    with serving(replying(200, everything)) as port:
        found = opened(tmp_path, port).find(ASKED)
    assert (len(found.rows), found.more) == (1_000, True)


def test_an_answer_without_end_is_broken_off(tmp_path: Path) -> None:
    def endless(request: BaseHTTPRequestHandler) -> None:
        request.send_response(200)
        request.end_headers()
        try:
            while True:
                request.wfile.write(b"[" * 2**16)
        except OSError:
            return

    with serving(endless) as port, pytest.raises(ArchiveError, match="does not end"):
        opened(tmp_path, port).find(ASKED)


def test_an_archive_that_never_answers(tmp_path: Path) -> None:
    with serving(lambda _: sleep(1.0)) as port, pytest.raises(ArchiveLostError):
        opened(tmp_path, port, timeout_s=0.3).find(ASKED)


def test_an_object_that_is_none_leaves_no_file(tmp_path: Path) -> None:
    def answer(request: BaseHTTPRequestHandler) -> None:
        path = request.path.split("?")[0]
        if path.endswith("/instances"):
            body = b'[{"00080018": {"vr": "UI", "Value": ["1.2.3.1"]}}]'
            replying(200, body)(request)
        else:
            part = b"--x\r\nContent-Type: application/dicom\r\n\r\nnothing\r\n--x--"
            replying(200, part, 'multipart/related; type="application/dicom"; boundary=x')(request)

    with serving(answer) as port:
        fetched = opened(tmp_path, port).fetch(Uids(study="1.2", series="1.3"), tmp_path / "out")
    assert [remark.what for remark in fetched.failed] == ["1.2.3.1"]
    assert not list(tmp_path.rglob("*.dcm"))


def stow(code: int, sequence: str, keyword: str, status: int) -> Answer:
    item = {
        "00081155": {"vr": "UI", "Value": ["1.2.3.1"]},
        keyword: {"vr": "US", "Value": [status]},
    }
    taken = json.dumps({sequence: {"vr": "SQ", "Value": [item]}}).encode()

    def answer(request: BaseHTTPRequestHandler) -> None:
        if request.command == "GET":
            replying(204)(request)
        else:
            replying(code, taken)(request)

    return answer


@pytest.mark.parametrize("code", [200, 202, 409])
def test_a_failure_of_one_object_is_told(
    tmp_path: Path, films: tuple[Path, ...], code: int
) -> None:
    with serving(stow(code, "00081198", "00081197", 0xA700)) as port:
        sent = opened(tmp_path, port).send(films[:1])
    assert sent.sent == ()
    assert "A700" in sent.failed[0].text


def test_a_warning_is_told(tmp_path: Path, films: tuple[Path, ...]) -> None:
    with serving(stow(202, "00081199", "00081196", 0xB000)) as port:
        sent = opened(tmp_path, port).send(films[:1])
    assert sent.sent == films[:1]
    assert "B000" in sent.warned[0].text


def test_the_password_goes_to_the_archive(tmp_path: Path) -> None:
    seen: list[str | None] = []

    def answer(request: BaseHTTPRequestHandler) -> None:
        seen.append(request.headers["Authorization"])
        replying(200, b"[]")(request)

    with serving(answer) as port:
        opened(tmp_path, port, user="me", password="secret").test()
    # RFC 7617: base64 of me:secret
    assert seen == ["Basic bWU6c2VjcmV0"]


@pytest.mark.parametrize("trusted", [True, False])
def test_the_certificate_is_checked(tmp_path: Path, trusted: bool) -> None:
    authority = trustme.CA()
    tls = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    authority.issue_cert("127.0.0.1").configure_cert(tls)
    named = authority if trusted else trustme.CA()
    named.cert_pem.write_to_path(tmp_path / "ca.pem")
    with serving(replying(200, b"[]"), tls) as port:
        archive = opened(tmp_path, port, ca_file="ca.pem")
        if trusted:
            archive.test()
        else:
            with pytest.raises(ArchiveError, match="cannot be trusted"):
                archive.test()


def test_nothing_of_a_patient_is_logged(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.DEBUG)
    with serving(replying(200, b"[]")) as port:
        opened(tmp_path, port).find(ASKED)
    assert "Planted" not in caplog.text
