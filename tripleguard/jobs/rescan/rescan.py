"""Rescan the drives: list them, read the due copies again, and record what is wrong.

Every drive is listed first, which finds what vanished, moved or appeared. Then the due copies are read from the
medium, oldest evidence first, on all drives at once.
"""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass

from tripleguard.catalog.event_log import add_event, begin_job, end_job, find_interrupted_run_start
from tripleguard.catalog.findings import add_evidence, list_open_findings
from tripleguard.clock import DAY
from tripleguard.errors import CopyError
from tripleguard.jobs.background import Budget
from tripleguard.jobs.cached_copies import find_cached_copies
from tripleguard.jobs.context import JobContext, current_agent
from tripleguard.jobs.drives import OpenDrive
from tripleguard.jobs.progress import Job, LaneProgress, Message, Progress, ProgressUpdate
from tripleguard.jobs.rescan.damage import diff_with_good_copy
from tripleguard.jobs.rescan.recorder import RescanRecorder
from tripleguard.jobs.rescan.rescan_result import PlaceRescanResult, RescanResult
from tripleguard.jobs.rescan.scan_lane import RescanDepth, ScanLane
from tripleguard.jobs.rescan.scan_results import (
    ChangedCopies,
    FileReadResult,
    MatchingCopy,
    MismatchedCopy,
    MissingCopy,
    ScanFinished,
    ScanResult,
    UnchangedCopies,
    UnknownFile,
)
from tripleguard.model import Copy, EventOutcome, EventType, FindingKind
from tripleguard.names import escape_text
from tripleguard.rules import get_overdue_cutoff
from tripleguard.wording import pluralize

_POLL_SECONDS = 0.1
_MAX_BATCH_RESULTS = 1000
_DURABLE_COMMIT_SECONDS = 2.0
"""Seconds of reading that a power cut may undo."""
_MAX_MESSAGES = 20
_MAX_COMPARISONS = 1000
"""How many bad copies one run compares with a good one; the others wait for the next."""
_RESUME_WINDOW_NS = 7 * DAY
"""Age in ns up to which an interrupted run of `all` is resumed; older readings must not count as new."""


@dataclass(frozen=True, slots=True)
class SharedCopyFilter:
    """Only copies of files that this place has too, if last verified before `verified_before` (UTC ns)."""

    place_id: int
    verified_before: int


def rescan(
    ctx: JobContext,
    drives: Sequence[OpenDrive],
    depth: RescanDepth,
    budget: Budget,
    shared: SharedCopyFilter | None = None,
) -> Job[RescanResult]:
    """Rescan the open and locked drives within the budget. Yields progress, returns what was found.

    shared: with depth `due`, replaces the rule's definition of due. A stop by the person ends it cleanly. Raises
    CatalogError.
    """
    began = time.monotonic()
    run = _RescanRun(ctx, drives, depth, budget, shared)
    yield from run.run()
    seconds = round(time.monotonic() - began, 3)
    return RescanResult(
        tuple(run.place_results),
        seconds,
        ctx.stop.is_set(),
        count_open_findings(ctx, {drive.record.id for drive in drives}),
    )


def read_back_copies(
    ctx: JobContext, drives: Sequence[OpenDrive], copies_by_place: Mapping[int, Sequence[Copy]]
) -> Job[RescanResult]:
    """Read these copies back now, by place id, on all drives at once; record as any rescan does.

    Raises CatalogError.
    """
    began = time.monotonic()
    run = _RescanRun(
        ctx,
        [drive for drive in drives if copies_by_place.get(drive.record.id)],
        "named",
        Budget(),
        None,
        copies_by_place,
    )
    yield from run.run()
    return RescanResult(tuple(run.place_results), round(time.monotonic() - began, 3), ctx.stop.is_set(), 0)


def count_open_findings(ctx: JobContext, place_ids: Collection[int]) -> int:
    """Return how many copies on these places are missing, corrupt or altered and not accepted."""
    bad = (FindingKind.MISSING, FindingKind.CORRUPT, FindingKind.ALTERED)
    return sum(
        one.place_id in place_ids and one.kind in bad and one.accepted_at is None
        for one in list_open_findings(ctx.catalog)
    )


