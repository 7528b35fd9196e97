"""Decide why a quarantined file must stay. In doubt it stays.

A bad copy may be purged only while its file has the verified copies that the rule asks for, on connected drives
that were checked now. It may be all that is left of a file; it may not be a bad copy at all, but someone's work,
or another picture under its name. So it is checked twice: against the catalog, and by its bytes.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from tripleguard.catalog import file_queries
from tripleguard.catalog.companions import find_newest_version, find_pictures
from tripleguard.catalog.quarantine import QuarantinedCopy
from tripleguard.catalog.rows import KnownFile
from tripleguard.digest import Hasher
from tripleguard.jobs.clearance.counted_copies import (
    COPY_CHANGED,
    SAME_COPY,
    SAME_DISK,
    CopyEvidence,
    CountedCopies,
)
from tripleguard.jobs.clearance.quarantine_content import known_as, original_name
from tripleguard.jobs.context import JobContext
from tripleguard.jobs.drives import OpenDrive
from tripleguard.jobs.existing_copies import is_identified_by_content
from tripleguard.jobs.stored_content import file_at
from tripleguard.model import Copy, Entry, FindingKind
from tripleguard.names import escape_text
from tripleguard.places.base import ChangeWatch
from tripleguard.places.cache_bypass import allocate_aligned
from tripleguard.places.quarantine import QuarantineEntry
from tripleguard.rules import CopyRequirements, CopyStatus, is_as_recorded, primary_reason

_CHUNK_BYTES = 1024 * 1024
_SECTOR_BYTES = 512

_UNKNOWN = "the catalog does not know it. Look at it; if it is of no use, remove it yourself"
_TWO_NAMES = "it has another name on the drive as well. Look at it yourself"
_OPEN = "a finding about it is still open. Next: run `repair`"
_NO_HOME = "it is not certain which picture it belonged to. Look at it yourself"
_CHANGED = "it was changed and did not just rot, maybe somebody's work: look at it. With `--changed-too` it may go"
_OLDER = "it is an older version of a sidecar, maybe somebody's work: look at it. With `--changed-too` it may go"
_FOREIGN = (
    "it holds other bytes than its file altogether, maybe another picture: look at it. With `--changed-too` it "
    "may go"
)
_NEEDED_TO_RECOMBINE = (
    "no good copy of its file is here, so that it may be needed to put one together: connect all drives and run "
    "`rescan`"
)
_ROTTEN = "its copy on drive {drive} does not read as recorded now. Next: run `rescan --all`"
_JUST_CHANGED = "it is not what it was a moment ago. Look at it, then run the command again"
_DRIVE_GONE = "drive {drive} went away meanwhile. Next: connect it and run the command again"
_COPY_CHANGED = "a copy of its file was changed while it was looked at. Next: run `rescan`, then the command again"
_NEXT_STEPS = {
    CopyStatus.MISSING: "one is not as recorded: run `rescan`, then `repair`",
    CopyStatus.UNVERIFIED: "one was not read back yet: run `rescan`",
    CopyStatus.OVERDUE: "one was verified too long ago: run `rescan`",
    CopyStatus.CACHED: "one may have been read from memory: connect its drive again and run `rescan --all`",
    CopyStatus.AWAY: "connect all drives",
    CopyStatus.OUT_OF_SERVICE: "one is on a drive that is out of service: run `topup`",
}
_PROBLEMS = {
    COPY_CHANGED: "one was changed while it was looked at: run `rescan`",
    SAME_COPY: "two of them are the same bytes under two names: remove neither, and run `topup` to another drive",
    SAME_DISK: "two of them are on one disk: connect a drive on another disk and run `topup`",
}


@dataclass(frozen=True, slots=True)
class _Needed:
    """A file that must be safe after the purge, the name to look for, and the pictures beside it."""

    known: KnownFile
    name: str
    pictures: frozenset[bytes] | None


class QuarantineKeepRules:
    """Judges quarantined files against the open drives as they are now. Close it when done.

    For a removal, use a new instance each time: its observations begin when it is created.

    include_changed: allow removing files that someone changed, not only rotten ones.
    """

    def __init__(self, ctx: JobContext, drives: Sequence[OpenDrive], *, include_changed: bool) -> None:
        self._ctx = ctx
        self._drives = {drive.record.id: drive for drive in drives}
        self._include_changed = include_changed
        rule = ctx.settings.rule
        self._wanted = rule.drive_copies
        # An absent drive can't be checked, whatever the settings for a clearance say.
        needs = CopyRequirements(rule.road_days, rule.shelf_days, rule.accept_cached)
        self._copies = CopyEvidence(ctx, drives, needs, rule.drive_copies, change_times="any")
        self._copies.begin_final_check()
        self._monitor: ChangeWatch | None = None
        self._read: dict[int, set[int]] = {}
        self._rests_on: list[_Needed] = []

    def close(self) -> None:
        """Stop watching for changes."""
        self._copies.close()
        if self._monitor is not None:
            self._monitor.close()

    def find_keep_reason(
        self, stored_file: QuarantineEntry, copy: QuarantinedCopy | None, file: KnownFile | None
    ) -> str | None:
        """Return why the file must stay, by the catalog and its copies now; None if it may go."""
        if stored_file.problem:
            return f"{stored_file.problem}. Look at it yourself"
        if copy is None or file is None:
            return _UNKNOWN
        if stored_file.link_count != 1:
            return _TWO_NAMES
        if copy.has_open_finding:
            return _OPEN
        if copy.home_path is None and not is_identified_by_content(file.kind, file.file.size):
            return _NO_HOME
        needed = self._get_required_file_id(stored_file, copy, file)
        if not self._include_changed:
            if needed.known.id != file.id or FindingKind.STALE in copy.finding_kinds:
                return _OLDER
            # Rot leaves size and time unchanged; any other change may have been intended.
            seen = Entry(stored_file.path, stored_file.size, stored_file.mtime_ns)
            if FindingKind.ALTERED in copy.finding_kinds or not is_as_recorded(copy.copy, seen):
                return _CHANGED
        return self._check_copy_count(needed)

    def find_content_keep_reason(
        self, drive: OpenDrive, stored_file: QuarantineEntry, copy: QuarantinedCopy, file: KnownFile
    ) -> str | None:
        """Return why the file must stay, by its bytes and its copies' bytes, all read now; None if it may go.

        Raises OSError.
        """
        self._monitor = drive.place.start_change_monitor()
        self._monitor.watch(stored_file.folder)
        needed = self._get_required_file_id(stored_file, copy, file)
        descriptor = drive.place.open_for_reading(stored_file.path)
        try:
            if not stored_file.is_unchanged(os.fstat(descriptor)):
                return _JUST_CHANGED
            # An older version has no other copies; the newest one stays.
            good = next(iter(self._count_copies(needed).copies), None) if needed.known.id == file.id else None
            looked = _ContentComparison(descriptor, stored_file.size)
            if good is None:
                looked.read_all(None)
            else:
                on = self._drives[good.place_id]
                reading = on.place.open_reader(good.path)
                try:
                    looked.read_all(reading.readinto)
                finally:
                    reading.close()
                if looked.good.as_file() != file.file:
                    return _ROTTEN.format(drive=on.record.name)
        finally:
            os.close(descriptor)
        why = self._check_remaining_copies(needed, already_read=good)
        if why is not None:
            return why
        if not looked.unreadable:
            held = known_as(self._ctx.catalog, looked.own_file.as_file())
            if held is not None and held.id not in (file.id, needed.known.id):
                return self._check_other_file(held)
            if held is not None:
                return None
        if good is not None and looked.is_foreign and not self._include_changed:
            return _FOREIGN
        return None

    def why_kept_now(self, drive: OpenDrive, stored_file: QuarantineEntry) -> str | None:
        """Return why the file must stay after all, by a last check; None: remove it now.

        The copies that were read must be unchanged, and neither they nor this file may have been written to since.
        Call it right before the removal, after `find_content_keep_reason`. Raises OSError.
        """
        if not self._rests_on or self._monitor is None:
            raise AssertionError("nothing was read before the last look")
        for name in self._copies.begin_final_check():
            return _DRIVE_GONE.format(drive=name)
        counted = [self._copies.run_final_check(one.known, one.name, one.pictures) for one in self._rests_on]
        for needed, found in zip(self._rests_on, counted, strict=True):
            if not self._copies.is_enough(found):
                return self._sentence(found)
            if not {copy.id for copy in found.copies} <= self._read[needed.known.id]:
                return _COPY_CHANGED
        for name in self._copies.end_final_check():
            return _DRIVE_GONE.format(drive=name)
        if not all(map(self._copies.is_unchanged, counted)):
            return _COPY_CHANGED
        if not drive.place.is_quarantine_unchanged(stored_file):
            return _JUST_CHANGED
        return _JUST_CHANGED if self._monitor.changes().may_include(stored_file.path) else None

    def _check_other_file(self, actual: KnownFile) -> str | None:
        """Return why another whole file under this name must stay; it must be safe without this copy."""
        words = f"it holds another file whole, {escape_text(actual.name)}"
        if not is_identified_by_content(actual.kind, actual.file.size):
            return f"{words}. Look at it yourself"
        needed = _Needed(actual, actual.name, None)
        why = self._check_copy_count(needed) or self._check_remaining_copies(needed)
        return None if why is None else f"{words}, and of that one: {why}"

    def _get_required_file_id(
        self, stored_file: QuarantineEntry, copy: QuarantinedCopy, file: KnownFile
    ) -> _Needed:
        """Return the file whose copies must be safe after the purge; of a sidecar its newest version."""
        name = original_name(copy, stored_file)
        if copy.home_path is None or is_identified_by_content(file.kind, file.file.size):
            return _Needed(file, name, None)
        newest = find_newest_version(self._ctx.catalog, copy.home_path, copy.copy.place_id)
        if newest is not None:
            file = file_queries.get_file(self._ctx.catalog, newest)
        # A sidecar counts beside its own picture, whatever that folder's name.
        return _Needed(file, name, find_pictures(self._ctx.catalog, copy.copy.place_id, copy.home_path) or None)

    def _check_remaining_copies(self, needed: _Needed, already_read: Copy | None = None) -> str | None:
        """Return why the remaining copies can't be relied on, read now from their media; None if they can.

        already_read: one of them that was read already.
        """
        counted = self._count_copies(needed)
        for copy in counted.copies:
            drive = self._drives[copy.place_id]
            if (already_read is None or copy.id != already_read.id) and file_at(
                drive, copy.path
            ) != needed.known.file:
                return _ROTTEN.format(drive=drive.record.name)
        self._rests_on.append(needed)
        self._read[needed.known.id] = {copy.id for copy in counted.copies}
        return None if self._copies.is_enough(counted) else self._sentence(counted)

    def _check_copy_count(self, needed: _Needed) -> str | None:
        """Return why there are fewer copies now than the rule asks for; None if there are enough."""
        counted = self._count_copies(needed)
        return None if self._copies.is_enough(counted) else self._sentence(counted)

    def _count_copies(self, needed: _Needed) -> CountedCopies:
        """Return the copies that count now, one per drive."""
        self._copies.run_first_check(needed.known, needed.name, needed.pictures)
        return self._copies.run_final_check(needed.known, needed.name, needed.pictures)

    def _sentence(self, counted: CountedCopies) -> str:
        """Return why there are too few, and what to do."""
        reason = primary_reason(counted.statuses)
        if not counted.copies and not counted.problems and reason in (None, CopyStatus.MISSING):
            return _NEEDED_TO_RECOMBINE
        problem = next((_PROBLEMS[word] for word in _PROBLEMS if word in counted.problems), None)
        step = problem or (_NEXT_STEPS[reason] if reason else "run `topup`")
        found = counted.independent
        return f"its file has {found} of {self._wanted} verified copies on the drives that are here: {step}"


class _ContentComparison:
    """Reads a bad copy to its end, together with a good one if there is one."""

    def __init__(self, descriptor: int, size: int) -> None:
        self.own_file = Hasher()
        self.good = Hasher()
        self.unreadable = False
        self._descriptor = descriptor
        self._size = size
        self._sectors = self._foreign = 0

    @property
    def is_foreign(self) -> bool:
        """Return whether most bytes differ and are not zeros: rot leaves most of a file, or nothing of it."""
        return self._foreign * 2 > self._sectors

    def read_all(self, read_good: Callable[[memoryview], int] | None) -> None:
        """Read both to the end; read_good fills a buffer and returns the number of bytes, 0 at the end."""
        buffer, offset = allocate_aligned(_CHUNK_BYTES), 0
        while read_good is not None and (count := read_good(buffer)):
            self.good.update(buffer[:count])
            piece = self._read_chunk(offset, min(count, max(0, self._size - offset)))
            self._compare(piece, bytes(buffer[: len(piece)]))
            offset += count
        while offset < self._size:
            piece = self._read_chunk(offset, min(_CHUNK_BYTES, self._size - offset))
            self._compare(piece, b"")
            offset += len(piece)

    def _compare(self, bad: bytes, good: bytes) -> None:
        if bad == good:
            self._sectors += -(-len(bad) // _SECTOR_BYTES)
            return
        for start in range(0, len(bad), _SECTOR_BYTES):
            sector = bad[start : start + _SECTOR_BYTES]
            self._sectors += 1
            self._foreign += sector != good[start : start + _SECTOR_BYTES] and bool(sector.strip(b"\0"))

    def _read_chunk(self, offset: int, length: int) -> bytes:
        """Return the bytes at an offset; unreadable sectors are zeros."""
        found = _read_at(self._descriptor, offset, length)
        if found is not None:
            self.own_file.update(found)
            return found
        self.unreadable = True
        sectors = range(offset, offset + length, _SECTOR_BYTES)
        sizes = [min(_SECTOR_BYTES, offset + length - start) for start in sectors]
        return b"".join(
            _read_at(self._descriptor, start, size) or bytes(size)
            for start, size in zip(sectors, sizes, strict=True)
        )


def _read_at(descriptor: int, offset: int, length: int) -> bytes | None:
    """Return exactly these bytes; None if they can't be read."""
    try:
        os.lseek(descriptor, offset, os.SEEK_SET)
        found = bytearray()
        while len(found) < length:
            more = os.read(descriptor, length - len(found))
            if not more:
                return None
            found += more
    except OSError:
        return None
    return bytes(found)
