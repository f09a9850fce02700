"""A file is written whole or not at all."""

from __future__ import annotations

import os
import signal
import stat
import subprocess
import sys
import tempfile
import textwrap
import time
from pathlib import Path

import pytest

from rxmeasure.atomic import write_bytes, write_text
from rxmeasure.errors import WriteError

OLD = b"what was there before"


def _run(code: str, *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", textwrap.dedent(code), *arguments],
        capture_output=True,
        text=True,
        timeout=30,
        check=False,
    )


def test_writes_replaces_and_leaves_nothing_else(tmp_path: Path) -> None:
    target = tmp_path / "a.json"
    write_text(target, "é\r\n")
    assert target.read_bytes() == "é\r\n".encode()
    write_bytes(target, b"second")
    assert target.read_bytes() == b"second"
    assert os.listdir(tmp_path) == ["a.json"]


def test_mode_follows_the_umask_and_then_the_old_file(tmp_path: Path) -> None:
    target = tmp_path / "a.json"
    old_umask = os.umask(0o027)
    try:
        write_bytes(target, b"1")
    finally:
        os.umask(old_umask)
    assert stat.S_IMODE(target.stat().st_mode) == 0o640
    target.chmod(0o600)
    write_bytes(target, b"2")
    assert stat.S_IMODE(target.stat().st_mode) == 0o600


def test_a_link_is_followed_not_replaced(tmp_path: Path) -> None:
    real = tmp_path / "real.json"
    real.write_bytes(OLD)
    link = tmp_path / "link.json"
    link.symlink_to(real)
    write_bytes(link, b"new")
    assert link.is_symlink()
    assert real.read_bytes() == b"new"


def test_long_image_names_still_fit(tmp_path: Path) -> None:
    target = tmp_path / ("x" * 250 + ".json")  # 255 bytes, the limit of common file systems
    write_bytes(target, b"1")
    assert target.read_bytes() == b"1"
    with pytest.raises(WriteError):
        write_bytes(tmp_path / ("x" * 300), b"1")
    assert os.listdir(tmp_path) == [target.name]


@pytest.mark.parametrize(
    ("make", "found"),
    [
        (lambda folder: folder / "absent" / "a.json", "no folder"),
        (lambda folder: folder, "is a folder"),
        (lambda folder: folder / "file" / "a.json", "no folder"),
    ],
)
def test_a_wrong_place_is_named(tmp_path: Path, make, found: str) -> None:
    (tmp_path / "file").write_bytes(OLD)
    with pytest.raises(WriteError, match=found):
        write_bytes(make(tmp_path), b"new")
    assert (tmp_path / "file").read_bytes() == OLD
    assert os.listdir(tmp_path) == ["file"]


def test_full_disk(tmp_path: Path) -> None:
    """On a real file system without room; a size limit on the process where none can be mounted."""
    disk = tmp_path / "disk"
    disk.mkdir()
    mounted = (
        subprocess.run(
            ["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(disk)],
            capture_output=True,
            check=False,
        ).returncode
        == 0
    )
    try:
        (disk / "a.json").write_bytes(OLD)
        limit = "0" if mounted else "16384"
        done = _run(
            """
            import resource, signal, sys
            from rxmeasure.atomic import write_bytes
            from rxmeasure.errors import WriteError
            if int(sys.argv[2]):
                signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
                resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[2]),) * 2)
            try:
                write_bytes(sys.argv[1], b"x" * 1_000_000)
            except WriteError as error:
                print(error.found)
            """,
            str(disk / "a.json"),
            limit,
        )
        assert "no space left to write a.json" in done.stdout, done.stderr
        assert (disk / "a.json").read_bytes() == OLD
        assert os.listdir(disk) == ["a.json"]
        write_bytes(disk / "a.json", b"small enough")
        assert (disk / "a.json").read_bytes() == b"small enough"
    finally:
        if mounted:
            subprocess.run(["umount", str(disk)], check=True)


_AS_PLAIN_USER = """
    import os, sys
    from rxmeasure.atomic import write_bytes
    from rxmeasure.errors import WriteError
    if os.getuid() == 0:
        os.setgroups([])
        os.setgid(65534)
        os.setuid(65534)
    try:
        write_bytes(sys.argv[1], b"new")
    except WriteError as error:
        print(error.found)
"""


@pytest.mark.parametrize(("folder_mode", "file_mode"), [(0o555, 0o666), (0o777, 0o444)])
def test_read_only_folder_and_read_only_file(folder_mode: int, file_mode: int) -> None:
    with tempfile.TemporaryDirectory() as folder_name:
        folder = Path(folder_name)
        (folder / "a.json").write_bytes(OLD)
        (folder / "a.json").chmod(file_mode)
        folder.chmod(folder_mode)
        try:
            done = _run(_AS_PLAIN_USER, str(folder / "a.json"))
        finally:
            folder.chmod(0o755)
        assert "does not allow writing" in done.stdout, done.stderr
        assert (folder / "a.json").read_bytes() == OLD
        assert os.listdir(folder) == ["a.json"]


def test_killed_writers_leave_a_whole_file(tmp_path: Path) -> None:
    """Kill -9 at many moments of a writer's loop: the file is always one whole version."""
    target = tmp_path / "a.json"
    target.write_bytes(b"0" * 2_000_000)
    code = """
        import sys
        from rxmeasure.atomic import write_bytes
        print("ready", flush=True)
        while True:
            for digit in b"123":
                write_bytes(sys.argv[1], bytes([digit]) * 2_000_000)
    """
    caught_in_the_middle = 0
    for delay_s in (0.0, 0.003, 0.007, 0.012, 0.019, 0.03, 0.041, 0.05):
        writer = subprocess.Popen(
            [sys.executable, "-c", textwrap.dedent(code), str(target)], stdout=subprocess.PIPE
        )
        assert writer.stdout is not None
        writer.stdout.readline()
        time.sleep(delay_s)
        writer.send_signal(signal.SIGKILL)
        writer.communicate()
        content = target.read_bytes()
        assert len(content) == 2_000_000
        assert len(set(content)) == 1
        parts = list(tmp_path.glob(".*.part"))
        caught_in_the_middle += bool(parts)
        for part in parts:
            part.unlink()
    assert caught_in_the_middle, "no writer was killed in the middle of a write"
