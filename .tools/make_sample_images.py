"""Write ``sample_images/``: films of the sample teaching clinic, their marks and their truth.

python .tools/make_sample_images.py [FOLDER]
"""

from __future__ import annotations

import sys
from pathlib import Path

from rxmeasure.phantom.samples import CASES, make_case

FOLDER = Path(__file__).resolve().parents[1] / "sample_images"


def main() -> None:
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER
    for case in CASES.values():
        make_case(case, folder)


if __name__ == "__main__":
    main()
