"""``rxmeasure audit``: plan, run and report a clinic audit."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rxmeasure.cli.options import FILE, json_option, output_options, person_option, role_option
from rxmeasure.cli.output import columns, emit, folded, numbers_for
from rxmeasure.marks import FilmKind

if TYPE_CHECKING:
    from rxmeasure.audit.results import Audit
    from rxmeasure.audit.rows import AuditSource
    from rxmeasure.audit.statistics.sampling import SamplingPlan
    from rxmeasure.report.numbers import Numbers

#: How a record store in a file begins (SQLite file format, 1.2).
_SQLITE = b"SQLite format 3\0"


@click.group()
def audit() -> None:
    """Audit a clinic's reviews: choose films, count, report."""


@audit.command()
@click.argument("films", type=FILE)
@click.option(
    "--method",
    type=click.Choice(["random", "consecutive"]),
    default="random",
    show_default=True,
    help="By chance, or the first films from a date on, none left out.",
)
@click.option("--seed", default="", metavar="TEXT", help="Any word, chosen before looking.")
@click.option("--since", default="", metavar="DATE", help="No film before this day.")
@click.option("--until", default="", metavar="DATE", help="No film after this day.")
@click.option("--number", type=int, metavar="N", help="Films of each kind.")
@click.option(
    "--width", type=float, metavar="SHARE", help="Instead: wanted width of the interval, e.g. 0.1."
)
@click.option(
    "--expected", type=float, metavar="SHARE", default=0.5, show_default=True,
    help="Share that is expected, for --width.",
)  # fmt: skip
@click.option(
    "--design-effect", type=float, default=1.0, show_default=True,
    help="How many times more films than if each were of another patient, for --width.",
)  # fmt: skip
@click.option(
    "--level", type=float, default=0.95, show_default=True, help="Confidence, for --width."
)
@click.option("--out", type=FILE, metavar="FILE", help="Keep the plan in this file.")
@json_option
def plan(
    films: Path,
    method: str,
    seed: str,
    since: str,
    until: str,
    number: int | None,
    width: float | None,
    expected: float,
    design_effect: float,
    level: float,
    out: Path | None,
    as_json: bool,
) -> None:
    """Choose films for an audit from the clinic's log of films.

    FILMS is a CSV file with the columns film and date and, if wanted, kind:
    so many films of each kind are chosen. Retakes' first films are left out.

    \b
    rxmeasure audit plan films.csv --seed spring --number 100 --out spring.rxplan.json
    rxmeasure audit plan films.csv --seed spring --width 0.1 --expected 0.8
    """
    from rxmeasure.audit.clinic_log import read_films
    from rxmeasure.audit.dates import Period
    from rxmeasure.audit.kept import save_plan
    from rxmeasure.audit.planning import plan_films
    from rxmeasure.audit.statistics.sampling import SamplingMethod, sample_size

    if (number is None) == (width is None):
        raise click.UsageError("Give --number, or --width.")
    wanted = number or 0
    if width is not None:
        wanted = sample_size(
            width=width, expected=expected, level=level, design_effect=design_effect
        )
    found = plan_films(
        read_films(films),
        SamplingMethod(method),
        per_kind=wanted,
        seed=seed,
        period=Period(since=since, until=until),
    )
    if out is not None:
        save_plan(found, out)
    document = {"plan": found, "written": [] if out is None else [str(out)]}
    emit("audit plan", document, _plan_lines(found, out), as_json=as_json)


@audit.command()
@click.argument("source")
@person_option(required=False)
@role_option
@click.option(
    "--rule", "rule_id", metavar="ID", default="zero_two", show_default=True, help="The rule set."
)
@click.option(
    "--other-rule", "other_ids", metavar="ID", multiple=True,
    help="Show what this rule set would say of the same measures (repeat for more).",
)  # fmt: skip
@click.option(
    "--rules-file", "rule_files", type=FILE, metavar="FILE", multiple=True,
    help="Your own criteria file (TOML); name its id with --rule or --other-rule.",
)  # fmt: skip
@click.option(
    "--kind", type=click.Choice([str(k) for k in FilmKind]), default=str(FilmKind.POSTOPERATIVE),
    show_default=True, help="Only films of this kind.",
)  # fmt: skip
@click.option("--since", default="", metavar="DATE", help="First day of the period.")
@click.option("--until", default="", metavar="DATE", help="Last day of the period.")
@click.option("--plan", "plan_file", type=FILE, metavar="FILE", help="Only the films of this plan.")
@click.option("--films", type=FILE, metavar="FILE", help="The clinic's log of films (CSV).")
@click.option("--recalls", type=FILE, metavar="FILE", help="The clinic's log of recalls (CSV).")
@click.option(
    "--level", type=float, default=0.95, show_default=True, help="Confidence of the intervals."
)
@click.option("--out", type=FILE, metavar="FILE", help="Keep the audit in this file.")
@output_options
def run(
    source: str,
    name: str | None,
    role: str,
    rule_id: str,
    other_ids: tuple[str, ...],
    rule_files: tuple[Path, ...],
    kind: str,
    since: str,
    until: str,
    plan_file: Path | None,
    films: Path | None,
    recalls: Path | None,
    level: float,
    out: Path | None,
    as_json: bool,
    decimal_comma: bool,
) -> None:
    """Count what the reviews say. No film is measured again.

    SOURCE is a folder of review files, a CSV table of canals, or a record store
    (then --as is needed). A file that cannot be read is counted and named; the
    audit goes on.

    \b
    rxmeasure audit run reviews/ --films films.csv --out spring.rxaudit.json
    """
    from rxmeasure.audit.audit import AuditRequest, run_audit
    from rxmeasure.audit.clinic_log import read_films, read_recalls
    from rxmeasure.audit.dates import Period
    from rxmeasure.audit.kept import load_plan, save_audit
    from rxmeasure.criteria.criterion import load_rule_sets, pick_rule_sets

    known = load_rule_sets(rule_files)
    rule_set, *others = pick_rule_sets((rule_id, *other_ids), among=known)
    request = AuditRequest(
        rule_set=rule_set,
        other_rule_sets=tuple(others),
        film_kind=FilmKind(kind),
        period=Period(since=since, until=until),
        sample=None if plan_file is None else load_plan(plan_file),
        level=level,
    )
    film_log = () if films is None else read_films(films)
    recall_log = () if recalls is None else read_recalls(recalls)
    with _source(source, name, role) as reviews:
        found = run_audit(reviews, request, films=film_log, recalls=recall_log)
    if out is not None:
        save_audit(found, out)
    document = {"audit": found, "written": [] if out is None else [str(out)]}
    emit("audit run", document, _audit_lines(found, numbers_for(decimal_comma)), as_json=as_json)


