"""DICOM files on this side: what goes out, and what came in."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import Any

from rxmeasure.archive.rows import text_of
from rxmeasure.archive.uids import is_uid
from rxmeasure.archive.values import InstanceRow
from rxmeasure.atomic import write_bytes
from rxmeasure.errors import ObjectRefusedError, WriteError
from rxmeasure.reading.damage import collected_warnings
from rxmeasure.reading.dicom import DICOM_DAMAGE
from rxmeasure.reading.limits import MAX_FILE_BYTES

_NAMES = ("StudyInstanceUID", "SeriesInstanceUID", "SOPInstanceUID", "SOPClassUID")


@dataclass(frozen=True, slots=True, kw_only=True)
class OutgoingFile:
    """A DICOM file with what an archive has to know before it comes."""

    path: Path
    sha256: str
    instance: InstanceRow
    transfer_syntax: str


def outgoing(path: Path) -> OutgoingFile:
    """Look at a file that shall be sent.

    Raises
    ------
    ObjectRefusedError
        It cannot be read, is too large, or is no DICOM file with valid identifiers.
    """
    try:
        if path.stat().st_size > MAX_FILE_BYTES:
            raise _no_object(f"a file of more than {MAX_FILE_BYTES:,} bytes.")
        data = path.read_bytes()
        header = _header(data)
    except OSError as error:
        raise _no_object(f"a file that cannot be read: {error.strerror}.") from error
    except DICOM_DAMAGE as error:
        raise _no_object("a file that is no DICOM file, or a damaged one.") from error
    study, series, instance, sop_class = (text_of(header, name) for name in _NAMES)
    meta = header.file_meta
    syntax = text_of(meta, "TransferSyntaxUID")
    if not all(is_uid(uid) for uid in (study, series, instance, sop_class, syntax)):
        raise _no_object("a DICOM file without valid identifiers.")
    stated = (text_of(meta, "MediaStorageSOPInstanceUID"), text_of(meta, "MediaStorageSOPClassUID"))
    if stated != (instance, sop_class):
        raise _no_object("a DICOM file whose header names another object than its data.")
    return OutgoingFile(
        path=path,
        sha256=hashlib.sha256(data).hexdigest(),
        instance=InstanceRow(
            study_uid=study,
            series_uid=series,
            instance_uid=instance,
            sop_class_uid=sop_class,
            number=None,
        ),
        transfer_syntax=syntax,
    )


def file_for(folder: Path, instance: InstanceRow) -> Path:
    """Where a fetched object lies: ``STUDY/OBJECT.dcm``."""
    return folder / instance.study_uid / f"{instance.instance_uid}.dcm"


def is_there(path: Path, instance: InstanceRow) -> bool:
    """Whether a file holds that object. It was written whole or not at all."""
    try:
        with path.open("rb") as file:
            return text_of(_header(file), "SOPInstanceUID") == instance.instance_uid
    except DICOM_DAMAGE:
        return False


def keep(data: bytes, instance: InstanceRow, path: Path) -> None:
    """Write an object that came, after a look at what it is.

    Raises
    ------
    ObjectRefusedError
        It is damaged, or another object than was asked for.
    WriteError
        It cannot be written.
    """
    try:
        header = _header(data)
    except DICOM_DAMAGE as error:
        raise _handed_out("data that are no DICOM object") from error
    if text_of(header, "SOPInstanceUID") != instance.instance_uid:
        raise _handed_out("another object than was asked for")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise WriteError(
            found=f"the folder {path.parent} cannot be made: {error.strerror}.",
            needed="a folder that takes the films.",
            next_step="Choose another folder, then give the same command again.",
        ) from error
    write_bytes(path, data)


def _header(source: Any) -> Any:
    import pydicom

    with collected_warnings():
        return pydicom.dcmread(
            BytesIO(source) if isinstance(source, bytes) else source,
            stop_before_pixels=True,
            specific_tags=list(_NAMES),
        )


def _no_object(found: str) -> ObjectRefusedError:
    return ObjectRefusedError(
        found=found,
        needed="a DICOM object that an archive can hold.",
        next_step="Send the objects that 'rxmeasure dicom write' makes, or the original film.",
    )


def _handed_out(what: str) -> ObjectRefusedError:
    return ObjectRefusedError(
        found=f"{what}, handed out by the archive.",
        needed="the object that was asked for.",
        next_step="Tell who looks after the archive.",
    )
