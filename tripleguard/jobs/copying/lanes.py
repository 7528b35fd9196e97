"""One lane per drive: write, flush and publish, read back.

Three threads form a pipeline. The writer takes buffers from the pool. The finisher flushes whole copies, gives
them their final names, and syncs the folders once for all queued copies. The verifier reads each copy back past
the cache and compares. A lane that fails stops alone; the others go on.
"""

from __future__ import annotations

import contextlib
import errno
import queue
import threading
from collections.abc import Callable

from tripleguard.digest import Hasher
from tripleguard.errors import CopyError, NameTakenError, PlaceFailedError
from tripleguard.jobs.copying.buffers import CHUNK_BYTES, Chunk
from tripleguard.jobs.copying.copy_tasks import (
    CopyFailed,
    CopyQuarantined,
    CopyTask,
    CopyVerified,
    CopyWritten,
    LaneDone,
    LaneFailed,
    LaneResult,
    ThreadCrashed,
    VerifyFailed,
    VerifyRequest,
)
from tripleguard.model import Entry, File, Medium
from tripleguard.names import escape_text, fit_to_limits
from tripleguard.places.base import CopyTarget, CopyWriter
from tripleguard.places.cache_bypass import allocate_aligned

_MAX_PUBLISH_GROUP = 32
"""How many copies are published and synced together at most; each queued one holds a file open."""

_MAX_UNPUBLISHED_BYTES = 4 * 1024 * 1024
"""Bytes of whole copies that may wait to be published; a power cut makes them to be written again.

One picture may always wait, or many small files: less than a picture in total.
"""

_MAX_BACKLOG = 1000
"""Files that may wait on a lane before the source waits."""


LaneMessage = tuple[str, CopyTask, Chunk | str | None]


