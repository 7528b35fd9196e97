"""Record in the catalog what happened to copies, in order, many rows per commit.

A row is written only after the bytes it describes are flushed and published: the catalog may lag behind the
drives, but it never leads.
"""

from __future__ import annotations

from collections.abc import Sequence

from tripleguard.catalog import file_queries
from tripleguard.catalog.companions import find_newest_version
from tripleguard.catalog.event_log import add_event
from tripleguard.catalog.file_updates import (
    FileOrigin,
    add_card_file,
    ensure_body,
    ensure_file,
    ensure_shoot,
    record_copy,
    record_copy_quarantined,
    record_copy_verified,
    set_copy_mtime,
    set_copy_state,
)
from tripleguard.catalog.findings import BAD_KINDS, open_or_refresh, resolve_at
from tripleguard.catalog.integrity import is_inspected, record_inspection
from tripleguard.jobs.context import JobContext
from tripleguard.jobs.copying.copy_tasks import CopyQuarantined, CopyTask, CopyVerified, CopyWritten, VerifyFailed
from tripleguard.jobs.copying.destination import Destination
from tripleguard.jobs.drives import OpenDrive
from tripleguard.jobs.integrity import IntegrityResult
from tripleguard.model import Copy, CopyState, Entry, EventOutcome, EventType, File, FindingKind
from tripleguard.names import escape_text
from tripleguard.wording import pluralize


