"""How fast the record store answers with many records, on a file and on a server.

    python tests/benchmarks/store.py [--records 100000] [--place FOLDER] [--lists-only]

Real reviews of sample films, with random teeth, days, readers, patients, tags and outcomes.
The server is one of its own, started for this; without PostgreSQL only the file is measured.
On the server a teacher and a student ask through row-level security. "Own work" is the time of
this process on the processor: on a machine that does other work it says more than the clock.
"""

from __future__ import annotations

import argparse
import random
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, insert

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from store_servers import PostgresServer, programs, server_of

from rxmeasure import __version__
from rxmeasure.criteria.results import Outcome
from rxmeasure.reading import read_radiograph
from rxmeasure.record.review_file import read_marks, review_tree
from rxmeasure.review import review_film
from rxmeasure.store import REVIEW, Person, Role, Search, Store, make_store, open_store, tables
from rxmeasure.store.chain import ORIGIN, Link, packed, sealed
from rxmeasure.store.engine import connect_to
from rxmeasure.store.header import Header, search_entries

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
FILMS = ("adequate_premolar.png", "two_canals_premolar.jpg")
LEAD = Person(name="lead-1", role=Role.LEAD)
TEACHER = Person(name="teacher-1", role=Role.TEACHER)
STUDENT = Person(name="student-07", role=Role.STUDENT)
SEED = 10_010
TEETH = [f"{quadrant}{number}" for quadrant in range(1, 5) for number in range(1, 9)]
WANTED_READ_MS, WANTED_LIST_MS = 5.0, 200.0
AT_ONCE = 500

SEARCHES = {
    "newest of all": Search(),
    "tooth": Search(tooth="16"),
    "one month": Search(since="2024-03-01", until="2024-03-31"),
    "rule and outcome": Search(rule="zero_two", outcome="not met"),
    "outcome seldom met": Search(outcome="cannot be judged"),
    "tag": Search(tag="audit-3"),
    "seldom tag": Search(tag="seldom"),
    "tooth, month, outcome": Search(
        tooth="36", since="2024-05-01", until="2024-05-31", outcome="met"
    ),
    "reader and tooth": Search(owner="student-07", tooth="16"),
    "patient": Search(patient=f"px-{17:026d}"),
    "nothing fits": Search(tooth="16", rule="zero_two", outcome="met", tag="none"),
}


@dataclass(frozen=True)
class Sample:
    """A review as it is kept: the entries of its header, and its body."""

    entries: dict[str, Any]
    body: bytes


def measured(name: str) -> Sample:
    marks = read_marks((SAMPLES / name).with_suffix(".marks.toml"))
    film = review_film(read_radiograph(SAMPLES / name), replace(marks, patient_pseudonym=""))
    return Sample(entries=search_entries(film), body=packed(review_tree(film)))


def random_header(rng: random.Random, number: int, sample: Sample) -> Header:
    day = f"202{rng.randint(1, 5)}-{rng.randint(1, 12):02d}-{rng.randint(1, 28):02d}"
    tags = {f"audit-{rng.randint(1, 20)}"} | ({"seldom"} if rng.random() < 0.0005 else set())
    canals = tuple(
        {**canal, "verdicts": [[*v[:3], _outcome(rng), v[4]] for v in canal["verdicts"]]}
        for canal in sample.entries["canals"]
    )
    changed = {"date": day, "visit": day, "tooth": rng.choice(TEETH), "canals": canals}
    return Header(
        kind=REVIEW,
        subject=f"{number:064x}",
        owner=f"student-{rng.randint(1, 40):02d}",
        patient=f"px-{rng.randint(1, 20_000):026d}",
        tags=tuple(sorted(tags)),
        reason="",
        **{**sample.entries, **changed},
    )


def _outcome(rng: random.Random) -> str:
    weights = {
        Outcome.MET: 0.6,
        Outcome.NOT_MET: 0.25,
        Outcome.BORDERLINE: 0.149,
        Outcome.CANNOT_BE_JUDGED: 0.001,
    }
    return str(rng.choices(list(weights), list(weights.values()))[0])


def fill(engine: Engine, samples: list[Sample], records: int) -> None:
    """The rows that saving each review would leave, many in one transaction."""
    rng = random.Random(SEED)
    previous = ORIGIN
    for first in range(1, records + 1, AT_ONCE):
        rows: dict[type[tables.Table], list[dict[str, Any]]] = {}
        for number in range(first, min(first + AT_ONCE, records + 1)):
            sample = samples[number % len(samples)]
            header = random_header(rng, number, sample)
            previous = _add_rows(rows, number, header, sample.body, previous)
        with engine.connect().execution_options(writes=True) as connection, connection.begin():
            _insert(connection, rows)


def _add_rows(
    rows: dict[type[tables.Table], list[dict[str, Any]]],
    number: int,
    header: Header,
    body: bytes,
    previous: str,
) -> str:
    content = sealed(header.as_tree(), body)
    link = Link(
        seq=number,
        record_id=number,
        number=1,
        action="save",
        author=header.owner,
        role="student",
        time_utc=f"{header.date}T12:00:00.000000+00:00",
        software_version=__version__,
        commitment=content.commitment,
        previous_hash=previous,
    )

    def row(table: type[tables.Table], **fields: Any) -> None:
        rows.setdefault(table, []).append(fields)

    names = ("kind", "subject", "owner")
    known = {name: getattr(header, name) for name in names}
    row(tables.Record, id=number, **known, opened_by=header.owner, shared=False)
    row(tables.RecordPatient, record_id=number, patient=header.patient)
    fields = {name: getattr(link, name) for name in Link.__dataclass_fields__}
    row(tables.RevisionRow, **fields, hash=link.hash)
    row(tables.Content, seq=number, salt=content.salt, header=content.header, body=body)
    names = ("patient", "date", "tooth", "film_kind", "visit")
    searched = {name: getattr(header, name) for name in names}
    row(tables.Head, record_id=number, seq=number, number=1, **searched)
    for rule, outcome in header.verdicts:
        row(tables.HeadVerdict, record_id=number, rule_id=rule, outcome=outcome)
    for tag in header.tags:
        row(tables.HeadTag, record_id=number, tag=tag)
    return link.hash


