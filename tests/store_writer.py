"""Writers of the store that run as processes of their own, so that they can be killed."""

from __future__ import annotations

import hashlib
import json
import multiprocessing
import os
import random
import resource
import threading
from collections.abc import Callable
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import Any

from rxmeasure.errors import RxMeasureError
from rxmeasure.store import Person, Role, Store, open_store

#: Records that one writer saves to at the same time.
THREADS = 3

_PROCESSES = multiprocessing.get_context("forkserver")
# Forked from a process that has imported them: 50 writers start in seconds.
_PROCESSES.set_forkserver_preload(["store_writer", "rxmeasure.store.backup", "psycopg"])


def start(work: Callable[..., None], *arguments: Any) -> BaseProcess:
    process = _PROCESSES.Process(target=work, args=arguments)
    process.start()
    return process


def write_until_killed(where: str, name: str, acknowledged: Path) -> None:
    """Save revisions of several records at once; each save that returned is noted."""
    with open_store(where, Person(name=name, role=Role.TEACHER)) as store:
        threads = [
            threading.Thread(target=write_to, args=(store, f"{name}/{k}", acknowledged))
            for k in range(THREADS)
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()


def write_to(
    store: Store, subject: str, acknowledged: Path, enough: Callable[[int], bool] | None = None
) -> None:
    rng = random.Random(subject)
    number = 0
    while enough is None or not enough(number):
        content = content_of(subject, number, rng)
        saved = store.save("key", subject=subject, content=content, based_on=number)
        number = saved.number
        note(acknowledged, subject, number, content)


def content_of(subject: str, number: int, rng: random.Random) -> dict[str, Any]:
    return {"subject": subject, "number": number, "filler": rng.randbytes(40_000).hex()}


def note(acknowledged: Path, subject: str, number: int, content: Any) -> None:
    line = f"{subject} {number} {digest(content)}\n"
    descriptor = os.open(acknowledged, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    os.write(descriptor, line.encode())
    os.close(descriptor)


def digest(content: Any) -> str:
    return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()


def write_until_refused(where: str, acknowledged: Path, told: Path, limit_bytes: int) -> None:
    """Save until the system takes no more; what the refusal says is written down."""
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit_bytes, limit_bytes))
    try:
        with open_store(where, Person(name="filler", role=Role.TEACHER)) as store:
            write_to(store, "filler/0", acknowledged)
    except RxMeasureError as refusal:
        told.write_text(f"{type(refusal).__name__}: {refusal}")


def read_and_write_as(where: str, user_id: int, told: Path) -> None:
    """Without rights: count the records, then try to save; what came of it is written down."""
    os.setuid(user_id)
    said = []
    try:
        with open_store(where, Person(name="guest", role=Role.TEACHER)) as store:
            said.append(f"{len(store.history(1))} revisions")
            store.save("key", subject="new", content=[], based_on=0)
    except RxMeasureError as refusal:
        said.append(f"{type(refusal).__name__}: {refusal}")
    told.write_text("\n".join(said))
