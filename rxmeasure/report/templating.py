"""Filling the templates of the pages: HTML by Jinja, PDF by typst."""

from __future__ import annotations

import base64
import json
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rxmeasure.errors import WriteError

if TYPE_CHECKING:
    from jinja2 import Environment

TEMPLATES = Path(__file__).with_name("templates")


def need_report_packages() -> None:
    """Raise where the packages that make reports are not installed.

    Raises
    ------
    WriteError
        One is missing.
    """
    try:
        import jinja2  # noqa: F401
        import matplotlib  # noqa: F401
        import typst  # noqa: F401
    except ImportError as error:
        raise WriteError(
            found=f"the package {error.name} is missing.",
            needed="the packages that make reports.",
            next_step="Install rxmeasure with its report extra: pip install 'rxmeasure[report]'.",
        ) from error


def html_page(template: str, **values: Any) -> str:
    """A page from its template, with the style that all pages share and ``uri`` for drawings."""
    style = (TEMPLATES / "page.css").read_text(encoding="utf-8")
    return _environment().get_template(template).render(style=style, uri=as_uri, **values)


def pdf_page(template: str, data: Any) -> bytes:
    """A PDF from its typst template and a JSON tree."""
    import typst

    return typst.compile(
        str(TEMPLATES / template),
        font_paths=font_folders(),
        sys_inputs={"data": json.dumps(data)},
        format="pdf",
    )


def font_folders() -> list[str]:
    """Where the font of the pages lies."""
    from matplotlib import get_data_path

    return [str(Path(get_data_path()) / "fonts" / "ttf")]


def as_uri(svg: str) -> str:
    """An SVG as the address of an image."""
    return "data:image/svg+xml;base64," + base64.b64encode(svg.encode("utf-8")).decode("ascii")


@cache
def _environment() -> Environment:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    return Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
