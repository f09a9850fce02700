"""Fetching and sending, object by object, through connections that may break."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable, Sequence
from contextlib import AbstractContextManager
from pathlib import Path
from time import sleep
from typing import Generic, TypeVar

from rxmeasure.archive.files import OutgoingFile, file_for, is_there, keep, outgoing
from rxmeasure.archive.journal import Journal
from rxmeasure.archive.values import Fetched, InstanceRow, Progress, Remark, Sent
from rxmeasure.archive.wire import Get, Store, Wire
from rxmeasure.errors import ArchiveError, ArchiveLostError, ObjectRefusedError

#: Seconds before a broken connection is made again (choice).
PAUSES_S = (1.0, 4.0)
#: Most broken connections of one call (choice).
_MOST_BREAKS = 20

Tell = Callable[[Progress], None]
Stop = Callable[[], bool]

_Item = TypeVar("_Item")
_Channel = TypeVar("_Channel")


class _Transfer(ABC, Generic[_Item, _Channel]):
    """Works through items; makes a broken connection again, a few times for each item."""

    def __init__(self, wire: Wire, progress: Tell, stop: Stop) -> None:
        self._wire = wire
        self._progress = progress
        self._stop = stop
        self.failed: list[Remark] = []
        self.stopped = False

    @abstractmethod
    def left(self) -> list[_Item]:
        """What is still to do; asked at each connection."""

    @abstractmethod
    def connect(self, items: list[_Item]) -> AbstractContextManager[_Channel]:
        """Open a connection for these."""

    @abstractmethod
    def do(self, channel: _Channel, item: _Item) -> None:
        """Do one item, and note that it is done."""

    @abstractmethod
    def fail(self, item: _Item, error: ArchiveError) -> None:
        """Note that an item cannot be done."""

    @abstractmethod
    def counts(self) -> Progress:
        """How far it is."""

    def run(self) -> None:
        """Do all items, as far as it goes."""
        breaks = 0
        for number in range(_MOST_BREAKS + 1):
            begun = self.counts().done
            items: list[_Item] = []
            try:
                items = self.left()
                if not items:
                    return
                with self.connect(items) as channel:
                    self._through(channel, items)
                return
            except ArchiveLostError as error:
                breaks = 1 if self.counts().done > begun else breaks + 1
                if breaks > len(PAUSES_S) or number == _MOST_BREAKS:
                    self._give_up(items, error, last=number == _MOST_BREAKS)
                    breaks = 0
                else:
                    sleep(PAUSES_S[breaks - 1])

    def _through(self, channel: _Channel, items: list[_Item]) -> None:
        """Take the items off the list as they are done."""
        while items:
            if self._stop():
                self.stopped = True
                return
            try:
                self.do(channel, items[0])
            except ObjectRefusedError as error:
                self.fail(items[0], error)
            del items[0]
            self._progress(self.counts())

    def _give_up(self, items: list[_Item], error: ArchiveLostError, *, last: bool) -> None:
        """Give up the first item where the archive is alive, else all of them."""
        gone = last or not self._alive()
        if not items or (gone and not self.counts().done):
            raise error
        for item in items if gone else items[:1]:
            self.fail(item, error)

    def _alive(self) -> bool:
        try:
            self._wire.test()
        except ArchiveError:
            return False
        return True


class Fetching(_Transfer[InstanceRow, Get]):
    """Fetches objects into a folder; what lies there is done."""

    def __init__(
        self, wire: Wire, wanted: Sequence[InstanceRow], folder: Path, progress: Tell, stop: Stop
    ) -> None:
        super().__init__(wire, progress, stop)
        self._paths = {instance: file_for(folder, instance) for instance in wanted}
        self._there = {i for i, path in self._paths.items() if is_there(path, i)}
        self._before = len(self._there)
        self._refused: set[InstanceRow] = set()

    def result(self, remarks: Sequence[Remark]) -> Fetched:
        """Fetch, and say what came of it; the remarks join those of the fetch."""
        self._progress(self.counts())
        self.run()
        return Fetched(
            files=tuple(path for i, path in self._paths.items() if i in self._there),
            new=len(self._there) - self._before,
            failed=(*self.failed, *remarks),
            stopped=self.stopped,
        )

    def left(self) -> list[InstanceRow]:
        """Neither there nor refused."""
        return [i for i in self._paths if i not in self._there and i not in self._refused]

    def connect(self, items: list[InstanceRow]) -> AbstractContextManager[Get]:
        """Open a connection for the objects' classes."""
        return self._wire.getting({i.sop_class_uid for i in items} - {""})

    def do(self, channel: Get, item: InstanceRow) -> None:
        """Fetch one and write it."""
        keep(channel(item), item, self._paths[item])
        self._there.add(item)

    def fail(self, item: InstanceRow, error: ArchiveError) -> None:
        """Note that one cannot be had."""
        self._refused.add(item)
        self.failed.append(Remark(what=item.instance_uid, text=error.found))

    def counts(self) -> Progress:
        """How far it is."""
        return Progress(done=len(self._there) + len(self._refused), total=len(self._paths))


