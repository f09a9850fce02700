"""Options that several verbs share."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from rxmeasure.marks import FilmKind, LandmarkState, PointPx

_Decorated = TypeVar("_Decorated", bound=Callable[..., Any])


class PointType(click.ParamType[PointPx]):
    """``ROW,COL`` in pixels."""

    name = "ROW,COL"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> PointPx:
        """Return (row, col)."""
        if isinstance(value, tuple):
            return value
        return _point(str(value), lambda text: self.fail(text, param, ctx))


class CanalType(click.ParamType[tuple[str, tuple[PointPx, ...]]]):
    """``"NAME ROW,COL ROW,COL ..."``: a canal with its clicks."""

    name = "'NAME ROW,COL ...'"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[str, tuple[PointPx, ...]]:
        """Return (name, points)."""
        if isinstance(value, tuple):
            return value
        words = str(value).split()
        if not words or "," in words[0]:
            self.fail(f"{value!r} does not begin with the name of a canal.", param, ctx)
        points = tuple(_point(w, lambda text: self.fail(text, param, ctx)) for w in words[1:])
        return words[0], points


def _point(text: str, fail: Callable[[str], Any]) -> PointPx:
    parts = text.split(",")
    try:
        row, col = (float(part) for part in parts)
    except ValueError:
        fail(f"{text!r} is not ROW,COL: two numbers with a comma between, e.g. 120.5,340")
        raise
    return (row, col)


POINT = PointType()
CANAL = CanalType()
FILE = click.Path(path_type=Path)


def all_of(*decorators: Callable[[Any], Any]) -> Callable[[_Decorated], _Decorated]:
    """One decorator for several, in the order they shall stand in the help."""

    def decorate(function: _Decorated) -> _Decorated:
        for decorator in reversed(decorators):
            function = decorator(function)
        return function

    return decorate


json_option = click.option(
    "--json", "as_json", is_flag=True, help="Print one JSON document and nothing else."
)
comma_option = click.option(
    "--decimal-comma", is_flag=True, help="Print numbers with a decimal comma (not in JSON)."
)
output_options = all_of(json_option, comma_option)


def person_option(*, required: bool) -> Callable[[Any], Any]:
    """Who works with a record store."""
    return click.option(
        "--as",
        "name",
        metavar="NAME",
        envvar="RXMEASURE_PERSON",
        required=required,
        help="Pseudonym of who works; on a server the login. Or RXMEASURE_PERSON.",
    )


#: What a person may be in a record store.
ROLES = ("student", "rater", "clinician", "teacher", "lead")

role_option = click.option(
    "--role",
    type=click.Choice(ROLES),
    envvar="RXMEASURE_ROLE",
    default="clinician",
    show_default=True,
    help="What this person is in a record store. Or RXMEASURE_ROLE.",
)

invert_option = click.option(
    "--invert", is_flag=True, help="Turn the grey levels: use it when metal shows dark."
)
rule_options = all_of(
    click.option(
        "--rule",
        "rule_ids",
        metavar="ID",
        multiple=True,
        help="Judge by this published rule set (repeat for more). See: rxmeasure rules list.",
    ),
    click.option(
        "--rules-file",
        "rule_files",
        type=FILE,
        metavar="FILE",
        multiple=True,
        help="Judge by your own criteria file too (TOML).",
    ),
)

_kind_option = click.option(
    "--kind",
    type=click.Choice([str(k) for k in FilmKind]),
    help="When in the treatment the film was taken.",
)
_scale_options = all_of(
    click.option(
        "--file-length", type=float, metavar="MM", help="Real length of a file, stop to tip."
    ),
    click.option(
        "--file-click",
        "file_clicks",
        type=POINT,
        multiple=True,
        help="A click along that file, stop first, tip last (two or more).",
    ),
    click.option("--file-size", type=float, metavar="ISO", help="ISO size of that file's tip."),
    click.option(
        "--line-length", type=float, metavar="MM", help="Real length of a straight thing."
    ),
    click.option(
        "--line-click", "line_clicks", type=POINT, multiple=True, help="Its two ends (two clicks)."
    ),
    click.option(
        "--length-u", type=float, metavar="MM", help="Standard uncertainty of the known length."
    ),
    click.option(
        "--no-detector-spacing", is_flag=True, help="Do not take the scale from the image file."
    ),
)
_marks_file_option = click.option(
    "--marks",
    "marks_file",
    type=FILE,
    metavar="FILE",
    help="Annotation file (TOML, JSON) or a review file. Without it and without clicks, "
    "NAME.marks.toml beside the image is taken, else its review.",
)
_canal_options = all_of(
    click.option(
        "--click",
        "clicks",
        type=POINT,
        multiple=True,
        help="A click along the canal: coronal reference first, radiographic apex last.",
    ),
    click.option(
        "--canal-name", metavar="NAME", help="Name of that canal, e.g. MB; else 'single'."
    ),
    click.option(
        "--canal",
        "canals",
        type=CANAL,
        multiple=True,
        help="One of several canals with its clicks, in quotes.",
    ),
)
_landmark_options = all_of(
    click.option("--coronal-reference", type=POINT, help="The coronal reference."),
    click.option("--orifice", type=POINT, help="The canal's orifice."),
    click.option(
        "--apex", type=POINT, help="The radiographic apex, where it is not the last click."
    ),
    click.option(
        "--apex-state",
        type=click.Choice([str(s) for s in LandmarkState]),
        help="Why the apex is unusual or not marked.",
    ),
    click.option("--core-end", type=POINT, help="Apical end of the core, as you see it."),
    click.option("--sealer-end", type=POINT, help="Apical end of the sealer, as you see it."),
    click.option("--post-end", type=POINT, help="Apical end of a post."),
    click.option(
        "--stop-to-tip", type=float, metavar="MM", help="Length of the file or cone shown."
    ),
    click.option("--locator", type=float, metavar="MM", help="Electronic working length."),
    click.option("--size", type=float, metavar="ISO", help="Stated size of the last file or cone."),
    click.option("--taper", type=float, metavar="MM/MM", help="Its stated taper, e.g. 0.04."),
    click.option(
        "--downpack-depth", type=float, metavar="MM", help="Fill's end to downpack joint."
    ),
)
_case_options = all_of(
    click.option("--tooth", metavar="FDI", help="Tooth number (ISO 3950), e.g. 16."),
    click.option("--case", metavar="TEXT", help="Pseudonym of the case. Never a name."),
    click.option("--visit", metavar="TEXT", help="Groups the films of one tooth and visit."),
    click.option("--reader", metavar="TEXT", help="Pseudonym of who marked."),
    click.option("--safety", type=float, metavar="MM", help="Taken off a film length (1.0)."),
)

scale_options = all_of(_marks_file_option, _kind_option, _scale_options)
trace_options = all_of(_marks_file_option, _kind_option, _canal_options, _scale_options)
marks_options = all_of(
    _marks_file_option,
    _kind_option,
    _canal_options,
    _landmark_options,
    _scale_options,
    _case_options,
)

image_argument = click.argument("image", type=FILE)
kept_review_options = all_of(
    click.option(
        "--review",
        "review_file",
        type=FILE,
        metavar="FILE",
        help="The review file; else the one beside the image.",
    ),
    click.option(
        "--out", type=FILE, metavar="FOLDER", help="Where to write; else beside the image."
    ),
)
