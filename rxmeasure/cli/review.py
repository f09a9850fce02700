"""``rxmeasure review``: the whole chain for one film or many."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rxmeasure.cli.exit_codes import PARTLY_REFUSED
from rxmeasure.cli.options import (
    FILE,
    invert_option,
    marks_options,
    output_options,
    rule_options,
)
from rxmeasure.cli.output import emit, numbers_for, progress
from rxmeasure.cli.verb_group import refusal_record, tell_refusal
from rxmeasure.errors import RxMeasureError

if TYPE_CHECKING:
    from rxmeasure.marks import ReviewMarks
    from rxmeasure.radiograph import Radiograph
    from rxmeasure.report.options import ReportOptions
    from rxmeasure.review import Review

#: Options that belong to one image and its clicks.
_ONE_IMAGE_OPTIONS = ("marks_file", "clicks", "canals", "file_clicks", "line_clicks")


@dataclass(slots=True)
class _Film:
    """What became of one image."""

    image: Path
    review: Review | None = None
    written: list[Path] = field(default_factory=list)
    refusal: RxMeasureError | None = None


@click.command()
@click.argument("images", type=FILE, nargs=-1, required=True, metavar="IMAGE|FOLDER...")
@click.option("--out", type=FILE, metavar="FOLDER", help="Where to write; else beside each image.")
@click.option("--report", is_flag=True, help="Write an HTML page and a PDF too.")
@marks_options
@click.option(
    "--propose",
    is_flag=True,
    help="Where no canal is marked: measure the filled canals that the program proposes. They "
    "are called not confirmed.",
)
@rule_options
@click.option(
    "--override",
    "overrides",
    type=(str, str, str, str),
    multiple=True,
    metavar="CANAL RULE VERDICT REASON",
    help="Change a verdict, with the reason. RULE is ID or ID/FIELD.",
)
@click.option(
    "--image-changed-reason",
    metavar="TEXT",
    help="Go on although the image is not the one of the earlier review; the reason is kept.",
)
@click.option(
    "--replace",
    "drop_overrides",
    is_flag=True,
    help="Replace an earlier review even if verdicts changed by hand in it are lost.",
)
@click.option(
    "--notation",
    type=click.Choice(["FDI", "Universal", "Palmer"], case_sensitive=False),
    default="FDI",
    show_default=True,
    help="How the tooth is named.",
)
@invert_option
@output_options
@click.pass_context
def review(
    ctx: click.Context,
    /,
    images: tuple[Path, ...],
    out: Path | None,
    report: bool,
    image_changed_reason: str | None,
    drop_overrides: bool,
    notation: str,
    invert: bool,
    as_json: bool,
    decimal_comma: bool,
    **options: Any,
) -> None:
    """Scale, trace, measure and judge films; keep a review file for each.

    The marks come from options, from --marks, or from NAME.marks.toml or the
    earlier review beside the image. A FOLDER stands for all its images with
    NAME.marks.toml. Films of one tooth and visit are shown together, in the
    order of the treatment.

    \b
    rxmeasure review film.png --kind post-operative --tooth 11 \
        --click 120,300 --click 480,352 \
        --file-length 21 --file-click 80,410 --file-click 760,455
    """
    from rxmeasure.reading import read_radiograph

    films = [_Film(path) for path in _images(images)]
    _check_together(films, options, out)
    targets = [_target(film.image, out) for film in films]
    page = _report_options(notation, decimal_comma)
    with progress(len(films), "Reviewing") as step:
        for film, target in zip(films, targets, strict=True):
            step(film.image.name)
            try:
                radiograph = read_radiograph(film.image, invert=invert)
                film.review = _review(
                    film.image, radiograph, target, image_changed_reason, drop_overrides, options
                )
                _write(film, radiograph, target, page if report else None)
            except RxMeasureError as refusal:
                film.refusal = refusal
    _show(films, notation, as_json, decimal_comma)
    refused = [film for film in films if film.refusal is not None]
    for film in refused:
        assert film.refusal is not None
        tell_refusal(film.refusal, as_json=as_json, file=film.image)
    if refused:
        first = refused[0].refusal
        assert first is not None
        ctx.exit(first.exit_code if len(refused) == len(films) else PARTLY_REFUSED)


def _images(given: Sequence[Path]) -> list[Path]:
    """Images named, and those of folders that have an annotation file beside them."""
    from rxmeasure.errors import MarksError
    from rxmeasure.record.sidecar import SIDECAR_SUFFIXES, image_of

    images: list[Path] = []
    for path in given:
        if not path.is_dir():
            images.append(path)
            continue
        sidecars = [p for p in _files_of(path) if p.name.endswith(SIDECAR_SUFFIXES)]
        if not sidecars:
            raise MarksError(
                found=f"a folder without annotation files: {path}.",
                needed="NAME.marks.toml beside each image to review.",
                next_step="Name the images one by one, or write annotation files.",
            )
        images += [image_of(sidecar) for sidecar in sidecars]
    return list(dict.fromkeys(images))


def _files_of(folder: Path) -> list[Path]:
    from rxmeasure.errors import ImageReadError

    try:
        return sorted(folder.iterdir())
    except OSError as error:
        raise ImageReadError(
            found=f"a folder that cannot be read: {folder} ({error.strerror}).",
            needed="the right to read it.",
            next_step="Ask for access, or name another folder.",
        ) from error


def _check_together(films: list[_Film], options: dict[str, Any], out: Path | None) -> None:
    if len(films) > 1:
        given = [name for name in _ONE_IMAGE_OPTIONS if options.get(name)]
        if given:
            raise click.UsageError(
                "Clicks and --marks belong to one image. For several, put NAME.marks.toml "
                "beside each."
            )
    names = [film.image.name for film in films]
    if out is not None and len(set(names)) < len(names):
        raise click.UsageError(
            "Two images have the same name and would overwrite each other in --out."
        )


def _target(image: Path, out: Path | None) -> Path:
    """Where the files of an image go: the image's own place, or in the folder asked for."""
    return image if out is None else out / image.name