class _RescanRun:
    """One run, in the caller's thread."""

    def __init__(
        self,
        ctx: JobContext,
        drives: Sequence[OpenDrive],
        depth: RescanDepth,
        budget: Budget,
        shared: SharedCopyFilter | None,
        copies_by_place: Mapping[int, Sequence[Copy]] | None = None,
    ) -> None:
        self._ctx = ctx
        self._drives = drives
        self._budget = budget
        self._results: queue.Queue[ScanResult] = queue.Queue(maxsize=10_000)
        self._started_at = ctx.clock.now()
        self.place_results = [PlaceRescanResult(drive.record.name) for drive in drives]
        self._jobs: list[int] = []
        self._recorders: list[RescanRecorder] = []
        self._lanes: list[ScanLane] = []
        self._aborted = threading.Event()
        self._last_durable_commit = time.monotonic()
        for number, drive in enumerate(drives):
            before = shared.verified_before if shared else self._choose_due_before(drive, depth)
            with ctx.catalog.transaction():
                job = begin_job(
                    ctx.catalog, f"rescan {depth}", drive.record.name, current_agent(), self._started_at
                )
            self._jobs.append(job)
            self._recorders.append(
                RescanRecorder(ctx.catalog, job, drive.record, ctx.settings.rule.drive_copies, self._started_at)
            )
            self._lanes.append(
                ScanLane(
                    number,
                    drive,
                    ctx.catalog.reopen(),
                    depth,
                    before,
                    self._started_at,
                    budget,
                    self._should_stop,
                    self._results.put,
                    shared.place_id if shared else None,
                    (copies_by_place or {}).get(drive.record.id, ()),
                )
            )

    def _should_stop(self) -> bool:
        """Return whether the lanes should end: the caller asked for it, or this run failed."""
        return self._ctx.stop.is_set() or self._aborted.is_set()

    def run(self) -> Iterator[Progress]:
        """Run until every lane is done."""
        for lane in self._lanes:
            lane.start()
        waiting = len(self._lanes)
        try:
            while waiting:
                batch = self._drain_results()
                ended = [result for result in batch if isinstance(result, ScanFinished)]
                waiting -= len(ended)
                yield from self._record_batch(batch)
                for end in ended:
                    if end.error is not None and not isinstance(end.error, OSError | CopyError):
                        raise end.error
                yield self._build_progress()
        finally:
            if waiting:
                self._aborted.set()
            while any(lane.is_alive for lane in self._lanes) or not self._results.empty():
                for _ in self._record_batch(self._drain_results()):
                    pass
            for lane in self._lanes:
                lane.join()
            self._finish_jobs()
        yield from self._compare_bad_copies()

    def _compare_bad_copies(self) -> Iterator[Progress]:
        """Compare new bad copies with a good copy on a connected drive, and keep how they differ.

        When the time is up only a few are compared; the others wait for the next run.
        """
        by_id = {drive.record.id: drive for drive in self._drives}
        described = 0
        for one in list_open_findings(self._ctx.catalog):
            drive = by_id.get(one.place_id)
            wanted = one.kind in (FindingKind.CORRUPT, FindingKind.ALTERED) and one.evidence.get("damage") is None
            if drive is None or not wanted:
                continue
            self._budget.wait_while_paused(self._ctx.stop.is_set)
            most = _MAX_MESSAGES if self._budget.is_used_up() else _MAX_COMPARISONS
            if described >= most or self._ctx.stop.is_set() or self._budget.paused.is_set():
                return
            damage = diff_with_good_copy(self._ctx, self._drives, drive, one.path)
            if damage is None:
                continue
            described += 1
            size = one.evidence.get("size")
            spent = self._budget.spend(2 * size if isinstance(size, int) else 0)
            self._budget.throttle(spent, self._ctx.stop.is_set)
            evidence = {"damage": damage.description, "shape": damage.shape, "differing": damage.differing_bytes}
            with self._ctx.catalog.transaction():
                add_evidence(self._ctx.catalog, drive.record.id, one.path, evidence)
            if described <= _MAX_MESSAGES:
                yield Message(f"Drive {drive.record.name}: {escape_text(one.path)}: {damage.description}.")

    def _choose_due_before(self, drive: OpenDrive, depth: RescanDepth) -> int:
        """Return the time before which a copy must have been verified to be read now.

        An interrupted run of `all` is resumed: what it had read is not read again.
        """
        rule = self._ctx.settings.rule
        if depth != "all":
            return get_overdue_cutoff(drive.record.role, rule.road_days, rule.shelf_days, self._started_at)
        first = find_interrupted_run_start(
            self._ctx.catalog, "rescan all", drive.record.name, self._started_at - _RESUME_WINDOW_NS
        )
        # If the clock was ahead then, don't read again what this run has just read.
        return min(first, self._started_at) if first is not None else self._started_at

    def _drain_results(self) -> list[ScanResult]:
        batch: list[ScanResult] = []
        try:
            batch.append(self._results.get(timeout=_POLL_SECONDS))
            while len(batch) < _MAX_BATCH_RESULTS:
                batch.append(self._results.get_nowait())
        except queue.Empty:
            pass
        return batch

    def _record_batch(self, batch: list[ScanResult]) -> Iterator[Progress]:
        if not batch:
            return
        messages: list[str] = []
        lasting = self._needs_durable_commit(batch)
        with self._ctx.catalog.transaction(durable=lasting):
            for result in batch:
                self._record_result(result, messages)
        if lasting:
            self._last_durable_commit = time.monotonic()
        for result in batch:
            if isinstance(result, FileReadResult):
                self._lanes[result.lane].acknowledge(result)
        yield from map(Message, messages)

    def _needs_durable_commit(self, batch: list[ScanResult]) -> bool:
        """Return whether a power cut must not lose this batch.

        Losing an unchanged result only costs a second reading, so those are synced only every so often: else the
        drive would idle while the catalog's disk confirms each picture.
        """
        if time.monotonic() - self._last_durable_commit >= _DURABLE_COMMIT_SECONDS:
            return True
        return not all(isinstance(result, MatchingCopy | UnchangedCopies) for result in batch)

    def _record_result(self, result: ScanResult, messages: list[str]) -> None:
        seen, entering = self.place_results[result.lane], self._recorders[result.lane]
        kind: FindingKind | None = None
        match result:
            case UnchangedCopies(_, copy_ids):
                entering.record_unchanged(result)
                seen.checked += len(copy_ids)
                seen.unchanged += len(copy_ids)
                return
            case ChangedCopies(_, copies):
                seen.checked += copies
                return
            case MatchingCopy():
                if entering.record_match(result).is_from_device:
                    seen.read_back += 1
                else:
                    seen.read_from_cache += 1
                return
            case ScanFinished(_, finished, gone, error):
                seen.is_finished, seen.is_disconnected = finished, gone
                if finished:
                    self._close_vanished_strays(result.lane)
                if gone:
                    messages.append(f"Drive {seen.place} stopped answering; what was read before is entered.")
                elif error is not None:
                    seen.error_message = str(error)
                messages += self._report_missing(seen, entering)
                return
            case MissingCopy(_, copy):
                # It may still be found under another name; reported at the end.
                kind = entering.record_missing(result)
                seen.checked += 1
                if kind is not None:
                    seen.new_findings.append((kind, copy.path))
                return
            case MismatchedCopy(_, copy):
                kind, path = entering.record_mismatch(result), copy.path
            case UnknownFile(_, entry):
                kind, path = entering.record_unknown(result), entry.path
        if kind is not None:
            seen.new_findings.append((kind, path))
            if len(seen.new_findings) <= _MAX_MESSAGES:
                messages.append(f"Drive {seen.place}: {escape_text(path)} is {kind}.")

    def _report_missing(self, place_result: PlaceRescanResult, recorder: RescanRecorder) -> Iterator[str]:
        """Yield what is missing after the whole drive was scanned; what has another name was only moved."""
        missing = FindingKind.MISSING
        place_result.new_findings = [
            (kind, path)
            for kind, path in place_result.new_findings
            if kind is not missing or path not in recorder.reappeared_paths
        ]
        paths = [path for kind, path in place_result.new_findings if kind is missing]
        yield from (
            f"Drive {place_result.place}: {escape_text(path)} is {missing}." for path in paths[:_MAX_MESSAGES]
        )

    def _close_vanished_strays(self, lane: int) -> None:
        """Resolve the findings of strays and moved files that were not seen again."""
        drive = self._drives[lane]
        for one in list_open_findings(self._ctx.catalog):
            if (
                one.place_id == drive.record.id
                and one.kind is FindingKind.STRAY
                and one.seen_at < self._started_at
            ):
                try:
                    still = drive.place.stat(one.path) is not None
                except CopyError:
                    return
                if not still:
                    self._recorders[lane].record_vanished(one.path)

    def _build_progress(self) -> ProgressUpdate:
        read = sum(lane.read_bytes for lane in self._lanes)
        of_bytes = sum(lane.total_bytes for lane in self._lanes)
        lanes = tuple(
            LaneProgress(drive.record.name, 0, lane.read_bytes, is_alive=not seen.is_disconnected)
            for drive, lane, seen in zip(self._drives, self._lanes, self.place_results, strict=True)
        )
        elapsed = max(0.001, (self._ctx.clock.now() - self._started_at) / 1e9)
        rate = read / elapsed
        left = (of_bytes - read) / rate if rate > 0 and of_bytes > read else None
        checked = sum(seen.checked for seen in self.place_results)
        return ProgressUpdate("rescan", checked, checked, read, of_bytes, rate, left, lanes)

    def _finish_jobs(self) -> None:
        with self._ctx.catalog.transaction():
            for job, lane, drive, seen in zip(
                self._jobs, self._lanes, self._drives, self.place_results, strict=True
            ):
                seen.read_bytes = lane.read_bytes
                seen.cached = find_cached_copies(
                    self._ctx, drive.record, None if seen.is_disconnected else drive.place.root
                )
                outcome = EventOutcome.SUCCESS if seen.is_finished else EventOutcome.PARTIAL
                bad = [path for kind, path in seen.new_findings]
                add_event(
                    self._ctx.catalog,
                    EventType.FIXITY_CHECK,
                    EventOutcome.FAILURE if bad else outcome,
                    f"{pluralize(seen.checked, 'copy', 'copies')} looked at, {seen.read_back:,} read back"
                    f"{f' and {seen.read_from_cache:,} maybe from memory' if seen.read_from_cache else ''}, "
                    f"{pluralize(len(bad), 'new finding')}",
                    self._ctx.clock.now(),
                    job_id=job,
                    place_id=drive.record.id,
                )
                detail = {
                    "checked": seen.checked,
                    "read_back": seen.read_back,
                    "from_memory": seen.read_from_cache,
                    "bytes": lane.read_bytes,
                    "seconds": round(lane.seconds, 3),
                }
                end_job(self._ctx.catalog, job, outcome, detail, self._ctx.clock.now())
