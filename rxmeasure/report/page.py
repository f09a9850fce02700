"""Writing a report as one HTML page or one PDF."""

from __future__ import annotations

import dataclasses
import json
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from rxmeasure.atomic import write_bytes, write_text
from rxmeasure.radiograph import Radiograph
from rxmeasure.report.options import ReportOptions
from rxmeasure.report.templating import TEMPLATES, font_folders, html_page, need_report_packages
from rxmeasure.review import Review

if TYPE_CHECKING:
    from rxmeasure.report.content import Content


def write_html(
    review: Review,
    radiograph: Radiograph,
    path: str | Path,
    *,
    options: ReportOptions | None = None,
) -> None:
    """Write the report as one HTML page that needs nothing from outside and no script.

    Parameters
    ----------
    review : Review
    radiograph : Radiograph
        The image the review was made on.
    path : path-like
        Written whole or not at all.
    options : ReportOptions, optional

    Raises
    ------
    ImageChangedError
        The radiograph is another one and ``options`` give no reason for going on.
    WriteError
        The file cannot be written, or the report packages are not installed.
    """
    write_text(path, html_text(_content(review, radiograph, options)))


def write_pdf(
    review: Review,
    radiograph: Radiograph,
    path: str | Path,
    *,
    options: ReportOptions | None = None,
) -> None:
    """Write the report as PDF on A4, PDF/A-2a where the fonts allow it.

    Parameters and errors as in `write_html`.
    """
    write_bytes(path, pdf_bytes(_content(review, radiograph, options)))


def html_text(content: Content) -> str:
    """The HTML page of a report."""
    return html_page("page.html.j2", c=content)


def pdf_bytes(content: Content) -> bytes:
    """The PDF of a report."""
    import typst

    data = json.dumps(_breakable(dataclasses.asdict(content)))

    def compiled(standard: Literal["a-2a"] | None) -> bytes:
        return typst.compile(
            str(TEMPLATES / "page.typ"),
            font_paths=font_folders(),
            sys_inputs={"data": data},
            format="pdf",
            pdf_standards=standard,
        )

    try:
        return compiled("a-2a")
    except typst.TypstError:
        # PDF/A forbids a sign that no font on this machine has (a name in another script).
        return compiled(None)


def _content(review: Review, radiograph: Radiograph, options: ReportOptions | None) -> Content:
    need_report_packages()
    from rxmeasure.report.content import build_content

    return build_content(review, radiograph, options)


_LONG_WORD = re.compile(r"[^\s\u200b]{25,}")


def _breakable(tree: Any, key: str = "") -> Any:
    """The same tree with places to break inside very long words, which PDF text needs."""
    if isinstance(tree, dict):
        return {k: _breakable(v, k) for k, v in tree.items()}
    if isinstance(tree, (list, tuple)):
        return [_breakable(v, key) for v in tree]
    if isinstance(tree, str) and key != "svg":
        return _LONG_WORD.sub(
            lambda m: "\u200b".join(m[0][k : k + 12] for k in range(0, len(m[0]), 12)), tree
        )
    return tree
