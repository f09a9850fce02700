"""A call in a process of its own: how long it takes and how much memory, under a hard ceiling."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

#: Processor seconds and memory of a child, beyond which the system ends it.
SECONDS, MEMORY_BYTES = 10, 2 * 2**30

_CHILD = """
import resource, sys
from pathlib import Path
resource.setrlimit(resource.RLIMIT_CPU, ({seconds}, {seconds} + 1))
resource.setrlimit(resource.RLIMIT_AS, ({memory}, {memory}))
from rxmeasure.errors import RxMeasureError
{prepare}
try:
    {call}
    print("opened")
except RxMeasureError as refusal:
    print("refused", refusal.found)
# Of this program alone: getrusage would count the process that started it as well.
peak = next(x for x in Path("/proc/self/status").read_text().splitlines() if x.startswith("VmHWM:"))
print(int(peak.split()[1]) // 1024)
"""
_CALLS = {
    "film": ("from rxmeasure.reading import read_radiograph", "read_radiograph(sys.argv[1])"),
    "review": (
        "from rxmeasure.record.review_file import load_review", "load_review(sys.argv[1])"
    ),
    "marks": ("from rxmeasure.record.review_file import read_marks", "read_marks(sys.argv[1])"),
    "draft": ("from rxmeasure.record.draft import load_draft", "load_draft(sys.argv[1])"),
    "form": (
        "from rxmeasure.record.form_draft import FORM_DRAFTS", "FORM_DRAFTS.load(sys.argv[1])"
    ),
    "series": (
        "from rxmeasure.record.series_file import read_series_marks",
        "read_series_marks(sys.argv[1])",
    ),
    "rules": (
        "from rxmeasure.criteria.criterion import load_rule_set", "load_rule_set(sys.argv[1])"
    ),
    "rubric": (
        "from rxmeasure.teaching.rubric_file import load_rubric", "load_rubric(sys.argv[1])"
    ),
    "ratings": (
        "from rxmeasure.agreement.ratings_file import read_rating_rows",
        "read_rating_rows(sys.argv[1])",
    ),
}  # fmt: skip
KINDS = tuple(_CALLS)


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What became of a file: ``opened``, or ``refused`` and why; the memory of the process."""

    said: str
    peak_mb: int


def opened_apart(kind: str, path: Path) -> Outcome:
    """Open a file as one of `KINDS`; an error that is no refusal, or a limit met, fails."""
    prepare, call = _CALLS[kind]
    script = _CHILD.format(seconds=SECONDS, memory=MEMORY_BYTES, prepare=prepare, call=call)
    done = subprocess.run(
        [sys.executable, "-c", script, str(path)],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
        env={**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"},
    )
    assert done.returncode == 0, done.stderr[-2000:]
    said, peak = done.stdout.rsplit("\n", 2)[:2]
    return Outcome(said=said, peak_mb=int(peak))
