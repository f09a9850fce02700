"""A DICOM archive of the Debian packages orthanc and orthanc-dicomweb, on loopback."""

from __future__ import annotations

import json
import shutil
import socket
import subprocess
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from time import monotonic, sleep
from typing import Any
from urllib.request import urlopen

_PLUGIN = Path("/usr/share/orthanc/plugins/libOrthancDicomWeb.so")
_START_S = 30.0
TITLE, OURS = "ORTHANC", "RXMEASURE"


def installed() -> bool:
    return shutil.which("Orthanc") is not None and _PLUGIN.exists()


def free_port() -> int:
    with closing(socket.socket()) as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


@dataclass
class Orthanc:
    """One archive with its own folder and ports; it may be killed and started again."""

    folder: Path
    http_port: int = field(default_factory=free_port)
    dicom_port: int = field(default_factory=free_port)
    move_port: int = field(default_factory=free_port)
    process: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.http_port}"

    def start(self) -> None:
        settings = self.folder / "orthanc.json"
        settings.write_text(json.dumps(self._settings()))
        self.process = subprocess.Popen(
            ["Orthanc", str(settings)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        begun = monotonic()
        while not self._answers():
            assert self.process.poll() is None, "Orthanc ended"
            assert monotonic() - begun < _START_S, "Orthanc does not answer"
            sleep(0.05)

    def kill(self) -> None:
        assert self.process is not None
        self.process.kill()
        self.process.wait(20)

    def stop(self) -> None:
        if self.process is not None and self.process.poll() is None:
            self.process.terminate()
            self.process.wait(30)

    def asked(self, path: str) -> Any:
        """An answer of its own interface, which the program under test does not use."""
        with urlopen(self.url + path, timeout=10) as answer:
            return json.load(answer)

    def held(self) -> list[str]:
        """SOP Instance UIDs of all that it holds, with repeats."""
        return sorted(i["MainDicomTags"]["SOPInstanceUID"] for i in self.asked("/instances?expand"))

    def config(self, kind: str, folder: Path) -> Path:
        """A file that names this archive ``here``: by ``get``, ``move`` or ``web``."""
        lines = (
            f'url = "{self.url}/dicom-web"\n'
            if kind == "web"
            else f'host = "127.0.0.1"\nport = {self.dicom_port}\ncalled_ae = "{TITLE}"\n'
            f'calling_ae = "{OURS}"\n'
        )
        if kind == "move":
            lines += f'listen_host = "127.0.0.1"\nlisten_port = {self.move_port}\n'
        path = folder / f"{kind}.toml"
        path.write_text(f"[archives.here]\ntimeout_s = 20\n{lines}")
        path.chmod(0o600)
        return path

    def _answers(self) -> bool:
        try:
            self.asked("/system")
        except OSError:
            return False
        return True

    def _settings(self) -> dict[str, Any]:
        return {
            "StorageDirectory": str(self.folder / "db"),
            "IndexDirectory": str(self.folder / "db"),
            "HttpPort": self.http_port,
            "DicomPort": self.dicom_port,
            "DicomAet": TITLE,
            "DicomCheckCalledAet": True,
            "RemoteAccessAllowed": False,
            "AuthenticationEnabled": False,
            "DicomAlwaysAllowEcho": False,
            "DicomAlwaysAllowStore": False,
            "DicomModalities": {OURS.lower(): [OURS, "127.0.0.1", self.move_port]},
            "Plugins": [str(_PLUGIN)],
            "DicomWeb": {"Enable": True, "Root": "/dicom-web/"},
            "SaveJobs": False,
        }


@contextmanager
def running(folder: Path) -> Iterator[Orthanc]:
    archive = Orthanc(folder)
    archive.start()
    try:
        yield archive
    finally:
        archive.stop()
