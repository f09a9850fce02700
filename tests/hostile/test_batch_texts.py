"""Any names, reasons and tables of films: rows in order, each once, or a refusal."""

from __future__ import annotations

import csv
import tempfile
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rxmeasure.batch import films_of_table
from rxmeasure.batch.ledger import Ledger
from rxmeasure.batch.measuring import Task, quarantined
from rxmeasure.batch.page import write_page
from rxmeasure.batch.tables import write_csv, write_parquet
from rxmeasure.errors import MarksError

TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=40)


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(TEXT, TEXT, st.booleans()), max_size=6, unique_by=lambda row: row[0]))
def test_names_and_reasons(rows: list[tuple[str, str, bool]]) -> None:
    parquet = pytest.importorskip("pyarrow.parquet")
    with tempfile.TemporaryDirectory() as folder:
        top = Path(folder)
        with closing(Ledger(top / "batch.sqlite")) as ledger:
            for k, (name, reason, unread) in enumerate(rows):
                if unread:
                    ledger.note_unread(name, reason)
                    continue
                task = Task(
                    path="x", name=name, marks=None, image_sha256=str(k), settings_sha256="s"
                )
                assert ledger.ask(task)
                ledger.add([quarantined(task, reason)])
            found = [(row.name, row.reason) for row in ledger.rows()]
            assert found == sorted((name, reason) for name, reason, _ in rows)
            write_csv(ledger.rows(), top / "batch.csv")
            write_parquet(ledger.rows(), top / "batch.parquet")
            write_page(ledger.rows(), top / "batch.html")
        with (top / "batch.csv").open(newline="", encoding="utf-8") as file:
            assert len(list(csv.reader(file))) == len(rows) + 1
        kept = parquet.read_table(top / "batch.parquet").to_pylist()
        assert [line["film"] for line in kept] == [name for name, _ in found]


@settings(max_examples=200, deadline=None)
@given(st.text('film,;\t"\n\r\0marks=+é\ufeff', max_size=80), st.binary(max_size=20))
def test_tables_of_films(text: str, more: bytes) -> None:
    with tempfile.TemporaryDirectory() as folder:
        table = Path(folder) / "films.csv"
        table.write_bytes(b"film,marks\n" + text.encode() + more)
        try:
            films = list(films_of_table(table))
        except MarksError:
            return
        assert films
