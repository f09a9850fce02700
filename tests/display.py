"""A screen of one's own for windows: for tests, screenshots and benchmarks.

    with own_display(), clean_desktop(folder):
        ...  # import Qt and napari only here

``RXMEASURE_DISPLAY=keep`` shows the windows on the caller's own screen instead.
"""

from __future__ import annotations

import os
import select
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import IO

SIZE = (1280, 720)
#: How long the display server may take to start (choice; usual is 0.3 s).
START_S = 30.0


class NoDisplayError(Exception):
    """The display server is missing or did not start."""


@contextmanager
def own_display(size: tuple[int, int] = SIZE) -> Iterator[None]:
    """Start an X server that only this process uses, name it in DISPLAY, end it afterwards.

    On Linux only; elsewhere windows show on the desktop.

    Raises
    ------
    NoDisplayError
        Xvfb is not installed, or it ended without opening a display.
    """
    if sys.platform != "linux" or os.environ.get("RXMEASURE_DISPLAY") == "keep":
        yield
        return
    with _server(size) as number:
        settings = {"DISPLAY": f":{number}", "QT_QPA_PLATFORM": "xcb"}
        with _environment(settings, without=("WAYLAND_DISPLAY",)):
            yield


@contextmanager
def clean_desktop(folder: Path) -> Iterator[None]:
    """Keep the settings of napari and of the desktop in ``folder``; Qt by PySide6."""
    config, runtime = folder / "config", folder / "runtime"
    config.mkdir()
    runtime.mkdir(mode=0o700)
    settings = {
        "QT_API": "pyside6",
        "NAPARI_CONFIG": str(config / "napari.yaml"),
        "XDG_CONFIG_HOME": str(config),
        "XDG_RUNTIME_DIR": str(runtime),
        "XDG_STATE_HOME": str(folder / "state"),
    }
    with _environment(settings):
        yield


@contextmanager
def _server(size: tuple[int, int]) -> Iterator[int]:
    """Run Xvfb; it chooses a free display number, which is returned."""
    program = shutil.which("Xvfb")
    if program is None:
        raise NoDisplayError(
            "Windows need a display server, and Xvfb is not installed. On Debian: "
            "apt-get install xvfb. Or set RXMEASURE_DISPLAY=keep to use your own screen."
        )
    told, tell = os.pipe()
    screen = f"{size[0]}x{size[1]}x24"
    command = [program, "-displayfd", str(tell), "-screen", "0", screen, "-nolisten", "tcp"]
    with tempfile.TemporaryFile() as log:
        server = subprocess.Popen(command, pass_fds=(tell,), stdout=log, stderr=log)
        os.close(tell)
        try:
            number = _first_line(told)
            if not number:
                raise NoDisplayError(f"Xvfb did not start: {_ending(server, log)}")
            yield int(number)
        finally:
            os.close(told)
            server.terminate()
            server.wait()


def _ending(server: subprocess.Popen[bytes], log: IO[bytes]) -> str:
    server.kill()
    server.wait()
    log.seek(0)
    return log.read().decode(errors="replace").strip() or "no message"


def _first_line(descriptor: int) -> str:
    """Text up to the end of line; empty when none comes in time or the writer ends."""
    text = b""
    while not text.endswith(b"\n"):
        ready, _, _ = select.select([descriptor], [], [], START_S)
        piece = os.read(descriptor, 64) if ready else b""
        if not piece:
            return ""
        text += piece
    return text.decode().strip()


@contextmanager
def _environment(settings: Mapping[str, str], without: tuple[str, ...] = ()) -> Iterator[None]:
    before = dict(os.environ)
    os.environ.update(settings)
    for name in without:
        os.environ.pop(name, None)
    try:
        yield
    finally:
        os.environ.clear()
        os.environ.update(before)
