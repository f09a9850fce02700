"""Write the tables of an invented clinic to try an audit on: canals, films and recalls.

python .tools/make_sample_audit.py FOLDER [PATIENTS]
"""

from __future__ import annotations

import sys
from pathlib import Path

from rxmeasure.phantom.clinic import make_clinic, write_clinic

SEED = 10061


def main() -> None:
    folder = Path(sys.argv[1])
    folder.mkdir(parents=True, exist_ok=True)
    patients = int(sys.argv[2]) if len(sys.argv) > 2 else 240
    write_clinic(make_clinic(seed=SEED, patients=patients), folder)


if __name__ == "__main__":
    main()
