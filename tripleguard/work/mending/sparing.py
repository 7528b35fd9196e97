"""Why something that lies aside must stay: the judgement before anything is removed. In doubt it stays.

A bad copy may go only while its file has, now, the verified copies that the rule asks for, on drives that are here
and were looked at. It may be all that is left of a file, in pieces; it may be no bad copy at all, but somebody's
work, or another picture that took its name. So it is judged twice: by what is known of it, and then by its bytes.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence

from tripleguard.catalog import questions
from tripleguard.catalog.aside import AsideCopy
from tripleguard.catalog.lineage import newest_version
from tripleguard.catalog.places import all_places
from tripleguard.catalog.rows import KnownFile
from tripleguard.digest import Hasher
from tripleguard.model import Copy, CopyState, Entry, File, FindingKind, PlaceState
from tripleguard.names import shown
from tripleguard.places.aside import Lying
from tripleguard.places.media import aligned_buffer
from tripleguard.rules import Needs, Standing, is_as_recorded, standing, telling
from tripleguard.work.holdings import content_is_identity
from tripleguard.work.kit import Kit, OpenDrive

_PIECE = 1024 * 1024
_SECTOR = 512

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
_PIECES = (
    "no good copy of its file is here, so that it may be needed to put one together: connect all drives and run "
    "`rescan`"
)
_ROTTEN = "its copy on drive {drive} does not read as recorded now. Next: run `rescan --all`"
_NOT_AS_SEEN = "it is not what it was a moment ago"
_NEXT = {
    Standing.GONE: "one is not as recorded: run `rescan`, then `mend`",
    Standing.UNPROVED: "one was not read back yet: run `rescan`",
    Standing.OVERDUE: "one was verified too long ago: run `rescan`",
    Standing.CACHED: "one may have been read from memory: connect its drive again and run `rescan --all`",
    Standing.AWAY: "connect all drives",
    Standing.OUT: "one is on a drive that is out of service: run `topup`",
}


class Sparing:
    """Judges what lies aside, with the open drives as they are now.

    changed_too: what somebody changed may go as well, not only what rotted.
    """

    def __init__(self, kit: Kit, drives: Sequence[OpenDrive], *, changed_too: bool) -> None:
        self._kit = kit
        self._drives = {drive.record.id: drive for drive in drives}
        self._states = {record.id: record.state for record in all_places(kit.catalog)}
        self._changed_too = changed_too
        rule = kit.settings.rule
        # A drive that is away can't be looked at, whatever a clearance may make of it.
        self._needs = Needs(rule.road_days, rule.shelf_days, rule.accept_cached)

    def why_kept(self, lying: Lying, copy: AsideCopy | None, file: KnownFile | None) -> str | None:
        """Why this must stay, by what is known of it and of its file's copies now; None: it may go."""
        if lying.odd:
            return f"{lying.odd}. Look at it yourself"
        if copy is None or file is None:
            return _UNKNOWN
        if lying.links != 1:
            return _TWO_NAMES
        if copy.open:
            return _OPEN
        if copy.home is None and not content_is_identity(file.kind, file.file.size):
            return _NO_HOME
        wanted = self._that_stays(copy, file)
        if not self._changed_too:
            if wanted != file.id or FindingKind.STALE in copy.kinds:
                return _OLDER
            # Rot leaves size and time as they were; whatever else happened, somebody may have meant it.
            seen = Entry(lying.path, lying.size, lying.mtime_ns)
            if FindingKind.ALTERED in copy.kinds or not is_as_recorded(copy.copy, seen):
                return _CHANGED
        return self._why_short(wanted, self._serves(file, copy))

    def why_kept_by_content(self, drive: OpenDrive, lying: Lying, copy: AsideCopy, file: KnownFile) -> str | None:
        """Why this must stay, by its bytes and by those of what stays, all read now; None: it may go.

        Raises OSError.
        """
        descriptor = drive.place.open_for_reading(lying.path)
        try:
            if not lying.is_still(os.fstat(descriptor)):
                return _NOT_AS_SEEN
            stays = self._that_stays(copy, file)
            # An older version has no other copies: what stays is the newest one.
            good = self._a_good_copy(file.id, self._serves(file, copy)) if stays == file.id else None
            looked = _Looked(descriptor, lying.size)
            if good is None:
                looked.through(None)
            else:
                reading = good[0].place.read(good[1].path)
                try:
                    looked.through(reading.readinto)
                finally:
                    reading.close()
                if looked.good.file() != file.file:
                    return _ROTTEN.format(drive=good[0].record.name)
        finally:
            os.close(descriptor)
        why = self._why_rotten(stays, self._serves(file, copy), read=good[1] if good else None)
        if why is not None:
            return why
        if not looked.unreadable:
            held = questions.file_with_digest(self._kit.catalog, looked.own.file().digest)
            if held is not None and held.id not in (file.id, stays):
                return self._why_other(held)
            if held is not None:
                return None
        if good is not None and looked.is_foreign and not self._changed_too:
            return _FOREIGN
        return None

    def _why_other(self, held: KnownFile) -> str | None:
        """It is another file, whole: that one is what must be safe without it."""
        words = f"it holds another file whole, {shown(held.name)}"
        if not content_is_identity(held.kind, held.file.size):
            return f"{words}. Look at it yourself"
        why = self._why_short(held.id, lambda copy: True) or self._why_rotten(held.id, lambda copy: True)
        return None if why is None else f"{words}, and of that one: {why}"

    def _that_stays(self, copy: AsideCopy, file: KnownFile) -> int:
        """The file (id) whose copies must be safe once this is gone: of a sidecar its newest version."""
        if copy.home is None or content_is_identity(file.kind, file.file.size):
            return file.id
        return newest_version(self._kit.catalog, copy.home, copy.copy.place_id) or file.id

    def _why_rotten(self, file_id: int, serves: Callable[[Copy], bool], read: Copy | None = None) -> str | None:
        """Why the copies that would stay can't be relied on, read from their media now; None: they can.

        read: one of them that was read already.
        """
        wanted = questions.file_with_id(self._kit.catalog, file_id).file
        on, _ = self._counted(file_id, serves)
        for place, copy in on.items():
            drive = self._drives[place]
            if (read is None or copy.id != read.id) and _file_at(drive, copy.path) != wanted:
                return _ROTTEN.format(drive=drive.record.name)
        return self._why_short(file_id, serves)

    def _why_short(self, file_id: int, serves: Callable[[Copy], bool]) -> str | None:
        """Why the copies of a file that are here now are not what the rule asks; None: they are."""
        on, others = self._counted(file_id, serves)
        wanted = self._kit.settings.rule.drive_copies
        if len(on) >= wanted:
            return None
        reason = telling(others)
        if not on and reason in (None, Standing.GONE):
            return _PIECES
        step = _NEXT[reason] if reason else "run `topup`"
        return f"its file has {len(on)} of {wanted} verified copies on the drives that are here: {step}"

    def _counted(self, file_id: int, serves: Callable[[Copy], bool]) -> tuple[dict[int, Copy], list[Standing]]:
        """The copies that count now, one a drive, and how the others stand."""
        on: dict[int, Copy] = {}
        others: list[Standing] = []
        now = self._kit.clock.now()
        for copy in questions.copies_of(self._kit.catalog, file_id):
            drive = self._drives.get(copy.place_id)
            if copy.state is CopyState.ASIDE or not serves(copy):
                continue
            if drive is None:
                in_service = self._states[copy.place_id] in (PlaceState.ACTIVE, PlaceState.SHELVED)
                others.append(Standing.AWAY if in_service else Standing.OUT)
                continue
            stands = standing(
                copy,
                drive.record.state,
                drive.record.role,
                here=True,
                seen=drive.seen(copy.path),
                needs=self._needs,
                now=now,
            )
            if stands is Standing.COUNTS:
                on[copy.place_id] = copy
            else:
                others.append(stands)
        return on, others

    def _a_good_copy(self, file_id: int, serves: Callable[[Copy], bool]) -> tuple[OpenDrive, Copy] | None:
        on, _ = self._counted(file_id, serves)
        return next(((self._drives[place], copy) for place, copy in on.items()), None)

    def _serves(self, file: KnownFile, aside: AsideCopy) -> Callable[[Copy], bool]:
        """Which copies stand for this one: of a picture all, of anything else those in its own place."""
        if content_is_identity(file.kind, file.file.size):
            return lambda copy: True
        return lambda copy: copy.path == aside.home


