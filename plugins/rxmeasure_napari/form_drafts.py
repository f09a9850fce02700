"""Keeps forms of a course that are not handed in, and takes them up again after a crash."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from rxmeasure import __version__
from rxmeasure.atomic import write_bytes
from rxmeasure.errors import ReviewFileError
from rxmeasure.record.draft import drop_draft
from rxmeasure.record.form_draft import FORM_DRAFTS, FormDraft, form_draft_path
from rxmeasure_napari.autosave import drafts_folder, make_folder
from rxmeasure_napari.course_state import Filled, FilledForm, OpenCourse

if TYPE_CHECKING:
    from rxmeasure_napari.desk import Desk


class FormDrafts:
    """Drafts of one window's forms, in the user's state folder.

    Parameters
    ----------
    desk : Desk
    """

    def __init__(self, desk: Desk) -> None:
        self._desk = desk

    def save(self, opened: OpenCourse, ticket: str, form: FilledForm) -> None:
        """Write a form as it stands; take its draft away where nothing is unkept."""
        path = _path(opened, ticket)
        if not form.has_unkept_work:
            self._desk.in_order_of_drafts(lambda: drop_draft(path))
            return
        draft = FormDraft(
            rater=opened.person.name,
            role=opened.person.role,
            course=opened.course,
            ticket=ticket,
            based_on=form.based_on,
            levels=tuple(form.level_of.items()),
            comment=form.comment,
            saved_utc=datetime.now(UTC).isoformat(timespec="seconds"),
            software_version=__version__,
        )

        def write() -> None:
            make_folder(path.parent)
            write_bytes(path, FORM_DRAFTS.as_bytes(draft))

        self._desk.in_order_of_drafts(write)

    def drop(self, opened: OpenCourse, ticket: str) -> None:
        """The form was handed in."""
        path = _path(opened, ticket)
        self._desk.in_order_of_drafts(lambda: drop_draft(path))


def drafts_of(opened: OpenCourse) -> Mapping[str, Filled]:
    """Ticket -> what a crash left, where nothing else was handed in since."""
    found = {}
    for item in opened.items:
        path = _path(opened, item.ticket)
        if not path.is_file():
            continue
        try:
            draft = FORM_DRAFTS.load(path)
        except ReviewFileError:
            # The next edit replaces it.
            continue
        if draft.based_on == opened.handed_in.get(item.ticket, 0):
            found[item.ticket] = Filled(levels=draft.levels, comment=draft.comment)
    return found


def _path(opened: OpenCourse, ticket: str) -> Path:
    person = opened.person
    return form_draft_path(
        drafts_folder(), rater=person.name, role=person.role, course=opened.course, ticket=ticket
    )
