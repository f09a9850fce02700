from __future__ import annotations

import pytest

from rxmeasure.csv_text import csv_text, safe_cell


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@sum", " =1", "\t=1", "\r=1", "\uff1d1"])
def test_text_that_a_spreadsheet_would_run(text):
    assert str(safe_cell(text)).startswith("'")


@pytest.mark.parametrize("value", [-1.5, 0, 3, "a-b", "reader 1", "", None])
def test_the_rest_stays(value):
    assert safe_cell(value) == value


def test_open_ends_are_empty():
    assert csv_text(("a", "b"), [(float("-inf"), float("nan"))]) == "a,b\r\n,\r\n"
