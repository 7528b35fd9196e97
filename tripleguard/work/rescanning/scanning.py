"""Looking at one drive: list it all, then read what is due, in the order in which it lies there.

One lane per drive, so that two drives are read at the same time and no drive by two readers. A lane only looks
and says what it saw; the job enters it. It can be stopped, or killed, at any byte: the next run repeats at most
the one picture it was in, as no other is begun before the last one is entered.
"""

from __future__ import annotations

import contextlib
import os
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Literal

from tripleguard.cameras.kinds import is_left_by_system
from tripleguard.catalog import due, questions
from tripleguard.catalog.store import Catalog
from tripleguard.digest import SampledHasher
from tripleguard.errors import CopyTrouble, PlaceFailed
from tripleguard.model import Copy, Entry, File, Medium
from tripleguard.names import shown
from tripleguard.places.media import MediumReading
from tripleguard.work.budget import Budget, be_gentle
from tripleguard.work.from_memory import to_prove
from tripleguard.work.kit import OpenDrive
from tripleguard.work.readahead import ReadAhead
from tripleguard.work.rescanning.listing import Listing
from tripleguard.work.rescanning.seen import (
    Absent,
    Different,
    Equal,
    Listed,
    NotAsRecorded,
    ReadBack,
    ScanEnded,
    ScanResult,
    Unknown,
)
from tripleguard.work.rescanning.unreadable import unreadable_bytes

Depth = Literal["quick", "due", "all", "named"]

_UNENTERED = 4 * 1024 * 1024
"""Bytes of small files that may be read on before the catalog has them: less than a picture in all."""

_TRIES = 3
"""How often a copy is read that is being changed meanwhile."""

_WINDOW = 2_000
"""Copies that are taken oldest evidence first and then read in the order in which they lie."""


