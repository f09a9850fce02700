"""Reading a review loads nothing that only proposals or the comparison of visits need."""

from __future__ import annotations

import subprocess
import sys

HEAVY = ("rxmeasure.recall", "rxmeasure.proposals", "skimage", "onnxruntime", "matplotlib")


def test_reviews_are_read_without_proposals_and_recall() -> None:
    code = (
        "import sys, rxmeasure.record.review_file, rxmeasure.review\n"
        f"print([m for m in {HEAVY!r} if m in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=True
    )
    assert done.stdout.strip() == "[]"
