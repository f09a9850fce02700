"""Films of the bank: read once to see that they can be, and that no name is in them."""

from __future__ import annotations

import shutil
from collections.abc import Iterable
from pathlib import Path

from rxmeasure.errors import TeachingError, WriteError
from rxmeasure.reading import read_radiograph
from rxmeasure.teaching.course import Case, case_named
from rxmeasure.teaching.queue import Queue

#: DICOM attributes that name or describe the patient.
_PERSONAL = ("PatientName", "PatientID", "PatientBirthDate", "OtherPatientIDs", "PatientAddress")


def case_of(path: Path, case_id: str, *, author: str = "") -> Case:
    """A film as a case of the bank.

    Raises
    ------
    ImageReadError
        It cannot be read as a radiograph.
    TeachingError
        It is DICOM and holds a patient's name, number or day of birth.
    """
    radiograph = read_radiograph(path)
    if radiograph.source.sop_instance_uid is not None:
        _refuse_personal(path)
    return Case(id=case_id, image=path.name, sha256=radiograph.source.sha256, author=author)


def copy_films(queue: Queue, cases: Iterable[Case], films: Path, out: Path) -> tuple[Path, ...]:
    """Copy the films of a queue under the names of their tickets.

    Raises
    ------
    TeachingError
        A film of the bank does not lie in the folder, or is another one there.
    WriteError
        A copy cannot be written.
    """
    known = tuple(cases)
    written = []
    for item, ticket in zip(queue.items, queue.tickets, strict=True):
        case = case_named(known, ticket.case)
        source = film_of(case, films)
        target = out / item.film
        try:
            shutil.copyfile(source, target)
        except OSError as error:
            raise WriteError(
                found=f"{target} cannot be written: {error.strerror}.",
                needed="a folder to write to.",
                next_step="Choose another folder.",
            ) from error
        written.append(target)
    return tuple(written)


def film_of(case: Case, films: Path) -> Path:
    """Where the film of a case lies.

    Raises
    ------
    TeachingError
        It does not lie in the folder, or is another one there.
    """
    import hashlib

    path = films / case.image
    try:
        there = hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError as error:
        raise TeachingError(
            found=f"no {case.image} in {films}, the film of {case.id}.",
            needed="the films of the bank in one folder.",
            next_step="Name the folder that holds them.",
        ) from error
    if there != case.sha256:
        raise TeachingError(
            found=f"{case.image} has changed since {case.id} was put into the bank.",
            needed="the unchanged film.",
            next_step="Bring the film back, or add it as another case.",
        )
    return path


def _refuse_personal(path: Path) -> None:
    import pydicom

    header = pydicom.dcmread(path, stop_before_pixels=True)
    found = [name for name in _PERSONAL if str(header.get(name, "")).strip()]
    if found and header.get("PatientIdentityRemoved") != "YES":
        raise TeachingError(
            found=f"{path.name} holds {', '.join(found)}.",
            needed="films from which the patient's identity was removed.",
            next_step="Take the identity out of the file, then add it.",
        )
