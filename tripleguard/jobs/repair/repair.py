"""Repair what a good copy can repair without risking that copy, and move misplaced files back.

The source is only read, and its digest is checked meanwhile. The new copy is written and flushed beside the bad
one; only then is the bad one quarantined, and the good one is published and read back. Files with the fewest good
copies come first. Where no copy is good, everything is kept, and two bad copies are compared to see whether one
whole file can be combined from them.

A misplaced file is renamed only if it is as last recorded; a changed one is rescanned first, else its old evidence
would vouch for new bytes.
"""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from tripleguard.catalog import file_queries
from tripleguard.catalog.file_updates import move_copy
from tripleguard.catalog.findings import resolve_at
from tripleguard.errors import CopyError, NameTakenError, TripleguardError
from tripleguard.jobs.context import JobContext
from tripleguard.jobs.copying.copy_tasks import CopyFailed, CopyVerified
from tripleguard.jobs.copying.engine import CopyResult, SourceRead, SourceReadFailed
from tripleguard.jobs.copying.recording import CopyRecorder
from tripleguard.jobs.copying.replication import ReplicationRun
from tripleguard.jobs.drives import CopySource, OpenDrive
from tripleguard.jobs.progress import Job, Progress, ProgressUpdate
from tripleguard.jobs.repair.repair_plan import CHANGED_SINCE, RETRY_LATER, RepairItem, RepairPlan
from tripleguard.model import CopyState, EventOutcome, EventType, FindingKind
from tripleguard.names import escape_text
from tripleguard.rules import is_as_recorded

_MAX_PASSES = 3
_KINDS_EXCEPT_MISPLACED = tuple(kind for kind in FindingKind if kind is not FindingKind.MISPLACED)


@dataclass(frozen=True, slots=True)
class RepairOutcome:
    """One finding and what was done, or why nothing was."""

    kind: FindingKind
    place: str
    path: str
    detail: str
    is_offsite: bool = False


@dataclass(frozen=True, slots=True)
class RepairResult:
    """What a repair did, or with dry_run would do."""

    repaired: tuple[RepairOutcome, ...]
    not_repaired: tuple[RepairOutcome, ...]
    dry_run: bool
    errors: tuple[TripleguardError, ...]
    seconds: float


def repair(
    ctx: JobContext,
    drives: Sequence[OpenDrive],
    sources: Sequence[CopySource] = (),
    unavailable: Sequence[TripleguardError] = (),
    *,
    dry_run: bool = False,
) -> Job[RepairResult]:
    """Repair what the open findings allow on the open and locked drives. Yields progress.

    Raises StoppedError, PlaceFailedError (no drive left), CatalogError.

    Args:
        sources: More drives, which are only read from.
        unavailable: Why connected drives can't be written to now; reported with the result.
    """
    began = time.monotonic()
    yield ProgressUpdate("looking what is wrong", 0, 0, 0, 0, 0.0, None)
    if dry_run:
        repaired, not_repaired = _plan_dry_run(ctx, drives, sources)
        return RepairResult(repaired, not_repaired, True, tuple(unavailable), round(time.monotonic() - began, 3))
    run = _RepairRun(ctx, drives, sources)
    run.errors += unavailable
    yield from run.run()
    return RepairResult(
        tuple(run.repaired),
        tuple(run.list_not_repaired()),
        False,
        tuple(run.errors),
        round(time.monotonic() - began, 3),
    )


