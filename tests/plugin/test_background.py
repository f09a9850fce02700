"""Work off the GUI thread: what is late, stopped, refused or at fault."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from typing import Any

import pytest
from qtpy.QtCore import QCoreApplication, QThread
from rxmeasure_napari.background import Background

from rxmeasure.errors import MarksError, RxMeasureError

PATIENCE_MS = 20_000


@pytest.fixture
def background(qapp: Any) -> Iterator[Background]:
    made = Background("test")
    yield made
    made.close()


class Gate:
    """A job that runs until it is let through."""

    def __init__(self) -> None:
        self.begun, self.open = threading.Event(), threading.Event()
        self.thread: int | None = None

    def job(self, answer: object, *, asks: bool = False) -> Any:
        def work(progress: Any) -> object:
            self.thread = threading.get_ident()
            self.begun.set()
            assert self.open.wait(PATIENCE_MS / 1000.0)
            if asks:
                progress("half")
            return answer

        return work


def test_the_work_leaves_the_thread_and_its_result_comes_back(
    background: Background, qtbot: Any
) -> None:
    gate, seen = Gate(), []

    def then(result: object) -> None:
        here = QThread.currentThread() is QCoreApplication.instance().thread()
        seen.append((result, here))

    background.run("a", gate.job(7), then)
    assert background.busy
    gate.open.set()
    qtbot.waitUntil(lambda: bool(seen), timeout=PATIENCE_MS)
    assert seen == [(7, True)]
    assert gate.thread != threading.get_ident()
    assert not background.busy


def test_an_older_result_of_one_key_is_dropped(background: Background, qtbot: Any) -> None:
    old, new, other = Gate(), Gate(), Gate()
    seen: list[object] = []
    background.run("a", old.job("old"), seen.append)
    assert old.begun.wait(PATIENCE_MS / 1000.0)
    background.run("b", other.job("other key"), seen.append)
    background.run("a", new.job("new"), seen.append)
    for gate in (old, other, new):
        gate.open.set()
    qtbot.waitUntil(lambda: len(seen) >= 2 and not background.busy, timeout=PATIENCE_MS)
    assert seen == ["other key", "new"]


def test_a_result_that_is_on_its_way_when_a_newer_job_begins_is_dropped(
    background: Background, qtbot: Any
) -> None:
    old, new = Gate(), Gate()
    seen: list[object] = []
    background.run("a", old.job("old"), seen.append)
    old.open.set()
    marker = threading.Event()
    background.run("behind", lambda progress: marker.set(), seen.append)
    assert marker.wait(PATIENCE_MS / 1000.0)  # "old" is done; nothing was delivered yet.
    assert seen == []
    background.run("a", new.job("new"), seen.append)
    new.open.set()
    qtbot.waitUntil(lambda: "new" in seen, timeout=PATIENCE_MS)
    assert seen == [None, "new"]


def test_a_stopped_job_ends_at_its_next_step_and_tells_nothing(
    background: Background, qtbot: Any
) -> None:
    gate, seen, words = Gate(), [], []
    background.progressed.connect(words.append)
    background.run("a", gate.job(1, asks=True), seen.append, seen.append, word="long work")
    assert gate.begun.wait(PATIENCE_MS / 1000.0)
    background.cancel()
    assert not background.busy
    gate.open.set()
    background.run("next", lambda progress: 2, seen.append)
    qtbot.waitUntil(lambda: bool(seen), timeout=PATIENCE_MS)
    assert seen == [2]
    assert words[0] == "long work"
    assert words[-1] == ""
    assert "long work: half" not in words


def test_steps_are_told_in_order_and_the_end_too(background: Background, qtbot: Any) -> None:
    words: list[str] = []
    background.progressed.connect(words.append)

    def work(progress: Any) -> None:
        progress("first")
        progress("second")

    background.run("a", work, lambda _: None, word="work")
    qtbot.waitUntil(lambda: words[-1:] == [""], timeout=PATIENCE_MS)
    assert words == ["work", "work", "work: first", "work: second", ""]


def test_a_refusal_of_core_goes_to_its_own_way(background: Background, qtbot: Any) -> None:
    results: list[object] = []
    refusals: list[RxMeasureError] = []
    refusal = MarksError(found="f.", needed="n.", next_step="s.")

    def work(progress: Any) -> None:
        raise refusal

    background.run("a", work, results.append, refusals.append)
    qtbot.waitUntil(lambda: bool(refusals), timeout=PATIENCE_MS)
    assert refusals == [refusal]
    assert results == []


def test_a_fault_is_raised_and_not_swallowed(background: Background, qtbot: Any) -> None:
    results: list[object] = []

    def work(progress: Any) -> None:
        raise ZeroDivisionError("a fault")

    with qtbot.captureExceptions() as raised:
        background.run("a", work, results.append, results.append)
        qtbot.waitUntil(lambda: bool(raised), timeout=PATIENCE_MS)
    assert [kind for kind, _, _ in raised] == [ZeroDivisionError]
    assert results == []


def test_nothing_is_told_after_closing(qapp: Any, qtbot: Any) -> None:
    background, gate, seen = Background("test"), Gate(), []
    background.run("a", gate.job(1), seen.append)
    gate.open.set()
    background.close()
    background.run("b", lambda progress: 2, seen.append)
    QCoreApplication.processEvents()
    assert seen == []


def test_closing_with_finish_does_all_that_was_begun(qapp: Any) -> None:
    background, done = Background("test"), []
    for k in range(20):
        background.run(f"{k}", lambda progress, k=k: done.append(k), lambda _: None)
    background.close(finish=True)
    assert done == list(range(20))
