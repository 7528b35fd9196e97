"""Scan one drive in its own thread: list it, then read the due copies in their order on the medium.

Two drives are read at the same time, but no drive by two readers. A lane only reports what it read; the job
records it. It can be stopped or killed at any byte: the next run repeats at most one picture, as none is begun
before the last one is recorded.
"""

from __future__ import annotations

import contextlib
import os
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Literal

from tripleguard.cameras.kinds import LITTER_HEAD, is_system_litter
from tripleguard.catalog import due_copies, file_queries
from tripleguard.catalog.store import Catalog
from tripleguard.digest import SamplingHasher
from tripleguard.errors import CopyError, PlaceFailedError
from tripleguard.jobs.background import Budget, lower_priority
from tripleguard.jobs.cached_copies import iter_verifiable_copies
from tripleguard.jobs.copying.buffers import ReadAhead
from tripleguard.jobs.drives import OpenDrive
from tripleguard.jobs.rescan.damage import count_unreadable_bytes
from tripleguard.jobs.rescan.drive_listing import DriveListing
from tripleguard.jobs.rescan.scan_results import (
    ChangedCopies,
    FileReadResult,
    MatchingCopy,
    MismatchedCopy,
    MissingCopy,
    ScanFinished,
    ScanResult,
    UnchangedCopies,
    UnknownFile,
)
from tripleguard.model import Copy, Entry, File, Medium
from tripleguard.names import escape_text
from tripleguard.places.base import PlaceReader

RescanDepth = Literal["quick", "due", "all", "named"]

_MAX_UNRECORDED_BYTES = 4 * 1024 * 1024
"""Bytes of small files that may be read before the catalog has them: less than one picture."""

_MAX_TRIES = 3
"""How often a copy is read that changes meanwhile."""

_BATCH_COPIES = 2_000
"""How many copies are taken, oldest evidence first, and then sorted by their order on the medium."""