class Lane:
    """The three threads of one drive; all of them call `report`.

    Args:
        before_reading: Called with a copy's path right before it is read back.
    """

    def __init__(
        self,
        number: int,
        place: CopyTarget,
        report: Callable[[LaneResult], None],
        is_stopped: Callable[[], bool],
        before_reading: Callable[[str], None] = lambda path: None,
    ) -> None:
        self.number = number
        self.place = place
        self.bytes_written = 0
        self.bytes_verified = 0
        self.is_alive = True
        self._report = report
        self._before_reading = before_reading
        self._is_stopped = is_stopped
        self._inbox: queue.SimpleQueue[LaneMessage | None] = queue.SimpleQueue()
        # Each queued copy holds a file open; many small files must not exhaust the process's descriptors.
        self._publish_queue: queue.Queue[tuple[CopyTask, CopyWriter] | None] = queue.Queue(
            maxsize=_MAX_PUBLISH_GROUP
        )
        self._unpublished_bytes = 0
        self._publish_condition = threading.Condition()
        self._verify_queue: queue.SimpleQueue[VerifyRequest | None] = queue.SimpleQueue()
        self._verify_allowed = threading.Event()
        self._verify_allowed.set()
        self._pending_verifies = 0
        self._verify_condition = threading.Condition()
        self._threads = [
            threading.Thread(
                target=self._run_guarded, args=(step,), name=f"{place.name}-{step.__name__}", daemon=True
            )
            for step in (self._run_writer, self._run_finisher, self._run_verifier)
        ]

    def start(self) -> None:
        for thread in self._threads:
            thread.start()

    def join(self) -> None:
        for thread in self._threads:
            thread.join()

    def begin_file(self, task: CopyTask) -> None:
        self._inbox.put(("begin", task, None))

    def send_chunk(self, task: CopyTask, chunk: Chunk) -> None:
        self._inbox.put(("chunk", task, chunk))

    def end_file(self, task: CopyTask, failure: str | None) -> None:
        """End the file; `failure` says why the source failed, if it did."""
        self._inbox.put(("end", task, failure))

    def close(self) -> None:
        """Signal that no more files come."""
        self._inbox.put(None)

    def verify(self, request: VerifyRequest) -> None:
        with self._verify_condition:
            self._pending_verifies += 1
        self._verify_queue.put(request)

    def is_behind(self) -> bool:
        """Return whether so many files wait on this lane that the source should pause."""
        return self.is_alive and max(self._inbox.qsize() // 2, self._verify_queue.qsize()) >= _MAX_BACKLOG

    def pause_verification(self) -> None:
        """Stop reading back until `resume_verification`: a single head can't write and read at once."""
        self._verify_allowed.clear()

    def resume_verification(self) -> None:
        """Resume reading back."""
        self._verify_allowed.set()

    def wait_for_verification(self) -> None:
        """Wait until nothing is left to read back, or the lane has failed."""
        with self._verify_condition:
            while self._pending_verifies and self.is_alive and not self._is_stopped():
                self._verify_condition.wait(0.2)

    def _run_guarded(self, step: Callable[[], None]) -> None:
        try:
            step()
        except BaseException as error:  # noqa: BLE001 - a thread's outer edge; the job raises it again
            self.is_alive = False
            self._report(ThreadCrashed(error))
            self._unblock_other_threads(step)

    def _unblock_other_threads(self, step: Callable[[], None]) -> None:
        """Release buffers after a crash, and let the threads that wait for this one end."""
        if step == self._run_writer:
            while (message := self._inbox.get()) is not None:
                if isinstance(message[2], Chunk):
                    message[2].release()
            self._publish_queue.put(None)
        elif step == self._run_finisher:
            while (whole := self._publish_queue.get()) is not None:
                whole[1].discard()
        self._verify_queue.put(None)

    def _fail_lane(self, error: CopyError) -> None:
        if self.is_alive:
            self.is_alive = False
            self._report(LaneFailed(self.number, error))

    def _report_failure(self, task: CopyTask, error: CopyError) -> None:
        if isinstance(error, PlaceFailedError) and not self.place.is_connected():
            self._fail_lane(error)
        self._report(CopyFailed(task, self.number, error))

    def _run_writer(self) -> None:
        incoming: CopyWriter | None = None
        while (message := self._inbox.get()) is not None:
            word, task, content = message
            if word == "begin":
                incoming = self._open_incoming(task)
            elif isinstance(content, Chunk):
                try:
                    incoming = self._write_chunk(task, incoming, content)
                finally:
                    content.release()
            elif incoming is not None:
                self._finish_incoming(task, incoming, content)
                incoming = None
        self._publish_queue.put(None)

    def _open_incoming(self, task: CopyTask) -> CopyWriter | None:
        if not self.is_alive:
            self._report(CopyFailed(task, self.number, _drive_gone_error(self.place)))
            return None
        try:
            return self.place.begin_copy(task.entry.size)
        except CopyError as error:
            self._report_failure(task, error)
            return None

    def _write_chunk(self, task: CopyTask, incoming: CopyWriter | None, chunk: Chunk) -> CopyWriter | None:
        if incoming is None:
            return None
        try:
            incoming.write(chunk.view)
        except CopyError as error:
            incoming.discard()
            self._report_failure(task, error)
            return None
        self.bytes_written += chunk.length
        return incoming

    def _finish_incoming(self, task: CopyTask, incoming: CopyWriter, failure: str | None) -> None:
        if failure is None:
            self._wait_to_publish(task.entry.size)
            self._publish_queue.put((task, incoming))
        elif self._is_stopped():
            incoming.discard()
        else:
            self._keep_partial(task, incoming, failure)

    def _wait_to_publish(self, size: int) -> None:
        """Wait until this copy's bytes fit among those not yet published."""
        with self._publish_condition:
            while (
                self._unpublished_bytes
                and self._unpublished_bytes + size > _MAX_UNPUBLISHED_BYTES
                and self.is_alive
            ):
                self._publish_condition.wait(0.2)
            self._unpublished_bytes += size

    def _release_unpublished(self, size: int) -> None:
        with self._publish_condition:
            self._unpublished_bytes -= size
            self._publish_condition.notify_all()

    def _keep_partial(self, task: CopyTask, incoming: CopyWriter, failure: str) -> None:
        try:
            name = fit_to_limits(task.entry.name, self.place.fs_limits)
        except CopyError:
            incoming.discard()
        else:
            incoming.quarantine_partial(name, failure)

    def _run_finisher(self) -> None:
        while (first := self._publish_queue.get()) is not None:
            group = [first]
            with contextlib.suppress(queue.Empty):
                while len(group) < _MAX_PUBLISH_GROUP:
                    item = self._publish_queue.get_nowait()
                    if item is None:
                        self._publish_queue.put(None)
                        break
                    group.append(item)
            self._publish_group(group)
        self._verify_queue.put(None)

    def _publish_group(self, group: list[tuple[CopyTask, CopyWriter]]) -> None:
        named: list[CopyWritten] = []
        for task, incoming in group:
            try:
                incoming.flush(task.entry.mtime_ns)
                task.paths_ready.wait()
                path = task.paths.get(self.number)
                if path is None:
                    incoming.discard()
                    continue
                self._quarantine_replaced(task, path)
                named.append(CopyWritten(task, self.number, incoming.publish(path)))
            except CopyError as error:
                incoming.discard()
                self._report_failure(task, error)
            finally:
                self._release_unpublished(task.entry.size)
        try:
            self.place.fsync_dirs({done.entry.folder for done in named})
        except CopyError as error:
            for done in named:
                self._report_failure(done.task, error)
            return
        for done in named:
            self._report(done)
            if done.task.file is None:
                raise AssertionError("a copy was named before its content was known")
            self.verify(VerifyRequest(done.entry.path, done.task.file, task=done.task))

    def _quarantine_replaced(self, task: CopyTask, path: str) -> None:
        """Quarantine a bad copy that the flushed good one replaces. Raises NameTakenError, PlaceFailedError."""
        why = task.replaces.get(self.number)
        if why is not None and self.place.exists(path):
            # An editor may have saved to this path while the good copy was being written.
            if (
                self.number in task.expected_entries
                and self.place.stat(path) != task.expected_entries[self.number]
            ):
                raise NameTakenError(
                    f"{escape_text(path)} was changed on drive {self.place.name} a moment ago.",
                    safe="What stands there was left as it is.",
                    do="Run `tripleguard rescan`, then `tripleguard repair` again.",
                )
            self._report(CopyQuarantined(self.number, path, self.place.quarantine(path, why)))

    def _run_verifier(self) -> None:
        buffer = allocate_aligned(CHUNK_BYTES)
        while (proof := self._verify_queue.get()) is not None:
            while not self._verify_allowed.wait(0.2):
                if self._is_stopped():
                    break
            if self.is_alive and not self._is_stopped():
                self._verify_copy(proof, buffer)
            with self._verify_condition:
                self._pending_verifies -= 1
                self._verify_condition.notify_all()
        self._report(LaneDone(self.number))

    def _verify_copy(self, request: VerifyRequest, buffer: memoryview) -> None:
        why = ""
        for reading in (1, 2):
            try:
                self._before_reading(request.path)
                seen = self._stat_copy(request.path)
                found, medium = self._hash_from_medium(request.path, buffer)
            except OSError as error:
                if not self.place.is_connected():
                    self._fail_lane(_drive_gone_error(self.place))
                    return
                why = f"it can't be read back ({error.strerror or error})"
                continue
            if found is None:
                return
            if found == request.file:
                self._report(CopyVerified(request, self.number, medium, reading, seen))
                return
            why = f"read back, its BLAKE3 is {found.digest.hex()} and not {request.file.digest.hex()}"
            if found.size != request.file.size:
                why = f"read back, it has {found.size} bytes and not {request.file.size}"
        quarantine: str | None = None
        with contextlib.suppress(CopyError):
            quarantine = self.place.quarantine(request.path, why)
        self._report(VerifyFailed(request, self.number, why, quarantine))

    def _stat_copy(self, path: str) -> Entry:
        """Return the copy's entry before it is read. Raises OSError."""
        try:
            seen = self.place.stat(path)
        except CopyError as error:
            raise OSError(None, error.what) from error
        if seen is None:
            raise FileNotFoundError(errno.ENOENT, "it is not there", path)
        return seen

    def _hash_from_medium(self, path: str, buffer: memoryview) -> tuple[File | None, Medium]:
        """Return the file that the medium holds at path; None if stopped. Raises OSError."""
        hasher = Hasher()
        reading = self.place.open_reader(path)
        try:
            while count := reading.readinto(buffer):
                hasher.update(buffer[:count])
                self.bytes_verified += count
                if self._is_stopped():
                    return None, reading.medium
            return hasher.as_file(), reading.medium
        finally:
            reading.close()


def _drive_gone_error(place: CopyTarget) -> PlaceFailedError:
    return PlaceFailedError(
        f"Drive {place.name} stopped answering.",
        safe="What was verified on it before is in the catalog.",
        do="Check the cable, connect it again, then run `tripleguard topup`.",
    )
