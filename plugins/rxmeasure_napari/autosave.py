"""Keeps the unfinished work on one image on the disk. No Qt, no napari."""

from __future__ import annotations

import hashlib
import os
import threading
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Generic

from rxmeasure.atomic import write_bytes
from rxmeasure.errors import ReviewFileError, RxMeasureError, WriteError
from rxmeasure.record.draft import AnyDraft, DraftSort, drop_draft
from rxmeasure.record.parsing import MAX_JSON_BYTES
from rxmeasure.values import Warned

#: Stands for the bytes of a file that cannot be opened; equal to no hash.
_UNREADABLE = "unreadable"


class DraftTakenError(RxMeasureError):
    """Another window keeps its work in the same draft."""


class Autosave(Generic[AnyDraft]):
    """The draft of one image: beside it, or in the user's state folder.

    The state folder is taken when the folder of the image cannot be written.
    A draft on the disk is overwritten only when this object wrote or read it
    last; `find` comes before the first `write`. Calls may come from any
    thread, and take effect in the order in which they come: one worker thread
    keeps it.

    Parameters
    ----------
    sort : DraftSort
    image_path : Path
    sha256 : str
        Of the image file; names the draft in the state folder.
    state_folder : Path, optional
        Instead of the user's own.

    Attributes
    ----------
    warnings : tuple of Warned
        What `find` met: ``draft-set-aside``, ``draft-unreadable``.
    """

    def __init__(
        self,
        sort: DraftSort[AnyDraft],
        image_path: str | Path,
        sha256: str,
        *,
        state_folder: Path | None = None,
    ) -> None:
        self._sort = sort
        self._beside = sort.path(image_path)
        self._own = (state_folder or drafts_folder()) / (sha256 + sort.suffix)
        self._sha256 = sha256
        self._known: dict[Path, str | None] = {}
        self._told: set[str] = set()
        self._lock = threading.Lock()
        self.warnings: tuple[Warned, ...] = ()

    def find(self) -> AnyDraft | None:
        """Return the newest draft of both places, or None.

        One of another image (the file was changed) comes only where there is
        none of this one: compare ``draft.image.sha256``. A damaged draft is
        renamed, never deleted; `warnings` tells.
        """
        with self._lock:
            self.warnings = ()
            # Of one second, that of the state folder is the later: writing beside had failed.
            drafts = [d for path in reversed(self._places) for d in self._read(path)]
            return max(drafts, key=self._rank, default=None)

    def write(self, draft: AnyDraft) -> bool:
        """Write the draft and return whether it is on the disk now.

        A cause of failure is raised once; while it lasts, False is returned.
        The marks in memory are not concerned.

        Raises
        ------
        DraftTakenError
            Another window wrote since; nothing is written. Overridable, see `take_over`.
        WriteError
            Neither place can be written; an older draft stays as it was.
        ReviewFileError
            The draft holds what cannot be kept.
        """
        with self._lock:
            try:
                self._write(self._sort.as_bytes(draft))
            except (WriteError, ReviewFileError) as fault:
                if str(fault) in self._told:
                    return False
                self._told.add(str(fault))
                raise
            self._told.clear()
            return True

    def take_over(self) -> None:
        """Let the next `write` replace what another window wrote."""
        with self._lock:
            self._known = {path: _digest(path) for path in self._places}

    def drop(self) -> None:
        """Take the draft away from both places; one that another window wrote stays.

        Raises
        ------
        WriteError
            It cannot be taken away.
        """
        with self._lock:
            faults = [fault for path in self._places for fault in self._drop(path)]
        if faults:
            raise faults[0]

    @property
    def _places(self) -> tuple[Path, Path]:
        return self._beside, self._own

    def _rank(self, draft: AnyDraft) -> tuple[bool, str]:
        return draft.image.sha256 == self._sha256, draft.saved_utc

    def _read(self, path: Path) -> Iterator[AnyDraft]:
        # The hash comes first: what another window writes meanwhile is then not taken for read.
        digest = _digest(path)
        if digest is None:
            return
        try:
            draft = self._sort.load(path)
        except ReviewFileError as fault:
            self.warnings += (_warning(path, fault, digest),)
            return
        self._known[path] = digest
        yield draft

    def _write(self, data: bytes) -> None:
        try:
            self._write_at(self._beside, data)
        except WriteError as beside:
            try:
                make_folder(self._own.parent)
                self._write_at(self._own, data)
            except WriteError as own:
                raise WriteError(
                    found=f"unfinished work cannot be kept: beside the image {beside.found} "
                    f"In {self._own.parent} {own.found}",
                    needed="one of these folders to write to; the marks are still in this window.",
                    next_step="Free some space or have the right given to you, or save the "
                    "review elsewhere before you close this window.",
                ) from own

    def _write_at(self, path: Path, data: bytes) -> None:
        on_disk = _digest(path)
        if on_disk is not None and on_disk != self._known.get(path):
            raise DraftTakenError(
                found=f"{path.name} was written by another window.",
                needed="one window only for the work on one film.",
                next_step="Close the film in one of them, or go on here; the unfinished work of "
                "the other window is then replaced.",
                overridable=True,
            )
        digest = hashlib.sha256(data).hexdigest()
        try:
            write_bytes(path, data)
        finally:  # it may fail when the file is in place already
            if _digest(path) == digest:
                self._known[path] = digest

    def _drop(self, path: Path) -> Iterator[WriteError]:
        known = self._known.pop(path, None)
        if known is None or _digest(path) != known:
            return
        try:
            drop_draft(path)
        except WriteError as fault:
            self._known[path] = known
            yield fault


def is_drafted(suffix: str, image_path: Path, sha256: str) -> bool:
    """Whether a draft of that sort lies in one of the two places of an image."""
    names = (Path(f"{image_path}{suffix}"), drafts_folder() / (sha256 + suffix))
    return any(os.path.isfile(name) for name in names)


def drafts_folder() -> Path:
    """The user's own folder of drafts; it may not be there yet."""
    import platformdirs

    return platformdirs.user_state_path("rxmeasure", appauthor=False) / "drafts"


def make_folder(folder: Path) -> None:
    """Make a folder for this user's eyes alone.

    Raises
    ------
    WriteError
        It cannot be made.
    """
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    except OSError as fault:
        raise WriteError(
            found=f"the folder cannot be made: {fault.strerror}.",
            needed="the right to make it.",
            next_step="Have the right given to you.",
        ) from fault


def _digest(path: Path) -> str | None:
    """Hash of a file; None where there is none."""
    if not os.path.isfile(path):  # Path.is_file raises for names that are too long
        return None
    try:
        with path.open("rb") as file:
            return hashlib.sha256(file.read(MAX_JSON_BYTES + 1)).hexdigest()
    except FileNotFoundError:
        return None
    except OSError:
        return _UNREADABLE


def _warning(path: Path, fault: ReviewFileError, digest: str) -> Warned:
    if digest != _UNREADABLE:
        with suppress(OSError):
            aside = _set_aside(path)
            return Warned(
                code="draft-set-aside",
                text=f"Unfinished work could not be read and was set aside as {aside.name}: "
                f"{fault.found}",
            )
    return Warned(code="draft-unreadable", text=f"Unfinished work cannot be read: {fault.found}")


def _set_aside(path: Path) -> Path:
    aside, k = path.with_name(path.name + ".damaged"), 2
    while aside.exists():
        aside, k = path.with_name(f"{path.name}.damaged{k}"), k + 1
    path.rename(aside)
    return aside
