"""What every copying job shares: passes over a source, results, retries, rate, and the end.

A job defines what to do with each source file (a plan) and where it goes (a decision); everything between that and
a verified copy is handled here, the same way for every job.
"""

from __future__ import annotations

import contextlib
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence

from tripleguard.catalog.event_log import begin_job, end_job
from tripleguard.errors import CopyError, NoSpaceError, PlaceFailedError, StoppedError, TripleguardError
from tripleguard.jobs.context import JobContext, current_agent
from tripleguard.jobs.copying.copy_tasks import (
    CopyFailed,
    CopyQuarantined,
    CopyTask,
    CopyVerified,
    CopyWritten,
    LaneFailed,
    VerifyFailed,
)
from tripleguard.jobs.copying.engine import (
    CopyEngine,
    CopyMissing,
    CopyResult,
    DestinationCallback,
    ExistingCopyFound,
    SourceReadFailed,
)
from tripleguard.jobs.copying.recording import CopyRecorder
from tripleguard.jobs.drive_records import write_checklists_and_snapshots
from tripleguard.jobs.drives import OpenDrive
from tripleguard.jobs.progress import LaneProgress, Message, Progress, ProgressUpdate
from tripleguard.model import Entry, EventOutcome
from tripleguard.names import escape_text

_MAX_MESSAGES = 20

FilesToRetry = dict[str, tuple[Entry, set[int]]]
"""Files to try again, by path: the entry and the lanes that still need it."""


