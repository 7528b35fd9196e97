"""Plan what can be repaired on the connected drives, and from which good copy.

A repair item is an open finding on a connected drive. Its source is a verified copy; else wherever the same bytes
were last found (under another file's name, or in quarantine), or two bad copies that can be combined. Whatever the
source, only a matching digest makes it a copy. A path that changed since the finding is left alone: its content
may be newer, or another file's.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from tripleguard.cameras.kinds import kind_of
from tripleguard.catalog import file_queries
from tripleguard.catalog.companions import find_newest_version
from tripleguard.catalog.findings import StoredFinding, list_open_findings, map_last_locations
from tripleguard.catalog.rows import KnownFile
from tripleguard.clock import format_iso
from tripleguard.errors import CopyError
from tripleguard.jobs.context import JobContext
from tripleguard.jobs.copying.copy_tasks import CopyTask, RepairTarget
from tripleguard.jobs.copying.engine import CopyEngine
from tripleguard.jobs.copying.replication import set_destination_from_copy
from tripleguard.jobs.drives import CopySource, OpenDrive
from tripleguard.jobs.repair.recombine import ReadAt, find_combination, open_tolerant_reader
from tripleguard.jobs.repair.versions import find_reason_to_keep
from tripleguard.model import Copy, CopyState, Entry, File, FileKind, FindingKind
from tripleguard.places.base import CopyReader
from tripleguard.rules import is_as_recorded, is_good_copy, is_untouched

NO_GOOD_COPY = (
    "no good copy is on any drive that could be read. Every version was kept. Connect the other drives and the "
    "card; if it is on none of them, a recovery service can work with the drive "
    "and what is in .tripleguard/quarantine"
)
CHANGED_SINCE = "what stands there is not what was found last: run `rescan` first; nothing was done with it"
NOT_A_PLAIN_FILE = (
    "something that is no plain file has its name now (a folder, a link): move that away or rename it, then run "
    "`rescan` and `repair` again; nothing was done with it"
)
CHANGED_SOURCE = "the copy it would be made from was changed since it was looked at: run `rescan` first"
NOT_IN_CATALOG = (
    "it is not in the catalog: keep it where it is, or move it away yourself; nothing was done with it"
)
NAME_TAKEN = (
    "a file that is not in the catalog has its name now: move that away or rename it, then run `rescan` and "
    "`repair` again; nothing was done with it"
)
RETRY_LATER = "it could not be put right in this run: run `repair` again"


@dataclass(frozen=True, slots=True)
class RepairItem:
    """An open finding on a connected drive, with the file expected there and how many good copies it has."""

    finding: StoredFinding
    expected: KnownFile | None
    lane: int
    good_copies: int


class RepairPlan:
    """Plans the repairs as tasks in the reader's thread; `decide` runs in the hasher's.

    Items with the fewest good copies come first. lanes: the drives that are written to; sources: drives that are
    only read from.
    """

    def __init__(
        self,
        ctx: JobContext,
        drives: Sequence[OpenDrive],
        lanes: Sequence[int],
        sources: Sequence[CopySource] = (),
    ) -> None:
        self.reasons: dict[int, str] = {}
        self.needs_another_pass = False
        self._ctx = ctx
        self._drives = drives
        self._sources: dict[int, CopySource] = {drive.record.id: drive for drive in (*drives, *sources)}
        self._lanes = tuple(lanes)
        self._catalog = ctx.catalog.reopen()
        self._hasher_catalog = ctx.catalog.reopen()
        self._combinations: dict[int, Callable[[], CopyReader] | None] = {}
        self._last_locations: dict[bytes, list[tuple[int, str]]] | None = None
        self._attempted: set[tuple[int, str]] = set()
        self.items = sorted(self._find_items(), key=lambda wound: (wound.good_copies, wound.finding.since))

    def close(self) -> None:
        self._catalog.close()
        self._hasher_catalog.close()

    def tasks(self, copier: CopyEngine) -> Iterator[CopyTask]:
        """Yield one task for each item that a copy can repair; per pass, at most one per combined file.

        The next pass has a good copy of it; in this one its bad copies must stay where they are read.
        """
        together: set[int] = set()
        for wound in self.items:
            if wound.finding.kind is FindingKind.MISPLACED or wound.expected is None:
                continue
            task = self._build_task(wound, wound.expected)
            if task is None or not copier.lanes[wound.lane].is_alive:
                continue
            if task.source_copy_id is None:
                if wound.expected.id in together:
                    self.needs_another_pass = True
                    continue
                together.add(wound.expected.id)
            self._attempted.add((self._drives[wound.lane].record.id, wound.finding.path))
            yield task

    def decide(self, _: CopyEngine, task: CopyTask, file: File, __: bytes) -> dict[int, str]:
        """Return the item's own path only; if it is taken meanwhile, it is left. Raises SourceMismatchError."""
        assert task.repairs is not None
        set_destination_from_copy(self._hasher_catalog, task, file, task.repairs.path)
        return {task.lanes[0]: task.repairs.path}

    def can_repair(self, item: RepairItem) -> bool:
        """Return whether a copy can repair it now; if not, the plan's `reasons` say why."""
        return item.expected is not None and self._build_task(item, item.expected) is not None

    def _find_items(self) -> Iterator[RepairItem]:
        lanes = {self._drives[lane].record.id: lane for lane in self._lanes}
        for finding in list_open_findings(self._catalog):
            lane = lanes.get(finding.place_id)
            if lane is None or finding.accepted_at is not None:
                continue
            known = self._find_expected_file(finding)
            if known is None:
                self.reasons[finding.id] = NOT_IN_CATALOG
            yield RepairItem(finding, known, lane, sum(1 for _ in self._iter_good_copies(known)) if known else 0)

    def _find_expected_file(self, finding: StoredFinding) -> KnownFile | None:
        """Return the file that the finding's path should hold; of a companion, its newest version."""
        if finding.kind is FindingKind.STRAY or finding.copy_id is None:
            return None
        newest = find_newest_version(self._catalog, finding.path, finding.place_id)
        file_id = newest if newest is not None else file_queries.get_copy(self._catalog, finding.copy_id).file_id
        return file_queries.get_file(self._catalog, file_id)

    def _iter_good_copies(self, known_file: KnownFile) -> Iterator[tuple[CopySource, Copy, Entry]]:
        """Yield verified copies of a file on connected drives, except sidecars that were edited since."""
        for drive, copy, entry in self._iter_verified_copies(known_file):
            if entry.size == copy.size and (
                known_file.kind is not FileKind.COMPANION or is_untouched(copy, entry)
            ):
                yield drive, copy, entry

    def _iter_verified_copies(self, known_file: KnownFile) -> Iterator[tuple[CopySource, Copy, Entry]]:
        copies = file_queries.list_copies(self._catalog, known_file.id)
        # Read from the network last: it is slow and may be paid by the byte.
        for copy in sorted(copies, key=lambda copy: not isinstance(self._sources.get(copy.place_id), OpenDrive)):
            drive = self._sources.get(copy.place_id)
            if drive is None or not is_good_copy(copy):
                continue
            entry = drive.stat_or_none(copy.path)
            if entry is not None and _is_readable(drive, entry):
                yield drive, copy, entry

    def _build_task(self, item: RepairItem, known_file: KnownFile) -> CopyTask | None:
        seen = self._drives[item.lane].stat_or_none(item.finding.path)
        why = self._find_obstacle(item.finding, self._drives[item.lane], seen)
        if why is None and item.finding.kind is FindingKind.ALTERED and seen is not None:
            why = find_reason_to_keep(self._catalog, known_file, self._drives[item.lane], seen)
        if why is not None:
            self.reasons[item.finding.id] = why
            return None
        for drive, copy, entry in self._iter_good_copies(known_file):
            return self._set_destination(
                _build_copy_task(known_file, drive, entry, (item.lane,), copy.id), item, seen
            )
        task = self._build_task_from_other_path(item, known_file) or self._build_recombine_task(item, known_file)
        if task is None:
            self.reasons[item.finding.id] = (
                CHANGED_SOURCE if any(self._iter_verified_copies(known_file)) else NO_GOOD_COPY
            )
            return None
        return self._set_destination(task, item, seen)

    def _find_obstacle(self, finding: StoredFinding, drive: OpenDrive, current_entry: Entry | None) -> str | None:
        """Return why this path is left alone: it changed since the finding, or is no regular file; else None."""
        if current_entry is None:
            try:
                return NOT_A_PLAIN_FILE if drive.place.exists(finding.path) else None
            except CopyError as error:
                return error.what
        if finding.kind is FindingKind.MISSING:
            return CHANGED_SINCE
        recorded = file_queries.find_copy_at(self._catalog, drive.record.id, finding.path)
        if recorded is None:
            return NAME_TAKEN
        size, mtime_ns = finding.evidence.get("size"), finding.evidence.get("mtime_ns")
        if finding.kind is not FindingKind.STALE and isinstance(mtime_ns, int):
            return None if (current_entry.size, current_entry.mtime_ns) == (size, mtime_ns) else CHANGED_SINCE
        same = is_untouched if kind_of(finding.path) is FileKind.COMPANION else is_as_recorded
        return None if same(recorded, current_entry) else CHANGED_SINCE

    def _build_task_from_other_path(self, item: RepairItem, known_file: KnownFile) -> CopyTask | None:
        """Return a task that reads these bytes from the path at which they were last found, though misplaced.

        Two files whose names were swapped hold each other's bytes. If one of them was quarantined in this pass,
        the other is read from there in the next.
        """
        if self._last_locations is None:
            self._last_locations = map_last_locations(self._catalog)
        for place_id, path in self._last_locations.get(known_file.file.digest, []):
            if (place_id, path) in self._attempted:
                self.needs_another_pass = True
                continue
            drive = self._sources.get(place_id)
            entry = drive.stat_or_none(path) if drive else None
            if drive is not None and entry is not None and entry.size == known_file.file.size:
                return _build_copy_task(known_file, drive, entry, (item.lane,), None)
        return None

    def _build_recombine_task(self, item: RepairItem, known_file: KnownFile) -> CopyTask | None:
        """Return a task that combines one whole file from two bad copies, if its digest matches."""
        if known_file.id not in self._combinations:
            bad = self._open_bad_copies(known_file)
            self._combinations[known_file.id] = find_combination(known_file.file, bad, self._ctx.stop.is_set)
        opened = self._combinations[known_file.id]
        if opened is None:
            return None
        entry = Entry(item.finding.path, known_file.file.size, self._ctx.clock.now())
        return CopyTask(
            entry, open=opened, lanes=(item.lane,), is_source_unchanged=lambda: True, expected_file=known_file.file
        )

    def _open_bad_copies(self, known_file: KnownFile) -> list[ReadAt]:
        found: list[ReadAt] = []
        for copy in file_queries.list_copies(self._catalog, known_file.id):
            drive = self._sources.get(copy.place_id)
            if not isinstance(drive, OpenDrive) or copy.state not in (
                CopyState.CORRUPT,
                CopyState.ALTERED,
                CopyState.QUARANTINED,
            ):
                continue
            entry = drive.stat_or_none(copy.path)
            if entry is not None and entry.size == known_file.file.size:
                found.append(open_tolerant_reader(drive.place.open_for_reading, copy.path))
        return found

    def _set_destination(self, task: CopyTask, item: RepairItem, current_entry: Entry | None) -> CopyTask:
        finding = item.finding
        task.repairs = RepairTarget(finding.id, finding.path)
        if finding.kind is not FindingKind.MISSING:
            since = format_iso(finding.since)
            task.replaces[item.lane] = f"{finding.kind} since {since}; a good copy has taken its place"
            task.expected_entries[item.lane] = current_entry
        return task


def _is_readable(drive: CopySource, entry: Entry) -> bool:
    """Return whether the current user may read it; a copy without permission is not a corrupt source."""
    if isinstance(drive, OpenDrive):
        try:
            os.close(drive.place.open_for_reading(entry.path))
        except PermissionError:
            return False
        except OSError:
            return True
    return True


def _build_copy_task(
    known_file: KnownFile, drive: CopySource, entry: Entry, lanes: tuple[int, ...], copy_id: int | None
) -> CopyTask:
    return CopyTask(
        entry,
        open=lambda: drive.place.open_reader(entry.path),
        lanes=lanes,
        is_source_unchanged=lambda: drive.stat_or_none(entry.path) == entry,
        expected_file=known_file.file,
        source_copy_id=copy_id,
    )
