"""One lane per drive: write, flush and name, read back.

Three threads in a row, each waiting for the one before. The writer takes buffers from the ring. The finisher
flushes whole copies, gives them their final names, and settles the folders once for all that are waiting. The
verifier reads each copy back past the cache and compares. A lane that fails stops alone; the other goes on.
"""

from __future__ import annotations

import contextlib
import errno
import queue
import threading
from collections.abc import Callable

from tripleguard.digest import Hasher
from tripleguard.errors import CopyTrouble, NameTaken, PlaceFailed
from tripleguard.model import Entry, File, Medium
from tripleguard.names import fitted, shown
from tripleguard.places.base import Incoming, Place
from tripleguard.places.media import aligned_buffer
from tripleguard.work.cards.results import (
    Crashed,
    Disproved,
    LaneDone,
    LaneDown,
    LaneResult,
    MovedAside,
    NotCopied,
    Proved,
    Task,
    ToProve,
    Written,
)
from tripleguard.work.chunks import CHUNK, Chunk

_GROUP = 32
"""Copies that are named and settled together at most; as many may wait for it, each with a file open."""

_UNNAMED = 4 * 1024 * 1024
"""Bytes of whole copies that may wait for their names: what a power cut then makes to be written again.

One picture may always wait, or many of the tiny files around it: less than a picture in all.
"""

_BACKLOG = 1000
"""Files that may wait on a lane before the source waits too."""


Message = tuple[str, Task, Chunk | str | None]