def _insert(connection: Connection, rows: dict[type[tables.Table], list[dict[str, Any]]]) -> None:
    for table, values in rows.items():
        connection.execute(insert(table), values)


@dataclass(frozen=True)
class Took:
    """Milliseconds by the clock, and of this process's own work."""

    clock: float
    work: float


def timed(work: Callable[[], object]) -> Took:
    clock, own = time.perf_counter(), time.process_time()
    work()
    return Took((time.perf_counter() - clock) * 1000, (time.process_time() - own) * 1000)


def told(times: list[Took], wanted: float | None = None) -> str:
    clock = sorted(t.clock for t in times)
    median, late = statistics.median(clock), clock[int(0.95 * (len(clock) - 1))]
    own = statistics.median(t.work for t in times)
    goal = "" if wanted is None else f"   wanted {wanted:g}: {'yes' if median <= wanted else 'NO'}"
    return f"median {median:7.2f} ms (own work {own:6.2f}), 95 % {late:7.2f} ms{goal}"


def measure(store: Store, records: int, *, mine: list[int] | None = None) -> None:
    rng = random.Random(SEED + 1)
    ids = rng.choices(mine or range(1, records + 1), k=200)
    print(f"  as {store.person.role}, {store.count(Search())} records to see; load {load()}")
    documents = [timed(lambda i=i: store.read(i)) for i in ids]
    print(f"    one record, its document {told(documents, WANTED_READ_MS)}")
    reviews = [timed(lambda i=i: store.read(i).review()) for i in ids]
    print(f"    one record, as a review  {told(reviews)}")
    for name, search in SEARCHES.items():
        times = [timed(lambda s=search: store.find(s)) for _ in range(15)]
        counting = [timed(lambda s=search: store.count(s)) for _ in range(5)]
        print(f"    list: {name:<22} {told(times, WANTED_LIST_MS)}")
        print(f"      count, {store.count(search):>6} records  {told(counting)}")


def load() -> str:
    return Path("/proc/loadavg").read_text().split()[0]


def measure_bulk(store: Store) -> None:
    took = timed(lambda: sum(1 for _ in store.review_rows()))
    print(f"    every measure of every canal as rows: {_in_seconds(took)}")
    took = timed(store.verify)
    print(f"    verify: {_in_seconds(took)}")


def _in_seconds(took: Took) -> str:
    return f"{took.clock / 1000:.1f} s (own work {took.work / 1000:.1f} s); load {load()}"


def on_file(folder: Path, samples: list[Sample], records: int, *, bulk: bool) -> None:
    path = folder / "bench.rxstore"
    with make_store(path, LEAD) as store:
        engine = connect_to(path)
        seconds = timed(lambda: fill(engine, samples, records)).clock / 1000
        engine.dispose()
        size = path.stat().st_size / 2**20
        print(f"SQLite file: {records} records, {size:.0f} MB, filled in {seconds:.0f} s")
        measure(store, records)
        if bulk:
            measure_bulk(store)


def on_server(server: PostgresServer, samples: list[Sample], records: int, *, bulk: bool) -> None:
    name = server.new_database()
    with make_store(server.url(name), LEAD) as store:
        engine = connect_to(server.url(name))
        seconds = timed(lambda: fill(engine, samples, records)).clock / 1000
        with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
            connection.exec_driver_sql("ANALYZE")
        engine.dispose()
        print(f"PostgreSQL: {records} records, filled in {seconds:.0f} s")
        measure(store, records)
        if bulk:
            measure_bulk(store)
        for person in (TEACHER, STUDENT):
            store.admit(person.name, person.role)
    for person in (TEACHER, STUDENT):
        with open_store(server.url(name, person.name), person) as own:
            found = own.find(Search(owner=STUDENT.name), limit=500)
            measure(own, records, mine=[f.record_id for f in found])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--records", type=int, default=100_000)
    parser.add_argument("--place", type=Path, help="a folder on the disk to be measured")
    parser.add_argument(
        "--lists-only",
        action="store_true",
        help="leave out what reads the whole store: all rows, and verify",
    )
    options = parser.parse_args()
    samples = [measured(name) for name in FILMS]
    sizes = ", ".join(f"{len(sample.body) / 1024:.0f} kB" for sample in samples)
    print(f"Bodies of {sizes}; load {load()}")
    with tempfile.TemporaryDirectory(prefix="rx-bench-", dir=options.place) as place:
        folder = Path(place)
        folder.chmod(0o755)
        bulk = not options.lists_only
        on_file(folder, samples, options.records, bulk=bulk)
        if (programs_folder := programs()) is None:
            print("PostgreSQL is not installed (Debian package postgresql): not measured.")
            return
        with server_of(programs_folder, place=folder) as server:
            on_server(server, samples, options.records, bulk=bulk)


if __name__ == "__main__":
    main()
