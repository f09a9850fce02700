"""The audit's page: A4, for a meeting, as HTML and PDF."""

from __future__ import annotations

from pathlib import Path

from rxmeasure.atomic import write_bytes, write_text
from rxmeasure.audit.reaudit import ReAudit
from rxmeasure.audit.results import Audit
from rxmeasure.report.audit_content import audit_content
from rxmeasure.report.numbers import Numbers
from rxmeasure.report.templating import html_page, need_report_packages, pdf_page

TITLE = "Audit of root-canal fillings"


def write_audit_pages(
    audit: Audit,
    html: str | Path,
    pdf: str | Path,
    *,
    compared: ReAudit | None = None,
    numbers: Numbers | None = None,
    title: str = TITLE,
) -> None:
    """Write the page twice, with the same content.

    Parameters
    ----------
    audit : Audit
    html, pdf : path-like
        Each written whole or not at all. The HTML needs nothing from outside and no script;
        the PDF is one page of A4.
    compared : ReAudit, optional
        An earlier audit beside this one.
    numbers : Numbers, optional
    title : str

    Raises
    ------
    WriteError
        A file cannot be written, or the report packages are not installed.
    """
    need_report_packages()
    content = audit_content(audit, compared, numbers or Numbers(), title=title)
    write_text(html, html_page("audit.html.j2", c=content))
    write_bytes(pdf, pdf_page("audit.typ", content))
