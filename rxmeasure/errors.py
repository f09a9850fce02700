"""Every error this package raises on purpose.

Each error says what was found, what was needed and what to do next. All share
one base class, so a caller catches :class:`RxMeasureError` and nothing else.
The command line turns ``exit_code`` into the process's exit status.
"""

from __future__ import annotations


class RxMeasureError(Exception):
    """Base of all errors of the package.

    Parameters
    ----------
    found : str
        What was met.
    needed : str
        What would have been right.
    next_step : str
        What the person can do now.
    overridable : bool
        True when a person may go on against this refusal by giving a reason,
        which is then kept in the review file.
    """

    exit_code = 1

    def __init__(
        self, *, found: str, needed: str, next_step: str, overridable: bool = False
    ) -> None:
        self.found = found
        self.needed = needed
        self.next_step = next_step
        self.overridable = overridable
        super().__init__(f"Found: {found} Needed: {needed} Next: {next_step}")


class ImageReadError(RxMeasureError):
    """The file is not a radiograph this program can open."""

    exit_code = 3


class CalibrationError(RxMeasureError):
    """A scale cannot be had from what was given."""

    exit_code = 4


class MarksError(RxMeasureError):
    """Clicks, landmarks or an annotation file are wrong or not enough."""

    exit_code = 5


class RecallError(MarksError):
    """Visits that cannot be compared, or a score that does not exist."""


class CriterionError(RxMeasureError):
    """A criteria file is wrong, or a rule is asked for that does not exist."""

    exit_code = 6


class ReviewFileError(RxMeasureError):
    """A review file is not valid, too new, or cannot be migrated."""

    exit_code = 7


class ImageChangedError(ReviewFileError):
    """The image is not the one that the review was made on."""

    exit_code = 8


class WriteError(RxMeasureError):
    """A result could not be written; what was there before is untouched."""

    exit_code = 9


class NotCalibratedError(CalibrationError):
    """Millimetres were asked of something that has no scale."""


class AgreementError(RxMeasureError):
    """Ratings or audit records are wrong, or not enough for what is asked of them."""

    exit_code = 12


class DeidentificationError(RxMeasureError):
    """Something that cannot be told to hold no identity, or a key that cannot be used."""


class AuditError(AgreementError):
    """Audit records, a sampling plan or a clinic's log that are wrong or not enough."""


class TeachingError(RxMeasureError):
    """A rubric, key or marking is wrong, or the course does not allow what is asked."""

    exit_code = 15


class WindowMissingError(RxMeasureError):
    """The window is not installed, or this machine cannot show it."""

    exit_code = 11


class StoreError(RxMeasureError):
    """The record store is missing, damaged, newer, busy or out of reach."""

    exit_code = 13


class AccessError(StoreError):
    """The record is closed to this person."""


class ConflictError(StoreError):
    """Someone else saved the record first.

    Attributes
    ----------
    record_id, saved_number : int
        The record, and the number of the revision that is there.
    difference : tuple of (str, str, str)
        Place, what is saved, what was about to be saved; as text.
    """

    exit_code = 14

    def __init__(
        self,
        *,
        found: str,
        needed: str,
        next_step: str,
        record_id: int,
        saved_number: int,
        difference: tuple[tuple[str, str, str], ...],
    ) -> None:
        super().__init__(found=found, needed=needed, next_step=next_step)
        self.record_id = record_id
        self.saved_number = saved_number
        self.difference = difference


class BrokenChainError(StoreError):
    """A revision is not what was saved; the first such one is named."""


class ForgottenError(StoreError):
    """The content was deleted on request."""


class ArchiveError(RxMeasureError):
    """An archive is not set up, cannot be reached, refuses, or answers what cannot be used."""

    exit_code = 16


class ArchiveLostError(ArchiveError):
    """The connection failed or broke; the same may work a moment later."""


class ObjectRefusedError(ArchiveError):
    """One object was not taken or not handed out; the others may be."""
