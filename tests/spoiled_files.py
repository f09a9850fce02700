"""Spoiled pictures and kept files, and what must hold for each: a result or a refusal, soon.

``python tests/spoiled_files.py COUNT FIRST`` tries many more than the tests do.
"""

from __future__ import annotations

import json
import random
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from importlib import resources
from pathlib import Path
from typing import Any

import bombs

from rxmeasure.agreement.ratings_file import read_rating_rows
from rxmeasure.criteria.criterion import load_rule_set
from rxmeasure.errors import RxMeasureError
from rxmeasure.marks import CanalMarks, FilmKind, ReviewMarks
from rxmeasure.radiograph import ImageSource
from rxmeasure.reading import read_radiograph
from rxmeasure.record.draft import FILM_DRAFTS, Draft, load_draft
from rxmeasure.record.review_file import load_review, read_marks
from rxmeasure.record.series_file import read_series_marks
from rxmeasure.teaching.rubric_file import load_rubric, sample_rubric_text

SECONDS_PER_FILE = 10
_SAMPLES = Path(__file__).parents[1] / "sample_images"
_SERIES = """treated = "2023-01-10"
[[visits]]
image = "a.png"
date = "2023-01-10"
lesions = [{ root = "MB", seed_px = [612.0, 303.0] }]
scores = [{ scale_id = "periapical_index", root = "MB", value = "2" }]
"""
_RATINGS = "unit,rater,rating,session\nfilm 1,A,2,2025-03-14\nfilm 1,B,3,2025-03-14\n"

#: What is put into a text: numbers, nesting, text and marks of its grammar.
_PIECES = (
    "1e999", "-0", "NaN", "Infinity", "9" * 400, "9" * 5000, "1e-400", "0x7f", "2024-99-99", "true",
    "null", "[" * 40, "{" * 40, "[" * 3000, "[[[]]]", '{"a":1,"a":2}', '"\\ud800"', "\\u0000",
    "\x00", "\x1b[31m", "\u202e", "\ufeff", "\ufffe", '"""', "'", '"', "\\", "=", ",", ";", "\t",
    "\r", "\n", "a.b" * 20, "." * 50, "<script>", "x" * 100_000, "../" * 9, "\U0010ffff",
)  # fmt: skip
_BYTES = (b"\xff", b"\xfe\xff", b"\xc0\x80", b"\xed\xa0\x80", b"\xf5", b"\x00")
_VALUES: tuple[Any, ...] = (
    None, True, -1, 0, 2**53, 10**400, 1e308, -1e308, 5e-324, "", "\x00", "x" * 10_000, [], {},
    [[]], [1.0, 2.0], "\u202e", {"a": 1},
)  # fmt: skip

Open = Callable[[Path], object]


def seeds() -> list[tuple[str, bytes, Open]]:
    """Ending, content and opener of each kind of file."""
    rules = resources.files("rxmeasure.criteria") / "published" / "zero_two.toml"
    marks = (_SAMPLES / "two_canals_premolar.marks.toml").read_bytes()
    pictures = [
        bombs.picture("PNG"), bombs.png(40, 30, bits=16, colour=6), bombs.png(40, 30, colour=3),
        bombs.picture("JPEG"), bombs.picture("JPEG", progressive=True), bombs.picture("TIFF"),
        bombs.picture("TIFF", compression="tiff_lzw"),
        bombs.picture("TIFF", compression="tiff_adobe_deflate"),
    ]  # fmt: skip
    return [
        *((".film", picture, read_radiograph) for picture in pictures),
        (".toml", marks, read_marks),
        (".toml", _SERIES.encode(), read_series_marks),
        (".toml", rules.read_bytes(), load_rule_set),
        (".toml", sample_rubric_text().encode(), load_rubric),
        (".csv", _RATINGS.encode(), read_rating_rows),
        (".json", FILM_DRAFTS.as_bytes(_draft()), load_draft),
        (".json", FILM_DRAFTS.as_bytes(_draft()), load_review),
        (".json", FILM_DRAFTS.as_bytes(_draft()), read_marks),
    ]


def _draft() -> Draft:
    source = ImageSource(
        file_name="a.png", format="PNG", sha256="0" * 64, rows=40, columns=40, bits=8, lossy=False
    )
    canal = CanalMarks(name="M", clicks_px=((1.0, 2.0), (3.5, 4.0)))
    marks = ReviewMarks(film_kind=FilmKind.POSTOPERATIVE, tooth="46", canals=(canal,))
    return Draft(
        image=source, inverted=False, marks=marks, canal="M", step="", saved_utc="",
        software_version="1",
    )  # fmt: skip


def spoiled(content: bytes, ending: str, choose: random.Random) -> bytes:
    """One to three changes: of bytes, of pieces of text, of values of a JSON tree."""
    for _ in range(choose.choice([1, 1, 2, 3])):
        at = choose.randrange(len(content) + 1)
        end = at + choose.randrange(30)
        kind = choose.randrange(6 if ending == ".json" else 5)
        if kind == 0:
            content = content[:at] + bytes([choose.randrange(256)]) + content[at + 1 :]
        elif kind == 1:
            content = content[:at] + content[end:]
        elif kind == 2:
            content = content[:at] + content[at:end] * choose.randrange(1, 200) + content[end:]
        elif kind == 3:
            content = content[:at] + choose.choice(_BYTES) * choose.randrange(1, 9) + content[at:]
        elif kind == 4:
            content = content[:at] + choose.choice(_PIECES).encode() + content[end:]
        else:
            content = _another_value(content, choose)
    return content


def _another_value(content: bytes, choose: random.Random) -> bytes:
    try:
        tree = json.loads(content)
    except (ValueError, RecursionError):
        return content
    places: list[tuple[Any, Any]] = []
    waiting = [tree]
    while waiting:
        node = waiting.pop()
        keys = node if isinstance(node, dict) else range(len(node)) if type(node) is list else ()
        places += [(node, key) for key in keys]
        waiting += [node[key] for key in keys]
    if places:
        node, key = choose.choice(places)
        node[key] = choose.choice(_VALUES)
    return json.dumps(tree).encode()


def outcome(number: int, files: list[tuple[str, bytes, Open]], folder: Path) -> tuple[str, float]:
    """``opened`` or ``refused``, and the seconds that took; another error passes."""
    choose = random.Random(f"file {number}")
    ending, content, opened = choose.choice(files)
    path = folder / f"spoiled{ending}"
    path.write_bytes(spoiled(content, ending, choose))
    begun = time.process_time()
    try:
        opened(path)
        word = "opened"
    except RxMeasureError:
        word = "refused"
    return f"{word} {getattr(opened, '__name__', '')}", time.process_time() - begun


def main(count: int, first: int) -> None:
    """Try so many and tell what became of them."""
    files, found, slowest = seeds(), Counter[str](), 0.0
    with tempfile.TemporaryDirectory() as folder:
        for number in range(first, first + count):
            try:
                word, seconds = outcome(number, files, Path(folder))
                found[word] += 1
                slowest = max(slowest, seconds)
            except Exception as fault:  # noqa: BLE001
                print(f"file {number}: {type(fault).__name__}: {fault}"[:300], flush=True)
                found[f"FAULT {type(fault).__name__}"] += 1
            if sum(found.values()) % 5000 == 0:
                print(sum(found.values()), f"slowest {slowest:.2f} s", dict(found), flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]))