class ScanLane:
    """The scan of one drive in its own thread. catalog: this lane's own connection.

    Args:
        due_before: Copies verified before this time (UTC ns) are due.
        now: Copies verified after this time are due too, since a right clock can't have recorded that.
        on_result: Called with every result.
        shared_with: Read only the due copies of files that this place (id) has too.
        requested: With that depth, the copies to read; nothing is listed.
    """

    _read_ahead: ReadAhead

    def __init__(
        self,
        number: int,
        drive: OpenDrive,
        catalog: Catalog,
        depth: RescanDepth,
        due_before: int,
        now: int,
        budget: Budget,
        should_stop: Callable[[], bool],
        on_result: Callable[[ScanResult], None],
        shared_with: int | None = None,
        requested: Sequence[Copy] = (),
    ) -> None:
        self.number = number
        self._requested = requested
        self.read_bytes = 0
        self.seconds = 0.0
        self.total_bytes = 0
        self._drive = drive
        self._catalog = catalog
        self._depth = depth
        self._due_before = due_before
        self._shared_with = shared_with
        self._now = now
        self._budget = budget
        self._should_stop = should_stop
        self._on_result = on_result
        self._unrecorded_bytes = 0
        self._can_continue = threading.Condition()
        # A copy that was read because it had changed is not read again as due; the catalog may not have it yet.
        self._already_read: set[int] = set()
        self._permission_denied: list[str] = []
        self._thread = threading.Thread(target=self._run_guarded, name=f"scan-{drive.record.name}", daemon=True)

    def start(self) -> None:
        self._thread.start()

    @property
    def is_alive(self) -> bool:
        return self._thread.is_alive()

    def join(self) -> None:
        self._thread.join()

    def acknowledge(self, result: FileReadResult) -> None:
        """Note that the catalog has the result; called from the job's thread."""
        with self._can_continue:
            self._unrecorded_bytes -= _get_pending_bytes(result.entry)
            self._can_continue.notify()

    def _run_guarded(self) -> None:
        # The read-ahead threads inherit this thread's low priority.
        lower_priority()
        self._read_ahead = ReadAhead(self._drive.record.name)
        try:
            finished = self._scan()
            if self._permission_denied:
                raise self._build_permission_error()
        except (OSError, CopyError) as error:
            gone = not self._drive.place.is_connected()
            self._on_result(
                ScanFinished(self.number, is_finished=False, is_disconnected=gone, error=None if gone else error)
            )
        except BaseException as error:  # noqa: BLE001 - a thread's outer edge; the job raises it again
            self._on_result(ScanFinished(self.number, is_finished=False, error=error))
        else:
            self._on_result(ScanFinished(self.number, finished))
        finally:
            self._read_ahead.close()
            self._catalog.close()

    def _build_permission_error(self) -> CopyError:
        """Return the error for copies that the current user may not read: neither good nor bad, but unchecked."""
        first = escape_text(self._permission_denied[0])
        more = f" and {len(self._permission_denied) - 1:,} more copies" if len(self._permission_denied) > 1 else ""
        return PlaceFailedError(
            f"Drive {self._drive.record.name}: you may not read {first}{more}.",
            safe="All else was looked at, and nothing is known to be wrong with these.",
            do="Look who owns them and what is allowed there, then run the rescan again.",
        )

    def _scan(self) -> bool:
        if self._depth == "named":
            return self._read_requested()
        quick = self._depth == "quick"
        listing = DriveListing(
            self._drive,
            self._catalog,
            quick=quick,
            on_unchanged=self._report_unchanged,
            on_missing=self._report_missing,
        )
        found = listing.compare(self._should_stop)
        if found is None:
            return False
        self._permission_denied += [copy.path for copy in found.permission_denied]
        self._on_result(ChangedCopies(self.number, len(found.unreachable) + len(found.changed)))
        for copy in found.unreachable:
            self._report_unreachable(copy)
        for copy, entry in found.changed:
            if self._should_end():
                return False
            self._already_read.add(copy.id)
            self._read_copy(copy, entry)
        for path in found.unknown:
            if self._should_end():
                return False
            self._read_unknown(path)
        return True if quick else self._read_cached() and self._read_due()

    def _should_end(self) -> bool:
        self._budget.wait_while_paused(self._should_stop)
        return self._should_stop() or self._budget.is_used_up()

    def _read_cached(self) -> bool:
        """Read copies whose last reading may have come from a cache and can come from the device now."""
        for copy in iter_verifiable_copies(self._catalog, self._drive, self._shared_with):
            if self._should_end():
                return False
            entry = None if copy.id in self._already_read else self._stat_copy(copy)
            if entry is not None:
                self._already_read.add(copy.id)
                self._read_copy(copy, entry)
        return True

    def _read_due(self) -> bool:
        place_id = self._drive.record.id
        which = (place_id, self._due_before, self._now)
        self.total_bytes = due_copies.sum_due_bytes(self._catalog, *which, shared_with=self._shared_with)
        after: tuple[int, int] = (-1, 0)
        while True:
            window = due_copies.list_due_copies(self._catalog, *which, after, _BATCH_COPIES, self._shared_with)
            if not window:
                return True
            after = max((copy.evidence.verified_at or 0, copy.id) for copy in window)
            for copy in sorted(window, key=lambda copy: copy.path):
                if self._should_end():
                    return False
                if copy.id in self._already_read:
                    continue
                entry = self._stat_copy(copy)
                if entry is not None:
                    self._read_copy(copy, entry)

    def _read_requested(self) -> bool:
        self.total_bytes = sum(copy.size for copy in self._requested)
        for copy in sorted(self._requested, key=lambda copy: copy.path):
            if self._should_end():
                return False
            entry = self._stat_copy(copy)
            if entry is not None:
                self._read_copy(copy, entry)
        return True

    def _stat_copy(self, copy: Copy) -> Entry | None:
        """Return the copy's entry; None if missing or unreachable. Raises CopyError if the drive is gone."""
        try:
            return self._drive.place.stat(copy.path)
        except CopyError as error:
            if not self._drive.place.is_connected():
                raise
            # Copies without permission were counted while listing.
            if not isinstance(error.__cause__, PermissionError):
                self._report_unreachable(copy)
            return None

    def _report_unchanged(self, copy_ids: tuple[int, ...]) -> None:
        self._on_result(UnchangedCopies(self.number, copy_ids))

    def _report_missing(self, copy: Copy) -> None:
        self._on_result(MissingCopy(self.number, copy))

    def _report_unreachable(self, copy: Copy) -> None:
        """Report a copy that is listed as recorded but of which no byte can be read."""
        self._already_read.add(copy.id)
        as_recorded = Entry(copy.path, copy.size, copy.mtime_ns)
        medium = self._drive.place.best_medium
        self._report_read(MismatchedCopy(self.number, copy, as_recorded, None, b"", max(1, copy.size), medium))

    def _wait_for_catalog(self, entry: Entry) -> None:
        """Wait until a power cut would repeat this file only, or less than one picture."""
        with self._can_continue:
            while (
                self._unrecorded_bytes
                and self._unrecorded_bytes + _get_pending_bytes(entry) > _MAX_UNRECORDED_BYTES
                and not self._should_stop()
            ):
                self._can_continue.wait(0.2)

    def _report_read(self, result: FileReadResult) -> None:
        with self._can_continue:
            self._unrecorded_bytes += _get_pending_bytes(result.entry)
        self._on_result(result)

    def _read_copy(self, copy: Copy, entry: Entry) -> None:
        """Read a copy and report the result; nothing if it changes meanwhile: the next run reads it."""
        for _ in range(_MAX_TRIES):
            result = self._compare_content(copy, entry)
            if result is None:
                return
            # It may have been saved since it was listed; then it is not the file that was seen.
            now = self._drive.place.stat(copy.path) if isinstance(result, MismatchedCopy) else entry
            if now == entry:
                self._report_read(result)
                return
            if now is None:
                return
            entry = now

    def _compare_content(self, copy: Copy, entry: Entry) -> MatchingCopy | MismatchedCopy | None:
        """Read a copy and return the result; None if stopped or missing."""
        self._wait_for_catalog(entry)
        expected = file_queries.get_file(self._catalog, copy.file_id).file
        file, sample, medium, unread = self._read_file(entry)
        if file is None and not unread:
            return None
        # Equal digests mean equal bytes; a size from a listing may be wrong.
        if file is not None and file.digest == expected.digest:
            return MatchingCopy(self.number, copy, replace(entry, size=file.size), medium)
        # A single bad reading may be the cable's fault; only a second one is the copy's.
        again, sample, medium, unread = self._read_file(entry)
        if again is None and not unread:
            return None
        if again is not None and again.digest == expected.digest:
            return MatchingCopy(self.number, copy, replace(entry, size=again.size), medium)
        return MismatchedCopy(self.number, copy, entry, again, sample, unread, medium)

    def _read_unknown(self, path: str) -> None:
        entry = self._drive.place.stat(path)
        if entry is None or is_system_litter(path, entry.size, lambda: self._read_head(path)):
            return
        self._wait_for_catalog(entry)
        file, sample, medium, unread = self._read_file(entry)
        if file is None and not unread:
            return
        if self._drive.place.stat(path) == entry:
            self._report_read(UnknownFile(self.number, entry, file, sample, medium))

    def _read_head(self, path: str) -> bytes:
        descriptor = self._drive.place.open_for_reading(path)
        try:
            return os.read(descriptor, LITTER_HEAD)
        finally:
            os.close(descriptor)

    def _read_file(self, entry: Entry) -> tuple[File | None, bytes, Medium, int]:
        """Return what the medium holds; no file if stopped, or, with the unreadable bytes, if it failed.

        A file that vanished since it was listed counts as stopped; the next run finds out.
        """
        try:
            reading = self._drive.place.open_reader(entry.path)
        except FileNotFoundError:
            return None, b"", self._drive.place.best_medium, 0
        except PermissionError:
            self._permission_denied.append(entry.path)
            return None, b"", self._drive.place.best_medium, 0
        except OSError:
            return None, b"", self._drive.place.best_medium, self._count_unreadable(entry)
        try:
            return self._read_through(entry, reading)
        except OSError:
            return None, b"", reading.medium, self._count_unreadable(entry)
        finally:
            reading.close()

    def _read_through(self, entry: Entry, reading: PlaceReader) -> tuple[File | None, bytes, Medium, int]:
        hasher = SamplingHasher()
        began, waited = time.monotonic(), 0.0
        try:
            with contextlib.closing(self._read_ahead.read_pieces(reading, entry.size)) as chunks:
                for chunk in chunks:
                    hasher.update(chunk)
                    self.read_bytes += len(chunk)
                    wait_began = time.monotonic()
                    self._budget.throttle(self._budget.spend(len(chunk)), self._should_stop)
                    self._budget.wait_while_paused(self._should_stop)
                    waited += time.monotonic() - wait_began
                    # Finish the current file when the time is up, else a long one would never be read; but
                    # stop for a pause.
                    if self._should_stop() or self._budget.paused.is_set():
                        return None, b"", reading.medium, 0
        finally:
            # Time spent in a cap or a pause says nothing about the drive's speed.
            self.seconds += time.monotonic() - began - waited
        return hasher.as_file(), hasher.sample(), reading.medium, 0

    def _count_unreadable(self, entry: Entry) -> int:
        """Return how many bytes can't be read, at least 1. Raises OSError if the drive is gone."""
        if not self._drive.place.is_connected():
            raise OSError(None, "the drive is gone")
        return max(1, count_unreadable_bytes(self._drive.place, entry, self._should_end))


def _get_pending_bytes(entry: Entry) -> int:
    """Return how many bytes a file counts while it waits for the catalog; an empty one counts too."""
    return max(1, entry.size)
