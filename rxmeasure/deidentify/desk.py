"""What stays with the person: key, decisions, contact sheet, list of originals. Never handed on."""

from __future__ import annotations

import csv
import os
import stat
from dataclasses import dataclass
from pathlib import Path

from rxmeasure.atomic import write_text
from rxmeasure.csv_text import csv_text
from rxmeasure.deidentify.gate import Decision
from rxmeasure.deidentify.key import Key, make_key, read_key
from rxmeasure.errors import DeidentificationError, WriteError

_HEAD = """# A person's decisions on films. Look at contact_sheet.html first.
# hold NAME: stays here. release NAME: may leave. Then run the same command again.
"""
_WORDS = {"hold": Decision.LOOK, "release": Decision.RELEASE}


@dataclass(frozen=True, slots=True, kw_only=True)
class Desk:
    """The private folder. ``new_key`` is True when the key was made just now."""

    folder: Path
    key: Key
    new_key: bool

    @property
    def key_path(self) -> Path:
        """Where the key lies."""
        return self.folder / "key"

    @property
    def sheet_path(self) -> Path:
        """Where the contact sheet lies."""
        return self.folder / "contact_sheet.html"

    @property
    def decisions_path(self) -> Path:
        """Where a person writes what may leave."""
        return self.folder / "look.txt"

    def decisions(self) -> dict[str, Decision]:
        """What a person decided: name of a copy -> release or look (held).

        Raises
        ------
        DeidentificationError
            A line is none; it is named.
        """
        if not self.decisions_path.is_file():
            return {}
        found = {}
        lines = self.decisions_path.read_text(encoding="utf-8", errors="replace").splitlines()
        for number, line in enumerate(lines, start=1):
            words = line.split()
            if not words or words[0].startswith("#"):
                continue
            if len(words) != 2 or words[0] not in _WORDS:
                raise DeidentificationError(
                    found=f"line {number} of {self.decisions_path}, which is no decision.",
                    needed="'hold NAME' or 'release NAME' on each line.",
                    next_step="Correct that line.",
                )
            found[words[1]] = _WORDS[words[0]]
        return found

    def keep_decisions(self, decisions: dict[str, Decision]) -> None:
        """Write the decisions back, for a person to change."""
        words = {decision: word for word, decision in _WORDS.items()}
        lines = [f"{words[decision]} {name}\n" for name, decision in decisions.items()]
        self._write(self.decisions_path, _HEAD + "".join(lines))

    def keep_sheet(self, page: str) -> None:
        """Write the contact sheet."""
        self._write(self.sheet_path, page)

    def add_originals(self, rows: dict[str, tuple[str, str]]) -> None:
        """Add to the list of what the copies are made of: name -> (patient, original file)."""
        path = self.folder / "originals.csv"
        header = ("copy", "patient", "original")
        known: dict[str, tuple[str, ...]] = {}
        if path.is_file():
            with path.open(encoding="utf-8", newline="") as file:
                known = {row[0]: tuple(row[1:]) for row in list(csv.reader(file))[1:] if row}
        known |= rows
        self._write(path, csv_text(header, [(name, *row) for name, row in known.items()]))

    def _write(self, path: Path, text: str) -> None:
        write_text(path, text)
        os.chmod(path, 0o600)


def open_desk(folder: Path, *, key_check: str | None) -> Desk:
    """Open the private folder, or make it for its owner alone.

    Parameters
    ----------
    folder : Path
    key_check : str or None
        `Key.check` of the key that earlier copies were made with; None for none.

    Raises
    ------
    DeidentificationError
        The key is lost, is another one, or others can read it.
    WriteError
        The folder cannot be made.
    """
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    except OSError as fault:
        raise WriteError(
            found=f"the folder {folder} cannot be made: {fault.strerror}.",
            needed="a folder for the key and the contact sheet.",
            next_step="Name another one with --private.",
        ) from fault
    _check_closed(folder)
    path = folder / "key"
    new = key_check is None and not path.exists()
    key = make_key(path) if new else read_key(path)
    if key_check is not None and key.check != key_check:
        raise DeidentificationError(
            found=f"another key in {path} than the one earlier copies were made with.",
            needed="one key for all copies in a folder: it ties the films of a patient together.",
            next_step="Name the private folder with the earlier key, or write to a new folder.",
        )
    return Desk(folder=folder, key=key, new_key=new)


def _check_closed(folder: Path) -> None:
    """Refuse a folder that others can enter: it will hold films and names."""
    mode = stat.S_IMODE(folder.stat().st_mode)
    if os.name == "posix" and mode & 0o077:
        raise DeidentificationError(
            found=f"a private folder that others can enter ({folder}, mode {mode:o}).",
            needed="a folder for its owner alone.",
            next_step=f"chmod 700 {folder}, or name a folder that is not there yet.",
        )
