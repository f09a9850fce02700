"""Whatever identity is planted, and wherever: none is left."""

from __future__ import annotations

from pathlib import Path

import pytest
from dicom_films import DICOM
from planted_identity import (
    Words,
    left_in,
    packed,
    planted_dicom,
    planted_pictures,
    planted_review,
)

from rxmeasure.deidentify.copies import copy_of
from rxmeasure.deidentify.gate import Decision
from rxmeasure.deidentify.key import Key
from rxmeasure.deidentify.run import deidentify
from rxmeasure.reading.radiograph_file import radiograph_of
from rxmeasure.record.review_file import load_review, review_path, save_review

KEY = Key(secret=b"a secret of the test")


def test_the_search_finds_what_it_looks_for():
    words = ["Pqxaak", "Pqxabk", "Pqxack", "Pqxadk", "Pqxaek", "Pqxafk"]
    data = b"PQXAAK" + "Pqxabk".encode("utf-16-be") + b"kcaxqP" + packed("--Pqxadk--") + b"Pqxae"
    assert left_in(data, words) == words[:4]


def test_dicom():
    word = Words("Pqx")
    film = planted_dicom(word)
    assert len(word.all) >= 31
    # All but the words in UTF-16 or of the meta header are found, or the test would be empty.
    assert set(left_in(film, word.all)) == set(word.all)
    copy = copy_of(film, KEY)
    assert left_in(copy.data + copy.name.encode(), word.all) == []
    assert copy.data[:128] == bytes(128)
    assert "ModalityLUTSequence" in copy.kept
    assert radiograph_of(copy.data, file_name="").value_max == 2 * 4095


@pytest.mark.parametrize("kind", ["png", "jpg", "tif"])
def test_pictures(kind):
    word = Words("Rqx")
    picture = planted_pictures(word)[kind]
    inside = left_in(picture, word.all)
    assert len(inside) >= 9
    copy = copy_of(picture, KEY)
    assert left_in(copy.data + copy.name.encode(), word.all) == []
    assert copy.gate.decision is Decision.LOOK
    if kind != "tif":
        assert copy.kept == ("pixels", "orientation")


def test_jpeg_is_not_compressed_anew():
    picture = planted_pictures(Words("Rqx"))["jpg"]
    scan = picture[picture.index(b"\xff\xda") : picture.rindex(b"\xff\xd9")]
    assert scan in copy_of(picture, KEY).data


def test_films_reviews_and_reports_of_a_folder(tmp_path: Path):
    pytest.importorskip("highdicom")
    from rxmeasure.dicom_objects.writing import DicomObject, write_objects

    word = Words("Sqx")
    originals = tmp_path / "originals"
    originals.mkdir()
    film = originals / f"{word()}.dcm"
    film.write_bytes(planted_dicom(word))
    review = planted_review(film, DICOM, word)
    save_review(review, review_path(film))
    for kind, path in write_objects(film, review, originals).items():
        if kind is not DicomObject.REPORT:
            path.unlink()
    out = tmp_path / "out"
    out.mkdir()
    items, _ = deidentify([originals], out, tmp_path / "private")
    assert [item.refusal for item in items] == [None] * 3
    names = sorted(path.name for path in out.iterdir())
    assert any(name.endswith(".sr.dcm") for name in names)
    left = {
        path.name: left_in(path.read_bytes() + path.name.encode(), word.all)
        for path in out.iterdir()
    }
    assert {name: words for name, words in left.items() if words} == {}
    cleaned = load_review(next(out.glob("*.rxreview.json")))
    was = {m.name: (m.value, m.u) for c in review.canals for m in c.measures}
    assert {m.name: (m.value, m.u) for c in cleaned.canals for m in c.measures} == was
    assert [o.rule_id for o in cleaned.marks.overrides] == ["zero_two"]
