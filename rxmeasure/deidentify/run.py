"""All files of some folders: copies out, what stays with the person, and the report."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from rxmeasure import __version__
from rxmeasure.atomic import write_bytes, write_text
from rxmeasure.deidentify.contact_sheet import SheetEntry, sheet_entry, sheet_page
from rxmeasure.deidentify.copies import Copy, copy_of
from rxmeasure.deidentify.desk import Desk, open_desk
from rxmeasure.deidentify.gate import Decision
from rxmeasure.errors import DeidentificationError, RxMeasureError, WriteError
from rxmeasure.reading.radiograph_file import radiograph_of, read_file
from rxmeasure.record.review_file import SUFFIX, load_review, review_path, save_review
from rxmeasure.review import Review

REPORT_NAME = "deidentification.json"
#: Most values of an earlier report (choice: 100,000 copies with 20 each).
MAX_REPORT_VALUES = 2_000_000

#: What the report says of the method.
METHOD = {
    "profile": "DICOM PS3.15 Basic Application Level Confidentiality Profile, by an allow-list",
    "options": ["Retain Longitudinal Temporal Information with Modified Dates"],
    "pixels": "never changed; released by the file's own word or by a person who looked",
    "dates": "one shift of whole days for each patient, not stated here",
    "names": "HMAC-SHA-256 with a key that is not stated here",
}


@dataclass(slots=True, kw_only=True)
class Item:
    """What became of one file. ``refusal`` is None unless it was refused."""

    source: Path
    copy: str = ""
    decision: Decision = Decision.REFUSE
    reason: str = ""
    by_person: bool = False
    kept: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    refusal: RxMeasureError | None = None


@dataclass(slots=True, kw_only=True)
class _Run:
    out: Path
    desk: Desk
    decisions: dict[str, Decision]
    items: list[Item] = field(default_factory=list)
    sheet: list[SheetEntry] = field(default_factory=list)
    #: Hash of an original -> its item and who is on it.
    films: dict[str, tuple[Item, str]] = field(default_factory=dict)
    originals: dict[str, tuple[str, str]] = field(default_factory=dict)


def deidentify(
    paths: Sequence[Path],
    out: Path,
    private: Path,
    *,
    progress: Callable[[str], None] = lambda _: None,
) -> tuple[list[Item], Desk]:
    """De-identify films, and the reviews and reports that this program made of them.

    Parameters
    ----------
    paths : sequence of Path
        Files and folders (with what lies in them). A film's review file beside it comes along.
    out : Path
        An existing folder that may be handed on afterwards.
    private : Path
        Folder for the key, the contact sheet and the person's decisions; it is made.
    progress : callable
        Called with a word before each file.

    Returns
    -------
    list of Item
        One for each file.
    Desk

    Raises
    ------
    DeidentificationError
        Folders that lie in each other; a key that is lost, open to others or another one;
        decisions that cannot be read.
    WriteError
        Something cannot be written.
    """
    _check_apart(paths, out, private)
    report = _earlier_report(out)
    desk = open_desk(private, key_check=report.get("key_check"))
    run = _Run(out=out, desk=desk, decisions=desk.decisions())
    later = []
    for path in files_of(paths):
        progress(path.name)
        if path.is_symlink() and path not in paths:
            _do(run, path, _link)
        elif path.name.endswith(SUFFIX) or _is_structured_report(path):
            later.append(path)
        else:
            _do(run, path, _film)
    for path in later:
        progress(path.name)
        _do(run, path, _review_file if path.name.endswith(SUFFIX) else _structured_report)
    desk.keep_decisions(run.decisions)
    desk.keep_sheet(sheet_page(run.sheet))
    desk.add_originals(run.originals)
    _write_report(run, report)
    return run.items, desk


def _do(run: _Run, path: Path, what: Callable[[_Run, Path, Item], None]) -> None:
    item = Item(source=path)
    run.items.append(item)
    try:
        what(run, path, item)
    except RxMeasureError as refusal:
        item.decision, item.refusal = Decision.REFUSE, refusal


def _link(_: _Run, path: Path, __: Item) -> None:
    raise DeidentificationError(
        found=f"{path.name}, a symbolic link: what it leads to may lie outside the folder.",
        needed="files themselves.",
        next_step="Name the file that it leads to, if it is to be copied.",
    )


# -- films ---------------------------------------------------------------------


def _film(run: _Run, path: Path, item: Item) -> None:
    data = read_file(path)
    copy = copy_of(data, run.desk.key)
    item.copy, item.kept, item.notes = copy.name, copy.kept, copy.notes
    _decide(run, item, copy)
    target = run.out / copy.name
    if item.decision is Decision.RELEASE:
        write_bytes(target, copy.data)
    else:
        _take_back(target)
    if item.decision is not Decision.REFUSE:
        film = radiograph_of(copy.data, file_name=copy.name)
        run.sheet.append(sheet_entry(copy.name, item.decision, item.reason, film))
    run.films[hashlib.sha256(data).hexdigest()] = (item, copy.patient)
    run.originals[copy.name] = (copy.patient.partition("\0")[0], str(path))


def _decide(run: _Run, item: Item, copy: Copy) -> None:
    """The gate decides, or the person where the gate leaves it to one or is held back by one."""
    item.decision, item.reason = copy.gate.decision, copy.gate.reason
    if item.decision is Decision.REFUSE:
        item.refusal = DeidentificationError(
            found=f"a film that must not leave: {item.reason}.",
            needed="a film without names, dates or faces in its pixels.",
            next_step="Ask for the picture without annotation; pixels are never painted over here.",
        )
        return
    decided = run.decisions.get(copy.name)
    if decided is not None:
        item.by_person = decided is not item.decision
        item.decision = decided
    elif item.decision is Decision.LOOK:
        run.decisions[copy.name] = Decision.LOOK


def _take_back(target: Path) -> None:
    """A film that is held back now may have been released before."""
    for path in (target, *target.parent.glob(f"{target.name}.*")):
        try:
            path.unlink(missing_ok=True)
        except OSError as fault:
            raise WriteError(
                found=f"{path} cannot be taken back: {fault.strerror}.",
                needed="a folder of copies without the films that are held back.",
                next_step="Delete that file before you hand the folder on.",
            ) from fault


# -- reviews -------------------------------------------------------------------


def _review_file(run: _Run, path: Path, item: Item) -> None:
    cleaned = _cleaned_review(run, load_review(path), item)
    if cleaned is not None:
        target = review_path(run.out / item.copy)
        save_review(cleaned, target)
        item.copy = target.name


def _structured_report(run: _Run, path: Path, item: Item) -> None:
    """A report is never cleaned: its review is, and all objects are made of it anew."""
    from rxmeasure.dicom_objects.report_reading import read_report, review_in
    from rxmeasure.dicom_objects.writing import DicomObject, write_objects

    cleaned = _cleaned_review(run, review_in(read_report(path)), item)
    if cleaned is not None:
        written = write_objects(run.out / item.copy, cleaned, run.out)
        item.copy = written[DicomObject.REPORT].name


def _cleaned_review(run: _Run, original: Review, item: Item) -> Review | None:
    """The review on the film's copy; None where the film is held back."""
    from rxmeasure.deidentify.review_copy import review_copy

    if original.image.sha256 not in run.films:
        raise DeidentificationError(
            found="a review whose film is not among the files, or was refused.",
            needed="the unchanged film of the review, de-identified in the same run.",
            next_step="Name the film too.",
        )
    film, patient = run.films[original.image.sha256]
    item.copy, item.decision, item.by_person = film.copy, film.decision, film.by_person
    if film.decision is Decision.REFUSE:
        raise DeidentificationError(
            found="a review of a film that must not leave.",
            needed="a film that may.",
            next_step="See what was said of the film.",
        )
    item.reason = "as its film"
    if film.decision is not Decision.RELEASE:
        return None
    cleaned = review_copy(original, run.out / film.copy, run.desk.key, patient)
    item.notes = cleaned.notes
    return cleaned.review


