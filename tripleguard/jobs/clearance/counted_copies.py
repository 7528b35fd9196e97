"""Find which copies of a file count for one answer: unchanged between two checks, and recently read back.

    first check -> read back what was read too long ago -> final check

A copy counts if the catalog has it as verified within the required time and if its stamp in the final check equals
the one from before it was read back or before the question began. A copy that was not observed to stay unchanged,
or that can't be checked, does not count. Copies that share a disk count once, unless the settings allow it; hard
links to the same bytes always count once.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from tripleguard.catalog import file_queries
from tripleguard.catalog.file_queries import CopiesByName
from tripleguard.catalog.places import list_places
from tripleguard.catalog.rows import KnownFile
from tripleguard.jobs.clearance.card_observation import FileStamp, stamp_of
from tripleguard.jobs.context import JobContext
from tripleguard.jobs.copying.hashing import has_recorded_content
from tripleguard.jobs.drives import OpenDrive
from tripleguard.jobs.existing_copies import copies_usable_for
from tripleguard.jobs.progress import Job
from tripleguard.jobs.rescan.rescan import read_back_copies
from tripleguard.jobs.rescan.rescan_result import RescanResult
from tripleguard.model import Copy, Entry, FileKind, PlaceKind, PlaceRecord
from tripleguard.places.base import ChangeWatch
from tripleguard.places.changes import FolderChanges
from tripleguard.places.disks import CopyComparison
from tripleguard.rules import (
    CopyRequirements,
    CopyStatus,
    can_share_disk,
    copy_status,
    count_independent,
    should_read_again,
)

COPY_CHANGED = "copy changed meanwhile"
SAME_DISK = "one disk"
SAME_COPY = "one copy twice"

CopyKey = tuple[int, str]
"""A place (id) and a path on it."""


@dataclass(frozen=True, slots=True)
class CountedCopies:
    """The copies of one file that count, one per drive, and why the others do not.

    Attributes:
        copies: Those that count if each is on a disk of its own.
        independent: How many of them are independent of each other.
        statuses: The statuses of the other copies.
        problems: Reason words for copies that would otherwise count.
    """

    copies: tuple[Copy, ...]
    independent: int
    statuses: tuple[CopyStatus, ...]
    problems: frozenset[str]


@dataclass(slots=True)
class _FirstCheck:
    """The result of the first check: the stamp of each copy, and which copies must be read back."""

    stamps: dict[int, FileStamp] = field(default_factory=dict)
    stale: dict[int, dict[int, Copy]] = field(default_factory=dict)
    edited: set[int] = field(default_factory=set)


class CopyEvidence:
    """The copies on the open drives, for one answer. Close it when the answer was given.

    Args:
        ctx: The job's context.
        drives: The drives that can be checked.
        needs: The requirements for a copy to count.
        required: How many independent copies are enough.
        excluded_place_ids: Places whose copies do not count.
        earlier_stamps: Stamps of the copies before this job read them back, by place id and path.
        leaving: A drive that may be reformatted; copies that share its disk or its bytes do not count.
        change_times: The check of a copy's change time, where its file system keeps one. "same": it must equal the
            one from right before the copy was read back. "same if known": evidence without a change time counts
            too, and only changed copies are read back. "any": no check; the caller reads every counted copy
            itself.
        monitors: This job's change watches since it read copies back, by place id; their owner closes them.
    """

    def __init__(
        self,
        ctx: JobContext,
        drives: Sequence[OpenDrive],
        needs: CopyRequirements,
        required: int,
        *,
        excluded_place_ids: Collection[int] = (),
        earlier_stamps: Mapping[CopyKey, FileStamp] | None = None,
        leaving: OpenDrive | None = None,
        change_times: Literal["same", "same if known", "any"] = "same",
        monitors: Mapping[int, ChangeWatch] | None = None,
    ) -> None:
        self._ctx = ctx
        self._needs = needs
        self._required = required
        self._change_times = change_times
        self._by_name = CopiesByName(ctx.catalog)
        self._leaving = leaving
        self._leaving_disks = leaving.place.find_disks() if leaving is not None else frozenset()
        self._excluded_place_ids = frozenset(excluded_place_ids)
        self._drives = {drive.record.id: drive for drive in drives if drive.record.id not in excluded_place_ids}
        self._earlier_stamps = {
            key: self._comparable(key[0], stamp)
            for key, stamp in (earlier_stamps or {}).items()
            if key[0] in self._drives
        }
        self._records = _list_counting_places(ctx, excluded_place_ids)
        self._disks = {place_id: drive.place.find_disks() for place_id, drive in self._drives.items()}
        given = monitors or {}
        self._own_monitors: dict[int, ChangeWatch] = {
            place_id: drive.place.start_change_monitor()
            for place_id, drive in self._drives.items()
            if place_id not in given
        }
        self._monitors = {
            **self._own_monitors,
            **{place: given[place] for place in given if place in self._drives},
        }
        self._comparisons: dict[tuple[int, int], CopyComparison] = {}
        self._first_check = _FirstCheck()
        self._changes: dict[int, FolderChanges] = {}
        self._responding: dict[int, OpenDrive] = {}

    def close(self) -> None:
        """Stop watching for changes."""
        for monitor in self._own_monitors.values():
            monitor.close()

    def run_first_check(self, known: KnownFile, name: str, originals: frozenset[bytes] | None) -> None:
        """Check each copy of a file that may count under this name, and note which must be read back."""
        counting: list[Copy] = []
        stale: list[Copy] = []
        for copy, drive in self._iter_candidates(known, name, originals):
            self._monitors[copy.place_id].watch(copy.path.rpartition("/")[0])
            seen = drive.stat_or_none(copy.path)
            if seen is None:
                continue
            stamp = self._first_check.stamps.setdefault(copy.id, self._stamp(copy, seen))
            if self._was_edited(known, copy, drive):
                self._first_check.edited.add(copy.id)
            status = self._status_of(copy, seen)
            if status is CopyStatus.COUNTS and self._is_as_verified(copy, stamp):
                counting.append(copy)
            elif self._can_be_read_back(copy, drive, status):
                stale.append(copy)
        if self._count_independent(self._choose_one_per_drive(counting, set()), set()) < self._required:
            for copy in stale:
                self._first_check.stale.setdefault(copy.place_id, {})[copy.id] = copy
                # The copy is read from here on, so earlier changes no longer count against it.
                self._monitors[copy.place_id].begin_reading(copy.path)

    def read_back(self) -> Job[RescanResult]:
        """Read back the copies that the first check found too old, on all drives at once. Raises CatalogError."""
        named = {place: list(copies.values()) for place, copies in self._first_check.stale.items()}
        return read_back_copies(self._ctx, list(self._drives.values()), named)

    @property
    def pending_read_backs(self) -> int:
        """Return how many copies the first check found that must be read back."""
        return sum(map(len, self._first_check.stale.values()))

    def begin_final_check(self) -> list[str]:
        """Check that each drive is still connected; return the names of those that are not."""
        self._records = _list_counting_places(self._ctx, self._excluded_place_ids)
        self._responding = {place: drive for place, drive in self._drives.items() if drive.place.is_connected()}
        return [drive.record.name for place, drive in self._drives.items() if place not in self._responding]

    def run_final_check(self, known: KnownFile, name: str, originals: frozenset[bytes] | None) -> CountedCopies:
        """Check each copy again and count; `end_final_check` then reports what was changed meanwhile."""
        counting: list[Copy] = []
        statuses: list[CopyStatus] = []
        problems: set[str] = set()
        for copy in copies_usable_for(self._by_name, known, name, originals):
            record = self._records.get(copy.place_id)
            if record is None:
                continue
            drive = self._responding.get(copy.place_id)
            seen = drive.stat_or_none(copy.path) if drive is not None else None
            status = self._status_of(copy, seen, is_connected=drive is not None)
            if status is not CopyStatus.COUNTS:
                statuses.append(status)
            elif seen is None or not self._is_as_before(copy, self._stamp(copy, seen)):
                problems.add(COPY_CHANGED)
            elif copy.id in self._first_check.edited:
                statuses.append(CopyStatus.MISSING)
            elif seen.mtime_ns != copy.mtime_ns or not self._is_as_read(copy, seen.ctime_ns):
                # The tolerance of `rules.copy_status` (two seconds, or a time zone) could hide another file.
                statuses.append(CopyStatus.UNVERIFIED)
            elif (problem := self._explain_dependence(copy)) is not None:
                problems.add(problem)
            else:
                counting.append(copy)
        chosen = self._choose_one_per_drive(counting, problems)
        independent = self._count_independent(chosen, problems)
        return CountedCopies(tuple(chosen), independent, tuple(statuses), frozenset(problems))

    def end_final_check(self) -> list[str]:
        """Collect the changes that the system reports since the first check; return the drives that went away."""
        self._changes = {place: monitor.changes() for place, monitor in self._monitors.items()}
        return [drive.record.name for drive in self._responding.values() if not drive.place.is_connected()]

    def is_unchanged(self, counted: CountedCopies) -> bool:
        """Return whether enough of the counted copies were not written to since the first check."""
        kept = [copy for copy in counted.copies if not self._changes[copy.place_id].may_include(copy.path)]
        return len(kept) == len(counted.copies) or self._count_independent(kept, set()) >= self._required

    def is_enough(self, counted: CountedCopies) -> bool:
        """Return whether enough copies count."""
        return counted.independent >= self._required

    def place_name(self, place_id: int) -> str:
        """Return a drive's name."""
        return self._records[place_id].name

    def _iter_candidates(
        self, known: KnownFile, name: str, originals: frozenset[bytes] | None
    ) -> Iterator[tuple[Copy, OpenDrive]]:
        for copy in copies_usable_for(self._by_name, known, name, originals):
            drive = self._drives.get(copy.place_id)
            if drive is not None and copy.place_id in self._records:
                yield copy, drive

    def _status_of(self, copy: Copy, entry: Entry | None, *, is_connected: bool = True) -> CopyStatus:
        record = self._records[copy.place_id]
        return copy_status(
            copy,
            record.state,
            record.role,
            is_connected=is_connected,
            entry=entry,
            requirements=self._needs,
            now=self._ctx.clock.now(),
        )

    def _is_as_verified(self, copy: Copy, stamp: FileStamp) -> bool:
        """Return whether a copy's stamp is the one recorded when it was read back, as far as recorded."""
        if self._monitors[copy.place_id].may_have_changed(copy.path):
            return False
        before = self._earlier_stamps.get((copy.place_id, copy.path), stamp)
        return before == stamp and stamp[1] == copy.mtime_ns and self._is_as_read(copy, stamp[2])

    def _is_as_read(self, copy: Copy, ctime_ns: int) -> bool:
        """Return whether a copy's change time, if it has one, equals the one from before its last reading."""
        if self._change_times == "any" or not self._drives[copy.place_id].place.keeps_change_times:
            return True
        before = copy.evidence.ctime_ns
        return before == ctime_ns or (before is None and self._change_times == "same if known")

    def _stamp(self, copy: Copy, seen: Entry) -> FileStamp:
        """Return the values by which two observations of a copy are compared."""
        return self._comparable(copy.place_id, stamp_of(seen))

    def _comparable(self, place_id: int, stamp: FileStamp) -> FileStamp:
        """Return the stamp without a time that the driver only makes up and that may vary by itself."""
        made_up = self._drives[place_id].place.makes_up_change_times
        return (*stamp[:2], 0) if made_up else stamp

    def _is_as_before(self, copy: Copy, stamp: FileStamp) -> bool:
        """Return whether a copy's stamp is the same as in the first check and before it was read back."""
        if self._first_check.stamps.get(copy.id) != stamp:
            return False
        if copy.id in self._first_check.stale.get(copy.place_id, {}):
            return True
        return self._earlier_stamps.get((copy.place_id, copy.path), stamp) == stamp

    def _can_be_read_back(self, copy: Copy, drive: OpenDrive, status: CopyStatus) -> bool:
        if self._change_times == "same if known" and status is not CopyStatus.COUNTS:
            return False
        if status is CopyStatus.CACHED:
            reaches = drive.place.best_medium.is_from_device
            return should_read_again(copy.evidence, reaches_device=reaches, insertion=drive.record.insertion)
        return status in (CopyStatus.UNVERIFIED, CopyStatus.OVERDUE, CopyStatus.COUNTS)

    def _choose_one_per_drive(self, counting: Iterable[Copy], problems: set[str]) -> list[Copy]:
        """Return one copy per drive, no two of which share their bytes on a disk."""
        chosen: dict[int, Copy] = {}
        for copy in counting:
            if copy.place_id in chosen:
                continue
            if any(self._is_same_copy(copy, other) for other in chosen.values()):
                problems.add(SAME_COPY)
            else:
                chosen[copy.place_id] = copy
        return list(chosen.values())

    def _was_edited(self, known: KnownFile, copy: Copy, drive: OpenDrive) -> bool:
        """Return whether a companion holds other content; it is read, as times don't prove it."""
        if self._leaving is None or known.kind is not FileKind.COMPANION:
            return False
        return not has_recorded_content(drive, copy, known)

    def _explain_dependence(self, copy: Copy) -> str | None:
        """Return why a copy would be lost with the leaving drive; None if it would not."""
        leaving = self._leaving
        if leaving is None or not can_share_disk(self._leaving_disks, self._disks[copy.place_id]):
            return None
        if not self._ctx.settings.rule.allow_same_disk:
            return SAME_DISK
        own = [
            one
            for one in file_queries.list_copies(self._ctx.catalog, copy.file_id)
            if one.place_id == leaving.record.id
        ]
        for one in own:
            try:
                if self._comparison(leaving, self._drives[copy.place_id]).is_same(one.path, copy.path):
                    return SAME_COPY
            except FileNotFoundError:
                continue
            except OSError:
                return SAME_COPY
        return None

    def _comparison(self, one: OpenDrive, other: OpenDrive) -> CopyComparison:
        key = one.record.id, other.record.id
        return self._comparisons.setdefault(key, CopyComparison(one.place, other.place))

    def _is_same_copy(self, one: Copy, other: Copy) -> bool:
        if not can_share_disk(self._disks[one.place_id], self._disks[other.place_id]):
            return False
        try:
            comparison = self._comparison(self._drives[one.place_id], self._drives[other.place_id])
            return comparison.is_same(one.path, other.path)
        except OSError:
            return True

    def _count_independent(self, copies: Sequence[Copy], problems: set[str]) -> int:
        disks = [self._disks[copy.place_id] for copy in copies]
        count = count_independent(disks, allow_same_disk=self._ctx.settings.rule.allow_same_disk)
        if count < len(copies):
            problems.add(SAME_DISK)
        return count


def _list_counting_places(ctx: JobContext, excluded_place_ids: Collection[int]) -> dict[int, PlaceRecord]:
    """Return the catalog's current records of the drives that count."""
    return {
        record.id: record
        for record in list_places(ctx.catalog)
        if record.kind is PlaceKind.DRIVE and record.id not in excluded_place_ids
    }
