from __future__ import annotations

import pytest

from rxmeasure.csv_text import csv_text, safe_cell


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@sum", " =1", "\t=1", "\r=1", "\uff1d1"])
def test_text_that_a_spreadsheet_would_run(text):
    assert str(safe_cell(text)).startswith("'")


@pytest.mark.parametrize("text", ["a;=1+1;b", 'a; "=1', "a;\t+1", "a;@sum", ";-1"])
def test_text_that_becomes_a_cell_where_the_semicolon_parts_them(text):
    cells = str(safe_cell(text)).split(";")
    assert all(cell.strip(' "').startswith(("a", "b", "'")) or not cell for cell in cells)


@pytest.mark.parametrize("value", [-1.5, 0, 3, "a-b", "reader 1", "", None])
def test_the_rest_stays(value):
    assert safe_cell(value) == value


def test_open_ends_are_empty():
    assert csv_text(("a", "b"), [(float("-inf"), float("nan"))]) == "a,b\r\n,\r\n"
