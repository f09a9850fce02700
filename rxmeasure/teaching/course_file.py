"""Reading a course from TOML; a wrong file is refused with its line and the reason.

Keys: ``id``, ``title``, ``clinic``, ``rubric`` (file beside this one), ``secret`` (any text that
raters do not know), ``repeats``, ``work_weight`` and ``reading_weight`` (percent, sum 100), one
``[[calibration]]`` with ``agreement_at_least`` and ``cases``, and a ``[[tolerance]]`` for each
``measure`` that is compared with the key, with how far it may be ``off``.
"""

from __future__ import annotations

from importlib import resources
from pathlib import Path

from rxmeasure.criteria.toml_document import TomlDocument, TomlTable
from rxmeasure.errors import TeachingError
from rxmeasure.measure_names import MEASURES
from rxmeasure.record.parsing import MAX_TOML_BYTES, read_text
from rxmeasure.teaching.course import NOT_NUMBERS, Course
from rxmeasure.teaching.rubric import Rubric

_KEYS = (
    "id", "title", "clinic", "rubric", "secret", "repeats", "work_weight", "reading_weight",
    "calibration", "tolerance",
)  # fmt: skip


def rubric_path(path: Path) -> Path:
    """Where the rubric lies that a course file names.

    Raises
    ------
    TeachingError
        The course file cannot be read, or names none.
    """
    root = _document(read_text(path, MAX_TOML_BYTES, TeachingError), path.name)
    return path.parent / root.text("rubric")


def parse_course(text: str, name: str, rubric: Rubric) -> Course:
    """Read a course from its text; the rubric is given, whatever file the text names.

    Raises
    ------
    TeachingError
        Anything is wrong; the message names the line.
    """
    return _course(_document(text, name), rubric)


def sample_course_text() -> str:
    """The course of the sample teaching clinic, as it stands in its file."""
    file = resources.files("rxmeasure.teaching") / "samples" / "filling.course.toml"
    return file.read_text(encoding="utf-8")


def _document(text: str, name: str) -> TomlTable:
    return TomlDocument(text, name, what="a course", error=TeachingError).root


def _course(root: TomlTable, rubric: Rubric) -> Course:
    root.only(_KEYS, what="the course")
    work, reading = (root.between(key, 0.0, 100.0) for key in ("work_weight", "reading_weight"))
    if abs(work + reading - 100.0) > 1e-9:
        root.refuse(
            "reading_weight",
            found=f"work_weight = {work:g} and reading_weight = {reading:g}.",
            needed="two weights that sum to 100.",
            next_step="Change one of them.",
        )
    calibration = root.tables("calibration", header="calibration")[0]
    calibration.only(("agreement_at_least", "cases"), what="the calibration")
    return Course(
        id=root.identifier("id"),
        title=root.text("title"),
        clinic=root.text("clinic"),
        rubric=rubric,
        secret=root.text("secret"),
        repeats=root.whole("repeats"),
        work_weight=work,
        reading_weight=reading,
        agreement_at_least=calibration.number("agreement_at_least"),
        calibration_cases=calibration.whole("cases"),
        tolerances=tuple(_tolerance(row) for row in root.tables("tolerance", header="tolerance")),
    )


def _tolerance(row: TomlTable) -> tuple[str, float]:
    row.only(("measure", "off"), what="a tolerance")
    name = row.text("measure")
    if name not in MEASURES or MEASURES[name].unit in NOT_NUMBERS:
        row.refuse_word(
            "measure", name, (m.name for m in MEASURES.values() if m.unit not in NOT_NUMBERS)
        )
    return name, row.above_zero("off")