class CopyRun:
    """One run of a copying job, in the caller's thread. subject: what it works on, for the record."""

    def __init__(
        self,
        ctx: JobContext,
        drives: Sequence[OpenDrive],
        kind: str,
        subject: str,
        files: int,
        total_bytes: int,
        insertion: str | None = None,
    ) -> None:
        self.ctx, self.drives = ctx, drives
        self.errors: list[TripleguardError] = []
        self.files = files
        self.files_done = 0
        self.rate = CopyRateEstimator(total_bytes)
        self._activity = kind
        self._failed_lanes: set[int] = set()
        self._full_lanes: set[int] = set()
        self._to_retry: FilesToRetry = {}
        self._failures: dict[int, CopyError] = {}
        self._message_count = 0
        self._has_lost_results = False
        with ctx.catalog.transaction():
            self.job_id = begin_job(
                ctx.catalog, kind, subject, current_agent(), ctx.clock.now(), insertion=insertion
            )
        self.recorder = CopyRecorder(ctx, self.job_id, drives)

    def before_reading(self, lane: int, path: str) -> None:
        """Prepare for a copy being read back; called from the lane's thread."""

    def active_lanes(self) -> list[int]:
        """Return the lanes that still take part. Raises PlaceFailedError if there are none."""
        lanes = [lane for lane in range(len(self.drives)) if lane not in self._failed_lanes]
        if not lanes:
            raise self._no_drive_error()
        return lanes

    def run_pass(
        self,
        plan: Callable[[CopyEngine], Iterable[CopyTask]],
        decide: DestinationCallback,
        *,
        activity: str | None = None,
        rate: CopyRateEstimator | None = None,
        record: Callable[[CopyResult], None] | None = None,
    ) -> Iterator[Progress]:
        """Copy what the plan yields and record it. Raises StoppedError, PlaceFailedError, CatalogError.

        Args:
            plan: Yields the tasks of this pass, in the reader's thread.
            decide: Chooses the destinations, in the hasher's thread.
            activity: The name of the pass in its progress; None for the job's.
            rate: Counts its bytes; None for the job's own estimator.
            record: Records one result within a transaction; None for `record_result`.
        """
        activity, rate, record = activity or self._activity, rate or self.rate, record or self.record_result
        self._failures.clear()
        copier = CopyEngine(
            [drive.place for drive in self.drives],
            plan,
            decide,
            buffer_bytes=self.ctx.settings.offload.buffer_bytes,
            alternate=self._should_alternate(),
            before_reading=self.before_reading,
        )
        copier.start()
        try:
            for batch in copier.iter_batches():
                yield from self._record_batch(batch, record)
                if self.should_stop():
                    copier.stop()
                yield rate.update(activity, self.files_done, self.files, copier)
        finally:
            left = copier.close()
            finished: list[CopyResult] = [result for result in left if not isinstance(result, SourceReadFailed)]
            if not self._has_lost_results:
                for _ in self._record_batch(finished, record):
                    pass
            rate.finish_pass(copier)
        self.raise_if_stopped()

    def should_stop(self) -> bool:
        """Return whether nothing more should be read."""
        return len(self._failed_lanes) == len(self.drives) or self.ctx.stop.is_set()

    def raise_if_stopped(self) -> None:
        """Raise the error that ended the pass, if any."""
        if self.ctx.stop.is_set():
            raise StoppedError(
                f"Stopped after {self.files_done:,} of {self.files:,} files.",
                safe="What was finished stays, and the source was only read. Do not reformat a card now.",
                do="Run the same command again: it goes on where it stopped.",
            )
        if len(self._failed_lanes) == len(self.drives):
            raise self._no_drive_error()

    def record_result(self, result: CopyResult) -> None:
        """Record one result; called inside a transaction with others."""
        match result:
            case CopyWritten():
                self.recorder.record_written(result)
            case CopyQuarantined():
                self.recorder.record_quarantine(result)
            case ExistingCopyFound(task, lane, entry):
                self.recorder.record_written(CopyWritten(task, lane, entry), by_us=False)
            case CopyVerified():
                self.recorder.record_verified(result)
            case VerifyFailed():
                self.recorder.record_verify_failure(result)
                if result.request.task is not None:
                    self.retry_later(result.request.task.entry, [result.lane])
            case CopyMissing(copy):
                self.recorder.mark_missing(copy)
            case CopyFailed(task, lane, error):
                if isinstance(error, NoSpaceError):
                    if lane not in self._full_lanes:
                        self._full_lanes.add(lane)
                        self.errors.append(error)
                elif lane not in self._failed_lanes:
                    self._failures[lane] = error
                    self.retry_later(task.entry, [lane])
            case LaneFailed(lane, error):
                self._failed_lanes.add(lane)
                self.errors.append(error)
            case _:
                pass

    def release(self, result: CopyResult) -> None:
        """Free what the result holds in memory; called once it is in the catalog."""

    def message_for(self, result: CopyResult) -> str | None:
        """Return what the person should read at once about a result, if anything."""
        match result:
            case VerifyFailed(proof, lane, why, quarantine):
                moved = (
                    "it was moved to quarantine, nothing was deleted"
                    if quarantine
                    else "it could not be moved to quarantine"
                )
                return f"Drive {self.drives[lane].record.name}: {escape_text(proof.path)}: {why}; {moved}."
            case LaneFailed(_, error):
                return str(error)
            case CopyFailed(task, _, error) if isinstance(error, NoSpaceError):
                return f"{escape_text(task.entry.path)}: {error.what}"
            case CopyMissing(copy):
                return f"{escape_text(copy.path)} is not there as it was recorded; it is copied again."
        return None

    def retry_later(self, entry: Entry, lanes: Iterable[int]) -> None:
        """Copy a file once more in the next pass."""
        self._to_retry.setdefault(entry.path, (entry, set()))[1].update(lanes)

    def take_retries(self) -> FilesToRetry:
        """Return the files to try again, and clear the list."""
        again, self._to_retry = self._to_retry, {}
        return again

    def collect_last_errors(self) -> None:
        """Keep the errors of the last pass, one for each drive that still responds."""
        self.errors += [error for lane, error in self._failures.items() if lane not in self._failed_lanes]

    def remaining_drives(self) -> list[OpenDrive]:
        """Return the drives that responded to the end."""
        return [drive for lane, drive in enumerate(self.drives) if lane not in self._failed_lanes]

    def write_drive_records(self, *, with_snapshots: bool) -> None:
        """Update the check lists on the drives, and snapshots if asked."""
        self.errors += write_checklists_and_snapshots(
            self.ctx, self.remaining_drives(), with_snapshots=with_snapshots
        )

    def finish_after_error(self, finish: Callable[[EventOutcome], None]) -> None:
        """Write check lists and record the end of a run whose error the caller raises again.

        Secondary errors are ignored. Where results could not be recorded, nothing more is: the recorder knows rows
        that were rolled back. The catalog then shows the run as it would after a kill.
        """
        if self._has_lost_results:
            return
        with contextlib.suppress(TripleguardError):
            self.write_drive_records(with_snapshots=False)
            finish(EventOutcome.FAILURE)

    def finish_job(self, outcome: EventOutcome, detail: Mapping[str, object]) -> None:
        """Record what was done and how it ended; call inside `transaction`."""
        self.recorder.add_summary_events(outcome)
        end_job(self.ctx.catalog, self.job_id, outcome, detail, self.ctx.clock.now())

    def _record_batch(self, batch: list[CopyResult], record: Callable[[CopyResult], None]) -> Iterator[Progress]:
        """Record results in one commit; then release what they held in memory, and yield messages."""
        if not batch:
            return
        try:
            with self.ctx.catalog.transaction():
                for result in batch:
                    record(result)
        except BaseException:
            self._has_lost_results = True
            raise
        for result in batch:
            self.release(result)
            line = self.message_for(result)
            if line is not None:
                self._message_count += 1
                if self._message_count <= _MAX_MESSAGES:
                    yield Message(line)
                elif self._message_count == _MAX_MESSAGES + 1:
                    yield Message("More of the same follows; it is all in the report.")

    def _should_alternate(self) -> bool:
        how = self.ctx.settings.offload.read_back
        return how == "turns" or (how == "auto" and any(drive.place.is_rotational for drive in self.drives))

    def _no_drive_error(self) -> PlaceFailedError:
        return PlaceFailedError(
            f"No drive is left to copy to, after {self.files_done:,} of {self.files:,} files.",
            safe="What was verified before stays, and the source was only read. Do not reformat a card now.",
            do="Check the drives and their cables, then run the same command again.",
        )