def _is_structured_report(path: Path) -> bool:
    """Whether a file's header says: structured report, of any kind (PS3.4, table B.5-1)."""
    from pydicom.errors import InvalidDicomError
    from pydicom.filereader import read_file_meta_info

    from rxmeasure.reading.damage import DAMAGE_ERRORS, collected_warnings

    if not path.is_file():
        return False
    try:
        with collected_warnings():
            said = str(read_file_meta_info(path).get("MediaStorageSOPClassUID"))
    except (*DAMAGE_ERRORS, InvalidDicomError):
        return False
    return said.startswith("1.2.840.10008.5.1.4.1.1.88.")


# -- files ---------------------------------------------------------------------


def files_of(paths: Sequence[Path]) -> list[Path]:
    """Each file once: those named, those in folders, and the reviews beside them."""
    found: dict[Path, None] = {}
    for path in paths:
        for file in _in_folder(path) if path.is_dir() else (path,):
            found[file] = None
            if review_path(file).is_file():
                found[review_path(file)] = None
    return list(found)


def _in_folder(folder: Path) -> Iterator[Path]:
    """Files in a folder and its folders; links to folders are not followed."""
    for place, folders, names in os.walk(folder):
        folders.sort()
        yield from (Path(place) / name for name in sorted(names))


def _check_apart(paths: Sequence[Path], out: Path, private: Path) -> None:
    """The private folder must not travel with the copies, nor the originals be overwritten."""
    target, desk, *inputs = (Path(os.path.realpath(path)) for path in (out, private, *paths))
    if desk == target or target in desk.parents:
        found = f"a private folder {private} inside the folder of the copies."
    elif any(path == desk or path in desk.parents for path in inputs):
        found = f"a private folder {private} inside a folder of originals."
    elif any(path == target or path in target.parents or target in path.parents for path in inputs):
        found = f"originals and copies in one folder ({out})."
    else:
        return
    raise DeidentificationError(
        found=found,
        needed="three folders apart: originals, copies, and what stays with you.",
        next_step="Name other folders with --out and --private.",
    )


