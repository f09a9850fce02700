from __future__ import annotations

import ssl
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import trustme
from loopback_archive import LEAVES_SOCKETS, LoopbackArchive, own_certificate, pem, server_tls
from orthanc import free_port

from rxmeasure.archive import Archive, Query, Uids
from rxmeasure.errors import ArchiveError

Open = Callable[..., Archive]
Start = Callable[..., LoopbackArchive]

pytestmark = LEAVES_SOCKETS


@pytest.fixture(scope="module")
def authority() -> trustme.CA:
    return trustme.CA()


def test_an_archive_with_a_certificate_of_the_named_authority(
    start: Start, opened: Open, authority: trustme.CA, tmp_path: Path
) -> None:
    loopback = start(tls=server_tls(authority))
    archive = opened(loopback, tls=True, ca_file=pem(authority, tmp_path))
    archive.test()
    assert archive.find(Query(patient_id="1")).rows == ()


@pytest.mark.parametrize("entries", [{}, {"ca_file": "ca.pem"}], ids=["no ca", "wrong ca"])
def test_an_archive_that_nobody_vouches_for_is_refused(
    start: Start, opened: Open, authority: trustme.CA, tmp_path: Path, entries: dict[str, Any]
) -> None:
    pem(trustme.CA(), tmp_path)
    archive = opened(start(tls=server_tls(authority)), tls=True, **entries)
    with pytest.raises(ArchiveError, match="certificate of the archive that cannot be trusted"):
        archive.test()


def test_a_certificate_for_another_host_is_refused(
    start: Start, opened: Open, authority: trustme.CA, tmp_path: Path
) -> None:
    loopback = start(tls=server_tls(authority, "elsewhere.example"))
    with pytest.raises(ArchiveError, match="cannot be trusted"):
        opened(loopback, tls=True, ca_file=pem(authority, tmp_path)).test()


def test_an_archive_without_encryption_is_told(
    start: Start, opened: Open, authority: trustme.CA, tmp_path: Path
) -> None:
    archive = opened(start(), tls=True, ca_file=pem(authority, tmp_path), timeout_s=2.0)
    with pytest.raises(ArchiveError):
        archive.test()


@pytest.mark.parametrize("shown", [True, False])
def test_an_archive_that_asks_for_our_certificate(
    start: Start, opened: Open, authority: trustme.CA, tmp_path: Path, shown: bool
) -> None:
    context = server_tls(authority)
    context.verify_mode = ssl.CERT_REQUIRED
    authority.configure_trust(context)
    own = own_certificate(authority, tmp_path) if shown else {}
    loopback = start(tls=context)
    archive = opened(loopback, tls=True, ca_file=pem(authority, tmp_path), timeout_s=2.0, **own)
    if shown:
        archive.test()
    else:
        with pytest.raises(ArchiveError):
            archive.test()


@pytest.mark.parametrize("shown", [True, False])
def test_films_that_the_archive_sends_to_us_come_encrypted_from_someone_vouched_for(
    start: Start,
    opened: Open,
    films: tuple[Path, ...],
    authority: trustme.CA,
    tmp_path: Path,
    shown: bool,
) -> None:
    sending = ssl.create_default_context()
    authority.configure_trust(sending)
    if shown:
        authority.issue_cert("127.0.0.1").configure_cert(sending)
    port = free_port()
    loopback = LoopbackArchive(move_to=("127.0.0.1", port), move_tls=sending)
    for film in films[:2]:
        loopback.add(film)
    archive = opened(
        start(loopback, tls=server_tls(authority)),
        tls=True,
        ca_file=pem(authority, tmp_path),
        listen_port=port,
        listen_host="127.0.0.1",
        timeout_s=3.0,
        **own_certificate(authority, tmp_path),
    )
    fetched = archive.fetch(Uids(study="1.2.3"), tmp_path / "out")
    assert fetched.new == (2 if shown else 0)
    assert len(fetched.failed) == (0 if shown else 2)