class ScanLane:
    """One drive being looked at in a thread of its own. catalog is this lane's own connection.

    read: bytes read so far; seconds: time spent reading them, without what a cap on the rate held back.

    due_before: copies verified before this moment (UTC ns) are due; now: those verified after it too, as no
    clock that is right can have said so. shared_with: of these, only files that this place (id) has too. named:
    with that depth, the copies to read, and nothing is listed. report gets every result.
    """

    _ahead: ReadAhead

    def __init__(
        self,
        number: int,
        drive: OpenDrive,
        catalog: Catalog,
        depth: Depth,
        due_before: int,
        now: int,
        budget: Budget,
        stopped: Callable[[], bool],
        report: Callable[[ScanResult], None],
        shared_with: int | None = None,
        named: Sequence[Copy] = (),
    ) -> None:
        self.number = number
        self._named = named
        self.read = 0
        self.seconds = 0.0
        self.of_bytes = 0
        self._drive = drive
        self._catalog = catalog
        self._depth = depth
        self._due_before = due_before
        self._shared_with = shared_with
        self._now = now
        self._budget = budget
        self._stopped = stopped
        self._report = report
        self._unentered = 0
        self._may_go_on = threading.Condition()
        # What was read because it had changed is not read again as due: the catalog may not have heard of it yet.
        self._read_once: set[int] = set()
        self._forbidden: list[str] = []
        self._thread = threading.Thread(target=self._edge, name=f"scan-{drive.record.name}", daemon=True)

    def start(self) -> None:
        self._thread.start()

    @property
    def alive(self) -> bool:
        return self._thread.is_alive()

    def join(self) -> None:
        self._thread.join()

    def entered(self, result: ReadBack) -> None:
        """The catalog has it now; called from the job's thread."""
        with self._may_go_on:
            self._unentered -= _weight(result.entry)
            self._may_go_on.notify()

    def _edge(self) -> None:
        # The threads that read ahead are begun by this one, and are as gentle.
        be_gentle()
        self._ahead = ReadAhead(self._drive.record.name)
        try:
            finished = self._scan()
            if self._forbidden:
                raise self._not_allowed()
        except (OSError, CopyTrouble) as error:
            gone = not self._drive.place.here()
            self._report(ScanEnded(self.number, finished=False, gone=gone, error=None if gone else error))
        except BaseException as error:  # noqa: BLE001 - a thread's outer edge; the job raises it again
            self._report(ScanEnded(self.number, finished=False, error=error))
        else:
            self._report(ScanEnded(self.number, finished))
        finally:
            self._ahead.close()
            self._catalog.close()

    def _not_allowed(self) -> CopyTrouble:
        """Copies that who runs this may not read are neither good nor bad; but nobody has looked at them."""
        first = shown(self._forbidden[0])
        more = f" and {len(self._forbidden) - 1:,} more copies" if len(self._forbidden) > 1 else ""
        return PlaceFailed(
            f"Drive {self._drive.record.name}: you may not read {first}{more}.",
            safe="All else was looked at, and nothing is known to be wrong with these.",
            do="Look who owns them and what is allowed there, then run the rescan again.",
        )

    def _scan(self) -> bool:
        if self._depth == "named":
            return self._read_named()
        quick = self._depth == "quick"
        listing = Listing(self._drive, self._catalog, quick=quick, fine=self._tell_fine, absent=self._tell_absent)
        found = listing.differences(self._stopped)
        if found is None:
            return False
        self._forbidden += [copy.path for copy in found.forbidden]
        self._report(NotAsRecorded(self.number, len(found.out_of_reach) + len(found.changed)))
        for copy in found.out_of_reach:
            self._tell_out_of_reach(copy)
        for copy, entry in found.changed:
            if self._ended():
                return False
            self._read_once.add(copy.id)
            self._read_copy(copy, entry)
        for path in found.unknown:
            if self._ended():
                return False
            self._read_unknown(path)
        return True if quick else self._read_unproved() and self._read_due()

    def _ended(self) -> bool:
        self._budget.quiet(self._stopped)
        return self._stopped() or self._budget.used_up()

    def _read_unproved(self) -> bool:
        """Read what was last read from memory, maybe, and would come from the device now."""
        for copy in to_prove(self._catalog, self._drive, self._shared_with):
            if self._ended():
                return False
            entry = None if copy.id in self._read_once else self._looked_at(copy)
            if entry is not None:
                self._read_once.add(copy.id)
                self._read_copy(copy, entry)
        return True

    def _read_due(self) -> bool:
        place_id = self._drive.record.id
        which = (place_id, self._due_before, self._now)
        self.of_bytes = due.due_bytes(self._catalog, *which, shared_with=self._shared_with)
        after: tuple[int, int] = (-1, 0)
        while True:
            window = due.due_copies(self._catalog, *which, after, _WINDOW, self._shared_with)
            if not window:
                return True
            after = max((copy.evidence.verified_at or 0, copy.id) for copy in window)
            for copy in sorted(window, key=lambda copy: copy.path):
                if self._ended():
                    return False
                if copy.id in self._read_once:
                    continue
                entry = self._looked_at(copy)
                if entry is not None:
                    self._read_copy(copy, entry)

    def _read_named(self) -> bool:
        self.of_bytes = sum(copy.size for copy in self._named)
        for copy in sorted(self._named, key=lambda copy: copy.path):
            if self._ended():
                return False
            entry = self._looked_at(copy)
            if entry is not None:
                self._read_copy(copy, entry)
        return True

    def _looked_at(self, copy: Copy) -> Entry | None:
        """The copy as it lies there; None if it is not, or is out of reach. Raises CopyTrouble if the drive is."""
        try:
            return self._drive.place.look(copy.path)
        except CopyTrouble as error:
            if not self._drive.place.here():
                raise
            # What may not be looked at was counted while it was listed.
            if not isinstance(error.__cause__, PermissionError):
                self._tell_out_of_reach(copy)
            return None

    def _tell_fine(self, copy_ids: tuple[int, ...]) -> None:
        self._report(Listed(self.number, copy_ids))

    def _tell_absent(self, copy: Copy) -> None:
        self._report(Absent(self.number, copy))

    def _tell_out_of_reach(self, copy: Copy) -> None:
        """The file system does not give it: as recorded, and not one byte of it can be read."""
        self._read_once.add(copy.id)
        as_recorded = Entry(copy.path, copy.size, copy.mtime_ns)
        medium = self._drive.place.depth.medium
        self._tell(Different(self.number, copy, as_recorded, None, b"", max(1, copy.size), medium))

    def _wait_for_the_catalog(self, entry: Entry) -> None:
        """Begin a file only if what a cut makes to be read again is that file alone, or less than a picture."""
        with self._may_go_on:
            while self._unentered and self._unentered + _weight(entry) > _UNENTERED and not self._stopped():
                self._may_go_on.wait(0.2)

    def _tell(self, result: ReadBack) -> None:
        with self._may_go_on:
            self._unentered += _weight(result.entry)
        self._report(result)

    def _read_copy(self, copy: Copy, entry: Entry) -> None:
        """Read a copy and tell how it is; nothing of one that changes while it is read: the next run tells."""
        for _ in range(_TRIES):
            told = self._read_as(copy, entry)
            if told is None:
                return
            # Somebody may have saved there since it was looked at: then it is not what was seen then.
            now = self._drive.place.look(copy.path) if isinstance(told, Different) else entry
            if now == entry:
                self._tell(told)
                return
            if now is None:
                return
            entry = now

    def _read_as(self, copy: Copy, entry: Entry) -> Equal | Different | None:
        """What reading a copy tells, which was seen as entry; None if it was stopped or is not there."""
        self._wait_for_the_catalog(entry)
        expected = questions.file_with_id(self._catalog, copy.file_id).file
        file, sample, medium, unread = self._read_file(entry)
        if file is None and not unread:
            return None
        # Equal digests are equal bytes; a size that was only told may be wrong.
        if file is not None and file.digest == expected.digest:
            return Equal(self.number, copy, replace(entry, size=file.size), medium)
        # A reading that is wrong once may be the cable; only one that is wrong twice is the copy.
        again, sample, medium, unread = self._read_file(entry)
        if again is None and not unread:
            return None
        if again is not None and again.digest == expected.digest:
            return Equal(self.number, copy, replace(entry, size=again.size), medium)
        return Different(self.number, copy, entry, again, sample, unread, medium)

    def _read_unknown(self, path: str) -> None:
        entry = self._drive.place.look(path)
        if entry is None or is_left_by_system(path, entry.size, lambda: self._head(path)):
            return
        self._wait_for_the_catalog(entry)
        file, sample, medium, unread = self._read_file(entry)
        if file is None and not unread:
            return
        if self._drive.place.look(path) == entry:
            self._tell(Unknown(self.number, entry, file, sample, medium))

    def _head(self, path: str) -> bytes:
        descriptor = self._drive.place.open_for_reading(path)
        try:
            return os.read(descriptor, 8)
        finally:
            os.close(descriptor)

    def _read_file(self, entry: Entry) -> tuple[File | None, bytes, Medium, int]:
        """What the medium holds; no file when stopped, or, with the bytes that can't be read, when it failed.

        A file that went away since it was listed is as one that was stopped: the next look tells.
        """
        try:
            reading = self._drive.place.read(entry.path)
        except FileNotFoundError:
            return None, b"", self._drive.place.depth.medium, 0
        except PermissionError:
            self._forbidden.append(entry.path)
            return None, b"", self._drive.place.depth.medium, 0
        except OSError:
            return None, b"", self._drive.place.depth.medium, self._unreadable(entry)
        try:
            return self._read_through(entry, reading)
        except OSError:
            return None, b"", reading.medium, self._unreadable(entry)
        finally:
            reading.close()

    def _read_through(self, entry: Entry, reading: MediumReading) -> tuple[File | None, bytes, Medium, int]:
        hasher = SampledHasher()
        began, waited = time.monotonic(), 0.0
        try:
            with contextlib.closing(self._ahead.chunks(reading, entry.size)) as chunks:
                for chunk in chunks:
                    hasher.update(chunk)
                    self.read += len(chunk)
                    asked = time.monotonic()
                    self._budget.hold_back(self._budget.spend(len(chunk)), self._stopped)
                    self._budget.quiet(self._stopped)
                    waited += time.monotonic() - asked
                    # A file is read to its end when the time is up, as else a long one would never be read; but
                    # not while there is to be quiet.
                    if self._stopped() or self._budget.paused.is_set():
                        return None, b"", reading.medium, 0
        finally:
            # What a cap or a pause held back says nothing of how fast the drive reads.
            self.seconds += time.monotonic() - began - waited
        return hasher.file(), hasher.sample(), reading.medium, 0

    def _unreadable(self, entry: Entry) -> int:
        """How many bytes can't be read, at least 1. Raises OSError if the drive is gone."""
        if not self._drive.place.here():
            raise OSError(None, "the drive is gone")
        return max(1, unreadable_bytes(self._drive.place, entry, self._ended))


def _weight(entry: Entry) -> int:
    """What a file counts among those that wait for the catalog, in bytes; an empty one too."""
    return max(1, entry.size)