_WINDOW_SECONDS = 12.0
_WARM_UP_SECONDS = 1.5


class CopyRateEstimator:
    """Estimates rate and time left of a job whose stages all move the same number of bytes."""

    def __init__(self, total_bytes: int) -> None:
        self._total_bytes = total_bytes
        self._skipped_bytes = 0
        self._bytes_read_before = 0
        self._lane_bytes_before: dict[str, tuple[int, int]] = {}
        self._samples: deque[tuple[float, tuple[int, ...]]] = deque()

    @property
    def bytes_read(self) -> int:
        """Return the bytes read from the source in all finished passes."""
        return self._bytes_read_before

    def skip(self, size: int) -> None:
        """Count bytes that need no copying."""
        self._skipped_bytes += size

    def update(self, activity: str, files: int, total_files: int, engine: CopyEngine) -> ProgressUpdate:
        """Return the progress now."""
        read = self._bytes_read_before + engine.bytes_read
        lanes = tuple(self._add_earlier_passes(lane) for lane in engine.lane_progress())
        done = (read, *(n for lane in lanes for n in (lane.bytes_written, lane.bytes_verified) if lane.is_alive))
        now = time.monotonic()
        if self._samples and len(self._samples[-1][1]) != len(done):
            self._samples.clear()
        self._samples.append((now, done))
        while now - self._samples[0][0] > _WINDOW_SECONDS:
            self._samples.popleft()
        return ProgressUpdate(
            activity, files, total_files, read, self._total_bytes, self._rate(0), self._seconds_left(), lanes
        )

    def finish_pass(self, engine: CopyEngine) -> None:
        """Add up what this pass moved before the next one starts counting anew."""
        self._bytes_read_before += engine.bytes_read
        for lane in engine.lane_progress():
            written, verified = self._lane_bytes_before.get(lane.name, (0, 0))
            self._lane_bytes_before[lane.name] = (written + lane.bytes_written, verified + lane.bytes_verified)
        self._samples.clear()

    def _add_earlier_passes(self, lane: LaneProgress) -> LaneProgress:
        written, verified = self._lane_bytes_before.get(lane.name, (0, 0))
        return LaneProgress(lane.name, written + lane.bytes_written, verified + lane.bytes_verified, lane.is_alive)

    def _rate(self, stage: int) -> float:
        (began, first), (now, last) = self._samples[0], self._samples[-1]
        return (last[stage] - first[stage]) / (now - began) if now > began else 0.0

    def _seconds_left(self) -> float | None:
        """Return the seconds until the slowest stage is through; None while unknown."""
        if self._samples[-1][0] - self._samples[0][0] < _WARM_UP_SECONDS:
            return None
        longest = 0.0
        for stage, done in enumerate(self._samples[-1][1]):
            remaining = self._total_bytes - self._skipped_bytes - done
            if remaining > 0:
                rate = self._rate(stage)
                if rate <= 0:
                    return None
                longest = max(longest, remaining / rate)
        return longest
