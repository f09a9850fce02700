"""From a name in the settings to an archive."""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path

from rxmeasure.archive.archive import Archive
from rxmeasure.archive.config import ArchiveConfig, WebConfig, default_config_path, read_config
from rxmeasure.archive.journal import Journal
from rxmeasure.archive.wire import Wire
from rxmeasure.errors import ArchiveError


def open_archive(name: str, config: Path | None = None) -> Archive:
    """Make an archive of the settings ready. Nothing is connected yet.

    Parameters
    ----------
    name : str
    config : Path, optional
        The file that names the archives; else ``archives.toml`` in this user's settings folder.

    Raises
    ------
    ArchiveError
        Wrong settings (see `config.read_config`), or a package that is missing.
    """
    settings = read_config(name, config or default_config_path())
    return Archive(name, _wire(settings), Journal(settings.journal, name))


def _wire(settings: ArchiveConfig) -> Wire:
    if isinstance(settings.place, WebConfig):
        _need("dicomweb_client")
        from rxmeasure.archive.dicomweb import WebWire

        return WebWire(settings.place, settings.security)
    _need("pynetdicom")
    from rxmeasure.archive.dimse import DimseWire

    return DimseWire(settings.place, settings.security)


def _need(package: str) -> None:
    if find_spec(package) is None:
        raise ArchiveError(
            found=f"no {package}, which talks to archives.",
            needed="the package's extra for archives.",
            next_step='Install it: pip install "rxmeasure[archive]"',
        )
