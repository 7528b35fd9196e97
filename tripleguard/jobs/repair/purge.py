"""Purge the quarantine: the one job that removes files a photographer may still want, and only on request.

It begins with a plan that changes nothing. Only what was planned and approved is removed, and each file is checked
again at that moment: against the catalog, by its bytes, and by the other copies of its file. Who approved it and
why is in the catalog before the first removal. If interrupted, the catalog has at most one file that is gone; the
next run records that.
"""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass, field

from tripleguard.catalog.event_log import add_event, begin_job, end_job
from tripleguard.catalog.quarantine import QuarantinedCopy, forget_quarantined
from tripleguard.errors import CopyError, TripleguardError
from tripleguard.jobs.context import JobContext, current_agent
from tripleguard.jobs.drives import OpenDrive
from tripleguard.jobs.progress import Job, Progress, ProgressUpdate
from tripleguard.jobs.repair.keep_rules import QuarantineKeepRules
from tripleguard.jobs.repair.quarantine import PurgeFilter, QuarantinedFile, filter_files, read_drive_quarantine
from tripleguard.model import EventOutcome, EventType, PlaceRecord
from tripleguard.names import escape_text
from tripleguard.wording import pluralize

ApprovedFiles = frozenset[tuple[int, str, int, int, int]]
"""What a person approved: the place's id, and path, size, mtime and ctime of each file."""

_CHANGED_REASON = "it is not what it was when it was looked at"


@dataclass(frozen=True, slots=True)
class KeptFile:
    """A file that stays, and why."""

    place: str
    path: str
    size: int
    reason: str


@dataclass(frozen=True, slots=True)
class PurgePlan:
    """What would be removed on one drive and what kept; `unmatched_count` files do not match the filter."""

    record: PlaceRecord
    to_remove: tuple[QuarantinedFile, ...]
    kept: tuple[KeptFile, ...]
    unmatched_count: int

    @property
    def bytes_to_remove(self) -> int:
        return sum(thing.stored_file.size for thing in self.to_remove)


@dataclass(slots=True)
class PlacePurgeResult:
    """What was removed and kept on one drive; `forgotten_count` files had vanished before."""

    record: PlaceRecord
    removed: list[QuarantinedFile] = field(default_factory=list)
    kept: list[KeptFile] = field(default_factory=list)
    forgotten_count: int = 0

    @property
    def removed_bytes(self) -> int:
        return sum(thing.stored_file.size for thing in self.removed)


@dataclass(frozen=True, slots=True)
class PurgeResult:
    """What was done, by drive. was_stopped: the person ended it early."""

    places: tuple[PlacePurgeResult, ...]
    errors: tuple[TripleguardError, ...]
    was_stopped: bool
    seconds: float


def plan_purge(
    ctx: JobContext, drives: Sequence[OpenDrive], connected: Sequence[OpenDrive], purge_filter: PurgeFilter
) -> list[PurgePlan]:
    """Return what a purge would do on these drives. connected: all that are open. Raises PlaceFailedError."""
    plans = []
    with closing(QuarantineKeepRules(ctx, connected, include_changed=purge_filter.include_changed)) as keep_rules:
        for drive in drives:
            shelf = read_drive_quarantine(ctx, drive)
            some = filter_files(shelf.files, purge_filter, ctx.clock.now())
            going, spared = [], []
            for thing in some:
                why = keep_rules.find_keep_reason(thing.stored_file, thing.copy, thing.file)
                if why is None:
                    going.append(thing)
                else:
                    spared.append(KeptFile(drive.record.name, thing.stored_file.path, thing.stored_file.size, why))
            plans.append(PurgePlan(drive.record, tuple(going), tuple(spared), len(shelf.files) - len(some)))
    return plans


def list_planned_removals(plans: Sequence[PurgePlan]) -> ApprovedFiles:
    """Return everything that the plans would remove, for a person to approve."""
    return frozenset(_as_agreed(plan.record, thing) for plan in plans for thing in plan.to_remove)


def _as_agreed(record: PlaceRecord, thing: QuarantinedFile) -> tuple[int, str, int, int, int]:
    stored_file = thing.stored_file
    return record.id, stored_file.path, stored_file.size, stored_file.mtime_ns, stored_file.ctime_ns


def purge_quarantine(
    ctx: JobContext,
    drives: Sequence[OpenDrive],
    connected: Sequence[OpenDrive],
    purge_filter: PurgeFilter,
    approved_files: ApprovedFiles,
    reason: str,
) -> Job[PurgeResult]:
    """Remove what a person approved on the open and locked drives, and nothing else. Yields progress.

    reason: the person's reason, which is recorded. A stop ends the job between two files. Raises CatalogError.
    """
    began = time.monotonic()
    run = _PurgeRun(ctx, connected, purge_filter, approved_files, reason)
    for drive in drives:
        yield from run.purge_drive(drive)
    return PurgeResult(tuple(run.places), tuple(run.errors), ctx.stop.is_set(), round(time.monotonic() - began, 3))