class _RepairRun(ReplicationRun):
    """One run, in the caller's thread."""

    def __init__(self, ctx: JobContext, drives: Sequence[OpenDrive], sources: Sequence[CopySource]) -> None:
        self._sources = sources
        self._plan = RepairPlan(ctx, drives, range(len(drives)), sources)
        items = [item for item in self._plan.items if item.expected is not None]
        total = sum(item.expected.file.size for item in items if item.expected)
        super().__init__(ctx, drives, "repair", len(items), total)
        self.repaired: list[RepairOutcome] = []
        self._unrepaired = {item.finding.id: item for item in self._plan.items}
        self._reasons: dict[int, str] = {}

    def run(self) -> Iterator[Progress]:
        """Rename misplaced files, then copy in passes; each avoids the bad sources found before.

        Files that became whole at the wrong path are renamed at the end.
        """
        try:
            self._restore_names()
            for _ in range(_MAX_PASSES):
                yield from self.run_pass(self._plan.tasks, self._plan.decide)
                again = bool(self.take_retries()) or self._plan.needs_another_pass
                self._plan.close()
                self._reasons |= self._plan.reasons
                self._plan = RepairPlan(self.ctx, self.drives, self.active_lanes(), self._sources)
                if not again:
                    break
            self._restore_names()
        except BaseException:
            self.finish_after_error(self._finish_repair)
            raise
        finally:
            self._plan.close()
        self.collect_last_errors()
        self.write_drive_records(with_snapshots=True)
        self._finish_repair(EventOutcome.PARTIAL if self._unrepaired else EventOutcome.SUCCESS)

    def list_not_repaired(self) -> Iterator[RepairOutcome]:
        """Yield what is still open, and why."""
        why = self._plan.reasons | self._reasons
        for item in self._unrepaired.values():
            drive = self.drives[item.lane].record.name
            yield RepairOutcome(item.finding.kind, drive, item.finding.path, why.get(item.finding.id, RETRY_LATER))

    def record_result(self, result: CopyResult) -> None:
        match result:
            case CopyFailed(task, _, error) if task.repairs is not None:
                self._reasons[task.repairs.finding_id] = error.what
            case SourceReadFailed(task, why) if task.repairs is not None:
                self._reasons[task.repairs.finding_id] = f"{escape_text(task.entry.path)}: {why}"
            case _:
                pass
        match result:
            case SourceRead():
                self.files_done += 1
            case CopyVerified(proof, lane, _, _):
                super().record_result(result)
                self._close_findings_at(lane, proof.path)
            case _:
                super().record_result(result)

    def _restore_names(self) -> None:
        for item in list(self._unrepaired.values()):
            if item.finding.kind is FindingKind.MISPLACED:
                why = restore_name(self.ctx, self.drives[item.lane], item, self.recorder)
                if why is None:
                    self._record_repair(item, "moved back to its place")
                    self._reasons.pop(item.finding.id, None)
                else:
                    self._reasons[item.finding.id] = why

    def _close_findings_at(self, lane: int, path: str) -> None:
        """Resolve the findings at the path of a verified copy, except that it is misplaced."""
        drive = self.drives[lane].record
        resolve_at(
            self.ctx.catalog,
            drive.id,
            path,
            "repaired from a good copy",
            self.ctx.clock.now(),
            kinds=_KINDS_EXCEPT_MISPLACED,
        )
        for item in list(self._unrepaired.values()):
            if item.lane == lane and item.finding.path == path and item.finding.kind in _KINDS_EXCEPT_MISPLACED:
                self.recorder.add_job_event(
                    EventType.RECOVERY,
                    EventOutcome.SUCCESS,
                    f"{escape_text(path)} was repaired",
                    place_id=drive.id,
                )
                self._record_repair(item, "copied from a good copy and read back")

    def _record_repair(self, item: RepairItem, detail: str) -> None:
        self._unrepaired.pop(item.finding.id, None)
        name = self.drives[item.lane].record.name
        self.repaired.append(RepairOutcome(item.finding.kind, name, item.finding.path, detail))

    def _finish_repair(self, outcome: EventOutcome) -> None:
        with self.ctx.catalog.transaction():
            self.finish_job(outcome, {"repaired": len(self.repaired), "open": len(self._unrepaired)})


def _plan_dry_run(
    ctx: JobContext, drives: Sequence[OpenDrive], sources: Sequence[CopySource]
) -> tuple[tuple[RepairOutcome, ...], tuple[RepairOutcome, ...]]:
    """Return what a repair would do, and what it could not."""
    plan = RepairPlan(ctx, drives, range(len(drives)), sources)
    would: list[RepairOutcome] = []
    would_not: list[RepairOutcome] = []
    try:
        for item in plan.items:
            finding, drive = item.finding, drives[item.lane]
            if finding.kind is FindingKind.MISPLACED:
                why, how = find_rename_obstacle(ctx, drive, item), "would be moved back to its place"
            else:
                can = plan.can_repair(item)
                why = None if can else plan.reasons.get(finding.id, RETRY_LATER)
                how = "would be copied from a good copy"
            one = RepairOutcome(finding.kind, drive.record.name, finding.path, how if why is None else why)
            (would if why is None else would_not).append(one)
    finally:
        plan.close()
    return tuple(would), tuple(would_not)


def find_rename_obstacle(ctx: JobContext, drive: OpenDrive, item: RepairItem) -> str | None:
    """Return why a misplaced file can't be moved back now; None if it can."""
    finding = item.finding
    was = finding.evidence.get("was")
    if not isinstance(was, str):
        return "where it belongs is not known. It is whole where it lies"
    if file_queries.find_copy_at(ctx.catalog, drive.record.id, was) is not None:
        return "its name belongs to another file now. It is whole where it lies"
    copy = file_queries.find_copy_at(ctx.catalog, drive.record.id, finding.path)
    if (
        copy is None
        or copy.state is not CopyState.PRESENT
        or not is_as_recorded(copy, drive.stat_or_none(finding.path))
    ):
        return CHANGED_SINCE
    try:
        taken = drive.place.exists(was)
    except CopyError as error:
        return error.what
    return f"the name {escape_text(was)} is taken on the drive. It is whole where it lies" if taken else None


def restore_name(ctx: JobContext, drive: OpenDrive, item: RepairItem, recorder: CopyRecorder) -> str | None:
    """Move a misplaced file back if its path is free; return why not, or None."""
    why = find_rename_obstacle(ctx, drive, item)
    if why is not None:
        return why
    finding, was = item.finding, str(item.finding.evidence["was"])
    copy = file_queries.find_copy_at(ctx.catalog, drive.record.id, finding.path)
    assert copy is not None
    try:
        entry = drive.place.move(finding.path, was)
    except NameTakenError as error:
        return f"{error.what} It is whole where it lies"
    except CopyError as error:
        return error.what
    with ctx.catalog.transaction():
        # If the rename changed the file's time, its evidence no longer holds and it must be read again.
        move_copy(ctx.catalog, copy.id, drive.record.id, entry, is_verified=is_as_recorded(copy, entry))
        resolve_at(ctx.catalog, drive.record.id, finding.path, "it was moved back", ctx.clock.now())
        recorder.add_job_event(
            EventType.RECOVERY,
            EventOutcome.SUCCESS,
            f"{escape_text(was)} lies in its place again",
            place_id=drive.record.id,
        )
    return None
