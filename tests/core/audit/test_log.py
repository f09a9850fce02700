"""The clinic's log: what it may hold, and what is counted from it."""

from __future__ import annotations

from pathlib import Path

import pytest
from core.audit.conftest import audit_of, row

from rxmeasure.audit.clinic_log import read_films, read_recalls
from rxmeasure.audit.dates import Period
from rxmeasure.errors import AuditError

FILMS = """film,date,patient,operator,kind,receptor,quality,retake_of,reason
a.png,2025-03-01,p1,op-1,post-operative,digital,A,,
b0.png,2025-03-02,p2,op-1,post-operative,digital,N,,
b.png,2025-03-02,p2,op-1,post-operative,digital,A,b0.png,apex missed
c.png,2025-03-03,p3,op-2,post-operative,film,,,
d.png,2025-08-03,p3,op-2,post-operative,film,A,,
"""
RECALLS = """patient,tooth,treated,due,seen,lost
p1,11,2024-01-01,2025-01-01,2025-01-20,
p2,11,2024-01-01,2025-02-01,,moved away
p3,46,2024-01-01,2025-03-01,,
p4,46,,2025-12-01,,
"""


def written(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "log.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_counts_by_hand(tmp_path: Path) -> None:
    films = read_films(written(tmp_path, FILMS))
    recalls = read_recalls(written(tmp_path, RECALLS))
    audit = audit_of(
        [row("p1 11 single"), row("p2 11 single")],
        films=films,
        recalls=recalls,
        period=Period(since="2025-01-01", until="2025-06-30"),
    )
    (digital,) = audit.quality
    assert (digital.share.met, digital.share.total, digital.target) == (2, 3, 0.95)
    assert (audit.retakes.share.met, audit.retakes.share.total) == (1, 4)
    assert [(r.text, r.count) for r in audit.retakes.reasons] == [("apex missed", 1)]
    assert (audit.recall.share.met, audit.recall.share.total) == (1, 3)
    assert [(r.text, r.count) for r in audit.recall.reasons] == [
        ("moved away", 1), ("not seen, no reason noted", 1),
    ]  # fmt: skip
    assert audit.not_due == 1


def test_films_of_one_patient_go_together(tmp_path: Path) -> None:
    """Ten patients with four films each, all alike within a patient."""
    lines = [
        f"{p}-{k}.png,2025-03-01,p{p},digital,{'N' if p < 2 else 'A'}"
        for p in range(10) for k in range(4)
    ]  # fmt: skip
    with_patient = "film,date,patient,receptor,quality\n" + "\n".join(lines)
    without = "film,date,receptor,quality\n" + "\n".join(
        ",".join(line.split(",")[:2] + line.split(",")[3:]) for line in lines
    )
    found = []
    for text in (with_patient, without):
        log = read_films(written(tmp_path, text))
        (result,) = audit_of([row("p1 11 s"), row("p2 11 s")], films=log).quality
        found.append(result.share.proportion)
    clustered, plain = found
    assert clustered.share == plain.share == 0.8
    assert clustered.n_clusters == 10
    assert plain.n_clusters is None
    # Wilson, 32 of 40 independent films; calc.
    assert plain.interval.low == pytest.approx(0.6524, abs=5e-4)
    assert plain.interval.high == pytest.approx(0.8950, abs=5e-4)
    assert clustered.interval.low < plain.interval.low - 0.1


def test_semicolons_and_a_byte_order_mark(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text(FILMS.replace(",", ";"), encoding="utf-8-sig")
    assert len(read_films(path)) == 5


@pytest.mark.parametrize(
    ("line", "text"),
    [
        ("a.png,2025-03-01,,,,,,,", "line 7: the film 'a.png' again"),
        (",2025-03-01,,,,,,,", "line 7: nothing under film"),
        ("e.png,,,,,,,,", "line 7: nothing under date"),
        ("e.png,1.3.2025,,,,,,,", "line 7: '1.3.2025' under date"),
        ("e.png,2025-13-01,,,,,,,", "line 7: '2025-13-01' under date"),
        ("e.png,2025-03-01,,,bitewing,,,,", "line 7: 'bitewing' under kind"),
        ("e.png,2025-03-01,,,,plate,,,", "line 7: 'plate' under receptor"),
        ("e.png,2025-03-01,,,,,1,,", "line 7: '1' under quality"),
        ("e.png,2025-03-01,,,,,AN,,", "line 7: 'AN' under quality"),
        ("e.png,2025-03-01,,,,,A,a.png,", "line 7: a retake without its reason"),
        ("e.png,2025-03-01,,,,,A,,pale", "line 7: a reason without a retake"),
        ("e.png,2025-03-01,,,,,A,z.png,pale", "line 7: a retake of 'z.png'"),
        ("e.png,2025-03-01,,,,,A,e.png,pale", "line 7: a retake of 'e.png'"),
        ("e.png,2025-03-01", "line 7: 2 cells"),
    ],
)
def test_mistakes_in_films_name_their_line(tmp_path: Path, line: str, text: str) -> None:
    with pytest.raises(AuditError, match=text):
        read_films(written(tmp_path, FILMS + line + "\n"))


@pytest.mark.parametrize(
    ("line", "text"),
    [
        ("p1,11,,2025-01-01,,", "line 6: the recall of p1 11 2025-01-01 again"),
        (",11,,2025-01-01,,", "line 6: nothing under patient"),
        ("p9,,,2025-01-01,,", "line 6: nothing under tooth"),
        ("p9,11,,,,", "line 6: nothing under due"),
        ("p9,11,,soon,,", "line 6: 'soon' under due"),
        ("p9,11,,2025-01-01,2025-01-02,moved", "line 6: a patient both seen and lost"),
        ("p9,11,2025-01-01,2025-01-01,,", "line 6: a recall that does not come after"),
        ("p9,11,2025-01-01,2026-01-01,2024-06-01,", "line 6: a recall that does not come after"),
    ],
)
def test_mistakes_in_recalls_name_their_line(tmp_path: Path, line: str, text: str) -> None:
    with pytest.raises(AuditError, match=text):
        read_recalls(written(tmp_path, RECALLS + line + "\n"))


@pytest.mark.parametrize("text", ["", "film,date\n", "film\na\n", "film,date,opperator\na,b,c\n"])
def test_logs_without_lines_or_columns_are_refused(tmp_path: Path, text: str) -> None:
    with pytest.raises(AuditError):
        read_films(written(tmp_path, text))


def test_a_log_that_cannot_be_read_is_refused(tmp_path: Path) -> None:
    with pytest.raises(AuditError, match="cannot be read"):
        read_films(tmp_path / "none.csv")
    path = tmp_path / "latin.csv"
    path.write_bytes(FILMS.replace("apex missed", "Übel").encode("latin-1"))
    with pytest.raises(AuditError, match="not UTF-8"):
        read_films(path)


def test_rated_films_without_a_receptor_are_told(tmp_path: Path) -> None:
    text = "film,date,quality\na.png,2025-03-01,A\nb.png,2025-03-01,N\nc.png,2025-03-01,\n"
    rows = [row("p1 11 single"), row("p2 11 single")]
    audit = audit_of(rows, films=read_films(written(tmp_path, text)))
    assert audit.quality == ()
    (told,) = [w for w in audit.warnings if w.code == "quality-without-receptor"]
    assert "2 rated films (1 A, 1 N)" in told.text
    whole = audit_of(rows, films=read_films(written(tmp_path, FILMS)))
    assert "quality-without-receptor" not in [w.code for w in whole.warnings]
