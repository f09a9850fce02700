"""Words of the report's content."""

from __future__ import annotations

import pytest

from rxmeasure.report.content import canal_heading


@pytest.mark.parametrize(
    ("name", "heading"),
    [
        ("MB", "Canal MB (mesiobuccal)"),
        ("single", "Single canal"),
        ("canal 2", "Canal 2"),
        ("Kq", "Canal Kq"),
    ],
)
def test_a_canal_is_headed_by_its_name_once(name: str, heading: str) -> None:
    assert canal_heading(name) == heading