class CopyRecorder:
    """Records one job's results. Call every method inside `Catalog.transaction`."""

    def __init__(self, ctx: JobContext, job_id: int, drives: Sequence[OpenDrive]) -> None:
        self._ctx = ctx
        self._job_id = job_id
        self._drives = drives
        self._shoots: dict[tuple[str, str], int] = {}
        self._written_counts: dict[tuple[int, int], tuple[int, int]] = {}
        self._verified_counts: dict[tuple[int, int], int] = {}
        self.shoot_files: dict[int, int] = {}

    def record_read(self, task: CopyTask) -> int:
        """Record that a card file was read and hashed; return the file's id."""
        assert task.file is not None
        assert task.destination is not None
        file_id = self._ensure_file(task.file, task.destination, task.entry.name, task.sample)
        if file_queries.find_card_file(self._ctx.catalog, self._job_id, task.entry.path) is None:
            self._count_file(task.destination)
        now = self._ctx.clock.now()
        add_card_file(self._ctx.catalog, self._job_id, task.entry, file_id, now)
        if task.integrity_result is not None:
            record_inspection(
                self._ctx.catalog, file_id, task.integrity_result.verdict, task.integrity_result.traits, now
            )
        return file_id

    def record_integrity(self, file: File, result: IntegrityResult | None) -> None:
        """Record the inspection of a file that came from no card; keep an earlier inspection from a card."""
        known = file_queries.find_file_by_digest(self._ctx.catalog, file.digest)
        if result is not None and known is not None and not is_inspected(self._ctx.catalog, known.id):
            record_inspection(self._ctx.catalog, known.id, result.verdict, result.traits, self._ctx.clock.now())

    def record_resumed(self, entry: Entry, file_id: int, shoot_id: int, read_at: int) -> None:
        """Record a card file that an interrupted run of the same offload has read."""
        add_card_file(self._ctx.catalog, self._job_id, entry, file_id, read_at)
        self.shoot_files[shoot_id] = self.shoot_files.get(shoot_id, 0) + 1

    def record_written(self, result: CopyWritten, *, by_us: bool = True) -> None:
        """Record a copy that was written and published."""
        task = result.task
        assert task.file is not None
        assert task.destination is not None
        file_id = self._ensure_file(task.file, task.destination, task.entry.name, task.sample)
        shoot_id = self._ensure_shoot(task.destination)
        place = self._drives[result.lane].record
        record_copy(
            self._ctx.catalog,
            file_id,
            place.id,
            shoot_id,
            result.entry,
            self._ctx.clock.now(),
            insertion=place.insertion,
            is_ours=by_us,
        )
        copies, size = self._written_counts.get((shoot_id, place.id), (0, 0))
        self._written_counts[shoot_id, place.id] = (copies + 1, size + result.entry.size)

    def record_verified(self, result: CopyVerified) -> None:
        """Record a copy that was read back and is equal."""
        place = self._drives[result.lane].record
        copy = self._find_copy_id(result.request.copy_id, place.id, result.request.path)
        if copy is None:
            raise AssertionError(f"a proved copy is not in the catalog: {result.request.path!r}")
        now = self._ctx.clock.now()
        if result.request.mtime_ns is not None:
            set_copy_mtime(self._ctx.catalog, copy, result.request.mtime_ns)
        record_copy_verified(
            self._ctx.catalog, copy, result.medium, now, place.insertion, seen=result.entry_before
        )
        resolve_at(
            self._ctx.catalog, place.id, result.request.path, "it reads back as it should", now, kinds=BAD_KINDS
        )
        recorded = file_queries.get_copy(self._ctx.catalog, copy)
        if find_newest_version(self._ctx.catalog, result.request.path, place.id) == recorded.file_id:
            stale = (FindingKind.STALE,)
            resolve_at(
                self._ctx.catalog, place.id, result.request.path, "it is the newest version", now, kinds=stale
            )
        counted = recorded.shoot_id, place.id
        self._verified_counts[counted] = self._verified_counts.get(counted, 0) + 1
        if result.readings > 1:
            self._add_fixity_event(
                result.lane,
                EventOutcome.PARTIAL,
                result.request.path,
                "the first reading back was different",
                copy,
            )

    def record_verify_failure(self, result: VerifyFailed) -> None:
        """Record a copy that was read back and differs."""
        place, now = self._drives[result.lane].record, self._ctx.clock.now()
        copy = self._find_copy_id(result.request.copy_id, place.id, result.request.path)
        if copy is None:
            raise AssertionError(f"a disproved copy is not in the catalog: {result.request.path!r}")
        if result.quarantine_path is None:
            self.mark_corrupt(copy, result.reason)
        else:
            record_copy_quarantined(self._ctx.catalog, copy, place.id, result.quarantine_path, now)
        where = f"; it lies in {result.quarantine_path} now" if result.quarantine_path else ""
        self._add_fixity_event(result.lane, EventOutcome.FAILURE, result.request.path, result.reason + where, copy)

    def mark_corrupt(self, copy_id: int, reason: str) -> None:
        """Mark a copy that holds the wrong content and stays where it is."""
        now, copy = self._ctx.clock.now(), file_queries.get_copy(self._ctx.catalog, copy_id)
        set_copy_state(self._ctx.catalog, copy_id, CopyState.CORRUPT, now)
        self._open_finding(FindingKind.CORRUPT, copy, {"read_back": reason})

    def _open_finding(self, kind: FindingKind, copy: Copy, evidence: dict[str, object]) -> None:
        open_or_refresh(
            self._ctx.catalog,
            kind,
            copy.place_id,
            copy.path,
            self._ctx.clock.now(),
            copy_id=copy.id,
            file_id=copy.file_id,
            shoot_id=copy.shoot_id,
            evidence=evidence,
        )

    def record_quarantine(self, result: CopyQuarantined) -> None:
        """Record that a bad copy was quarantined in favour of a good one."""
        place, now = self._drives[result.lane].record, self._ctx.clock.now()
        copy = file_queries.find_copy_at(self._ctx.catalog, place.id, result.path)
        if copy is not None:
            record_copy_quarantined(self._ctx.catalog, copy.id, place.id, result.quarantine_path, now)
        self.add_job_event(
            EventType.QUARANTINE,
            EventOutcome.SUCCESS,
            f"{escape_text(result.path)} was quarantined as {result.quarantine_path}; nothing was deleted",
            place_id=place.id,
        )

    def mark_missing(self, copy: Copy) -> None:
        """Mark a recorded copy that has vanished or has another size."""
        now = self._ctx.clock.now()
        recorded = file_queries.find_copy_at(self._ctx.catalog, copy.place_id, copy.path)
        if recorded is None or recorded.id != copy.id or recorded.state is not CopyState.PRESENT:
            return
        set_copy_state(self._ctx.catalog, copy.id, CopyState.MISSING, now)
        self._open_finding(FindingKind.MISSING, copy, {})
        add_event(
            self._ctx.catalog,
            EventType.FIXITY_CHECK,
            EventOutcome.FAILURE,
            f"{escape_text(copy.path)} is not there as recorded",
            now,
            job_id=self._job_id,
            place_id=copy.place_id,
            file_id=copy.file_id,
        )

    def add_summary_events(self, outcome: EventOutcome) -> None:
        """Append one event per shoot and drive that got copies."""
        for (shoot_id, place_id), (copies, size) in self._written_counts.items():
            self.add_job_event(
                EventType.REPLICATION,
                outcome,
                f"{pluralize(copies, 'copy', 'copies')} written, {pluralize(size, 'byte')}",
                shoot_id=shoot_id,
                place_id=place_id,
            )
        for (shoot_id, place_id), proved in self._verified_counts.items():
            self.add_job_event(
                EventType.FIXITY_CHECK,
                EventOutcome.SUCCESS,
                f"{pluralize(proved, 'copy', 'copies')} read back, all equal",
                shoot_id=shoot_id,
                place_id=place_id,
            )

    def add_job_event(self, type_: EventType, outcome: EventOutcome, message: str, **links: int | None) -> None:
        """Append an event of this job."""
        add_event(
            self._ctx.catalog,
            type_,
            outcome,
            message,
            self._ctx.clock.now(),
            job_id=self._job_id,
            place_id=links.get("place_id"),
            shoot_id=links.get("shoot_id"),
        )

    def _ensure_file(self, file: File, destination: Destination, name: str, sample: bytes) -> int:
        body_id = None
        if destination.body_key is not None:
            body_id = ensure_body(self._ctx.catalog, destination.body, *destination.body_key)
        origin = FileOrigin(
            name,
            destination.kind,
            self._ensure_shoot(destination),
            body_id,
            destination.wall_ns,
            destination.offset,
        )
        wants = self._ctx.settings.rule.drive_copies
        return ensure_file(self._ctx.catalog, file, origin, sample, wants, self._ctx.clock.now())

    def _ensure_shoot(self, destination: Destination) -> int:
        key = (destination.day, destination.shoot)
        if key not in self._shoots:
            self._shoots[key] = ensure_shoot(self._ctx.catalog, *key, self._ctx.clock.now())
        return self._shoots[key]

    def _count_file(self, destination: Destination) -> None:
        shoot_id = self._ensure_shoot(destination)
        self.shoot_files[shoot_id] = self.shoot_files.get(shoot_id, 0) + 1

    def _find_copy_id(self, copy_id: int | None, place_id: int, path: str) -> int | None:
        if copy_id is not None:
            return copy_id
        copy = file_queries.find_copy_at(self._ctx.catalog, place_id, path)
        return copy.id if copy else None

    def _add_fixity_event(self, lane: int, outcome: EventOutcome, path: str, reason: str, copy_id: int) -> None:
        copy = file_queries.get_copy(self._ctx.catalog, copy_id)
        add_event(
            self._ctx.catalog,
            EventType.FIXITY_CHECK,
            outcome,
            f"{escape_text(path)}: {reason}",
            self._ctx.clock.now(),
            job_id=self._job_id,
            place_id=self._drives[lane].record.id,
            file_id=copy.file_id,
            shoot_id=copy.shoot_id,
        )