class Lane:
    """The three threads of one drive. report is called from all of them."""

    def __init__(
        self, number: int, place: Place, report: Callable[[LaneResult], None], stopped: Callable[[], bool]
    ) -> None:
        self.number = number
        self.place = place
        self.written = 0
        self.verified = 0
        self.alive = True
        self._report = report
        self._stopped = stopped
        self._inbox: queue.SimpleQueue[Message | None] = queue.SimpleQueue()
        # Each of these holds a file open; a card of many small files must not use up what a process may open.
        self._whole: queue.Queue[tuple[Task, Incoming] | None] = queue.Queue(maxsize=_GROUP)
        self._unnamed = 0
        self._naming = threading.Condition()
        self._to_prove: queue.SimpleQueue[ToProve | None] = queue.SimpleQueue()
        self._may_read = threading.Event()
        self._may_read.set()
        self._waiting = 0
        self._idle = threading.Condition()
        self._threads = [
            threading.Thread(target=self._edge, args=(step,), name=f"{place.name}-{step.__name__}", daemon=True)
            for step in (self._write, self._finish, self._verify)
        ]

    def start(self) -> None:
        for thread in self._threads:
            thread.start()

    def join(self) -> None:
        for thread in self._threads:
            thread.join()

    def begin(self, task: Task) -> None:
        self._inbox.put(("begin", task, None))

    def chunk(self, task: Task, chunk: Chunk) -> None:
        self._inbox.put(("chunk", task, chunk))

    def end(self, task: Task, trouble: str | None) -> None:
        """The source is at its end, or failed with trouble."""
        self._inbox.put(("end", task, trouble))

    def close(self) -> None:
        """Nothing more will come."""
        self._inbox.put(None)

    def prove(self, proof: ToProve) -> None:
        with self._idle:
            self._waiting += 1
        self._to_prove.put(proof)

    def is_behind(self) -> bool:
        """Whether so many files wait here that no more should be read from the source."""
        return self.alive and max(self._inbox.qsize() // 2, self._to_prove.qsize()) >= _BACKLOG

    def hold_reading(self) -> None:
        """Let nothing be read back until `read_all`: one head can't write and read at once."""
        self._may_read.clear()

    def read_all(self) -> None:
        """Let everything that waits be read back."""
        self._may_read.set()

    def wait_until_read(self) -> None:
        """Wait until nothing is left to read back, or the lane is done for."""
        with self._idle:
            while self._waiting and self.alive and not self._stopped():
                self._idle.wait(0.2)

    def _edge(self, step: Callable[[], None]) -> None:
        try:
            step()
        except BaseException as error:  # noqa: BLE001 - a thread's outer edge; the job raises it again
            self.alive = False
            self._report(Crashed(error))
            self._let_others_end(step)

    def _let_others_end(self, step: Callable[[], None]) -> None:
        """After a crash: give buffers back, and let the threads that wait for this one come to their end."""
        if step == self._write:
            while (message := self._inbox.get()) is not None:
                if isinstance(message[2], Chunk):
                    message[2].done()
            self._whole.put(None)
        elif step == self._finish:
            while (whole := self._whole.get()) is not None:
                whole[1].discard()
        self._to_prove.put(None)

    def _down(self, error: CopyTrouble) -> None:
        if self.alive:
            self.alive = False
            self._report(LaneDown(self.number, error))

    def _failed(self, task: Task, error: CopyTrouble) -> None:
        if isinstance(error, PlaceFailed) and not self.place.here():
            self._down(error)
        self._report(NotCopied(task, self.number, error))

    def _write(self) -> None:
        incoming: Incoming | None = None
        while (message := self._inbox.get()) is not None:
            word, task, content = message
            if word == "begin":
                incoming = self._begun(task)
            elif isinstance(content, Chunk):
                try:
                    incoming = self._with_chunk(task, incoming, content)
                finally:
                    content.done()
            elif incoming is not None:
                self._ended(task, incoming, content)
                incoming = None
        self._whole.put(None)

    def _begun(self, task: Task) -> Incoming | None:
        if not self.alive:
            self._report(NotCopied(task, self.number, _gone(self.place)))
            return None
        try:
            return self.place.begin(task.entry.size)
        except CopyTrouble as error:
            self._failed(task, error)
            return None

    def _with_chunk(self, task: Task, incoming: Incoming | None, chunk: Chunk) -> Incoming | None:
        if incoming is None:
            return None
        try:
            incoming.write(chunk.view)
        except CopyTrouble as error:
            incoming.discard()
            self._failed(task, error)
            return None
        self.written += chunk.length
        return incoming

    def _ended(self, task: Task, incoming: Incoming, trouble: str | None) -> None:
        if trouble is None:
            self._wait_for_names(task.entry.size)
            self._whole.put((task, incoming))
        elif self._stopped():
            incoming.discard()
        else:
            self._keep(task, incoming, trouble)

    def _wait_for_names(self, size: int) -> None:
        """Let a whole copy wait for its name only if not too much waits already."""
        with self._naming:
            while self._unnamed and self._unnamed + size > _UNNAMED and self.alive:
                self._naming.wait(0.2)
            self._unnamed += size

    def _named(self, size: int) -> None:
        with self._naming:
            self._unnamed -= size
            self._naming.notify_all()

    def _keep(self, task: Task, incoming: Incoming, trouble: str) -> None:
        try:
            name = fitted(task.entry.name, self.place.limits)
        except CopyTrouble:
            incoming.discard()
        else:
            incoming.keep(name, trouble)

    def _finish(self) -> None:
        while (first := self._whole.get()) is not None:
            group = [first]
            with contextlib.suppress(queue.Empty):
                while len(group) < _GROUP:
                    item = self._whole.get_nowait()
                    if item is None:
                        self._whole.put(None)
                        break
                    group.append(item)
            self._name(group)
        self._to_prove.put(None)

    def _name(self, group: list[tuple[Task, Incoming]]) -> None:
        named: list[Written] = []
        for task, incoming in group:
            try:
                incoming.flush(task.entry.mtime_ns)
                task.decided.wait()
                path = task.paths.get(self.number)
                if path is None:
                    incoming.discard()
                    continue
                self._make_way(task, path)
                named.append(Written(task, self.number, incoming.publish(path)))
            except CopyTrouble as error:
                incoming.discard()
                self._failed(task, error)
            finally:
                self._named(task.entry.size)
        try:
            self.place.settle({done.entry.folder for done in named})
        except CopyTrouble as error:
            for done in named:
                self._failed(done.task, error)
            return
        for done in named:
            self._report(done)
            if done.task.file is None:
                raise AssertionError("a copy was named before its content was known")
            self.prove(ToProve(done.entry.path, done.task.file, task=done.task))

    def _make_way(self, task: Task, path: str) -> None:
        """Move a bad copy aside whose place the flushed good one takes. Raises NameTaken, PlaceFailed."""
        why = task.gives_way.get(self.number)
        if why is not None and self.place.taken(path):
            # An editor may have saved there while the good copy was on its way.
            if self.number in task.as_seen and self.place.look(path) != task.as_seen[self.number]:
                raise NameTaken(
                    f"{shown(path)} was changed on drive {self.place.name} a moment ago.",
                    safe="What stands there was left as it is.",
                    do="Run `tripleguard rescan`, then `tripleguard mend` again.",
                )
            self._report(MovedAside(self.number, path, self.place.set_aside(path, why)))

    def _verify(self) -> None:
        buffer = aligned_buffer(CHUNK)
        while (proof := self._to_prove.get()) is not None:
            while not self._may_read.wait(0.2):
                if self._stopped():
                    break
            if self.alive and not self._stopped():
                self._prove_one(proof, buffer)
            with self._idle:
                self._waiting -= 1
                self._idle.notify_all()
        self._report(LaneDone(self.number))

    def _prove_one(self, proof: ToProve, buffer: memoryview) -> None:
        why = ""
        for reading in (1, 2):
            try:
                seen = self._look(proof.path)
                found, medium = self._read_back(proof.path, buffer)
            except OSError as error:
                if not self.place.here():
                    self._down(_gone(self.place))
                    return
                why = f"it can't be read back ({error.strerror or error})"
                continue
            if found is None:
                return
            if found == proof.file:
                self._report(Proved(proof, self.number, medium, reading, seen))
                return
            why = f"read back, its BLAKE3 is {found.digest.hex()} and not {proof.file.digest.hex()}"
            if found.size != proof.file.size:
                why = f"read back, it has {found.size} bytes and not {proof.file.size}"
        aside: str | None = None
        with contextlib.suppress(CopyTrouble):
            aside = self.place.set_aside(proof.path, why)
        self._report(Disproved(proof, self.number, why, aside))

    def _look(self, path: str) -> Entry:
        """The copy as it lies there before it is read. Raises OSError."""
        try:
            seen = self.place.look(path)
        except CopyTrouble as error:
            raise OSError(None, error.what) from error
        if seen is None:
            raise FileNotFoundError(errno.ENOENT, "it is not there", path)
        return seen

    def _read_back(self, path: str, buffer: memoryview) -> tuple[File | None, Medium]:
        """What the medium holds at path; None when stopped on the way. Raises OSError."""
        hasher = Hasher()
        reading = self.place.read(path)
        try:
            while count := reading.readinto(buffer):
                hasher.update(buffer[:count])
                self.verified += count
                if self._stopped():
                    return None, reading.medium
            return hasher.file(), reading.medium
        finally:
            reading.close()


def _gone(place: Place) -> PlaceFailed:
    return PlaceFailed(
        f"Drive {place.name} stopped answering.",
        safe="What was verified on it before is in the catalog.",
        do="Check the cable, connect it again, then run `tripleguard topup`.",
    )
