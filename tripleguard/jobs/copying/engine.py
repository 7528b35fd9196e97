"""The copy engine: one pass over the source, all drives at once.

    source -> one reader -> buffer pool -> hasher            -> choose the destination
                                        -> writer per drive  -> flush and publish -> read back and compare

The reader takes tasks one by one from the job's plan. When the last byte of a file is hashed, the engine calls the
job's `decide` for the path on each drive. Results arrive in order, and the job records them in the catalog, many
rows per commit.
"""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial

from tripleguard.catalog.rows import KnownFile
from tripleguard.digest import SamplingHasher
from tripleguard.errors import CopyError
from tripleguard.jobs.copying.buffers import BufferPool, Chunk
from tripleguard.jobs.copying.copy_tasks import (
    CopyFailed,
    CopyTask,
    LaneDone,
    LaneResult,
    ThreadCrashed,
    VerifyRequest,
)
from tripleguard.jobs.copying.lanes import Lane
from tripleguard.jobs.integrity import finish_integrity_check
from tripleguard.jobs.progress import LaneProgress
from tripleguard.model import Copy, Entry, File, UncopyableEntry
from tripleguard.places.base import CopyReader, CopyTarget, IgnoredEntry

HEAD_BYTES = 1024 * 1024
"""Bytes from the start of each file that are kept for its metadata."""

_VERIFY_INTERVAL_BYTES = 512 * 1024 * 1024
"""Bytes that a rotational disk writes before it reads them back."""

_MAX_BACKLOG = 4000
"""Results and pieces that may be queued before the source waits."""

_BATCH_SECONDS = 0.1
_POLL_SECONDS = 0.01


@dataclass(frozen=True, slots=True)
class SourceRead:
    """A source file was read to its end and hashed, and its destination was chosen."""

    task: CopyTask
    file: File


@dataclass(frozen=True, slots=True)
class SourceReadFailed:
    """A source file could not be read, or changed while it was read."""

    task: CopyTask
    reason: str


@dataclass(frozen=True, slots=True)
class ReaderDone:
    """The source was read to its end, or the job was stopped before."""

    was_stopped: bool


@dataclass(frozen=True, slots=True)
class SourceResumed:
    """A card file was read by an interrupted run and is unchanged."""

    entry: Entry
    known_file: KnownFile
    read_at: int


@dataclass(frozen=True, slots=True)
class CopyMissing:
    """A copy in the catalog is not on its drive as recorded."""

    copy: Copy


@dataclass(frozen=True, slots=True)
class ExistingCopyFound:
    """A copy unknown to the catalog exists under the chosen name, with equal bytes."""

    task: CopyTask
    lane: int
    entry: Entry


@dataclass(frozen=True, slots=True)
class SourceChanged:
    """A card file differs from the one offloaded from the same path before; both are kept."""

    task: CopyTask
    reason: str


@dataclass(frozen=True, slots=True)
class EntrySkipped:
    """An entry on the card that can't be copied, or litter that is left there."""

    item: UncopyableEntry | IgnoredEntry


CopyResult = (
    LaneResult
    | SourceRead
    | SourceReadFailed
    | ReaderDone
    | SourceResumed
    | CopyMissing
    | ExistingCopyFound
    | SourceChanged
    | EntrySkipped
)
DestinationCallback = Callable[["CopyEngine", CopyTask, File, bytes], dict[int, str]]


