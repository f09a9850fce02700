"""The same chunks through the workers of a dask cluster that is running already."""

from __future__ import annotations

from collections.abc import Generator, Iterable, Iterator
from itertools import islice
from typing import TYPE_CHECKING, Any

from rxmeasure import __version__
from rxmeasure.batch.measuring import BatchSettings, Chunk, FilmResult, Work, quarantined
from rxmeasure.batch.pool import DIED
from rxmeasure.errors import RxMeasureError

if TYPE_CHECKING:
    from distributed import Client, Future

#: Chunks under way for each worker (choice: one at work, two on their way).
WINDOW = 3
#: Seconds until a scheduler must have answered (choice).
CONNECT_S = 20


class ClusterError(RxMeasureError):
    """The cluster is out of reach, or its workers are of another version."""


def through_cluster(
    chunks: Iterable[Chunk], settings: BatchSettings, work: Work, *, address: str
) -> Generator[list[FilmResult]]:
    """Yield the results of chunks as they come.

    Raises
    ------
    ClusterError
        No scheduler at the address, no worker, or one of another version.
    """
    try:
        from distributed import CancelledError, Client
        from distributed.comm import CommClosedError
    except ImportError as error:
        raise ClusterError(
            found="no package for clusters.",
            needed="the extra cluster of this package.",
            next_step='Install it: pip install "rxmeasure[cluster]"',
        ) from error
    try:
        with Client(address, timeout=CONNECT_S) as client:
            _check_versions(client)
            yield from _through(client, iter(chunks), settings, work)
    except (OSError, TimeoutError, CancelledError, CommClosedError) as error:
        raise _out_of_reach(address, str(error)) from error


def _through(
    client: Client, waiting: Iterator[Chunk], settings: BatchSettings, work: Work
) -> Iterator[list[FilmResult]]:
    from distributed import wait

    window = WINDOW * len(client.scheduler_info(n_workers=-1)["workers"])
    under_way: dict[Future, Chunk] = {}
    while True:
        for chunk in islice(waiting, window - len(under_way)):
            under_way[client.submit(work, chunk, settings, pure=False)] = chunk
        if not under_way:
            return
        for future in wait(list(under_way), return_when="FIRST_COMPLETED").done:
            yield from _results(client, future, under_way.pop(future), settings, work)


def _results(
    client: Client, future: Future, chunk: Chunk, settings: BatchSettings, work: Work
) -> Iterator[list[FilmResult]]:
    """The chunk's results; where its worker died, those of its films one by one."""
    from distributed import KilledWorker, wait

    if future.status == "cancelled":
        raise _out_of_reach(client.scheduler.address, "the connection was lost")
    try:
        yield future.result()
    except KilledWorker:
        if len(chunk) == 1:
            yield [quarantined(chunk[0], DIED)]
            return
        for task in chunk:
            alone: Any = client.submit(work, [task], settings, pure=False)
            wait([alone])
            yield from _results(client, alone, [task], settings, work)


def _check_versions(client: Client) -> None:
    def version() -> str:
        """It goes to the workers by value: they need not have the program to say so."""
        try:
            from rxmeasure import __version__ as there
        except ImportError:
            return "no rxmeasure"
        return there

    found = client.run(version)
    other = {where: version for where, version in found.items() if version != __version__}
    if other or not found:
        raise ClusterError(
            found=", ".join(f"{v} on {w}" for w, v in other.items())
            or "a cluster without workers.",
            needed=f"workers with rxmeasure {__version__}.",
            next_step="Start the workers with the same version as here.",
        )


def _out_of_reach(address: str, why: str) -> ClusterError:
    return ClusterError(
        found=f"no scheduler to be reached at {address} ({why}).",
        needed="a running dask scheduler.",
        next_step="Start it, then give the same command again; it goes on from there.",
    )