def _review(
    image: Path,
    radiograph: Radiograph,
    target: Path,
    changed_reason: str | None,
    drop_overrides: bool,
    options: dict[str, Any],
) -> Review:
    from rxmeasure.cli.marks_input import marks_file_for, marks_for
    from rxmeasure.marks import Override
    from rxmeasure.record.review_file import IMAGE_CHANGED, check_image, load_review, review_path
    from rxmeasure.review import review_film

    marks = marks_for(image, options)
    if options["propose"] and not marks.canals:
        from rxmeasure.proposals import with_unconfirmed

        marks = with_unconfirmed(radiograph, marks)
    marks_file = marks_file_for(image, options)
    earlier = {review_path(target)}
    if marks_file is not None and _is_review(marks_file):
        earlier.add(marks_file)
    passed_over = False
    for path in sorted(earlier):
        if not path.exists():
            continue
        known = load_review(path)
        try:
            check_image(known, radiograph)
        except RxMeasureError:
            if not (changed_reason or "").strip():
                raise
            passed_over = True
        if path == review_path(target):
            history = [o for o in known.marks.overrides if o.rule_id == IMAGE_CHANGED]
            added = (o for o in history if o not in marks.overrides)
            marks = replace(marks, overrides=(*marks.overrides, *added))
            if not drop_overrides:
                _keep_overrides(known, marks, path)
    if passed_over:
        kept = Override(
            canal="",
            rule_id=IMAGE_CHANGED,
            verdict="accepted",
            reason=(changed_reason or "").strip(),
        )
        marks = replace(marks, overrides=(*marks.overrides, kept))
    return review_film(radiograph, marks, rule_files=options["rule_files"])


