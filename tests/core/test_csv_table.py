"""The limit on the width of a table; what is read from tables is tested where it is used."""

from __future__ import annotations

from pathlib import Path

import pytest

from rxmeasure.csv_table import MAX_COLUMNS, Columns, read_table
from rxmeasure.errors import AuditError

COLUMNS = Columns(needed=("tooth",), optional=(), what="tooth", others=True)


def table(folder: Path, header: str) -> Path:
    path = folder / "teeth.csv"
    path.write_text(header)
    return path


@pytest.mark.parametrize("mark", [",", ";", "\t"])
def test_a_table_of_as_many_columns_as_are_taken_is_read(tmp_path: Path, mark: str) -> None:
    header = "tooth" + mark * (MAX_COLUMNS - 1)
    found = read_table(table(tmp_path, header), COLUMNS, AuditError)
    assert found.names == {"tooth"}


@pytest.mark.parametrize("end", ["", "\n"])
def test_a_line_of_one_cell_more_is_refused_though_it_holds_marks_alone(
    tmp_path: Path, end: str
) -> None:
    path = table(tmp_path, "tooth\n" + "," * MAX_COLUMNS + end)
    with pytest.raises(AuditError, match=f"more than {MAX_COLUMNS} cells"):
        read_table(path, COLUMNS, AuditError)