@audit.command()
@click.argument("kept", type=FILE, metavar="AUDIT")
@click.option(
    "--earlier", type=FILE, metavar="FILE", help="An earlier audit, to say what changed since."
)
@click.option("--out", type=FILE, metavar="FOLDER", help="Where to write; else beside the audit.")
@click.option("--title", metavar="TEXT", help="Title of the page.")
@output_options
def report(
    kept: Path,
    earlier: Path | None,
    out: Path | None,
    title: str | None,
    as_json: bool,
    decimal_comma: bool,
) -> None:
    """Write a kept audit as one page (HTML and PDF) and all its numbers as CSV.

    \b
    rxmeasure audit report autumn.rxaudit.json --earlier spring.rxaudit.json
    """
    from rxmeasure.atomic import make_folder
    from rxmeasure.audit.kept import AUDIT_SUFFIX, load_audit
    from rxmeasure.audit.numbers_table import write_numbers
    from rxmeasure.audit.reaudit import compare_audits
    from rxmeasure.report.audit_page import TITLE, write_audit_pages

    found = load_audit(kept)
    compared = None if earlier is None else compare_audits(load_audit(earlier), found)
    folder = kept.parent if out is None else out
    make_folder(folder)
    name = kept.name.removesuffix(AUDIT_SUFFIX)
    html, pdf, table = (folder / f"{name}{ending}" for ending in (".html", ".pdf", ".csv"))
    write_audit_pages(
        found,
        html,
        pdf,
        compared=compared,
        numbers=numbers_for(decimal_comma),
        title=title or TITLE,
    )
    write_numbers(table, found, compared)
    written = [str(path) for path in (html, pdf, table)]
    document = {"file": str(kept), "compared": compared, "written": written}
    emit("audit report", document, [f"Written: {path}" for path in written], as_json=as_json)


@contextmanager
def _source(where: str, name: str | None, role: str) -> Iterator[AuditSource]:
    from rxmeasure.audit.review_folder import ReviewFolder
    from rxmeasure.audit.rows_file import RowsFile

    path = Path(where)
    if _is_store(where):
        if name is None:
            raise click.UsageError("Give --as NAME: a record store is opened by a person.")
        from rxmeasure.audit.stored_rows import StoreSource
        from rxmeasure.store import Person, Role, open_store

        with open_store(where, Person(name=name, role=Role(role))) as store:
            yield StoreSource(store, f"record store {path.name}")
    else:
        yield ReviewFolder(path) if path.is_dir() else RowsFile(path)


def _is_store(where: str) -> bool:
    path = Path(where)
    if "://" in where or not path.is_file():
        return "://" in where
    with path.open("rb") as file:
        return file.read(len(_SQLITE)) == _SQLITE


def _plan_lines(found: SamplingPlan, out: Path | None) -> list[str]:
    from rxmeasure.report.numbers import clean

    lines = []
    for group in found.groups:
        short = f", {group.short_by} too few" if group.short_by else ""
        lines.append(f"{group.group or 'films'}: {len(group.chosen)} of {group.available}{short}")
        lines += [f"  {clean(name)}" for name in group.chosen]
    return lines if out is None else [*lines, f"Written: {out}"]


def _audit_lines(found: Audit, numbers: Numbers) -> list[str]:
    """The page's content as text."""
    from rxmeasure.report.audit_content import audit_content
    from rxmeasure.report.audit_page import TITLE

    content = audit_content(found, None, numbers, title=TITLE, chart=False)
    lines = [f"{name}: {text}" for name, text in content["facts"]]
    head = content["headline"]
    lines += ["", f"{head['share']} {head['text']}"]
    names = (
        "",
        "met",
        "share",
        "95 %",
        "design effect",
        "borderline",
        "if fail/meet",
        "not judged",
    )
    lines += columns([names, *content["levels"]])
    for title, rows in (
        ("By tooth", content["groups"]),
        ("By operator", content["operators"]["rows"]),
        ("Image quality A", content["quality"]),
        ("Retakes and recall", [one["row"] for one in content["log"]]),
        ("Left out and not judged", content["left_out"]["rows"]),
        ("The same measures by other rule sets (teeth)", content["rules"]["rows"]),
    ):
        lines += ["", title, *columns(rows)] if rows else []
    for signal in content["signals"]:
        lines += ["", *folded(f"{signal['sign']} {signal['word']} {signal['text']}", indent="")]
    lines += ["", *folded(content["proposals"], indent="")]
    lines += folded(content["left_out"]["names"], mark="! ") if content["left_out"]["names"] else []
    for note in content["notes"]:
        lines += folded(note, mark="! ")
    for caution in content["cautions"]:
        lines += folded(caution, mark="* ")
    return [line.replace("\u00a0", " ") for line in lines]
