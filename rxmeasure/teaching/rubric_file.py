"""Reading a rubric from TOML; a wrong file is refused with its line and the reason.

Top level: ``id``, ``version``, ``title``, ``full_marks``, ``pass_mark``, ``borderline``, ``note``
(optional) and one ``[[criterion]]`` for each thing marked, with ``id``, ``title``, ``weight``,
``must_reach`` (optional) and its ``[[criterion.level]]`` from best to worst, each with ``name``,
``share`` of the weight (1 for the best) and ``descriptor``. The weights must sum to
``full_marks``.
"""

from __future__ import annotations

import math
from importlib import resources
from pathlib import Path

from rxmeasure.criteria.toml_document import TomlDocument, TomlTable
from rxmeasure.errors import TeachingError
from rxmeasure.record.parsing import MAX_TOML_BYTES, read_text
from rxmeasure.teaching.rubric import Level, Rubric, RubricCriterion

_KEYS = (
    "id", "version", "title", "full_marks", "pass_mark", "borderline", "note", "criterion",
)  # fmt: skip
_CRITERION_KEYS = ("id", "title", "weight", "must_reach", "level")
_LEVEL_KEYS = ("name", "share", "descriptor")


def load_rubric(path: str | Path) -> Rubric:
    """Read a rubric file.

    Raises
    ------
    TeachingError
        It cannot be read, or anything in it is wrong; the message names the line.
    """
    path = Path(path)
    return parse_rubric(read_text(path, MAX_TOML_BYTES, TeachingError), path.name)


def sample_rubric_text() -> str:
    """The rubric of the sample teaching clinic, as it stands in its file."""
    file = resources.files("rxmeasure.teaching") / "samples" / "filling.rubric.toml"
    return file.read_text(encoding="utf-8")


def parse_rubric(text: str, name: str) -> Rubric:
    """Read a rubric from its text.

    Parameters
    ----------
    text : str
        TOML.
    name : str
        Name of the file, for messages.

    Raises
    ------
    TeachingError
        Anything is wrong; the message names the line.
    """
    root = TomlDocument(text, name, what="a rubric", error=TeachingError).root
    root.only(_KEYS, what="the rubric")
    criteria: list[RubricCriterion] = []
    for table in root.tables("criterion", header="criterion"):
        criteria.append(_criterion(table, criteria))
    full_marks = root.above_zero("full_marks")
    _check_sum(root, criteria, full_marks)
    return Rubric(
        id=root.identifier("id"),
        version=root.text("version"),
        title=root.text("title"),
        full_marks=full_marks,
        pass_mark=root.between("pass_mark", 0.0, full_marks),
        borderline=root.between("borderline", 0.0, full_marks),
        criteria=tuple(criteria),
        note=root.text("note", default=""),
    )


def _check_sum(root: TomlTable, criteria: list[RubricCriterion], full_marks: float) -> None:
    total = math.fsum(c.weight for c in criteria)
    if not math.isclose(total, full_marks, rel_tol=1e-9):
        root.refuse(
            "full_marks",
            found=f"weights that sum to {total:g}: "
            + ", ".join(f"{c.id} {c.weight:g}" for c in criteria)
            + ".",
            needed=f"weights that sum to full_marks = {full_marks:g}.",
            next_step="Change a weight, or full_marks.",
        )


def _criterion(table: TomlTable, earlier: list[RubricCriterion]) -> RubricCriterion:
    table.only(_CRITERION_KEYS, what="a criterion")
    name = table.identifier("id")
    if any(other.id == name for other in earlier):
        table.refuse(
            "id",
            found=f"a second criterion '{name}'.",
            needed="each criterion once.",
            next_step="Rename one of the two.",
        )
    levels = _levels(table)
    must_reach = table.text("must_reach", default="")
    names = [level.name for level in levels]
    if must_reach and must_reach not in names[:-1]:
        table.refuse(
            "must_reach",
            found=f"must_reach = '{must_reach}'.",
            needed=f"a level above the worst: {', '.join(names[:-1])}.",
            next_step="Name one of these levels, or take must_reach out.",
        )
    return RubricCriterion(
        id=name,
        title=table.text("title"),
        weight=table.above_zero("weight"),
        levels=levels,
        must_reach=must_reach,
    )


def _levels(table: TomlTable) -> tuple[Level, ...]:
    levels: list[Level] = []
    for row in table.tables("level", header="criterion.level"):
        row.only(_LEVEL_KEYS, what="a level")
        level = Level(
            name=row.text("name"), share=row.number("share"), descriptor=row.text("descriptor")
        )
        _check_place(row, level, levels)
        levels.append(level)
    if len(levels) < 2:
        table.refuse(
            "level",
            found="one level.",
            needed="two levels or more.",
            next_step="Add [[criterion.level]] for what is worse.",
        )
    return tuple(levels)


def _check_place(row: TomlTable, level: Level, above: list[Level]) -> None:
    if any(other.name == level.name for other in above):
        row.refuse(
            "name",
            found=f"a second level '{level.name}'.",
            needed="each level once.",
            next_step="Rename one of the two.",
        )
    if not above and level.share != 1.0:
        row.refuse(
            "share",
            found=f"share = {level.share:g} for the best level.",
            needed="share = 1 for the first level: it earns the whole weight.",
            next_step="Put the best level first, with share = 1.",
        )
    if above and not 0.0 <= level.share < above[-1].share:
        row.refuse(
            "share",
            found=f"share = {level.share:g} below a level with share = {above[-1].share:g}.",
            needed="shares that fall from level to level, none below 0.",
            next_step="Put the levels in order from best to worst.",
        )