def _is_review(marks_file: Path) -> bool:
    """Whether marks come from a review file, and so from a known image."""
    from rxmeasure.errors import MarksError
    from rxmeasure.record.migrations import FORMAT
    from rxmeasure.record.parsing import read_json

    if marks_file.suffix.lower() == ".toml":
        return False
    tree = read_json(marks_file, MarksError)
    return isinstance(tree, dict) and tree.get("format") == FORMAT


def _keep_overrides(known: Review, marks: ReviewMarks, path: Path) -> None:
    """Refuse to write over verdicts that a person changed."""
    from rxmeasure.errors import ReviewFileError

    lost = [o for o in known.marks.overrides if o not in marks.overrides]
    if lost:
        raise ReviewFileError(
            found=f"{path.name} holds {len(lost)} entries made by hand ({lost[0].rule_id}: "
            f"{lost[0].reason}) that the new marks do not have.",
            needed="marks that keep them, or leave to drop them.",
            next_step=f"Start from them with --marks {path.name}, write to another folder with "
            "--out, or drop them with --replace.",
            overridable=True,
        )


def _report_options(notation: str, decimal_comma: bool) -> ReportOptions:
    from rxmeasure.report.options import DecimalMark, ReportOptions, ToothNotation

    return ReportOptions(
        decimal_mark=DecimalMark.COMMA if decimal_comma else DecimalMark.POINT,
        tooth_notation=ToothNotation(notation),
    )


def _write(film: _Film, radiograph: Radiograph, target: Path, page: ReportOptions | None) -> None:
    from rxmeasure.atomic import make_folder
    from rxmeasure.cli.report_files import write_report
    from rxmeasure.record.review_file import review_path, save_review

    assert film.review is not None
    make_folder(target.parent)
    save_review(film.review, review_path(target))
    film.written.append(review_path(target))
    if page is not None:
        for path in write_report(film.review, radiograph, target, page):
            film.written.append(path)


def _show(films: list[_Film], notation: str, as_json: bool, decimal_comma: bool) -> None:
    document = {
        "films": [
            {
                "file": str(film.image),
                "review": film.review,
                "written": [str(path) for path in film.written],
                "refusal": None
                if film.refusal is None
                else refusal_record(film.refusal, film.image),
            }
            for film in films
        ],
    }
    lines: list[str] = []
    if not as_json and any(film.review for film in films):
        from rxmeasure.cli.tables import caution_lines, review_lines
        from rxmeasure.report.options import ToothNotation

        numbers = numbers_for(decimal_comma)
        for title, group in _by_tooth_and_visit(films):
            lines += [title, ""] if title else []
            for film in group:
                assert film.review is not None
                lines += review_lines(film.review, numbers, ToothNotation(notation))
                lines += [f"Written: {path}" for path in film.written]
                lines.append("")
        lines += caution_lines()
    emit("review", document, lines, as_json=as_json)


def _by_tooth_and_visit(films: Sequence[_Film]) -> list[tuple[str, list[_Film]]]:
    """Reviewed films, those of one tooth and visit together in the order of the treatment."""
    from rxmeasure.marks import FilmKind
    from rxmeasure.report.numbers import clean

    groups: dict[tuple[str, str, str], list[_Film]] = {}
    for film in films:
        if film.review is None:
            continue
        m = film.review.marks
        alone = not (m.tooth and m.visit)
        key = ("", "", str(film.image)) if alone else (m.patient_pseudonym, m.tooth, m.visit)
        groups.setdefault(key, []).append(film)
    order = list(FilmKind)
    named = []
    for key, group in groups.items():
        title = ""
        if len(group) > 1:
            case = f"Case {clean(key[0])}, tooth" if key[0] else "Tooth"
            title = f"== {case} {clean(key[1])}, visit {clean(key[2])}: {len(group)} films =="
            group.sort(
                key=lambda f: order.index(f.review.marks.film_kind) if f.review else len(order)
            )
        named.append((title, group))
    return named