def _file_at(drive: OpenDrive, path: str) -> File:
    """What a copy holds, read from the medium. Raises OSError."""
    hasher, buffer = Hasher(), aligned_buffer(_PIECE)
    reading = drive.place.read(path)
    try:
        while count := reading.readinto(buffer):
            hasher.update(buffer[:count])
    finally:
        reading.close()
    return hasher.file()


class _Looked:
    """Reads a bad copy to its end, beside a good one where there is one."""

    def __init__(self, descriptor: int, size: int) -> None:
        self.own = Hasher()
        self.good = Hasher()
        self.unreadable = False
        self._descriptor = descriptor
        self._size = size
        self._sectors = self._foreign = 0

    @property
    def is_foreign(self) -> bool:
        """Whether most of it is other bytes, and not zeros: rot leaves most of a file, or nothing of it."""
        return self._foreign * 2 > self._sectors

    def through(self, read_good: Callable[[memoryview], int] | None) -> None:
        """Read both to their ends; read_good fills a buffer from where it was and says how far, 0 at the end."""
        buffer, offset = aligned_buffer(_PIECE), 0
        while read_good is not None and (count := read_good(buffer)):
            self.good.update(buffer[:count])
            piece = self._piece(offset, min(count, max(0, self._size - offset)))
            self._compare(piece, bytes(buffer[: len(piece)]))
            offset += count
        while offset < self._size:
            piece = self._piece(offset, min(_PIECE, self._size - offset))
            self._compare(piece, b"")
            offset += len(piece)

    def _compare(self, one: bytes, other: bytes) -> None:
        if one == other:
            self._sectors += -(-len(one) // _SECTOR)
            return
        for start in range(0, len(one), _SECTOR):
            sector = one[start : start + _SECTOR]
            self._sectors += 1
            self._foreign += sector != other[start : start + _SECTOR] and bool(sector.strip(b"\0"))

    def _piece(self, offset: int, length: int) -> bytes:
        """What stands there; sectors that can't be read come as zeros."""
        found = _read_at(self._descriptor, offset, length)
        if found is not None:
            self.own.update(found)
            return found
        self.unreadable = True
        sectors = range(offset, offset + length, _SECTOR)
        sizes = [min(_SECTOR, offset + length - start) for start in sectors]
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
