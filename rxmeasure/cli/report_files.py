"""Report files beside a review."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rxmeasure.radiograph import Radiograph
    from rxmeasure.report.options import ReportOptions
    from rxmeasure.review import Review


def write_report(
    review: Review, radiograph: Radiograph, target: Path, options: ReportOptions
) -> Iterator[Path]:
    """Write ``TARGET.html`` and ``TARGET.pdf``; yields each path once it is written."""
    from rxmeasure.report.page import write_html, write_pdf

    html = target.with_name(target.name + ".html")
    write_html(review, radiograph, html, options=options)
    yield html
    pdf = target.with_name(target.name + ".pdf")
    write_pdf(review, radiograph, pdf, options=options)
    yield pdf
