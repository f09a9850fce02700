"""Refusals that both ways to an archive share."""

from __future__ import annotations

from rxmeasure.archive.patience import LEAST_BYTES_PER_S, STEP_TIMEOUTS
from rxmeasure.errors import ArchiveError, ArchiveLostError, ObjectRefusedError
from rxmeasure.reading.limits import MAX_FILE_BYTES

_CALL = "Ask who looks after the archive; give the words above."


def lost(found: str, *, timeout_s: float) -> ArchiveLostError:
    """The connection failed or broke."""
    return ArchiveLostError(
        found=found,
        needed=f"an archive that answers within {timeout_s:g} s.",
        next_step="Try again; what was done is not done twice. If it stays so, ask who looks "
        "after the archive.",
    )


def dragging(*, timeout_s: float) -> ArchiveLostError:
    """Something comes, but it takes too long."""
    return ArchiveLostError(
        found="an archive so slow that it was waited for no longer.",
        needed=f"each list and each object within {STEP_TIMEOUTS * timeout_s:g} s, and a second "
        f"more for each {LEAST_BYTES_PER_S:,} bytes.",
        next_step="Try again; what was done is not done twice. An archive that has to be slow "
        "needs a larger timeout_s in the file of archives.",
    )


def untrusted(found: str) -> ArchiveError:
    """Someone answers who may be someone else."""
    return ArchiveError(
        found=found,
        needed="a certificate for this host, signed by the one in ca_file.",
        next_step="Ask who looks after the archive for the right ca_file. Do not go on without: "
        "someone else may be answering.",
    )


def endless() -> ArchiveError:
    """More comes than is taken."""
    return ArchiveError(
        found="an answer of the archive that does not end.",
        needed=f"objects of at most {MAX_FILE_BYTES:,} bytes, lists of at most some thousand rows.",
        next_step="Narrow the search. If it stays so, tell who looks after the archive.",
    )


def refused_object(found: str) -> ObjectRefusedError:
    """One object is not handed out or taken."""
    return ObjectRefusedError(
        found=found,
        needed="an object that is there, and that the archive may hand out or take.",
        next_step=_CALL,
    )


def refused(found: str) -> ArchiveError:
    """The archive says no."""
    return ArchiveError(found=found, needed="an archive that answers.", next_step=_CALL)
