"""Offload a card: one pass to all drives, each copy read back, then the clearance.

Files read by an interrupted run are not read again. An unreadable file, or a full or missing drive, fails alone.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial

from tripleguard.catalog import shoots
from tripleguard.catalog.frame_counts import FOLDER_JOB_DETAIL
from tripleguard.clearance_answer import Clearance
from tripleguard.errors import CardGoneError, TripleguardError
from tripleguard.jobs.cards.destination_chooser import DestinationChooser
from tripleguard.jobs.cards.name_bodies import name_bodies
from tripleguard.jobs.cards.planning import CardPlan
from tripleguard.jobs.cards.second_reading import (
    READINGS_DIFFER,
    SecondReading,
    compare_reading,
    make_second_tasks,
    record_difference,
    record_second_read_failure,
)
from tripleguard.jobs.clearance.card_answer import CardQuestion, VerifiedOnDrive
from tripleguard.jobs.clearance.card_clearance import clear_card
from tripleguard.jobs.clearance.card_observation import CardObservation, FileStamp, stamp_of
from tripleguard.jobs.clearance.counted_copies import CopyKey
from tripleguard.jobs.context import JobContext
from tripleguard.jobs.copying.copy_tasks import CopyFailed, CopyTask, CopyVerified, CopyWritten
from tripleguard.jobs.copying.engine import (
    CopyResult,
    EntrySkipped,
    SourceChanged,
    SourceRead,
    SourceReadFailed,
    SourceResumed,
)
from tripleguard.jobs.copying.run import CopyRateEstimator, CopyRun, FilesToRetry
from tripleguard.jobs.drives import OpenDrive
from tripleguard.jobs.integrity import CardIntegrity, summarize_card
from tripleguard.jobs.missing_frames import CardCount, MissingFramesReport, update_gaps_after_card
from tripleguard.jobs.progress import Job, Message, Progress, ProgressUpdate
from tripleguard.model import EventOutcome, EventType, PlaceRecord, Shoot, UncopyableEntry
from tripleguard.names import escape_text
from tripleguard.places.base import IgnoredEntry, SourceFolder
from tripleguard.wording import pluralize

_MAX_ATTEMPTS = 3
_MAX_MESSAGES = 20


@dataclass(frozen=True, slots=True)
class CardFileNote:
    """A note on one path of the card: why it is on no drive, or how it changed."""

    path: str
    reason: str


@dataclass(frozen=True, slots=True)
class OffloadResult:
    """What an offload did.

    copied: files that a drive got now; resumed: read by an interrupted run; changed: also kept as offloaded
    before.
    """

    shoots: tuple[Shoot, ...]
    files: int
    total_bytes: int
    copied: int
    already_present: int
    resumed: int
    litter: int
    on_drives: dict[str, VerifiedOnDrive]
    not_copied: tuple[CardFileNote, ...]
    changed: tuple[CardFileNote, ...]
    errors: tuple[TripleguardError, ...]
    bytes_read: int
    seconds: float
    clearance: Clearance
    integrity: CardIntegrity
    second_reading: SecondReading | None
    missing_frames: MissingFramesReport

    @property
    def verified(self) -> dict[str, int]:
        """Return how many of the card's files each drive holds verified."""
        return {name: one.files for name, one in self.on_drives.items()}


