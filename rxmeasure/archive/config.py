"""The file that names the archives: where they are, and with which rights.

::

    [archives.hospital]
    host = "pacs.example.org"
    port = 11112
    called_ae = "PACS"
    calling_ae = "RXMEASURE"

    [archives.web]
    url = "https://pacs.example.org/dicom-web"
    user = "endodontics"
"""

from __future__ import annotations

import ipaddress
import os
import stat
import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import cattrs
import click

from rxmeasure.errors import ArchiveError

#: Seconds without a sign of life (choice: a C-FIND on a large archive takes some).
_TIMEOUT_S = 30.0
_LONGEST_FILE = 2**20


@dataclass(frozen=True, slots=True, kw_only=True)
class Security:
    """Who we are, and how the other side is known.

    Attributes
    ----------
    ca_file, certificate, certificate_key : Path or None
        PEM files: who signs the archive's certificate, our own certificate and its key.
    user, password : str
    """

    ca_file: Path | None = None
    certificate: Path | None = None
    certificate_key: Path | None = None
    user: str = ""
    password: str = field(default="", repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class DimseConfig:
    """An archive that speaks DIMSE.

    Attributes
    ----------
    called_ae, calling_ae : str
        Application entity titles: the archive's, and ours as it is entered in the archive.
    listen_port : int or None
        None fetches by C-GET. A port fetches by C-MOVE: the archive opens a connection to it.
    listen_host : str
        Address of this computer that listens then.
    """

    host: str
    port: int
    called_ae: str
    calling_ae: str = "RXMEASURE"
    tls: bool = False
    listen_port: int | None = None
    listen_host: str = ""
    timeout_s: float = _TIMEOUT_S


@dataclass(frozen=True, slots=True, kw_only=True)
class WebConfig:
    """An archive that speaks DICOMweb at one address."""

    url: str
    timeout_s: float = _TIMEOUT_S


@dataclass(frozen=True, slots=True, kw_only=True)
class ArchiveConfig:
    """One archive of the file."""

    name: str
    place: DimseConfig | WebConfig
    security: Security
    journal: Path


def default_config_path() -> Path:
    """``archives.toml`` in this user's settings folder."""
    return Path(click.get_app_dir("rxmeasure")) / "archives.toml"


def archive_names(path: Path) -> tuple[str, ...]:
    """Names of the archives of a file, in its order.

    Raises
    ------
    ArchiveError
        As `read_config`.
    """
    return tuple(_archives(path))


def read_config(name: str, path: Path) -> ArchiveConfig:
    """Read how one archive is reached.

    Raises
    ------
    ArchiveError
        No such file or archive; a wrong entry; a file that others can change, or that holds a
        password and that others can read; a password that is not in the keyring.
    """
    archives = _archives(path)
    if name not in archives:
        raise ArchiveError(
            found=f"no archive {name!r} in {path}.",
            needed=f"one of: {', '.join(archives) or 'none is named there'}.",
            next_step=f"Choose one of these, or add [archives.{name}] to the file.",
        )
    table = archives[name]
    if not isinstance(table, dict):
        raise _wrong(path, name, "no table of settings")
    if "password" in table:
        _check_private(path, readers=True)
    keys = {f for f in Security.__dataclass_fields__ if f in table}
    own = {key: table[key] for key in keys}
    place = {key: value for key, value in table.items() if key not in keys}
    kind = WebConfig if "url" in place else DimseConfig
    config = ArchiveConfig(
        name=name,
        place=_structured(kind, place, path, name),
        security=_structured(Security, own, path, name),
        journal=path.with_suffix(".sent"),
    )
    _check(config, path)
    return _with_secrets(config, path)


def _archives(path: Path) -> dict[str, Any]:
    try:
        if path.stat().st_size > _LONGEST_FILE:
            raise ValueError("too large for a file of settings")
        document = tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError as error:
        raise ArchiveError(
            found=f"no file {path}, which names the archives.",
            needed="a file with a table [archives.NAME] for each archive.",
            next_step="Write it as the README shows, or ask who looks after the archive.",
        ) from error
    except (OSError, ValueError) as error:
        raise ArchiveError(
            found=f"a file of archives that cannot be read: {path}: {error}.",
            needed="a TOML file as the README shows it.",
            next_step="Correct the place that is named.",
        ) from error
    _check_private(path, readers=False)
    archives = document.get("archives")
    return archives if isinstance(archives, dict) else {}


def _check_private(path: Path, *, readers: bool) -> None:
    """Refuse a file that others can change, and with ``readers`` one that others can read."""
    if os.name != "posix":
        return
    mode = stat.S_IMODE(path.stat().st_mode)
    if mode & (0o077 if readers else 0o022):
        can = "read" if readers else "change"
        raise ArchiveError(
            found=f"a file with {'a secret' if readers else 'archives'} that others can {can} "
            f"({path}, mode {mode:o}).",
            needed="a file for its owner alone.",
            next_step=f"chmod 600 {path}"
            + ("; if others may have read it, have the secret changed." if readers else ""),
        )


def _structured(kind: Any, table: dict[str, Any], path: Path, name: str) -> Any:
    converter = cattrs.Converter(forbid_extra_keys=True)
    converter.register_structure_hook(Path, lambda text, _: _beside(path, text))
    for plain in (str, bool, int, float):
        converter.register_structure_hook(plain, _exactly)
    try:
        return converter.structure(table, kind)
    except (cattrs.BaseValidationError, cattrs.errors.StructureHandlerNotFoundError) as error:
        raise _wrong(path, name, "; ".join(cattrs.transform_error(error))) from error
    except (TypeError, ValueError) as error:
        raise _wrong(path, name, str(error)) from error


def _exactly(value: Any, kind: Any) -> Any:
    """No silent conversion: a port in quotes is a mistake."""
    if kind is float and type(value) is int:
        return float(value)
    if type(value) is not kind:
        raise TypeError(f"{type(value).__name__} where {kind.__name__} is needed")
    return value


def _beside(path: Path, text: Any) -> Path:
    """A file that is named in the settings, from their folder on."""
    if not isinstance(text, str):
        raise TypeError("the name of a file is needed")
    return path.parent / Path(text).expanduser()


def _check(config: ArchiveConfig, path: Path) -> None:
    place, security = config.place, config.security

    def need(right: bool, what: str) -> None:
        if not right:
            raise _wrong(path, config.name, what)

    need(0.1 <= place.timeout_s <= 3600.0, "timeout_s lies outside 0.1 to 3600")
    if isinstance(place, WebConfig):
        parts = urlsplit(place.url)
        need(parts.scheme in ("http", "https") and bool(parts.hostname), "url is no web address")
        need(parts.username is None and parts.password is None, "url holds a user or a password")
        need(
            parts.scheme == "https" or not security.user or is_loopback(parts.hostname or ""),
            "a user without https would show the password to everyone on the way",
        )
        encrypted = parts.scheme == "https"
    else:
        need(all(_is_port(p) for p in (place.port, place.listen_port or 1)), "no such port")
        for title in (place.called_ae, place.calling_ae):
            # PS3.5 table 6.2-1, AE: 16 characters, no backslash, no control characters.
            need(
                0 < len(title.strip()) <= 16
                and title.isascii()
                and title.isprintable()
                and "\\" not in title,
                "an AE title has 1 to 16 plain letters",
            )
        need(
            place.tls or not security.user or is_loopback(place.host),
            "a user without tls would show the password to everyone on the way",
        )
        need(
            not (place.tls and place.listen_port) or security.certificate is not None,
            "tls with listen_port needs a certificate of our own",
        )
        encrypted = place.tls
    need(encrypted or security.ca_file is None, "ca_file without tls or https")
    need(
        (security.certificate is None) == (security.certificate_key is None),
        "certificate and certificate_key belong together",
    )
    for file in (security.ca_file, security.certificate, security.certificate_key):
        need(file is None or file.is_file(), f"there is no file {file}")
    if security.certificate_key is not None:
        _check_private(security.certificate_key, readers=True)


def _is_port(port: int) -> bool:
    return 0 < port < 65536


def is_loopback(host: str) -> bool:
    """Whether a host is this computer."""
    try:
        return host == "localhost" or ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _with_secrets(config: ArchiveConfig, path: Path) -> ArchiveConfig:
    """Take the password from the keyring where a user is named without one."""
    from dataclasses import replace

    security = config.security
    if not security.user or security.password:
        return config
    service = f"rxmeasure archive {config.name}"
    try:
        import keyring
        from keyring.errors import KeyringError
    except ImportError as error:
        raise _no_password(path, service, security.user) from error
    try:
        password = keyring.get_password(service, security.user)
    except KeyringError as error:
        raise _no_password(path, service, security.user) from error
    if not password:
        raise _no_password(path, service, security.user)
    return replace(config, security=replace(security, password=password))


def _no_password(path: Path, service: str, user: str) -> ArchiveError:
    return ArchiveError(
        found="a user of the archive, and no password in the file or in the keyring.",
        needed="a password.",
        next_step=f'Give it to the keyring: keyring set "{service}" {user}; or write it into '
        f"{path} as password, and chmod 600 that file.",
    )


def _wrong(path: Path, name: str, what: str) -> ArchiveError:
    return ArchiveError(
        found=f"a wrong entry in [archives.{name}] of {path}: {what}.",
        needed="entries as the README shows them.",
        next_step="Correct the entry.",
    )