class Sending(_Transfer[OutgoingFile, Store]):
    """Sends files; at each connection it asks the archive first what it has.

    An archive that was killed may have lost what it had acknowledged: after a broken connection
    it is asked for that too.
    """

    def __init__(
        self,
        wire: Wire,
        journal: Journal,
        present: Callable[[Iterable[OutgoingFile]], set[str]],
        progress: Tell,
        stop: Stop,
    ) -> None:
        super().__init__(wire, progress, stop)
        self._journal = journal
        self._present = present
        self._files: dict[str, OutgoingFile] = {}
        self._twins: list[Path] = []
        self._sent: set[str] = set()
        self._there: set[str] = set()
        self._tried: set[str] = set()
        self._refused: set[str] = set()
        self._warned: list[Remark] = []
        self._total = 0

    def result(self, paths: Sequence[Path]) -> Sent:
        """Send, and say what came of it."""
        self._total = len(paths)
        for path in paths:
            self._read(path)
        self.run()
        return Sent(
            sent=self._of(self._sent),
            there_before=(*self._of(self._there - self._sent), *self._twins),
            warned=tuple(self._warned),
            failed=tuple(self.failed),
            stopped=self.stopped,
        )

    def _of(self, uids: set[str]) -> tuple[Path, ...]:
        return tuple(file.path for uid, file in self._files.items() if uid in uids)

    def _read(self, path: Path) -> None:
        try:
            file = outgoing(path)
            first = self._files.setdefault(file.instance.instance_uid, file)
            if first.sha256 != file.sha256:
                raise _other_content()
        except ObjectRefusedError as error:
            self.failed.append(Remark(what=str(path), text=error.found))
        else:
            if first is not file:
                self._twins.append(path)

    def left(self) -> list[OutgoingFile]:
        """What the archive does not have; where it cannot be asked, what it did not confirm."""
        files = [f for uid, f in self._files.items() if uid not in self._refused]
        try:
            present = self._present(files) if files else set()
        except ArchiveLostError:
            raise
        except ArchiveError:
            present = {f.instance.instance_uid for f in files if self._journal.content(f)}
        left = []
        for file in files:
            uid = file.instance.instance_uid
            if uid not in present:
                self._sent.discard(uid)
                self._there.discard(uid)
                left.append(file)
            elif self._journal.content(file) not in (None, file.sha256):
                self.fail(file, _other_content())
            else:
                # An answer that was lost on the way: it came from here.
                (self._sent if uid in self._tried else self._there).add(uid)
        self._progress(self.counts())
        return left

    def connect(self, items: list[OutgoingFile]) -> AbstractContextManager[Store]:
        """Open a connection for the files."""
        return self._wire.storing(items)

    def do(self, channel: Store, item: OutgoingFile) -> None:
        """Send one, and note that the archive has confirmed it."""
        uid = item.instance.instance_uid
        self._tried.add(uid)
        remark = channel(item)
        self._journal.add(item)
        self._sent.add(uid)
        if remark:
            self._warned.append(Remark(what=str(item.path), text=remark))

    def fail(self, item: OutgoingFile, error: ArchiveError) -> None:
        """Note that one was not taken."""
        self._refused.add(item.instance.instance_uid)
        self.failed.append(Remark(what=str(item.path), text=error.found))

    def counts(self) -> Progress:
        """How far it is."""
        done = len(self._sent | self._there) + len(self.failed) + len(self._twins)
        return Progress(done=min(done, self._total), total=self._total)


def _other_content() -> ObjectRefusedError:
    return ObjectRefusedError(
        found="other content than was sent under the same identifier before.",
        needed="one content for each identifier.",
        next_step="Write the objects anew from the review; they get identifiers of their own.",
    )