def offload(
    ctx: JobContext,
    card: SourceFolder,
    drives: Sequence[OpenDrive],
    shoot: str | None,
    unavailable: Sequence[tuple[PlaceRecord, TripleguardError]] = (),
    *,
    accept_damaged: bool = False,
    read_twice: bool | None = None,
    body: str | None = None,
    ask_card_count: Callable[[], CardCount | None] = lambda: None,
    observation: CardObservation | None = None,
) -> Job[OffloadResult]:
    """Copy the card's files to the open and locked drives and answer whether it may be reformatted.

    accept_damaged: accept files damaged at source. read_twice: read the card twice; None: only after an error.
    ask_card_count: called at the end. Yields progress. Raises CardGoneError, StoppedError, PlaceFailedError (no
    drive left), CatalogError.
    """
    began = time.monotonic()
    yield ProgressUpdate("listing the card", 0, 0, 0, 0, 0.0, None)
    since = ctx.clock.now()
    with contextlib.ExitStack() as stack:
        if observation is None:
            observation = stack.enter_context(contextlib.closing(CardObservation(card)))
        job = CardCopyRun(
            ctx, observation, drives, shoot, body=body, read_twice=read_twice, ask_card_count=ask_card_count
        )
        stack.callback(job.end_watching)
        for record, error in unavailable:
            job.errors.append(error)
            yield Message(f"Drive {record.name} is left out: {error.what}")
        yield from job.run()
        yield ProgressUpdate("asking: may it be reformatted", job.files_done, job.totals.files, 0, 0, 0.0, None)
        whole = summarize_card(ctx, job.job_id)
        question = CardQuestion(
            card,
            observation,
            is_read=True,
            unsteady=frozenset(job.second_reading.unstable if job.second_reading else ()),
            before=job.verified_stamps,
            monitors=job.monitors,
            accept_damaged=accept_damaged,
        )
        answer = yield from clear_card(ctx, question, job.remaining_drives(), since=since)
    return OffloadResult(
        shoots=job.list_shoots(),
        files=job.totals.files,
        total_bytes=job.totals.total_bytes,
        copied=len(job.copied),
        already_present=job.files_done - len(job.copied) - len(job.list_failed()),
        resumed=job.resumed,
        litter=job.totals.ignored,
        on_drives={drive.record.name: VerifiedOnDrive() for drive in drives} | answer.verified,
        not_copied=job.list_not_copied(),
        changed=tuple(CardFileNote(*pair) for pair in job.changed.items()),
        errors=tuple(job.errors),
        bytes_read=job.rate.bytes_read,
        seconds=round(time.monotonic() - began, 3),
        clearance=answer.clearance,
        integrity=whole,
        second_reading=job.second_reading,
        missing_frames=job.missing_frames,
    )


