"""Decide why a quarantined file must stay. In doubt it stays.

A bad copy may go only while its file has, now, the verified copies that the rule asks for, on connected drives
that were checked. It may be all that is left of a file, in pieces; it may be no bad copy at all, but somebody's
work, or another picture that took its name. So it is checked twice: by what the catalog knows, and then by its
bytes.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence

from tripleguard.catalog import file_queries
from tripleguard.catalog.companions import find_newest_version
from tripleguard.catalog.places import list_places
from tripleguard.catalog.quarantine import QuarantinedCopy
from tripleguard.catalog.rows import KnownFile
from tripleguard.digest import Hasher
from tripleguard.jobs.drives import JobContext, OpenDrive
from tripleguard.jobs.existing_copies import is_identified_by_content
from tripleguard.model import Copy, CopyState, Entry, File, FindingKind
from tripleguard.names import escape_text
from tripleguard.places.cache_bypass import allocate_aligned
from tripleguard.places.quarantine import QuarantineEntry
from tripleguard.rules import CopyRequirements, CopyStatus, copy_status, is_as_recorded, primary_reason

_CHUNK_BYTES = 1024 * 1024
_SECTOR_BYTES = 512

_UNKNOWN = "the catalog does not know it. Look at it; if it is of no use, remove it yourself"
_TWO_NAMES = "it has another name on the drive as well. Look at it yourself"
_OPEN = "a finding about it is still open. Next: run `mend`"
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
_JUST_CHANGED = "it is not what it was a moment ago"
_NEXT_STEPS = {
    CopyStatus.MISSING: "one is not as recorded: run `rescan`, then `mend`",
    CopyStatus.UNVERIFIED: "one was not read back yet: run `rescan`",
    CopyStatus.OVERDUE: "one was verified too long ago: run `rescan`",
    CopyStatus.CACHED: "one may have been read from memory: connect its drive again and run `rescan --all`",
    CopyStatus.AWAY: "connect all drives",
    CopyStatus.OUT_OF_SERVICE: "one is on a drive that is out of service: run `topup`",
}


class QuarantineKeepRules:
    """Judges what lies aside, with the open drives as they are now.

    changed_too: what somebody changed may go as well, not only what rotted.
    """

    def __init__(self, ctx: JobContext, drives: Sequence[OpenDrive], *, include_changed: bool) -> None:
        self._ctx = ctx
        self._drives = {drive.record.id: drive for drive in drives}
        self._states = {record.id: record.state for record in list_places(ctx.catalog)}
        self._include_changed = include_changed
        rule = ctx.settings.rule
        # A drive that is away can't be looked at, whatever a clearance may make of it.
        self._needs = CopyRequirements(rule.road_days, rule.shelf_days, rule.accept_cached)

    def find_keep_reason(
        self, stored_file: QuarantineEntry, copy: QuarantinedCopy | None, file: KnownFile | None
    ) -> str | None:
        """Why this must stay, by what is known of it and of its file's copies now; None: it may go."""
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
        wanted = self._get_required_file_id(copy, file)
        if not self._include_changed:
            if wanted != file.id or FindingKind.STALE in copy.finding_kinds:
                return _OLDER
            # Rot leaves size and time as they were; whatever else happened, somebody may have meant it.
            seen = Entry(stored_file.path, stored_file.size, stored_file.mtime_ns)
            if FindingKind.ALTERED in copy.finding_kinds or not is_as_recorded(copy.copy, seen):
                return _CHANGED
        return self._check_copy_count(wanted, self._build_substitute_test(file, copy))

    def find_content_keep_reason(
        self, drive: OpenDrive, stored_file: QuarantineEntry, copy: QuarantinedCopy, file: KnownFile
    ) -> str | None:
        """Why this must stay, by its bytes and by those of what stays, all read now; None: it may go.

        Raises OSError.
        """
        descriptor = drive.place.open_for_reading(stored_file.path)
        try:
            if not stored_file.is_unchanged(os.fstat(descriptor)):
                return _JUST_CHANGED
            stays = self._get_required_file_id(copy, file)
            # An older version has no other copies: what stays is the newest one.
            good = (
                self._find_good_copy(file.id, self._build_substitute_test(file, copy))
                if stays == file.id
                else None
            )
            looked = _ContentComparison(descriptor, stored_file.size)
            if good is None:
                looked.read_all(None)
            else:
                reading = good[0].place.open_reader(good[1].path)
                try:
                    looked.read_all(reading.readinto)
                finally:
                    reading.close()
                if looked.good.as_file() != file.file:
                    return _ROTTEN.format(drive=good[0].record.name)
        finally:
            os.close(descriptor)
        why = self._check_remaining_copies(
            stays, self._build_substitute_test(file, copy), already_read=good[1] if good else None
        )
        if why is not None:
            return why
        if not looked.unreadable:
            held = file_queries.find_file_by_digest(self._ctx.catalog, looked.own_file.as_file().digest)
            if held is not None and held.id not in (file.id, stays):
                return self._check_other_file(held)
            if held is not None:
                return None
        if good is not None and looked.is_foreign and not self._include_changed:
            return _FOREIGN
        return None

    def _check_other_file(self, actual: KnownFile) -> str | None:
        """It is another file, whole: that one is what must be safe without it."""
        words = f"it holds another file whole, {escape_text(actual.name)}"
        if not is_identified_by_content(actual.kind, actual.file.size):
            return f"{words}. Look at it yourself"
        why = self._check_copy_count(actual.id, lambda copy: True) or self._check_remaining_copies(
            actual.id, lambda copy: True
        )
        return None if why is None else f"{words}, and of that one: {why}"

    def _get_required_file_id(self, copy: QuarantinedCopy, file: KnownFile) -> int:
        """The file (id) whose copies must be safe once this is gone: of a sidecar its newest version."""
        if copy.home_path is None or is_identified_by_content(file.kind, file.file.size):
            return file.id
        return find_newest_version(self._ctx.catalog, copy.home_path, copy.copy.place_id) or file.id

    def _check_remaining_copies(
        self, file_id: int, is_substitute: Callable[[Copy], bool], already_read: Copy | None = None
    ) -> str | None:
        """Why the copies that would stay can't be relied on, read from their media now; None: they can.

        read: one of them that was read already.
        """
        wanted = file_queries.get_file(self._ctx.catalog, file_id).file
        on, _ = self._count_copies(file_id, is_substitute)
        for place, copy in on.items():
            drive = self._drives[place]
            if (already_read is None or copy.id != already_read.id) and _hash_copy(drive, copy.path) != wanted:
                return _ROTTEN.format(drive=drive.record.name)
        return self._check_copy_count(file_id, is_substitute)

    def _check_copy_count(self, file_id: int, is_substitute: Callable[[Copy], bool]) -> str | None:
        """Why the copies of a file that are here now are not what the rule asks; None: they are."""
        on, others = self._count_copies(file_id, is_substitute)
        wanted = self._ctx.settings.rule.drive_copies
        if len(on) >= wanted:
            return None
        reason = primary_reason(others)
        if not on and reason in (None, CopyStatus.MISSING):
            return _NEEDED_TO_RECOMBINE
        step = _NEXT_STEPS[reason] if reason else "run `topup`"
        return f"its file has {len(on)} of {wanted} verified copies on the drives that are here: {step}"

    def _count_copies(
        self, file_id: int, is_substitute: Callable[[Copy], bool]
    ) -> tuple[dict[int, Copy], list[CopyStatus]]:
        """The copies that count now, one a drive, and how the others stand."""
        on: dict[int, Copy] = {}
        others: list[CopyStatus] = []
        now = self._ctx.clock.now()
        for copy in file_queries.list_copies(self._ctx.catalog, file_id):
            drive = self._drives.get(copy.place_id)
            if copy.state is CopyState.QUARANTINED or not is_substitute(copy):
                continue
            if drive is None:
                in_service = self._states[copy.place_id].is_in_service
                others.append(CopyStatus.AWAY if in_service else CopyStatus.OUT_OF_SERVICE)
                continue
            stands = copy_status(
                copy,
                drive.record.state,
                drive.record.role,
                is_connected=True,
                entry=drive.stat_or_none(copy.path),
                requirements=self._needs,
                now=now,
            )
            if stands is CopyStatus.COUNTS:
                on[copy.place_id] = copy
            else:
                others.append(stands)
        return on, others

    def _find_good_copy(
        self, file_id: int, is_substitute: Callable[[Copy], bool]
    ) -> tuple[OpenDrive, Copy] | None:
        on, _ = self._count_copies(file_id, is_substitute)
        return next(((self._drives[place], copy) for place, copy in on.items()), None)

    def _build_substitute_test(self, file: KnownFile, quarantined: QuarantinedCopy) -> Callable[[Copy], bool]:
        """Which copies stand for this one: of a picture all, of anything else those in its own place."""
        if is_identified_by_content(file.kind, file.file.size):
            return lambda copy: True
        return lambda copy: copy.path == quarantined.home_path


def _hash_copy(drive: OpenDrive, path: str) -> File:
    """What a copy holds, read from the medium. Raises OSError."""
    hasher, buffer = Hasher(), allocate_aligned(_CHUNK_BYTES)
    reading = drive.place.open_reader(path)
    try:
        while count := reading.readinto(buffer):
            hasher.update(buffer[:count])
    finally:
        reading.close()
    return hasher.as_file()


class _ContentComparison:
    """Reads a bad copy to its end, beside a good one where there is one."""

    def __init__(self, descriptor: int, size: int) -> None:
        self.own_file = Hasher()
        self.good = Hasher()
        self.unreadable = False
        self._descriptor = descriptor
        self._size = size
        self._sectors = self._foreign = 0

    @property
    def is_foreign(self) -> bool:
        """Whether most of it is other bytes, and not zeros: rot leaves most of a file, or nothing of it."""
        return self._foreign * 2 > self._sectors

    def read_all(self, read_good: Callable[[memoryview], int] | None) -> None:
        """Read both to their ends; read_good fills a buffer from where it was and says how far, 0 at the end."""
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
        """What stands there; sectors that can't be read come as zeros."""
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
    """Exactly these bytes; None if they can't be read."""
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
