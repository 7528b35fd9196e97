"""One pass over the source, all drives at once.

    source -> one reader -> ring of buffers -> hasher            -> where shall it lie?
                                            -> writer per drive  -> flush and name -> read back and compare

The reader takes tasks one by one from the job's own plan. When the last byte of a file is hashed, the job is
asked (`decide`) under which path each drive shall have it. What happened comes back in order, and the job
enters it into the catalog, many rows in one commit.
"""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

from tripleguard.catalog.rows import KnownFile
from tripleguard.digest import SampledHasher
from tripleguard.errors import CopyTrouble
from tripleguard.model import Copy, Entry, File, Odd
from tripleguard.places.base import Place, Reading
from tripleguard.places.card import Left
from tripleguard.work.cards.lanes import Lane
from tripleguard.work.cards.results import Crashed, LaneDone, LaneResult, NotCopied, Task, ToProve
from tripleguard.work.chunks import Chunk, Ring
from tripleguard.work.looking import looked
from tripleguard.work.progress import LaneProgress

HEAD = 1024 * 1024
"""Bytes from the start of each file that are kept for its metadata."""

_TURN = 512 * 1024 * 1024
"""Bytes that a disk with a head writes before it reads them back."""

_BACKLOG = 4000
"""Results and pieces that may wait before the source waits too."""

_TICK = 0.1
_NAP = 0.01


@dataclass(frozen=True, slots=True)
class Read:
    """A source file was read to its end and hashed, and it was decided where it shall lie."""

    task: Task
    file: File


@dataclass(frozen=True, slots=True)
class Unread:
    """A source file could not be read, or changed while it was."""

    task: Task
    why: str


@dataclass(frozen=True, slots=True)
class ReaderDone:
    """The source is at its end. stopped: the job was asked to stop before."""

    stopped: bool


@dataclass(frozen=True, slots=True)
class ReadBefore:
    """A card file was read by an interrupted run and is still the same."""

    entry: Entry
    known: KnownFile
    read_at: int


@dataclass(frozen=True, slots=True)
class CopyGone:
    """A copy that the catalog has is not on its drive as recorded."""

    copy: Copy


@dataclass(frozen=True, slots=True)
class Found:
    """A copy that the catalog did not know stands under the very name that was chosen, with equal bytes."""

    task: Task
    lane: int
    entry: Entry


@dataclass(frozen=True, slots=True)
class Changed:
    """A card file differs from what was offloaded from the same path before; both are kept."""

    task: Task
    why: str


@dataclass(frozen=True, slots=True)
class SetApart:
    """Something on the card that is no file to copy, or litter that is left there."""

    item: Odd | Left


CopyResult = LaneResult | Read | Unread | ReaderDone | ReadBefore | CopyGone | Found | Changed | SetApart
Decide = Callable[["Copier", Task, File, bytes], dict[int, str]]


