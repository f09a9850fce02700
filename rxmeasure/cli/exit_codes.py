"""Exit statuses of the ``rxmeasure`` command, as ``--help`` and the README show them."""

from __future__ import annotations

from rxmeasure import errors

OK = 0
USAGE = 2
PARTLY_REFUSED = 10
NOT_ALIGNED = 17
STOPPED = 130

MEANINGS: dict[int, str] = {
    OK: "done",
    errors.RxMeasureError.exit_code: "refused for another reason than those below",
    USAGE: "wrong command, option or argument",
    errors.ImageReadError.exit_code: "the image cannot be opened as a radiograph",
    errors.CalibrationError.exit_code: "a scale cannot be had from what was given",
    errors.MarksError.exit_code: "clicks, landmarks or numbers are wrong or not enough",
    errors.CriterionError.exit_code: "a criteria file is wrong, or there is no such rule",
    errors.ReviewFileError.exit_code: "the review file is not valid, or would be lost",
    errors.ImageChangedError.exit_code: "the image is not the one of the review",
    errors.WriteError.exit_code: "a result cannot be written; nothing is lost",
    PARTLY_REFUSED: "several images: some were reviewed, some refused",
    errors.WindowMissingError.exit_code: "the window is not installed, or cannot be shown here",
    errors.AgreementError.exit_code: "ratings or audit records are wrong, or not enough",
    errors.StoreError.exit_code: "the record store is missing, damaged, busy or closed to you",
    errors.ConflictError.exit_code: "someone else saved the record first; nothing was changed",
    errors.TeachingError.exit_code: "a rubric, key or marking is wrong, or not allowed now",
    errors.ArchiveError.exit_code: "an archive cannot be reached, refuses, or is not set up",
    NOT_ALIGNED: "two films may not be laid over each other: the alignment is refused",
    STOPPED: "stopped by Ctrl-C",
}


def as_text() -> str:
    """All statuses, one a line."""
    return "\n".join(f"{code:>4}  {meaning}" for code, meaning in MEANINGS.items())
