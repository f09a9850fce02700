"""How long an audit of many canals takes, from its tables to its page.

python tests/benchmarks/audit.py [--rows 100000] [--seed 10062]
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from pathlib import Path

from rxmeasure.audit.audit import AuditRequest, run_audit
from rxmeasure.audit.clinic_log import read_films, read_recalls
from rxmeasure.audit.numbers_table import write_numbers
from rxmeasure.audit.rows_file import RowsFile
from rxmeasure.criteria.criterion import published_rule_sets
from rxmeasure.phantom.clinic import RULE_SET, make_clinic, write_clinic
from rxmeasure.report.audit_page import write_audit_pages

#: Most seconds that are wanted for 100,000 rows on two cores.
WANTED_S = 10.0
#: Canals of one invented patient, on average.
_CANALS_A_PATIENT = 2.3


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rows", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=10062)
    options = parser.parse_args()
    clinic = make_clinic(seed=options.seed, patients=int(options.rows / _CANALS_A_PATIENT))
    known = published_rule_sets()
    request = AuditRequest(rule_set=known[RULE_SET], other_rule_sets=(known["zero_three"],))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_clinic(clinic, folder)
        steps = [_now()]
        source = RowsFile(folder / "canals.csv")
        films, recalls = read_films(folder / "films.csv"), read_recalls(folder / "recalls.csv")
        steps.append(_now())
        audit = run_audit(source, request, films=films, recalls=recalls)
        steps.append(_now())
        write_audit_pages(audit, folder / "audit.html", folder / "audit.pdf")
        write_numbers(folder / "audit.csv", audit)
        steps.append(_now())
    print(
        f"{len(clinic.rows)} rows, {audit.n_patients} patients, {len(films)} films and "
        f"{len(recalls)} recalls in the log, {os.cpu_count()} cores"
    )
    for what, start, end in (
        ("read the logs", steps[0], steps[1]),
        ("read and count the rows", steps[1], steps[2]),
        ("pages and table", steps[2], steps[3]),
        ("whole", steps[0], steps[3]),
    ):
        seconds, working = end[0] - start[0], end[1] - start[1]
        print(f"  {what:<24}{seconds:6.2f} s, of which this process worked {working:.2f} s")
    print(f"  wanted: at most {WANTED_S:g} s for 100,000 rows")


def _now() -> tuple[float, float]:
    """Time on the clock, and time that this process had a core."""
    return time.perf_counter(), time.process_time()


if __name__ == "__main__":
    main()