class CardCopyRun(CopyRun):
    """One run, in the caller's thread."""

    def __init__(
        self,
        ctx: JobContext,
        observation: CardObservation,
        drives: Sequence[OpenDrive],
        shoot: str | None,
        *,
        body: str | None = None,
        ask_card_count: Callable[[], CardCount | None] = lambda: None,
        read_twice: bool | None = False,
    ) -> None:
        self.totals = observation.count_totals()
        card = observation.card
        super().__init__(
            ctx,
            drives,
            "offload",
            str(card.root),
            self.totals.files,
            self.totals.total_bytes,
            card.read_insertion(),
        )
        self.verified_stamps: dict[CopyKey, FileStamp] = {}
        self.monitors = {drive.record.id: drive.place.start_change_monitor() for drive in drives}
        self._observation = observation
        self.copied: set[str] = set()
        self.changed: dict[str, str] = {}
        self.resumed = 0
        self._card = card
        self._decider = DestinationChooser(ctx, card, drives, shoot, body)
        self._read_paths: set[str] = set()
        self._read_failures: dict[str, str] = {}
        self._copy_failures: dict[str, str] = {}
        self._uncopyable: list[UncopyableEntry] = []
        self._card_gone_error: CardGoneError | None = None
        self.second_reading: SecondReading | None = None
        self._read_twice = read_twice
        self._body_name = body
        self._ask_card_count = ask_card_count
        self.missing_frames = MissingFramesReport()
        self._had_read_error = False

    def run(self) -> Iterator[Progress]:
        """Copy everything once, retry what failed, then write check lists and snapshots to the drives."""
        try:
            self._decider.learn_body(self._card)
            for attempt in range(_MAX_ATTEMPTS):
                again = self.take_retries()
                if attempt and not again:
                    break
                if attempt:
                    yield Message(f"Trying {len(again)} files once more.")
                yield from self._run_card_pass(again if attempt else None)
            if self._read_twice or (self._read_twice is None and self._had_read_error):
                yield from self._read_second_time()
        except BaseException:
            self.finish_after_error(self._finish_offload)
            raise
        finally:
            self._decider.close()
        self.collect_last_errors()
        yield from self._update_missing_frames()
        yield ProgressUpdate("writing check lists", self.files_done, self.totals.files, 0, 0, 0.0, None)
        self.write_drive_records(with_snapshots=True)
        wrong = self.list_not_copied() or self.errors or self._copy_failures
        self._finish_offload(EventOutcome.PARTIAL if wrong else EventOutcome.SUCCESS)

    def _update_missing_frames(self) -> Iterator[Progress]:
        """Update the missing frames before the snapshots are written, and yield messages."""
        for line in name_bodies(self.ctx, self.job_id, self._body_name):
            yield Message(line)
        self.missing_frames = update_gaps_after_card(self.ctx, self.job_id, self._ask_card_count())

    def list_shoots(self) -> tuple[Shoot, ...]:
        """Return the shoots of this card's files, the largest first."""
        counts = self.recorder.shoot_files
        return tuple(
            shoots.get_shoot(self.ctx.catalog, shoot) for shoot in sorted(counts, key=lambda n: -counts[n])
        )

    def list_not_copied(self) -> tuple[CardFileNote, ...]:
        """Return the files that did not get to any drive."""
        found = [(odd.path, odd.reason) for odd in self._uncopyable]
        return tuple(
            CardFileNote(*pair) for pair in [*found, *self._read_failures.items(), *self.list_failed().items()]
        )

    def list_failed(self) -> dict[str, str]:
        """Return the files that were read but got to no drive, and why."""
        return {path: why for path, why in self._copy_failures.items() if path not in self.copied}

    def _run_card_pass(self, retries: FilesToRetry | None) -> Iterator[Progress]:
        plan = CardPlan(self.ctx, self._observation, self.drives, self.active_lanes(), self.verified_stamps)
        wanted = [(entry, tuple(sorted(on))) for entry, on in retries.values()] if retries else []
        try:
            yield from self.run_pass(
                plan.all_tasks if retries is None else lambda copier: plan.retry_tasks(copier, wanted),
                self._decider,
            )
        finally:
            plan.close()

    def _read_second_time(self) -> Iterator[Progress]:
        """Read the card a second time and compare; copy differing content too."""
        self.second_reading = second = SecondReading()
        yield Message("The card is read a second time and compared.")
        yield from self.run_pass(
            lambda copier: make_second_tasks(self.ctx, self._card, self.job_id, second, copier),
            self._decider,
            activity="second reading",
            rate=CopyRateEstimator(self.totals.total_bytes),
            record=partial(self._record_second_reading, second),
        )
        if again := self.take_retries():
            yield from self._run_card_pass(again)

    def before_reading(self, lane: int, path: str) -> None:
        # On file systems without change times, only this watch detects a write after the reading.
        self.monitors[self.drives[lane].record.id].begin_reading(path)

    def end_watching(self) -> None:
        """Stop watching the drives for changes."""
        for monitor in self.monitors.values():
            monitor.close()

    def should_stop(self) -> bool:
        return self._card_gone_error is not None or super().should_stop()

    def raise_if_stopped(self) -> None:
        if self._card_gone_error is not None:
            raise self._card_gone_error
        super().raise_if_stopped()

    def record_result(self, result: CopyResult) -> None:
        match result:
            case SourceRead(task, file):
                if task.expected_file is not None and task.expected_file != file:
                    self.retry_later(task.entry, range(len(self.drives)))
                else:
                    self._count_file(task)
                    self._observation.record_reading(task.entry, file.digest)
                    file_id = self.recorder.record_read(task)
                    if self.second_reading is not None and task.entry.path in self.second_reading.unstable:
                        record_difference(self.ctx, file_id, task.entry.path, READINGS_DIFFER, self.second_reading)
            case SourceResumed(entry, known, read_at):
                self.recorder.record_resumed(entry, known.id, known.shoot_id, read_at)
                self._observation.record_reading(entry, known.file.digest)
                self.resumed += 1
                self.files_done += 1
                self.rate.skip(entry.size)
            case SourceReadFailed(task, why):
                self._record_read_failure(task, why)
            case SourceChanged(task, why):
                self.changed.setdefault(task.entry.path, why)
            case EntrySkipped(item) if not isinstance(item, IgnoredEntry):
                self._uncopyable.append(item)
            case CopyVerified(proof, lane, _, _, seen):
                super().record_result(result)
                self.verified_stamps[self.drives[lane].record.id, proof.path] = stamp_of(seen)
            case CopyWritten():
                super().record_result(result)
                self.copied.add(result.task.entry.path)
            case CopyFailed(task, _, error):
                super().record_result(result)
                self._copy_failures[task.entry.path] = error.what
            case _:
                super().record_result(result)

    def _record_second_reading(self, second: SecondReading, result: CopyResult) -> None:
        """Record one result of the second reading; called inside a transaction with others."""
        match result:
            case SourceRead(task):
                if not compare_reading(self.ctx, self.job_id, task, second):
                    self.retry_later(task.entry, range(len(self.drives)))
            case SourceReadFailed(task, why):
                self._note_read_error(why)
                if self._card_gone_error is None and why != "stopped":
                    record_second_read_failure(self.ctx, self.job_id, task.entry.path, second)
            case _:
                self.record_result(result)

    def _count_file(self, task: CopyTask) -> None:
        self._read_failures.pop(task.entry.path, None)
        if not task.lanes:
            self.rate.skip(task.entry.size)
        if task.entry.path not in self._read_paths:
            self._read_paths.add(task.entry.path)
            self.files_done += 1

    def _record_read_failure(self, task: CopyTask, reason: str) -> None:
        if not self._note_read_error(reason):
            return
        self._read_failures[task.entry.path] = reason
        self._observation.record_failure(task.entry.path)
        self.retry_later(task.entry, task.lanes or range(len(self.drives)))

    def _note_read_error(self, reason: str) -> bool:
        """Note an unreadable card file; return False if the job was stopped or the card is gone."""
        if self.ctx.stop.is_set() or reason == "stopped":
            return False
        if not self._card.is_connected():
            self._card_gone_error = CardGoneError(
                f"The card at {escape_text(str(self._card.root))} was pulled or stopped answering after "
                f"{self.files_done:,} of {self.totals.files:,} files.",
                safe="What was finished stays on the drives; the card was only read.",
                do="Put it in again and run the same command: it goes on where it stopped. Do not reformat it.",
            )
            return False
        self._had_read_error = True
        return True

    def release(self, result: CopyResult) -> None:
        if isinstance(result, CopyWritten | CopyFailed):
            self._decider.forget_in_flight(result.task, result.lane)

    def message_for(self, result: CopyResult) -> str | None:
        if isinstance(result, SourceReadFailed):
            return (
                None if result.reason == "stopped" else f"{escape_text(result.task.entry.path)}: {result.reason}."
            )
        return super().message_for(result)

    def _finish_offload(self, outcome: EventOutcome) -> None:
        detail: dict[str, object] = {"files": self.totals.files, "bytes": self.totals.total_bytes}
        detail |= {"done": self.files_done} | ({} if self._card.is_physical_card else FOLDER_JOB_DETAIL)
        root = escape_text(str(self._card.root))
        with self.ctx.catalog.transaction():
            for shoot_id, files in self.recorder.shoot_files.items():
                self.recorder.add_job_event(
                    EventType.INGESTION, outcome, f"{pluralize(files, 'file')} read from {root}", shoot_id=shoot_id
                )
            self.finish_job(outcome, detail)