_STATE_OF_FINDING = {
    FindingKind.MISSING: CopyState.MISSING,
    FindingKind.CORRUPT: CopyState.CORRUPT,
    FindingKind.ALTERED: CopyState.ALTERED,
}


def record_failed_copy(
    ctx: JobContext,
    copy: Copy,
    reason: str,
    during: str,
    job_id: int,
    *,
    kind: FindingKind = FindingKind.CORRUPT,
    entry: Entry | None = None,
) -> None:
    """Mark a copy as missing, corrupt or altered, and open a finding.

    Args:
        during: Which job found it.
        reason: Why, in plain words.
        entry: What was found at its path.
    """
    now = ctx.clock.now()
    as_seen = {"size": entry.size, "mtime_ns": entry.mtime_ns} if entry is not None else {}
    with ctx.catalog.transaction():
        set_copy_state(ctx.catalog, copy.id, _STATE_OF_FINDING[kind], now)
        open_or_refresh(
            ctx.catalog,
            kind,
            copy.place_id,
            copy.path,
            now,
            copy_id=copy.id,
            file_id=copy.file_id,
            shoot_id=copy.shoot_id,
            evidence={during: reason, **as_seen},
        )
        add_event(
            ctx.catalog,
            EventType.FIXITY_CHECK,
            EventOutcome.FAILURE,
            f"{escape_text(copy.path)}: {reason}",
            now,
            job_id=job_id,
            place_id=copy.place_id,
            file_id=copy.file_id,
        )
