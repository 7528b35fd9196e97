"""Which copies of a file count for one answer: looked at before and after, and read back lately.

    first look -> read back what was read too long ago -> last look

A copy counts if the catalog has it as verified within the time that the answer asks for, and if it lies on its
drive in the last look exactly as it did before it was read back, or before the question began. What was not seen
to stay the same, or can't be looked at, does not count. Copies that share a disk count once, unless the settings
allow it; links to the same bytes always do.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from tripleguard.catalog import questions
from tripleguard.catalog.copies_by_name import CopiesByName
from tripleguard.catalog.places import all_places
from tripleguard.catalog.rows import KnownFile
from tripleguard.model import Copy, Entry, Kind, PlaceKind, PlaceRecord
from tripleguard.places.changes import ChangeMonitor, Changes
from tripleguard.places.disks import is_same_copy
from tripleguard.rules import (
    Needs,
    Standing,
    independent_count,
    may_share_a_disk,
    reading_helps,
    standing,
)
from tripleguard.work.clearance.observation import Stamp, stamp_of
from tripleguard.work.companion_content import holds_as_recorded
from tripleguard.work.holdings import copies_serving
from tripleguard.work.kit import Kit, OpenDrive
from tripleguard.work.progress import Job
from tripleguard.work.rescanning.rescan import RescanResult, read_back

CHANGED = "copy changed meanwhile"
SAME_DISK = "one disk"
SAME_COPY = "one copy twice"

CopyKey = tuple[int, str]
"""A place (id) and a path on it."""


@dataclass(frozen=True, slots=True)
class CountedCopies:
    """The copies of one file that count, one a drive, and why others do not.

    Attributes:
        copies: Those that count if each is on a disk of its own.
        independent: How many of them count as it is.
        standings: How the other copies stand.
        problems: Words for what is wrong with copies that would count otherwise.
    """

    copies: tuple[Copy, ...]
    independent: int
    standings: tuple[Standing, ...]
    problems: frozenset[str]


@dataclass(slots=True)
class _FirstLook:
    """What the first look found: how each copy lay there, and which have to be read back."""

    stamps: dict[int, Stamp] = field(default_factory=dict)
    stale: dict[int, dict[int, Copy]] = field(default_factory=dict)
    edited: set[int] = field(default_factory=set)


class CopyEvidence:
    """The copies on the open drives, for one answer. Close it when the answer was given.

    Args:
        kit: The job's.
        drives: The drives that can be looked at.
        needs: What the answer asks of a copy.
        wanted: How many independent copies are enough.
        without: Places (ids) whose copies do not count.
        before: How copies lay on their drives before this job read them back, by place and path.
        leaving: A drive that may go: what shares its disk, or its very bytes, goes with it.
    """

    def __init__(
        self,
        kit: Kit,
        drives: Sequence[OpenDrive],
        needs: Needs,
        wanted: int,
        *,
        without: Collection[int] = (),
        before: Mapping[CopyKey, Stamp] | None = None,
        leaving: OpenDrive | None = None,
    ) -> None:
        self._kit = kit
        self._needs = needs
        self._wanted = wanted
        self._by_name = CopiesByName(kit.catalog)
        self._leaving = leaving
        self._leaving_disks = leaving.place.disks() if leaving is not None else frozenset()
        self._without = frozenset(without)
        self._before = before or {}
        self._drives = {drive.record.id: drive for drive in drives if drive.record.id not in without}
        self._records = _counting_places(kit, without)
        self._disks = {place_id: drive.place.disks() for place_id, drive in self._drives.items()}
        self._monitors: dict[int, ChangeMonitor] = {
            place_id: drive.place.change_monitor() for place_id, drive in self._drives.items()
        }
        self._seen = _FirstLook()
        self._changes: dict[int, Changes] = {}
        self._answering: dict[int, OpenDrive] = {}

    def close(self) -> None:
        """End the watching for changes."""
        for monitor in self._monitors.values():
            monitor.close()

    def first_look(self, known: KnownFile, name: str, pictures: frozenset[bytes] | None) -> None:
        """Look at each copy of a file that may count under this name, and note which must be read back."""
        counting: list[Copy] = []
        stale: list[Copy] = []
        for copy, drive in self._candidates(known, name, pictures):
            self._monitors[copy.place_id].watch(copy.path.rpartition("/")[0])
            seen = drive.seen(copy.path)
            if seen is None:
                continue
            stamp = self._seen.stamps.setdefault(copy.id, stamp_of(seen))
            if self._was_edited(known, copy, drive):
                self._seen.edited.add(copy.id)
            stands = self._stands(copy, seen)
            if stands is Standing.COUNTS and self._lies_as_verified(copy, stamp):
                counting.append(copy)
            elif self._can_be_read_back(copy, drive, stands):
                stale.append(copy)
        if self._independent(self._one_a_drive(counting, set()), set()) < self._wanted:
            for copy in stale:
                self._seen.stale.setdefault(copy.place_id, {})[copy.id] = copy

    def read_back(self) -> Job[RescanResult]:
        """Read back what the first look found too old, on all drives at once. Raises CatalogTrouble."""
        named = {place: list(copies.values()) for place, copies in self._seen.stale.items()}
        return read_back(self._kit, list(self._drives.values()), named)

    @property
    def to_read(self) -> int:
        """How many copies the first look found that have to be read back."""
        return sum(map(len, self._seen.stale.values()))

    def begin_last_look(self) -> list[str]:
        """Ask each drive whether it is still there; return the names of those that are not."""
        self._records = _counting_places(self._kit, self._without)
        self._answering = {place: drive for place, drive in self._drives.items() if drive.place.here()}
        return [drive.record.name for place, drive in self._drives.items() if place not in self._answering]

    def last_look(self, known: KnownFile, name: str, pictures: frozenset[bytes] | None) -> CountedCopies:
        """Look at each copy again and count; `end_last_look` tells afterwards what was changed meanwhile."""
        counting: list[Copy] = []
        standings: list[Standing] = []
        problems: set[str] = set()
        for copy in copies_serving(self._by_name, known, name, pictures):
            record = self._records.get(copy.place_id)
            if record is None:
                continue
            drive = self._answering.get(copy.place_id)
            seen = drive.seen(copy.path) if drive is not None else None
            stands = self._stands(copy, seen, is_here=drive is not None)
            if stands is not Standing.COUNTS:
                standings.append(stands)
            elif seen is None or not self._lies_as_before(copy, stamp_of(seen)):
                problems.add(CHANGED)
            elif copy.id in self._seen.edited:
                standings.append(Standing.GONE)
            elif seen.mtime_ns != copy.mtime_ns:
                # Two seconds or a time zone, which `rules.standing` allows, are enough for another file.
                standings.append(Standing.UNPROVED)
            elif (problem := self._goes_with_it(copy)) is not None:
                problems.add(problem)
            else:
                counting.append(copy)
        chosen = self._one_a_drive(counting, problems)
        independent = self._independent(chosen, problems)
        return CountedCopies(tuple(chosen), independent, tuple(standings), frozenset(problems))

    def end_last_look(self) -> list[str]:
        """Collect what the system says was changed since the first look; return the drives that went away."""
        self._changes = {place: monitor.changes() for place, monitor in self._monitors.items()}
        return [drive.record.name for drive in self._answering.values() if not drive.place.here()]

    def is_unchanged(self, counted: CountedCopies) -> bool:
        """Whether, after the last look, enough of the counted copies were not written to since the first look."""
        kept = [copy for copy in counted.copies if not self._changes[copy.place_id].may_include(copy.path)]
        return len(kept) == len(counted.copies) or self._independent(kept, set()) >= self._wanted

    def enough(self, counted: CountedCopies) -> bool:
        """Whether these are as many as are wanted."""
        return counted.independent >= self._wanted

    def name_of(self, place_id: int) -> str:
        """Return what a drive is called."""
        return self._records[place_id].name

    # What each of these rests on

    def _candidates(
        self, known: KnownFile, name: str, pictures: frozenset[bytes] | None
    ) -> Iterator[tuple[Copy, OpenDrive]]:
        for copy in copies_serving(self._by_name, known, name, pictures):
            drive = self._drives.get(copy.place_id)
            if drive is not None and copy.place_id in self._records:
                yield copy, drive

    def _stands(self, copy: Copy, seen: Entry | None, *, is_here: bool = True) -> Standing:
        record = self._records[copy.place_id]
        return standing(
            copy,
            record.state,
            record.role,
            here=is_here,
            seen=seen,
            needs=self._needs,
            now=self._kit.clock.now(),
        )

    def _lies_as_verified(self, copy: Copy, stamp: Stamp) -> bool:
        """Whether a copy lies there as it did when it was read back, as far as anybody noted it."""
        before = self._before.get((copy.place_id, copy.path), stamp)
        return before == stamp and stamp[1] == copy.mtime_ns

    def _lies_as_before(self, copy: Copy, stamp: Stamp) -> bool:
        """Whether a copy lies there in the last look as it did in the first, and before it was read back."""
        if self._seen.stamps.get(copy.id) != stamp:
            return False
        if copy.id in self._seen.stale.get(copy.place_id, {}):
            return True
        return self._before.get((copy.place_id, copy.path), stamp) == stamp

    def _can_be_read_back(self, copy: Copy, drive: OpenDrive, stands: Standing) -> bool:
        if stands is Standing.CACHED:
            reaches = drive.place.depth.medium.reached_device
            return reading_helps(copy.evidence, reaches_device=reaches, insertion=drive.record.insertion)
        return stands in (Standing.UNPROVED, Standing.OVERDUE, Standing.COUNTS)

    def _one_a_drive(self, counting: Iterable[Copy], problems: set[str]) -> list[Copy]:
        """One copy for each drive, no two of which are the same bytes on a disk."""
        chosen: dict[int, Copy] = {}
        for copy in counting:
            if copy.place_id in chosen:
                continue
            if any(self._is_same(copy, other) for other in chosen.values()):
                problems.add(SAME_COPY)
            else:
                chosen[copy.place_id] = copy
        return list(chosen.values())

    def _was_edited(self, known: KnownFile, copy: Copy, drive: OpenDrive) -> bool:
        """Whether a companion that a drive's going rests on holds something else: it is read, as no time tells."""
        if self._leaving is None or known.kind is not Kind.COMPANION:
            return False
        return not holds_as_recorded(drive, copy, known)

    def _goes_with_it(self, copy: Copy) -> str | None:
        """Why a copy would go together with the drive that may leave; None: it would not."""
        leaving = self._leaving
        if leaving is None or not may_share_a_disk(self._leaving_disks, self._disks[copy.place_id]):
            return None
        if not self._kit.settings.rule.allow_same_disk:
            return SAME_DISK
        own = [
            one
            for one in questions.copies_of(self._kit.catalog, copy.file_id)
            if one.place_id == leaving.record.id
        ]
        folder = self._drives[copy.place_id].place.folder
        for one in own:
            try:
                if is_same_copy(leaving.place.folder, one.path, folder, copy.path):
                    return SAME_COPY
            except FileNotFoundError:
                continue
            except OSError:
                return SAME_COPY
        return None

    def _is_same(self, one: Copy, other: Copy) -> bool:
        if not may_share_a_disk(self._disks[one.place_id], self._disks[other.place_id]):
            return False
        try:
            return is_same_copy(
                self._drives[one.place_id].place.folder,
                one.path,
                self._drives[other.place_id].place.folder,
                other.path,
            )
        except OSError:
            return True

    def _independent(self, copies: Sequence[Copy], problems: set[str]) -> int:
        disks = [self._disks[copy.place_id] for copy in copies]
        count = independent_count(disks, allow_same_disk=self._kit.settings.rule.allow_same_disk)
        if count < len(copies):
            problems.add(SAME_DISK)
        return count


def _counting_places(kit: Kit, without: Collection[int]) -> dict[int, PlaceRecord]:
    """The drives that the catalog knows, as it knows them now."""
    return {
        record.id: record
        for record in all_places(kit.catalog)
        if record.kind is PlaceKind.DRIVE and record.id not in without
    }