# -- report --------------------------------------------------------------------


def _earlier_report(out: Path) -> dict[str, Any]:
    from rxmeasure.record.parsing import read_json

    path = out / REPORT_NAME
    report = (
        read_json(path, DeidentificationError, most=MAX_REPORT_VALUES) if path.is_file() else {}
    )
    if not isinstance(report, dict) or not isinstance(report.get("films", {}), dict):
        raise DeidentificationError(
            found=f"{path}, which is no report of this program.",
            needed="the report of the copies that lie there, or an empty folder.",
            next_step="Write to a new folder.",
        )
    return report


def _write_report(run: _Run, earlier: dict[str, Any]) -> None:
    """What was kept, for whoever gets the copies: nothing of the originals, not even names."""
    from rxmeasure.deidentify.kept import DATES, KEPT, KEPT_ANEW, UIDS

    films: dict[str, Any] = dict(earlier.get("films", {}))
    for item in run.items:
        if item.copy and item.decision is Decision.RELEASE:
            films[item.copy] = {
                "released_by": "a person who looked" if item.by_person else "the file's own word",
                "reason": item.reason,
                "kept": list(item.kept),
                "notes": list(item.notes),
            }
    films = {name: film for name, film in films.items() if (run.out / name).is_file()}
    report = {
        "software": f"rxmeasure {__version__}",
        "method": METHOD,
        "key_check": run.desk.key.check,
        "attributes_on_the_list": sorted([*KEPT, *KEPT_ANEW]),
        "identifiers_keyed": list(UIDS),
        "dates_shifted": list(DATES),
        "last_run": {str(d): sum(i.decision is d for i in run.items) for d in Decision},
        "films": dict(sorted(films.items())),
    }
    write_text(run.out / REPORT_NAME, json.dumps(report, indent=1) + "\n")
