"""How long an archive may take in all: time-outs of single waits never end where bytes drip."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from math import inf
from threading import Event, Thread
from time import monotonic
from weakref import WeakSet

#: Time-outs that one step (a connection, a list, an object) may take (choice), and what goes over
#: a slow line in a second.
STEP_TIMEOUTS = 4
LEAST_BYTES_PER_S = 2**16


class Patience:
    """Breaks connections where a step takes longer than steps may.

    A step has `STEP_TIMEOUTS` time-outs, and a second more for each `LEAST_BYTES_PER_S` bytes
    that went either way.

    Parameters
    ----------
    timeout_s : float
        Longest single wait.
    silence : bool, optional
        End a step too where nothing was counted for that long; else whoever waits does so.

    Attributes
    ----------
    ended : bool
        The last step took too long.
    """

    def __init__(self, timeout_s: float, *, silence: bool = False) -> None:
        self._step_s = STEP_TIMEOUTS * timeout_s
        self._silent_s = timeout_s if silence else inf
        self._sockets: WeakSet[socket.socket] = WeakSet()
        self._begun_s = self._heard_s = 0.0
        self._byte_count = 0
        self.ended = False

    def watch(self, connection: socket.socket) -> None:
        """Break this connection too."""
        self._sockets.add(connection)

    def count(self, byte_count: int) -> None:
        """Wait longer: something went over the line."""
        self._byte_count += byte_count
        self._heard_s = monotonic()

    @contextmanager
    def step(self) -> Iterator[None]:
        """Do one step; where it takes too long its connections end, as if the archive was gone."""
        self._begun_s = self._heard_s = monotonic()
        self._byte_count, self.ended = 0, False
        done = Event()
        watcher = Thread(target=self._watch, args=(done,), name="patience", daemon=True)
        watcher.start()
        try:
            yield
        finally:
            done.set()
            watcher.join()

    def _watch(self, done: Event) -> None:
        while not done.wait(max(min(self._left_s(), self._quiet_left_s()), 0.05)):
            if self._left_s() <= 0:
                self.ended = True
            elif self._quiet_left_s() > 0:
                continue
            # Once more at each turn: a connection may have been opened just now.
            for connection in list(self._sockets):
                _end(connection)

    def _left_s(self) -> float:
        allowed_s = self._step_s + self._byte_count / LEAST_BYTES_PER_S
        return self._begun_s + allowed_s - monotonic()

    def _quiet_left_s(self) -> float:
        return self._heard_s + self._silent_s - monotonic()


def _end(connection: socket.socket) -> None:
    with suppress(OSError):
        # Below TLS, whose own farewell would wait for the other side.
        socket.socket.shutdown(connection, socket.SHUT_RDWR)
