"""The door of the package: one file in, one radiograph out, or a plain refusal."""

from __future__ import annotations

import hashlib
import os
import stat
from pathlib import Path

from rxmeasure.errors import ImageReadError
from rxmeasure.file_names import whole_text
from rxmeasure.radiograph import Radiograph
from rxmeasure.reading.limits import MAX_FILE_BYTES
from rxmeasure.reading.sniff import FileKind, sniff


def read_radiograph(path: str | os.PathLike[str], *, invert: bool = False) -> Radiograph:
    """Read one intra-oral radiograph, radiopaque bright.

    Parameters
    ----------
    path : path
        DICOM (modality IO, DX, CR, PX or RG; one frame), PNG, JPEG or TIFF; 8 to 16
        bit grey, or colour that holds grey. The kind is told by the content.
    invert : bool
        Turn the grey levels against what the file says.

    Returns
    -------
    Radiograph
        Read-only float32 modality values, shape (rows, cols), turned as the file's
        orientation asks. ``source.sha256`` is the hash of the file's bytes.

    Raises
    ------
    ImageReadError
        When the file is missing, damaged, too large, or not one radiograph.
    """
    return radiograph_of(read_file(path), file_name=whole_text(Path(path).name), invert=invert)


def radiograph_of(data: bytes, *, file_name: str, invert: bool = False) -> Radiograph:
    """Read a radiograph from the bytes of its file; see `read_radiograph`.

    Raises
    ------
    ImageReadError
        When the bytes are damaged or not one radiograph.
    """
    sha256 = hashlib.sha256(data).hexdigest()
    kind = sniff(data)
    if kind is FileKind.DICOM:
        from rxmeasure.reading.dicom import read_dicom

        return read_dicom(data, file_name=file_name, sha256=sha256, invert=invert)
    from rxmeasure.reading.raster import read_raster

    return read_raster(data, kind=kind, file_name=file_name, sha256=sha256, invert=invert)


def read_file(path: str | os.PathLike[str]) -> bytes:
    """Return a regular file's bytes, or refuse it before reading.

    Raises
    ------
    ImageReadError
        Missing, a folder or device, empty, not permitted, or larger than the limit.
    """
    try:
        status = os.stat(path)
        if stat.S_ISREG(status.st_mode) and 0 < status.st_size <= MAX_FILE_BYTES:
            return Path(path).read_bytes()
    except FileNotFoundError as error:
        raise ImageReadError(
            found="no file at this place.",
            needed="the path of an existing radiograph.",
            next_step="Check the name and the folder.",
        ) from error
    except PermissionError as error:
        raise ImageReadError(
            found="a file that may not be read.",
            needed="the right to read it.",
            next_step="Ask for access, or copy the file to your own folder.",
        ) from error
    except (OSError, ValueError) as error:
        raise ImageReadError(
            found=f"a path that cannot be opened ({type(error).__name__}).",
            needed="the path of an existing radiograph.",
            next_step="Check the name, and whether the drive is connected.",
        ) from error
    if stat.S_ISDIR(status.st_mode):
        found = "a folder."
    elif not stat.S_ISREG(status.st_mode):
        found = "something that is not an ordinary file."
    elif status.st_size == 0:
        found = "an empty file."
    else:
        found = f"a file of {status.st_size:,} bytes."
    raise ImageReadError(
        found=found,
        needed=f"one image file of at most {MAX_FILE_BYTES:,} bytes.",
        next_step="Choose the radiograph's own file.",
    )
