from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from dicom_films import DICOM, SAMPLES
from loopback_archive import LoopbackArchive, settings

Run = Callable[..., Any]


@pytest.fixture
def loopback() -> Iterator[LoopbackArchive]:
    archive = LoopbackArchive()
    server = archive.start()
    yield archive
    server.shutdown()


@pytest.fixture
def config(loopback: LoopbackArchive, tmp_path: Path) -> Path:
    table = {"host": "127.0.0.1", "port": loopback.port, "called_ae": "ARCHIVE"}
    return settings(tmp_path, table)


def test_from_the_search_to_the_film(
    run: Run, loopback: LoopbackArchive, config: Path, tmp_path: Path
) -> None:
    instance = loopback.add(SAMPLES / DICOM)
    options = ("--config", config)
    assert run("archive", "test", "here", *options).stdout == "here answers.\n"

    found = run("archive", "find", "here", *options, "--patient", "Phantom*")
    assert found.stdout.splitlines()[1].startswith("2024-02-29  PHANTOM-12004  Phantom^Sample")
    listed = run("archive", "find", "here", *options, "--since", "2024-02-29", "--json").document
    (study,) = listed["studies"]["rows"]
    assert study["taken"] == "2024-02-29"
    named = run("archive", "find", "here", *options, "--study", study["study_uid"])
    assert "Series" in named.stdout

    out = tmp_path / "films"
    fetch = ("archive", "fetch", "here", *options, "--study", study["study_uid"], "--out", out)
    assert run(*fetch).stdout == f"1 there, 1 of them new, 0 failed. In: {out}\n"
    assert run(*fetch).stdout == f"1 there, 0 of them new, 0 failed. In: {out}\n"
    assert (out / study["study_uid"] / f"{instance}.dcm").is_file()


def test_a_folder_is_sent_once(
    run: Run, loopback: LoopbackArchive, config: Path, tmp_path: Path
) -> None:
    (tmp_path / "objects").mkdir()
    (tmp_path / "objects" / DICOM).write_bytes((SAMPLES / DICOM).read_bytes())
    send = ("archive", "send", "here", tmp_path / "objects", "--config", config)
    assert run(*send).stdout == "1 sent, 0 there before, 0 failed.\n"
    assert run(*send).stdout == "0 sent, 1 there before, 0 failed.\n"
    assert len(loopback.stored) == 1


def test_some_that_fail_are_told_by_the_exit_status(
    run: Run, loopback: LoopbackArchive, config: Path, tmp_path: Path
) -> None:
    loopback.store_status = lambda _: 0xA700
    (tmp_path / "text.dcm").write_text("no DICOM")
    files = (SAMPLES / DICOM, tmp_path / "text.dcm")
    sent = run("archive", "send", "here", *files, "--config", config)
    assert sent.code == 10
    assert "(status A700)" in sent.stdout
    assert "no DICOM file" in sent.stdout
    again = run("archive", "send", "here", *files, "--config", config, "--json")
    assert len(again.document["sent"]["failed"]) == 2


def test_an_archive_that_is_not_named(run: Run, config: Path) -> None:
    refused = run("archive", "test", "there", "--config", config, "--json")
    assert refused.code == 16
    assert "one of: here" in refused.error["needed"]


def test_a_search_for_nothing(run: Run, config: Path) -> None:
    refused = run("archive", "find", "here", "--config", config)
    assert refused.code == 16
    assert "whole archive" in refused.stderr
