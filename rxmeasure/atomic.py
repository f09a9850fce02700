"""Writing a file whole or not at all, and making the folder for it."""

from __future__ import annotations

import errno
import os
import secrets
from contextlib import suppress
from pathlib import Path

from rxmeasure.errors import WriteError

_NO_SPACE = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
_NOT_ALLOWED = (errno.EACCES, errno.EPERM, errno.EROFS)
#: Some network and user-space file systems cannot sync a folder.
_NO_FOLDER_SYNC = (errno.EINVAL, errno.ENOTSUP)


def write_bytes(path: str | Path, data: bytes) -> None:
    """Write ``data`` to ``path`` so that a reader sees the old file or the new one, never a part.

    The bytes go to a temporary file in the same folder, are flushed to the
    disk, and are then renamed over ``path``; the folder is flushed last. A
    symbolic link is followed. On failure the temporary file is removed. Only a
    killed process can leave one behind: a hidden ``.*.part`` file that nothing
    reads.

    Raises
    ------
    WriteError
        No space, no right to write, no such folder, or another fault of the
        file system. What was at ``path`` is untouched.
    """
    target = Path(os.path.realpath(path))
    temporary = target.parent / f".{secrets.token_hex(8)}.part"
    try:
        try:
            _refuse_locked(target)
            _write_and_sync(temporary, data)
            _keep_mode(target, temporary)
            os.replace(temporary, target)
        finally:
            with suppress(OSError):
                temporary.unlink()
        _sync_folder(target.parent)
    except OSError as error:
        raise _as_write_error(target, error) from error


def write_text(path: str | Path, text: str) -> None:
    """Write ``text`` as UTF-8, with the care of `write_bytes`, line ends unchanged."""
    write_bytes(path, text.encode("utf-8"))


def _refuse_locked(target: Path) -> None:
    """Renaming would pass over a write-protected file; a direct write would not."""
    if target.exists() and not os.access(target, os.W_OK):
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(target))


def _write_and_sync(path: Path, data: bytes) -> None:
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
    descriptor = os.open(path, flags, 0o666)
    with os.fdopen(descriptor, "wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())


def _keep_mode(old: Path, new: Path) -> None:
    with suppress(FileNotFoundError):
        os.chmod(new, old.stat().st_mode & 0o777)


def _sync_folder(folder: Path) -> None:
    if os.name != "posix":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    except OSError as error:
        if error.errno not in _NO_FOLDER_SYNC:
            raise
    finally:
        os.close(descriptor)


def _as_write_error(target: Path, error: OSError) -> WriteError:
    name = target.name
    if error.errno in _NO_SPACE:
        return WriteError(
            found=f"no space left to write {name}.",
            needed="room for the whole file; what was there before is untouched.",
            next_step="Free some space or choose another folder, then save again.",
        )
    if error.errno in _NOT_ALLOWED:
        return WriteError(
            found=f"{name} or its folder does not allow writing.",
            needed="the right to write there; what was there before is untouched.",
            next_step="Choose another folder or have the right given to you, then save again.",
        )
    if error.errno in (errno.ENOENT, errno.ENOTDIR):
        return WriteError(
            found=f"no folder {target.parent}.",
            needed="an existing folder to write to.",
            next_step="Make the folder or choose another one.",
        )
    if error.errno == errno.EISDIR:
        return WriteError(
            found=f"{name} is a folder.",
            needed="the name of a file.",
            next_step="Choose another name.",
        )
    return WriteError(
        found=f"{name} could not be written: {error.strerror}.",
        needed="a folder that takes the file; nothing half-written was left.",
        next_step="Choose another folder and save again.",
    )


def make_folder(folder: Path) -> None:
    """Make a folder to write to, with its parents.

    Raises
    ------
    WriteError
        It cannot be made.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise WriteError(
            found=f"the folder {folder} cannot be made: {error.strerror}.",
            needed="a folder to write to.",
            next_step="Choose another folder.",
        ) from error