class Copier:
    """The threads of one job. Use: `start`, iterate `results`, `close`.

    plan yields tasks and runs in the reader's thread. decide(copier, task, file, head) returns the path for each
    lane that shall keep the copy and runs in the hasher's thread.
    """

    def __init__(
        self,
        places: Sequence[Place],
        plan: Callable[[Copier], Iterable[Task]],
        decide: Decide,
        *,
        buffer_bytes: int,
        turns: bool,
    ) -> None:
        self._plan = plan
        self._decide = decide
        self._turns = turns
        self._stop = threading.Event()
        self._ring = Ring(buffer_bytes)
        self._results: queue.Queue[CopyResult] = queue.Queue()
        self._to_hash: queue.SimpleQueue[tuple[str, Task, Chunk | str | None] | None] = queue.SimpleQueue()
        self._asked: set[int] = set()
        self._since_turn = 0
        self.read_bytes = 0
        self.lanes = [Lane(number, place, self._results.put, self.stopped) for number, place in enumerate(places)]
        self._threads = [
            threading.Thread(target=self._edge, args=(step,), name=step.__name__.strip("_"), daemon=True)
            for step in (self._read, self._hash)
        ]

    def stopped(self) -> bool:
        return self._stop.is_set()

    def stop(self) -> None:
        """Read nothing more; finish what is written; leave the rest for the next run."""
        self._stop.set()
        for lane in self.lanes:
            lane.read_all()

    def start(self) -> None:
        for lane in self.lanes:
            if self._turns:
                lane.hold_reading()
            lane.start()
        for thread in self._threads:
            thread.start()

    def report(self, result: CopyResult) -> None:
        """Say something in its turn among the results; for plan and decide."""
        self._results.put(result)

    def prove(self, lane: int, proof: ToProve) -> None:
        """Have a copy that lies on a lane's drive already read back, once in a pass."""
        if proof.copy_id is not None:
            if proof.copy_id in self._asked:
                return
            self._asked.add(proof.copy_id)
        self.lanes[lane].prove(proof)

    def wait_for_room(self) -> None:
        """Called between two files by the reader: wait while memory would fill with what is under way.

        Bytes wait for a buffer anyway; this is for the small things that each file leaves behind.
        """
        while not self.stopped():
            behind = self._is_behind()
            if self._turns and (behind or self._since_turn >= _TURN):
                self._take_turn()
            if not behind:
                break
            time.sleep(_NAP)

    def results(self) -> Iterator[list[CopyResult]]:
        """What happened since the last look, at least every tenth of a second, until all is done."""
        waiting = len(self.lanes) + 1
        while waiting:
            batch = self._drained()
            for result in batch:
                if isinstance(result, Crashed):
                    self.stop()
                    raise result.error
                waiting -= isinstance(result, LaneDone | ReaderDone)
            yield batch

    def close(self) -> list[CopyResult]:
        """Stop, wait for all threads, and hand over what was not looked at yet."""
        self.stop()
        for thread in self._threads:
            if thread.ident is not None:
                thread.join()
        for lane in self.lanes:
            lane.join()
        left: list[CopyResult] = []
        while not self._results.empty():
            left.append(self._results.get())
        return left

    def progress(self) -> tuple[LaneProgress, ...]:
        return tuple(LaneProgress(lane.place.name, lane.written, lane.verified, lane.alive) for lane in self.lanes)

    def _drained(self) -> list[CopyResult]:
        batch: list[CopyResult] = []
        deadline = time.monotonic() + _TICK
        while len(batch) < 1000:
            left = deadline - time.monotonic()
            try:
                batch.append(
                    self._results.get(timeout=max(left, 0.0)) if not batch else self._results.get_nowait()
                )
            except queue.Empty:
                break
        return batch

    def _edge(self, step: Callable[[], None]) -> None:
        try:
            step()
        except BaseException as error:  # noqa: BLE001 - a thread's outer edge; `results` raises it again
            self._results.put(Crashed(error))

    def _read(self) -> None:
        try:
            for task in self._plan(self):
                if self.stopped():
                    break
                self._since_turn += self._read_one(task)
                self.wait_for_room()
        finally:
            # Everybody downstream must hear of the end, also when the plan broke.
            self._to_hash.put(None)
            for lane in self.lanes:
                lane.close()
                lane.read_all()
            self._results.put(ReaderDone(self.stopped()))

    def _is_behind(self) -> bool:
        waiting = max(self._results.qsize(), self._to_hash.qsize())
        return waiting >= _BACKLOG or any(lane.is_behind() for lane in self.lanes)

    def _take_turn(self) -> None:
        self._since_turn = 0
        for lane in self.lanes:
            lane.read_all()
        for lane in self.lanes:
            lane.wait_until_read()
        if not self.stopped():
            for lane in self.lanes:
                lane.hold_reading()

    def _read_one(self, task: Task) -> int:
        lanes = [self.lanes[number] for number in task.lanes]
        for lane in lanes:
            lane.begin(task)
        self._to_hash.put(("begin", task, None))
        total, trouble = 0, None
        try:
            total = self._read_through(task, lanes)
        except OSError as error:
            trouble = f"it can't be read ({error.strerror or error})"
        else:
            if self.stopped():
                trouble = "stopped"
            elif total != task.entry.size or not task.still_same():
                trouble = f"it changed while it was read (listed with {task.entry.size} bytes, read {total})"
        self._to_hash.put(("end", task, trouble))
        for lane in lanes:
            lane.end(task, trouble)
        return total

    def _read_through(self, task: Task, lanes: list[Lane]) -> int:
        reading = task.open()
        try:
            total = 0
            while (buffer := self._ring.take(self.stopped)) is not None:
                count = self._filled(reading, buffer)
                if count == 0:
                    break
                total += count
                self.read_bytes += count
                chunk = Chunk(self._ring, buffer, count, 1 + len(lanes))
                self._to_hash.put(("chunk", task, chunk))
                for lane in lanes:
                    lane.chunk(task, chunk)
                # A file that grows must not fill the drives.
                if total > task.entry.size:
                    break
            return total
        finally:
            reading.close()

    def _filled(self, reading: Reading, buffer: memoryview) -> int:
        """Bytes read into buffer; an empty or failed one goes back to the ring."""
        count = 0
        try:
            count = reading.readinto(buffer)
        finally:
            if count == 0:
                self._ring.give_back(buffer)
        return count

    def _hash(self) -> None:
        try:
            self._hash_all()
        except BaseException:
            # Buffers must come back and finishers must not wait for ever; the edge reports the crash.
            self.stop()
            while (message := self._to_hash.get()) is not None:
                if isinstance(message[2], Chunk):
                    message[2].done()
                message[1].decided.set()
            raise

    def _hash_all(self) -> None:
        hasher, head = SampledHasher(), b""
        while (message := self._to_hash.get()) is not None:
            word, task, content = message
            if word == "begin":
                hasher, head = SampledHasher(), b""
            elif isinstance(content, Chunk):
                if hasher.size == 0:
                    head = bytes(content.view[:HEAD])
                hasher.update(content.view)
                if task.look is not None:
                    task.look.feed(content.view)
                content.done()
            elif content is None:
                task.sample = hasher.sample()
                if task.look is not None:
                    task.looked = looked(task.look, head, task.entry.name)
                self._known(task, hasher.file(), head)
            else:
                task.decided.set()
                self._results.put(Unread(task, content))

    def _known(self, task: Task, file: File, head: bytes) -> None:
        task.file = file
        try:
            task.paths = self._decide(self, task, file, head)
            self._results.put(Read(task, file))
        except CopyTrouble as error:
            for number in task.lanes:
                self._results.put(NotCopied(task, number, error))
        finally:
            task.decided.set()
