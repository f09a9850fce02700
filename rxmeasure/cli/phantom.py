"""``rxmeasure phantom``: synthetic films with known truth."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rxmeasure.cli.options import FILE, json_option
from rxmeasure.cli.output import emit, progress
from rxmeasure.errors import WriteError
from rxmeasure.marks import FilmKind

if TYPE_CHECKING:
    from rxmeasure.phantom import Phantom, SpecimenFilm


@click.command()
@click.option("--out", type=FILE, metavar="FOLDER", required=True, help="Where to write.")
@click.option("--seed", type=click.IntRange(0), default=1, show_default=True, help="First seed.")
@click.option(
    "--count", type=click.IntRange(1), default=1, show_default=True, help="How many, seed by seed."
)
@click.option(
    "--kind",
    type=click.Choice([str(k) for k in FilmKind]),
    default=str(FilmKind.POSTOPERATIVE),
    show_default=True,
    help="When in the treatment the film was taken.",
)
@click.option(
    "--format",
    "file_format",
    type=click.Choice(["png", "tiff", "jpeg", "dicom"]),
    default="png",
    show_default=True,
    help="Kind of image file.",
)
@click.option("--tooth-kind", metavar="TEXT", help="For example 'lower molar'; else at random.")
@click.option(
    "--rows", type=click.IntRange(64, 4000), default=1200, show_default=True, help="Rows."
)
@click.option(
    "--columns", type=click.IntRange(64, 4000), default=900, show_default=True, help="Columns."
)
@click.option(
    "--pixel", type=float, default=0.03, show_default=True, metavar="MM", help="Detector pitch."
)
@click.option(
    "--specimens",
    is_flag=True,
    help="Flat discs beside an aluminium step wedge instead of a tooth, at random.",
)
@json_option
def phantom(
    out: Path,
    seed: int,
    count: int,
    kind: str,
    file_format: str,
    tooth_kind: str | None,
    rows: int,
    columns: int,
    pixel: float,
    specimens: bool,
    as_json: bool,
) -> None:
    """Make synthetic films with known truth.

    Each NAME.png (or .tif, .jpg, .dcm) comes with NAME.truth.json: centre lines,
    lengths, widths, voids. Equal seeds give equal films.
    """
    from rxmeasure.atomic import make_folder
    from rxmeasure.phantom import (
        make_phantom,
        make_specimen_film,
        random_parameters,
        random_specimen,
    )

    make_folder(out)
    films: list[dict[str, Any]] = []
    with progress(count, "Making") as step:
        for number in range(seed, seed + count):
            name = f"phantom-{'specimens' if specimens else kind}-{number:04d}"
            step(name)
            if specimens:
                made: Phantom | SpecimenFilm = make_specimen_film(random_specimen(number))
                tooth = None
            else:
                parameters = random_parameters(
                    number,
                    film_kind=FilmKind(kind),
                    kind=tooth_kind,
                    shape=(rows, columns),
                    pitch_mm=pixel,
                )
                made, tooth = make_phantom(parameters), parameters.tooth_number
            written = _write(made, out, name, file_format)
            films.append({"seed": number, "tooth": tooth, "written": written})
    lines = [f"Written: {path}" for film in films for path in film["written"]]
    emit("phantom", {"films": films}, lines, as_json=as_json)


def _write(made: Phantom | SpecimenFilm, out: Path, name: str, file_format: str) -> list[str]:
    """Write image and truth, each whole or not at all."""
    import tempfile

    from rxmeasure.atomic import write_bytes
    from rxmeasure.phantom import write_phantom

    try:
        with tempfile.TemporaryDirectory() as scratch:
            write_phantom(made, Path(scratch), name, format=file_format)
            contents = {p.name: p.read_bytes() for p in sorted(Path(scratch).iterdir())}
    except OSError as error:
        raise WriteError(
            found=f"the film cannot be written: {error.strerror}.",
            needed="room for temporary files.",
            next_step="Free some space, then try again.",
        ) from error
    for file_name, data in contents.items():
        write_bytes(out / file_name, data)
    return [str(out / file_name) for file_name in contents]
