"""Answer whether a drive may be taken out of service and reformatted: what would be missing without it.

The drive is listed now: anything on it that is not in the catalog, or not as recorded, is a reason to keep it.
Each of its files must have the copies that the rule asks for on *other* drives that are connected now, and those
copies must have been read back recently. In doubt the answer is no.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Sequence

from blake3 import blake3

from tripleguard.catalog import file_queries, folder_queries, shoots
from tripleguard.catalog.companions import find_newest_version, find_pictures
from tripleguard.catalog.event_log import list_drives_with_yes
from tripleguard.catalog.places import list_places
from tripleguard.catalog.quarantine import list_quarantined_copies
from tripleguard.catalog.rows import KnownFile
from tripleguard.clock import DAY
from tripleguard.errors import StoppedError
from tripleguard.jobs.clearance.counted_copies import (
    COPY_CHANGED,
    SAME_COPY,
    SAME_DISK,
    CopyEvidence,
    CountedCopies,
)
from tripleguard.jobs.clearance.decision import decide_clearance
from tripleguard.jobs.clearance.drive_answer import (
    GIVEN,
    NO_GOOD_COPY,
    ONLY_HERE,
    WORDS_ELSEWHERE,
    WORSE_FIRST,
    DriveClearanceResult,
    UncoveredFile,
    group_by_shoot,
)
from tripleguard.jobs.clearance.drive_observation import DriveObservation
from tripleguard.jobs.clearance.quarantine_content import identify_content, original_name
from tripleguard.jobs.clearance.reasons import ReasonCounter
from tripleguard.jobs.context import JobContext
from tripleguard.jobs.copying.hashing import has_recorded_content
from tripleguard.jobs.drives import OpenDrive, explain_outdated_catalog
from tripleguard.jobs.existing_copies import is_identified_by_content
from tripleguard.jobs.progress import Job, ProgressUpdate
from tripleguard.model import Copy, CopyState, Entry, FileKind, PlaceRecord, PlaceState
from tripleguard.places.quarantine import QuarantineEntry
from tripleguard.rules import CopyRequirements, CopyStatus, is_as_recorded, primary_reason

_PROGRESS_EVERY = 200


def clear_drive(ctx: JobContext, record: PlaceRecord, drives: Sequence[OpenDrive]) -> Job[DriveClearanceResult]:
    """Check the drive and all other copies of its files on the connected drives, and answer.

    Raises:
        PlaceFailedError: The drive went away.
        StoppedError, CatalogError: There is no answer.
    """
    of_files = sum(held.copies for held in shoots.list_coverage(ctx.catalog, record.id))
    with contextlib.closing(_DriveClearanceRun(ctx, record, drives)) as asking:
        for number, item in enumerate(asking.iter_items()):
            asking.run_first_check(item)
            if number % _PROGRESS_EVERY == 0:
                yield _progress(ctx, f"looking at drive {record.name}", number, of_files)
        yield from asking.read_back()
        asking.begin_final_check()
        for number, item in enumerate(asking.items):
            asking.count_item(item)
            if number % _PROGRESS_EVERY == 0:
                yield _progress(ctx, f"looking at drive {record.name} once more", number, len(asking.items))
        asking.end_final_check()
        return asking.make_answer()


def _progress(ctx: JobContext, activity: str, number: int, total_files: int) -> ProgressUpdate:
    _stop_if_asked(ctx)
    return ProgressUpdate(activity, number, max(number, total_files), 0, 0, 0.0, None)


def _stop_if_asked(ctx: JobContext) -> None:
    if ctx.stop.is_set():
        raise StoppedError(
            "Stopped before the whole drive was looked at.",
            safe="Nothing was changed. There is no answer: keep the drive.",
            do="Ask again.",
        )


class _DriveClearanceRun:
    """The run that answers one question."""

    def __init__(self, ctx: JobContext, record: PlaceRecord, drives: Sequence[OpenDrive]) -> None:
        self._ctx = ctx
        self._record = record
        self._drive = next((drive for drive in drives if drive.record.id == record.id), None)
        self._others = [drive for drive in drives if drive.record.id != record.id]
        self._answer_time = ctx.clock.now()
        needs = CopyRequirements(
            0, 0, ctx.settings.rule.accept_cached, max_age_ns=ctx.settings.clearance.drive_days * DAY
        )
        self._places_given_yes = list_drives_with_yes(ctx.catalog) - {record.id}
        # Whoever has retired one has acted on its yes: nothing is left to take back.
        self._cleared_drives = [
            one
            for one in list_places(ctx.catalog)
            if one.id in self._places_given_yes and one.state not in (PlaceState.RETIRED, PlaceState.LOST)
        ]
        self._copies = CopyEvidence(
            ctx,
            self._others,
            needs,
            ctx.settings.rule.drive_copies,
            excluded_place_ids={record.id, *self._places_given_yes},
            leaving=self._drive,
            change_times="same if known",
        )
        self.items: list[Entry | QuarantineEntry | Copy] = []
        self._counted_on: list[tuple[str, CountedCopies]] = []
        self._as_recorded: dict[str, bool] = {}
        self._content: dict[str, KnownFile | None] = {}
        self._reasons = ReasonCounter(
            WORSE_FIRST,
            drive=record.name,
            cleared=[one.name for one in self._cleared_drives],
        )
        self._notes = ReasonCounter()
        self._observation = (
            DriveObservation(ctx.places, self._drive, self._reasons, self._notes)
            if self._drive is not None
            else None
        )
        self._files = self._bytes = 0
        self._uncovered: list[UncoveredFile] = []
        self._covered: list[tuple[str, bytes]] = []
        self._list_hasher = blake3()
        self._listed_paths: set[str] = set()
        self._in_quarantine = {one.copy.path: one for one in list_quarantined_copies(ctx.catalog, record.id)}

    def iter_items(self) -> Iterator[Entry | QuarantineEntry | Copy]:
        """Yield what is on the drive now, then the recorded copies that the listing did not show."""
        if self._observation is None:
            self._reasons.add("drive not here")
        else:
            yield from self._observation.iter_entries()
        for folder in folder_queries.iter_folders(self._ctx.catalog, self._record.id):
            for copy in folder_queries.list_all_copies_in_folder(self._ctx.catalog, self._record.id, folder):
                if copy.path not in self._listed_paths:
                    yield copy

    def close(self) -> None:
        """Stop watching for changes."""
        self._copies.close()
        if self._observation is not None:
            self._observation.close()

    def run_first_check(self, item: Entry | QuarantineEntry | Copy) -> None:
        """Remember one item, and check the copies that may replace it."""
        self.items.append(item)
        copy = item if isinstance(item, Copy) else None
        if isinstance(item, Entry):
            copy = file_queries.find_copy_at(self._ctx.catalog, self._record.id, item.path)
        elif isinstance(item, QuarantineEntry):
            quarantine = self._in_quarantine.get(item.path)
            known = identify_content(self._ctx.catalog, self._drive, item) if self._drive is not None else None
            self._content[item.path] = known
            if known is not None:
                self._copies.run_first_check(known, original_name(quarantine, item), None)
        if copy is not None:
            known = file_queries.get_file(self._ctx.catalog, copy.file_id)
            if isinstance(item, Entry):
                self._listed_paths.add(copy.path)
                # Read it before the final check, which then shows that it stayed unchanged.
                self._as_recorded[copy.path] = self._is_as_recorded(copy, known, item)
            for one in self._iter_versions(known, copy.path):
                self._copies.run_first_check(
                    one, copy.path.rpartition("/")[2], self._originals_beside(one, copy.path)
                )

    def read_back(self) -> Job[None]:
        """Read back the copies elsewhere that look unchanged but were written to since they were verified."""
        if self._copies.pending_read_backs:
            yield from self._copies.read_back()
        _stop_if_asked(self._ctx)

    def begin_final_check(self) -> None:
        """List the drive again; the answer applies to the moment at which this begins."""
        self._answer_time = self._ctx.clock.now()
        if self._observation is not None:
            self._observation.compare_listing()
        for name in self._copies.begin_final_check():
            self._reasons.add("drive gone meanwhile", name)

    def end_final_check(self) -> None:
        """Add what was changed on any drive since the first check."""
        for name in self._copies.end_final_check():
            self._reasons.add("drive gone meanwhile", name)
        for path, counted in self._counted_on:
            if not self._copies.is_unchanged(counted):
                self._reasons.add("copy changed meanwhile", path)
        if self._observation is not None:
            self._observation.add_reported_changes()
        if (
            explain_outdated_catalog(self._ctx, [*self._others, *([self._drive] if self._drive else [])])
            is not None
        ):
            self._reasons.add("catalog from the past")

    def count_item(self, item: Entry | QuarantineEntry | Copy) -> None:
        """Count one item."""
        if isinstance(item, Copy):
            self._count_unlisted(item)
            return
        if isinstance(item, QuarantineEntry):
            assert self._drive is not None
            self._count_quarantined(self._drive, item)
            return
        copy = file_queries.find_copy_at(self._ctx.catalog, self._record.id, item.path)
        known = None if copy is None else file_queries.get_file(self._ctx.catalog, copy.file_id)
        if copy is None or known is None:
            self._reasons.add(self._reason_for_state("not in the catalog"), item.path)
        elif copy.state is CopyState.ALTERED or not self._as_recorded.get(item.path, False):
            self._reasons.add(self._reason_for_state("changed here"), item.path)
        else:
            self._count_file(known, copy)

    def _reason_for_state(self, reason: str) -> str:
        """Return the reason word for this drive's state: a leaving drive takes no new entries or repairs."""
        return f"{reason}, leaving" if self._record.state is PlaceState.RETIRING else reason

    def _is_as_recorded(self, copy: Copy, known: KnownFile, entry: Entry) -> bool:
        """Return whether a file on the drive is the recorded one; read it where size and time don't prove it.

        A companion is always read, because an editor can save it twice within two seconds; it is small.
        """
        if not is_as_recorded(copy, entry):
            return False
        if known.kind.is_original and known.file.size > 0 and copy.mtime_ns == entry.mtime_ns:
            return True
        if copy.state is not CopyState.PRESENT:
            return True
        assert self._drive is not None
        return has_recorded_content(self._drive, copy, known)

    def make_answer(self) -> DriveClearanceResult:
        """Return the answer from what was counted."""
        reasons = self._reasons.to_reasons()
        if not reasons and (self._uncovered or len(self._covered) != self._files):
            raise AssertionError("a yes that does not cover every file")
        self._note_disks()
        for record in self._cleared_drives:
            self._notes.add("yes stands", record.name)
        clearance = decide_clearance(
            self._ctx,
            subject=f"drive {self._record.name}",
            at=self._answer_time,
            files=self._files,
            total_bytes=self._bytes,
            covered=len(self._covered),
            list_digest=self._list_hasher.digest(),
            reasons=reasons,
            notes=self._notes.to_reasons(),
        )
        uncovered = sorted(self._uncovered, key=lambda one: (not one.is_sole, one.copies_elsewhere, one.path))
        return DriveClearanceResult(
            self._record,
            clearance,
            tuple(uncovered),
            group_by_shoot(self._ctx.catalog, self._uncovered),
            tuple(self._covered),
        )

    def _count_copies(
        self, path: str, known: KnownFile, name: str, originals: frozenset[bytes] | None
    ) -> CountedCopies:
        """Count the copies elsewhere in the final check; the end checks whether they stayed unchanged."""
        counted = self._copies.run_final_check(known, name, originals)
        if self._copies.is_enough(counted):
            self._counted_on.append((path, counted))
        return counted

    def _iter_versions(self, known: KnownFile, path: str) -> Iterator[KnownFile]:
        """Yield the file and, for a sidecar, also its newest version."""
        yield known
        newest = (
            find_newest_version(self._ctx.catalog, path, self._record.id)
            if known.kind is FileKind.COMPANION
            else None
        )
        if newest is not None and newest != known.id:
            yield file_queries.get_file(self._ctx.catalog, newest)

    def _count_quarantined(self, drive: OpenDrive, item: QuarantineEntry) -> None:
        """Read and count a quarantined file: it may be someone's work, and its name and note prove nothing."""
        if item.is_note:
            return
        copy = self._in_quarantine.get(item.path)
        known = self._content.get(item.path)
        if known is None or not self._copies.is_enough(
            self._count_copies(item.path, known, original_name(copy, item), None)
        ):
            self._reasons.add("quarantine and unknown" if copy is None else "only in quarantine", item.path)

    def _count_unlisted(self, copy: Copy) -> None:
        """Count a copy that the catalog has here but the listing did not show: gone, or quarantined."""
        known = file_queries.get_file(self._ctx.catalog, copy.file_id)
        if copy.state is CopyState.QUARANTINED:
            # Older versions of a sidecar are quarantined too; only an original can be beyond repair.
            elsewhere = self._copies.run_final_check(known, known.name, None).copies
            if known.kind is not FileKind.COMPANION and not elsewhere and not self._has_good_copy(known):
                self._reasons.add("no good copy", copy.path)
            return
        if self._drive is None:
            self._count_file(known, copy)
            return
        counted = self._count_copies(
            copy.path, known, copy.path.rpartition("/")[2], self._originals_beside(known, copy.path)
        )
        if self._copies.is_enough(counted) or self._is_superseded(known, copy.path):
            self._notes.add("gone from the drive", copy.path)
        else:
            # It may only be hidden, under a mount or by a failing file system.
            self._reasons.add("gone and short", copy.path)

    def _count_file(self, known: KnownFile, copy: Copy) -> None:
        """Count one file of the drive, and the reason if it would fall below the rule."""
        self._files += 1
        self._bytes += known.file.size
        path = copy.path
        name = path.rpartition("/")[2]
        if self._is_superseded(known, path):
            self._notes.add("older version", path)
            self._add_covered(path, known)
            return
        counted = self._count_copies(path, known, name, self._originals_beside(known, path))
        if self._copies.is_enough(counted):
            self._add_covered(path, known)
            return
        cleared_ids = {one.id for one in self._cleared_drives}
        rests = cleared_ids and any(
            one.place_id in cleared_ids and one.state is CopyState.PRESENT
            for one in file_queries.list_copies(self._ctx.catalog, known.id)
        )
        word = GIVEN if rests else self._reason_for(counted, copy)
        self._reasons.add(word, path)
        self._uncovered.append(UncoveredFile(path, known.file.size, known.shoot_id, counted.independent, word))

    def _is_superseded(self, known: KnownFile, path: str) -> bool:
        """Return whether this is an older version of a sidecar whose newest one is safe without the drive."""
        newest = (
            find_newest_version(self._ctx.catalog, path, self._record.id)
            if known.kind is FileKind.COMPANION
            else None
        )
        if newest is None or newest == known.id:
            return False
        newer = file_queries.get_file(self._ctx.catalog, newest)
        counted = self._count_copies(path, newer, path.rpartition("/")[2], self._originals_beside(known, path))
        return self._copies.is_enough(counted)

    def _reason_for(self, counted: CountedCopies, copy: Copy) -> str:
        for problem in (COPY_CHANGED, SAME_COPY, SAME_DISK):
            if problem in counted.problems:
                return problem
        status = primary_reason(counted.statuses)
        if not counted.copies and status in (None, CopyStatus.MISSING, CopyStatus.OUT_OF_SERVICE):
            return ONLY_HERE if copy.state is CopyState.PRESENT else NO_GOOD_COPY
        return WORDS_ELSEWHERE[status] if status is not None else "one elsewhere"

    def _add_covered(self, path: str, known: KnownFile) -> None:
        self._covered.append((path, known.file.digest))
        line = f"{known.file.digest.hex()}  {known.file.size}  "
        self._list_hasher.update(line.encode() + path.encode("utf-8", "surrogateescape") + b"\n")

    def _originals_beside(self, known: KnownFile, path: str) -> frozenset[bytes] | None:
        """Return the originals beside a companion on this drive; None if there are none or it is an original."""
        if is_identified_by_content(known.kind, known.file.size):
            return None
        return find_pictures(self._ctx.catalog, self._record.id, path) or None

    def _has_good_copy(self, known: KnownFile) -> bool:
        return any(
            copy.place_id == self._record.id and copy.state is CopyState.PRESENT
            for copy in file_queries.list_copies(self._ctx.catalog, known.id)
        )

    def _note_disks(self) -> None:
        disks = [drive.place.disk_id for drive in self._others]
        if len(disks) > 1 and len(set(disks)) < len(disks):
            self._notes.add("one device")
        mine = self._drive.place.disk_id if self._drive else None
        for drive, disk in zip(self._others, disks, strict=True):
            if mine is not None and disk == mine and drive.record.state is not PlaceState.RETIRED:
                self._notes.add("same device", drive.record.name)