class _PurgeRun:
    """One run, in the caller's thread."""

    def __init__(
        self,
        ctx: JobContext,
        connected: Sequence[OpenDrive],
        purge_filter: PurgeFilter,
        approved_files: ApprovedFiles,
        reason: str,
    ) -> None:
        self.places: list[PlacePurgeResult] = []
        self.errors: list[TripleguardError] = []
        self._ctx = ctx
        self._purge_filter = purge_filter
        self._approved_files = approved_files
        self._reason = reason
        self._looked_at = connected

    def purge_drive(self, drive: OpenDrive) -> Iterator[Progress]:
        """Purge one drive and yield progress; keep its errors so that the next drive follows."""
        emptied = PlacePurgeResult(drive.record)
        self.places.append(emptied)
        try:
            shelf = read_drive_quarantine(self._ctx, drive)
            for copy in shelf.missing:
                emptied.forgotten_count += self._forget_if_vanished(drive, copy)
            things = [
                thing
                for thing in filter_files(shelf.files, self._purge_filter, self._ctx.clock.now())
                if _as_agreed(drive.record, thing) in self._approved_files
            ]
            if things:
                yield from self._purge_files(drive, things, emptied)
            drive.place.remove_empty_dirs()
        except CopyError as error:
            self.errors.append(error)

    def _purge_files(
        self, drive: OpenDrive, files: Sequence[QuarantinedFile], result: PlacePurgeResult
    ) -> Iterator[Progress]:
        total, done = sum(thing.stored_file.size for thing in files), 0
        job = self._begin_job(drive, files, total)
        outcome = EventOutcome.FAILURE
        try:
            for number, thing in enumerate(files):
                if self._ctx.stop.is_set():
                    break
                doing = f"emptying quarantine on {escape_text(drive.record.name)}"
                yield ProgressUpdate(doing, number, len(files), done, total, 0.0, None)
                why = self._remove_if_allowed(drive, thing, job)
                done += thing.stored_file.size
                if why is None:
                    result.removed.append(thing)
                else:
                    result.kept.append(
                        KeptFile(drive.record.name, thing.stored_file.path, thing.stored_file.size, why)
                    )
            outcome = EventOutcome.SUCCESS if len(result.removed) == len(files) else EventOutcome.PARTIAL
        finally:
            detail = {"removed": len(result.removed), "bytes": result.removed_bytes, "because": self._reason}
            with self._ctx.catalog.transaction():
                end_job(self._ctx.catalog, job, outcome, detail, self._ctx.clock.now())

    def _begin_job(self, drive: OpenDrive, files: Sequence[QuarantinedFile], total: int) -> int:
        """Record who approved what before anything is removed; return the job's id."""
        now, who = self._ctx.clock.now(), current_agent()
        with self._ctx.catalog.transaction():
            job = begin_job(self._ctx.catalog, "quarantine empty", drive.record.name, who, now)
            add_event(
                self._ctx.catalog,
                EventType.DEACCESSION,
                EventOutcome.SUCCESS,
                f"{who} gave the word to remove {pluralize(len(files), 'file')} ({total:,} bytes) from "
                f"quarantine, {self._purge_filter.description}: {escape_text(self._reason)}",
                now,
                job_id=job,
                place_id=drive.record.id,
                detail={
                    "by": who,
                    "because": self._reason,
                    "paths": [escape_text(thing.stored_file.path) for thing in files],
                },
            )
        return job

    def _remove_if_allowed(self, drive: OpenDrive, quarantined: QuarantinedFile, job: int) -> str | None:
        """Check one file a last time and remove it; return why it stays, None if it was removed."""
        stored_file, copy, file = quarantined.stored_file, quarantined.copy, quarantined.file
        with closing(
            QuarantineKeepRules(self._ctx, self._looked_at, include_changed=self._purge_filter.include_changed)
        ) as keep_rules:
            why = keep_rules.find_keep_reason(stored_file, copy, file)
            if why is not None or copy is None or file is None:
                return why
            try:
                why = keep_rules.find_content_keep_reason(
                    drive, stored_file, copy, file
                ) or keep_rules.why_kept_now(drive, stored_file)
            except OSError as error:
                return f"it could not be laid beside a good copy ({error.strerror or error}). Next: run `rescan`"
        if why is not None:
            return why
        if stored_file.note is not None and stored_file.note.link_count == 1:
            drive.place.delete_quarantined(stored_file.note)
        if not drive.place.delete_quarantined(stored_file):
            return _CHANGED_REASON
        now = self._ctx.clock.now()
        with self._ctx.catalog.transaction():
            forget_quarantined(self._ctx.catalog, copy.copy)
            add_event(
                self._ctx.catalog,
                EventType.DELETION,
                EventOutcome.SUCCESS,
                f"{escape_text(stored_file.path)} was removed from quarantine by the word "
                f"of {current_agent()}: {escape_text(self._reason)}",
                now,
                job_id=job,
                place_id=drive.record.id,
                file_id=file.id,
                detail={"bytes": stored_file.size, "was": stored_file.reason},
            )
        return None

    def _forget_if_vanished(self, drive: OpenDrive, copy: QuarantinedCopy) -> bool:
        """Forget a recorded file that has vanished: removed by hand, or by an interrupted purge."""
        if copy.has_open_finding or drive.place.exists(copy.copy.path) or not drive.place.is_connected():
            return False
        with self._ctx.catalog.transaction():
            forget_quarantined(self._ctx.catalog, copy.copy)
            add_event(
                self._ctx.catalog,
                EventType.DELETION,
                EventOutcome.PARTIAL,
                f"{escape_text(copy.copy.path)} was no longer in quarantine: an emptying was "
                "cut off, or somebody removed it by hand",
                self._ctx.clock.now(),
                place_id=drive.record.id,
                file_id=copy.copy.file_id,
            )
        return True