class CopyEngine:
    """The threads of one job. Call `start`, iterate `iter_batches`, then `close`.

    Args:
        plan: Yield tasks; runs in the reader's thread.
        decide: Return the path for each lane that keeps the copy; runs in the hasher's thread.
        alternate: Write and read back in turns, for disks that should not do both at once.
        before_reading: Called with the lane's number and the path before a copy is read back.
    """

    def __init__(
        self,
        places: Sequence[CopyTarget],
        plan: Callable[[CopyEngine], Iterable[CopyTask]],
        decide: DestinationCallback,
        *,
        buffer_bytes: int,
        alternate: bool,
        before_reading: Callable[[int, str], None] = lambda lane, path: None,
    ) -> None:
        self._plan = plan
        self._decide = decide
        self._alternate = alternate
        self._stop_event = threading.Event()
        self._pool = BufferPool(buffer_bytes)
        self._results: queue.Queue[CopyResult] = queue.Queue()
        self._hash_queue: queue.SimpleQueue[tuple[str, CopyTask, Chunk | str | None] | None] = queue.SimpleQueue()
        self._requested_copy_ids: set[int] = set()
        self._bytes_since_verify = 0
        self.bytes_read = 0
        self.lanes = [
            Lane(number, place, self._results.put, self.is_stopped, partial(before_reading, number))
            for number, place in enumerate(places)
        ]
        self._threads = [
            threading.Thread(target=self._run_guarded, args=(step,), name=step.__name__.strip("_"), daemon=True)
            for step in (self._run_reader, self._run_hasher)
        ]

    def is_stopped(self) -> bool:
        return self._stop_event.is_set()

    def stop(self) -> None:
        """Stop reading; finish what is being written; leave the rest for the next run."""
        self._stop_event.set()
        for lane in self.lanes:
            lane.resume_verification()

    def start(self) -> None:
        for lane in self.lanes:
            if self._alternate:
                lane.pause_verification()
            lane.start()
        for thread in self._threads:
            thread.start()

    def report(self, result: CopyResult) -> None:
        """Queue a message among the results; for `plan` and `decide`."""
        self._results.put(result)

    def verify(self, lane: int, request: VerifyRequest) -> None:
        """Queue a copy that exists on a lane's drive for reading back, once per pass."""
        if request.copy_id is not None:
            if request.copy_id in self._requested_copy_ids:
                return
            self._requested_copy_ids.add(request.copy_id)
        self.lanes[lane].verify(request)

    def wait_for_backlog(self) -> None:
        """Wait while too many small files are in progress; the reader calls this between two files.

        The buffer pool bounds the bytes; this bounds the memory that each file takes besides.
        """
        while not self.is_stopped():
            behind = self._is_behind()
            if self._alternate and (behind or self._bytes_since_verify >= _VERIFY_INTERVAL_BYTES):
                self._verify_backlog()
            if not behind:
                break
            time.sleep(_POLL_SECONDS)

    def iter_batches(self) -> Iterator[list[CopyResult]]:
        """Yield the results since the last batch, at least every tenth of a second, until all is done."""
        waiting = len(self.lanes) + 1
        while waiting:
            batch = self._next_batch()
            for result in batch:
                if isinstance(result, ThreadCrashed):
                    self.stop()
                    raise result.error
                waiting -= isinstance(result, LaneDone | ReaderDone)
            yield batch

    def close(self) -> list[CopyResult]:
        """Stop, wait for all threads, and return the results not yet yielded."""
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

    def lane_progress(self) -> tuple[LaneProgress, ...]:
        return tuple(
            LaneProgress(lane.place.name, lane.bytes_written, lane.bytes_verified, lane.is_alive)
            for lane in self.lanes
        )

    def _next_batch(self) -> list[CopyResult]:
        batch: list[CopyResult] = []
        deadline = time.monotonic() + _BATCH_SECONDS
        while len(batch) < 1000:
            left = deadline - time.monotonic()
            try:
                batch.append(
                    self._results.get(timeout=max(left, 0.0)) if not batch else self._results.get_nowait()
                )
            except queue.Empty:
                break
        return batch

    def _run_guarded(self, step: Callable[[], None]) -> None:
        try:
            step()
        except BaseException as error:  # noqa: BLE001 - a thread's outer edge; `iter_batches` raises it again
            self._results.put(ThreadCrashed(error))

    def _run_reader(self) -> None:
        try:
            for task in self._plan(self):
                if self.is_stopped():
                    break
                self._bytes_since_verify += self._read_file(task)
                self.wait_for_backlog()
        finally:
            # Signal the end to every consumer, even if the plan failed.
            self._hash_queue.put(None)
            for lane in self.lanes:
                lane.close()
                lane.resume_verification()
            self._results.put(ReaderDone(self.is_stopped()))

    def _is_behind(self) -> bool:
        waiting = max(self._results.qsize(), self._hash_queue.qsize())
        return waiting >= _MAX_BACKLOG or any(lane.is_behind() for lane in self.lanes)

    def _verify_backlog(self) -> None:
        self._bytes_since_verify = 0
        for lane in self.lanes:
            lane.resume_verification()
        for lane in self.lanes:
            lane.wait_for_verification()
        if not self.is_stopped():
            for lane in self.lanes:
                lane.pause_verification()

    def _read_file(self, task: CopyTask) -> int:
        lanes = [self.lanes[number] for number in task.lanes]
        for lane in lanes:
            lane.begin_file(task)
        self._hash_queue.put(("begin", task, None))
        total, trouble = 0, None
        try:
            total = self._stream_file(task, lanes)
        except OSError as error:
            trouble = f"it can't be read ({error.strerror or error})"
        else:
            if self.is_stopped():
                trouble = "stopped"
            elif total != task.entry.size or not task.is_source_unchanged():
                trouble = f"it changed while it was read (listed with {task.entry.size} bytes, read {total})"
        self._hash_queue.put(("end", task, trouble))
        for lane in lanes:
            lane.end_file(task, trouble)
        return total

    def _stream_file(self, task: CopyTask, lanes: list[Lane]) -> int:
        reading = task.open()
        try:
            total = 0
            while (buffer := self._pool.acquire(self.is_stopped)) is not None:
                count = self._fill_buffer(reading, buffer)
                if count == 0:
                    break
                total += count
                self.bytes_read += count
                chunk = Chunk(self._pool, buffer, count, 1 + len(lanes))
                self._hash_queue.put(("chunk", task, chunk))
                for lane in lanes:
                    lane.send_chunk(task, chunk)
                # A file that keeps growing must not fill the drives.
                if total > task.entry.size:
                    break
            return total
        finally:
            reading.close()

    def _fill_buffer(self, reading: CopyReader, buffer: memoryview) -> int:
        """Return the bytes read into buffer; release an empty or failed one to the pool."""
        count = 0
        try:
            count = reading.readinto(buffer)
        finally:
            if count == 0:
                self._pool.release(buffer)
        return count

    def _run_hasher(self) -> None:
        try:
            self._hash_files()
        except BaseException:
            # Release all buffers and unblock the finishers; `_run_guarded` reports the crash.
            self.stop()
            while (message := self._hash_queue.get()) is not None:
                if isinstance(message[2], Chunk):
                    message[2].release()
                message[1].paths_ready.set()
            raise

    def _hash_files(self) -> None:
        hasher, head = SamplingHasher(), b""
        while (message := self._hash_queue.get()) is not None:
            word, task, content = message
            if word == "begin":
                hasher, head = SamplingHasher(), b""
            elif isinstance(content, Chunk):
                if hasher.size == 0:
                    head = bytes(content.view[:HEAD_BYTES])
                hasher.update(content.view)
                if task.integrity_check is not None:
                    task.integrity_check.feed(content.view)
                content.release()
            elif content is None:
                task.sample = hasher.sample()
                if task.integrity_check is not None:
                    task.integrity_result = finish_integrity_check(task.integrity_check, head, task.entry.name)
                self._choose_destination(task, hasher.as_file(), head)
            else:
                task.paths_ready.set()
                self._results.put(SourceReadFailed(task, content))

    def _choose_destination(self, task: CopyTask, file: File, head: bytes) -> None:
        task.file = file
        try:
            task.paths = self._decide(self, task, file, head)
            self._results.put(SourceRead(task, file))
        except CopyError as error:
            for number in task.lanes:
                self._results.put(CopyFailed(task, number, error))
        finally:
            task.paths_ready.set()
