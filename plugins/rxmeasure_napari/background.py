"""Runs one core function off the GUI thread and hands the result back on it.

Of one key only the newest job counts: an older one is told to stop, and what
it still returns is dropped.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Any

from qtpy.QtCore import QObject, Qt, Signal

from rxmeasure.errors import RxMeasureError


class Stopped(Exception):
    """A job was told to stop; never shown."""


class _Job:
    """One job: a word of progress, and whether it shall stop."""

    def __init__(self, key: str) -> None:
        self.key = key
        self.stop = threading.Event()
        self.tell: Callable[[str], None] = lambda _: None

    def progress(self, word: str) -> None:
        """Tell a step; raises `Stopped` when the job is no longer wanted."""
        if self.stop.is_set():
            raise Stopped
        self.tell(word)


class Background(QObject):
    """One thread for jobs in order, and the way back to the GUI thread.

    Signals: ``progressed(str)`` a word for what runs, ``""`` when idle.
    """

    progressed = Signal(str)
    _arrived = Signal(object)

    def __init__(self, name: str, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._pool = ThreadPoolExecutor(1, thread_name_prefix=f"rxmeasure-{name}")
        self._newest: dict[str, _Job] = {}
        self._closed = False
        # Queued always: a job that ends at once would else overtake its own words.
        self._arrived.connect(self._deliver, Qt.ConnectionType.QueuedConnection)

    def run(
        self,
        key: str,
        work: Callable[[Callable[[str], None]], Any],
        then: Callable[[Any], object],
        refused: Callable[[RxMeasureError], None] | None = None,
        *,
        word: str = "",
    ) -> Future[Any] | None:
        """Run ``work(progress)``, then ``then(result)`` on the GUI thread.

        A refusal of core goes to ``refused``. ``word`` is shown while it runs;
        without one the job is silent. Returns what can be waited for; None after `close`.
        """
        if self._closed:
            return None
        self._drop(key)
        job = self._newest[key] = _Job(key)
        if word:
            self.progressed.emit(word)
            job.tell = lambda step: self._send(
                job, lambda: self.progressed.emit(f"{word}: {step}" if step else word)
            )

        future = self._pool.submit(_run, work, job)
        future.add_done_callback(
            lambda done: self._send(job, lambda: _settle(done, then, refused), last=True)
        )
        return future

    def cancel(self, key: str | None = None) -> None:
        """Tell the job of that key (None: all) to stop, and drop what it returns."""
        self._drop(key)
        if not self._newest:
            self.progressed.emit("")

    def _drop(self, key: str | None) -> None:
        for job in list(self._newest.values()):
            if key is None or job.key == key:
                job.stop.set()
                del self._newest[job.key]

    @property
    def busy(self) -> bool:
        """Whether a job is wanted and not done."""
        return bool(self._newest)

    def is_wanted(self, key: str) -> bool:
        """Whether a job of that key is wanted and not done."""
        return key in self._newest

    def close(self, *, finish: bool = False) -> None:
        """Stop everything, or with ``finish`` do what was begun; no callback comes after this."""
        self._closed = True
        if not finish:
            for job in self._newest.values():
                job.stop.set()
        self._newest.clear()
        self._pool.shutdown(wait=True, cancel_futures=not finish)

    def _send(self, job: _Job, call: Callable[[], None], *, last: bool = False) -> None:
        if not self._closed:
            self._arrived.emit((job, call, last))

    def _deliver(self, sent: tuple[_Job, Callable[[], None], bool]) -> None:
        job, call, last = sent
        if self._closed or self._newest.get(job.key) is not job:
            return
        if last:
            del self._newest[job.key]
            if not self._newest:
                self.progressed.emit("")
        call()


def _run(work: Callable[[Callable[[str], None]], Any], job: _Job) -> Any:
    job.progress("")
    return work(job.progress)


def _settle(
    done: Future[Any],
    then: Callable[[Any], object],
    refused: Callable[[RxMeasureError], None] | None,
) -> None:
    """On the GUI thread: hand on the result or the refusal; anything else is a fault and raised."""
    error = done.exception()
    if error is None:
        then(done.result())
    elif isinstance(error, RxMeasureError) and refused is not None:
        refused(error)
    elif not isinstance(error, Stopped):
        raise error
