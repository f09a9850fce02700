from __future__ import annotations

from pathlib import Path
from typing import Any

import keyring
import pytest
from keyring.backend import KeyringBackend

from rxmeasure.archive import archive_names, open_archive
from rxmeasure.archive.config import DimseConfig, WebConfig, read_config
from rxmeasure.errors import ArchiveError

DIMSE = 'host = "pacs.example.org"\nport = 104\ncalled_ae = "PACS"\n'
WEB = 'url = "https://pacs.example.org/dicom-web"\n'


def written(folder: Path, entries: str, mode: int = 0o600) -> Path:
    path = folder / "archives.toml"
    path.write_text(f"[archives.here]\n{entries}")
    path.chmod(mode)
    return path


class _Kept(KeyringBackend):
    priority = 1.0  # type: ignore[assignment]
    kept: dict[tuple[str, str], str] = {}

    def get_password(self, service: str, username: str) -> str | None:
        return self.kept.get((service, username))

    def set_password(self, service: str, username: str, password: str) -> None:
        self.kept[service, username] = password

    def delete_password(self, service: str, username: str) -> None:
        del self.kept[service, username]


def test_what_is_left_out_has_a_usual_value(tmp_path: Path) -> None:
    config = read_config("here", written(tmp_path, DIMSE))
    assert config.place == DimseConfig(host="pacs.example.org", port=104, called_ae="PACS")
    assert read_config("here", written(tmp_path, WEB)).place == WebConfig(
        url="https://pacs.example.org/dicom-web"
    )


def test_archives_are_listed_by_name(tmp_path: Path) -> None:
    path = written(tmp_path, f"{DIMSE}[archives.other]\n{WEB}")
    assert archive_names(path) == ("here", "other")
    with pytest.raises(ArchiveError, match="one of: here, other"):
        open_archive("third", path)


def test_no_file(tmp_path: Path) -> None:
    with pytest.raises(ArchiveError, match="names the archives"):
        archive_names(tmp_path / "none.toml")


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o644])
def test_a_password_that_others_can_read_is_refused(tmp_path: Path, mode: int) -> None:
    secret = 'user = "me"\npassword = "secret"\n'
    with pytest.raises(ArchiveError, match="others can read"):
        read_config("here", written(tmp_path, WEB + secret, mode))
    config = read_config("here", written(tmp_path, WEB + secret, 0o600))
    assert config.security.password == "secret"
    assert "secret" not in repr(config)


def test_a_file_that_others_can_change_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ArchiveError, match="others can change"):
        read_config("here", written(tmp_path, DIMSE, 0o622))
    assert read_config("here", written(tmp_path, DIMSE, 0o644)).name == "here"


def test_a_key_that_others_can_read_is_refused(tmp_path: Path) -> None:
    for name in ("own.pem", "own.key"):
        (tmp_path / name).write_text("not looked at")
    entries = f'{DIMSE}tls = true\ncertificate = "own.pem"\ncertificate_key = "own.key"\n'
    (tmp_path / "own.key").chmod(0o644)
    with pytest.raises(ArchiveError, match="others can read"):
        read_config("here", written(tmp_path, entries))


def test_the_password_comes_from_the_keyring(tmp_path: Path) -> None:
    before = keyring.get_keyring()
    keyring.set_keyring(_Kept())
    try:
        path = written(tmp_path, WEB + 'user = "me"\n')
        with pytest.raises(ArchiveError, match='keyring set "rxmeasure archive here" me'):
            read_config("here", path)
        keyring.set_password("rxmeasure archive here", "me", "from the keyring")
        assert read_config("here", path).security.password == "from the keyring"
    finally:
        keyring.set_keyring(before)


@pytest.mark.parametrize(
    ("entries", "words"),
    [
        (DIMSE + "colour = 3\n", "colour"),
        (DIMSE.replace("104", '"104"'), "int"),
        (DIMSE.replace("104", "70000"), "no such port"),
        (DIMSE.replace('"PACS"', '"A NAME OF TOO MANY LETTERS"'), "AE title"),
        (DIMSE.replace('"PACS"', '""'), "AE title"),
        (DIMSE + "timeout_s = 0\n", "timeout_s"),
        (DIMSE + 'user = "me"\npassword = "x"\n', "without tls"),
        (DIMSE + "tls = true\nlisten_port = 1104\n", "certificate"),
        (DIMSE + 'ca_file = "none.pem"\ntls = true\n', "no file"),
        (DIMSE + 'ca_file = "archives.toml"\n', "without tls"),
        (DIMSE + 'tls = true\ncertificate = "archives.toml"\n', "belong together"),
        ('host = "pacs.example.org"\n', "port"),
        ('url = "ftp://pacs.example.org"\n', "no web address"),
        ('url = "https://me:x@pacs.example.org"\n', "user or a password"),
        ('url = "http://pacs.example.org"\nuser = "me"\npassword = "x"\n', "without https"),
        ("port = [\n", "cannot be read"),
    ],
)
def test_a_wrong_entry_is_named(tmp_path: Path, entries: str, words: str) -> None:
    with pytest.raises(ArchiveError, match=words):
        read_config("here", written(tmp_path, entries))


@pytest.mark.parametrize("value", [3, "text"])
def test_an_archive_that_is_no_table(tmp_path: Path, value: Any) -> None:
    path = tmp_path / "archives.toml"
    path.write_text(f"[archives]\nhere = {value!r}\n")
    with pytest.raises(ArchiveError, match="no table"):
        read_config("here", path)
