"""Upload the selects that are missing offsite, and verify them there.

The oldest day goes first, in it the highest rating. An uploaded file counts only once it is verified: the server
rejects what did not arrive as sent, or the object is read back. The job can be stopped at any time, by the person
or by the network: at most one part is sent again.
"""

from __future__ import annotations

import contextlib
import queue
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from tripleguard.catalog import offsite as rows
from tripleguard.catalog.event_log import add_event, begin_job, end_job
from tripleguard.catalog.selects import has_offsite_requirements
from tripleguard.errors import CopyError, PlaceError, StoppedError, TripleguardError
from tripleguard.jobs.background import Budget
from tripleguard.jobs.context import JobContext, current_agent
from tripleguard.jobs.copying.copy_tasks import ThreadCrashed
from tripleguard.jobs.drives import OpenDrive
from tripleguard.jobs.frame_files import update_wanted_offsite
from tripleguard.jobs.offsite.checklists_and_snapshots import write_checklists_and_snapshot
from tripleguard.jobs.offsite.network import RetryPolicy, Throttle, is_within_window
from tripleguard.jobs.offsite.object_verification import ObjectVerification, record_verification, verify_sent
from tripleguard.jobs.offsite.offsite_place import OpenOffsite
from tripleguard.jobs.offsite.rescan_offsite import rescan_offsite
from tripleguard.jobs.offsite.upload_events import ItemNotSent, ItemSent, PartSent, RetryNotice
from tripleguard.jobs.offsite.upload_queue import UploadQueue
from tripleguard.jobs.offsite.upload_workers import UploadWorkers
from tripleguard.jobs.progress import Job, Message, Progress, ProgressUpdate
from tripleguard.model import EventOutcome, EventType
from tripleguard.names import escape_text
from tripleguard.places.s3.bucket import S3Bucket

_POLL_SECONDS = 0.1
_MAX_PASSES = 3
_MAX_MESSAGES = 20


@dataclass(slots=True)
class UploadResult:
    """What an upload did.

    Attributes:
        has_selects: Anything is selected at all.
        sent, sent_bytes: Files, and their bytes, now verified offsite.
        network_bytes: Bytes sent for them over the network.
        retries: How often a request failed and was retried.
        missing: Files still missing offsite.
        was_listed: The place was listed in this run.
        read_back: How much of it was read back there, and when.
        rate: Bytes per second while sending.
        blocked_reason: Why nothing more is sent now; '' if nothing is missing.
        not_sent: (path, reason) pairs.
    """

    place: str
    has_selects: bool = True
    sent: int = 0
    sent_bytes: int = 0
    network_bytes: int = 0
    retries: int = 0
    missing: int = 0
    missing_bytes: int = 0
    surplus: int = 0
    surplus_bytes: int = 0
    was_listed: bool = False
    read_back: rows.OffsiteReadBackTotals = field(default_factory=rows.OffsiteReadBackTotals)
    rate: float = 0.0
    seconds: float = 0.0
    blocked_reason: str = ""
    not_sent: list[tuple[str, str]] = field(default_factory=list)
    errors: list[TripleguardError] = field(default_factory=list)


def upload(
    ctx: JobContext,
    drives: Sequence[OpenDrive],
    offsite: OpenOffsite,
    budget: Budget,
    *,
    allow_metered: bool = False,
    retry_policy: RetryPolicy | None = None,
) -> Job[UploadResult]:
    """Send the missing copies to the open place from the open drives, within the budget. Yields progress.

    Raises CatalogError. A stop by the person ends it cleanly.
    """
    run = _UploadRun(ctx, drives, offsite, budget, retry_policy or RetryPolicy())
    why = f"{why}, so nothing was sent." if (why := find_upload_obstacle(ctx, allow_metered)) else ""
    if why:
        run.result.blocked_reason = why
        yield Message(why)
    else:
        yield from run.run()
    return run.finish()


def find_upload_obstacle(ctx: JobContext, allow_metered: bool = False) -> str:
    """Return why the settings forbid using the network now; '' if they don't."""
    settings = ctx.settings.offsite
    if settings.metered and not allow_metered:
        return "This connection is paid by the byte (offsite.metered in the settings)"
    if not is_within_window(
        settings.window, datetime.fromtimestamp(ctx.clock.now() / 1e9, ctx.clock.zone()).time()
    ):
        return f"It is not the time for it (offsite.hours in the settings: {settings.hours})"
    return ""


class _UploadRun:
    """One run, in the caller's thread."""

    def __init__(
        self,
        ctx: JobContext,
        drives: Sequence[OpenDrive],
        offsite: OpenOffsite,
        budget: Budget,
        retry_policy: RetryPolicy,
    ) -> None:
        self._ctx, self._drives, self._offsite = ctx, drives, offsite
        self._budget, self._retry_policy = budget, retry_policy
        self._started_at = time.monotonic()
        self._throttle = Throttle(budget.rate or ctx.settings.offsite.limit_bytes, ctx.stop.is_set)
        self._done_bytes = 0
        self._files = 0
        self._total_files = 0
        self._total_bytes = 0
        self._message_count = 0
        self._taken_keys: dict[int, set[str]] = {}
        self.result = UploadResult(offsite.record.name)
        with ctx.catalog.transaction():
            update_wanted_offsite(ctx.catalog)
            self._job = begin_job(ctx.catalog, "upload", offsite.record.name, current_agent(), ctx.clock.now())

    def run(self) -> Iterator[Progress]:
        """Run passes until nothing more can be done; an item that failed by itself is retried in the next.

        Doubtful copies are read back first, within their budget: they need not be sent again. When nothing is
        missing any more the place is listed, so that what has vanished since is sent again.
        """
        if any(missing_copy.is_recorded for missing_copy in self._list_missing()):
            yield from self._rescan_doubtful()
        yield from self._send_all()
        if not self._list_missing() and not self._ctx.stop.is_set():
            yield from self._rescan_doubtful()
            if self._list_missing() and not self._should_end():
                yield from self._send_all()
        if self._ctx.stop.is_set():
            return
        yield from self._write_checklists_and_snapshot()

    def _list_missing(self) -> list[rows.MissingOffsiteCopy]:
        return rows.list_missing_offsite(self._ctx.catalog, self._offsite.record.id)

    def _rescan_doubtful(self) -> Iterator[Progress]:
        """List the place and read back what is doubtful."""
        try:
            yield from rescan_offsite(self._ctx, self._offsite, "quick", self._budget, report_strays=False)
            self.result.was_listed = True
        except (CopyError, PlaceError) as error:
            self.result.was_listed = False
            self.result.errors.append(error)

    def _send_all(self) -> Iterator[Progress]:
        missing_copies = self._list_missing()
        self._total_files, self._total_bytes = (
            len(missing_copies),
            sum(missing_copy.known_file.file.size for missing_copy in missing_copies),
        )
        usual = rows.get_last_upload_rate(self._ctx.catalog) or 0.0
        yield ProgressUpdate(
            "upload", 0, self._total_files, 0, self._total_bytes, usual, self._estimate_seconds_left(usual)
        )
        for _ in range(_MAX_PASSES):
            self.result.not_sent.clear()
            ended = yield from self._run_pass()
            if ended or not self.result.not_sent or self._should_end():
                break

    def finish(self) -> UploadResult:
        """Record what was done, and return it."""
        result, catalog = self.result, self._ctx.catalog
        standing = rows.count_offsite_totals(catalog, self._offsite.record.id)
        result.has_selects = has_offsite_requirements(catalog)
        result.missing, result.missing_bytes = standing.missing, standing.missing_bytes
        result.surplus, result.surplus_bytes = standing.surplus, standing.surplus_bytes
        result.read_back = rows.count_read_back(catalog, self._offsite.record.id)
        result.network_bytes = self._throttle.sent_bytes
        result.seconds = round(time.monotonic() - self._started_at, 3)
        outcome = EventOutcome.SUCCESS if not result.missing else EventOutcome.PARTIAL
        detail = {
            "sent": result.sent,
            "bytes": result.sent_bytes,
            "line": result.network_bytes,
            "rate": result.rate,
        }
        with catalog.transaction():
            if result.sent:
                add_event(
                    catalog,
                    EventType.REPLICATION,
                    outcome,
                    f"{result.sent:,} selects sent offsite and proved, {result.sent_bytes:,} bytes",
                    self._ctx.clock.now(),
                    job_id=self._job,
                    place_id=self._offsite.record.id,
                )
            end_job(catalog, self._job, outcome, detail, self._ctx.clock.now())
        return result

    def _run_pass(self) -> Job[bool]:
        """Send all that is missing now; return whether something ended the run for good."""
        packing = UploadQueue(self._ctx, self._drives, self._offsite, self._taken_keys, self._should_end)
        settings = self._ctx.settings.offsite
        sending = UploadWorkers(
            self._offsite,
            packing.iter_items(),
            self._ctx.catalog.reopen(),
            self._ctx.clock,
            self._throttle,
            self._retry_policy,
            settings.at_once,
            packing.max_in_flight_bytes,
            self._should_end,
        )
        sending.start()
        ended = False
        try:
            while sending.is_alive or not sending.results.empty():
                try:
                    result = sending.results.get(timeout=_POLL_SECONDS)
                except queue.Empty:
                    yield self._build_progress()
                    continue
                if isinstance(result, ThreadCrashed):
                    raise result.error
                ended |= isinstance(result, ItemNotSent) and result.is_final
                yield from self._handle_result(result, packing)
        finally:
            sending.stop()
            sending.join()
            while not sending.results.empty():
                left = sending.results.get()
                if not isinstance(left, ThreadCrashed):
                    for _ in self._handle_result(left, packing):
                        pass
            packing.close()
        self.result.not_sent += packing.skipped
        return ended

    def _handle_result(
        self, result: PartSent | ItemSent | ItemNotSent | RetryNotice, upload_queue: UploadQueue
    ) -> Iterator[Progress]:
        match result:
            case PartSent(size):
                self._done_bytes += size
                self._measure_result()
                yield self._build_progress()
            case RetryNotice(error):
                self.result.retries += 1
                if self.result.retries == 1:
                    yield Message(f"{error.what} It is tried again until it works.")
            case ItemNotSent(item, error, ends):
                upload_queue.give_up(item)
                self.result.not_sent.append((item.missing_copy.required.path, error.what))
                if ends and not isinstance(error, StoppedError):
                    self.result.errors.append(error)
                    self.result.blocked_reason = error.what
                yield from self._emit_message(f"{escape_text(item.missing_copy.required.path)}: {error.what}")
            case ItemSent():
                yield from self._verify(result, upload_queue)

    def _verify(self, sent: ItemSent, upload_queue: UploadQueue) -> Iterator[Progress]:
        item = sent.item
        try:
            proof = verify_sent(self._offsite, sent, self._ctx.stop.is_set)
        except (CopyError, OSError, TripleguardError) as error:
            self.result.not_sent.append(
                (item.missing_copy.required.path, f"it was sent, and could not be proved: {error}")
            )
            upload_queue.give_up(item)
            return
        if isinstance(proof, str):
            self._taken_keys.setdefault(item.missing_copy.known_file.id, set()).add(item.key)
            self.result.not_sent.append((item.missing_copy.required.path, proof))
            yield from self._emit_message(f"{escape_text(item.key)}: {proof}")
        elif isinstance(proof, ObjectVerification):
            with self._ctx.catalog.transaction():
                record_verification(self._ctx, self._offsite, item, proof)
            self._files += 1
            self.result.sent += 1
            self.result.sent_bytes += item.missing_copy.known_file.file.size
        upload_queue.mark_sent(item)
        yield self._build_progress()

    def _abort_orphans(self) -> None:
        """Abort uploads of files that are no longer required: their parts would cost space forever."""
        wanted = {
            missing_copy.known_file.id
            for missing_copy in rows.list_missing_offsite(self._ctx.catalog, self._offsite.record.id)
        }
        begun = rows.list_unfinished_uploads(self._ctx.catalog, self._offsite.record.id)
        orphans = [one for one in begun if one.file_id not in wanted]
        if not orphans:
            return
        sender = self._offsite.create_sender()
        try:
            for one in orphans:
                if isinstance(sender, S3Bucket):
                    with contextlib.suppress(FileNotFoundError):
                        sender.abort_upload(one.key, one.token)
                with self._ctx.catalog.transaction():
                    rows.remove_upload(self._ctx.catalog, one.id)
        except TripleguardError as error:
            self.result.errors.append(error)
        finally:
            sender.close()

    def _emit_message(self, text: str) -> Iterator[Progress]:
        self._message_count += 1
        if self._message_count <= _MAX_MESSAGES:
            yield Message(text)

    def _should_end(self) -> bool:
        """Return whether to begin nothing more: a stop, the time limit, or the allowed hours."""
        if self._ctx.stop.is_set():
            return True
        if self._budget.is_used_up():
            self.result.blocked_reason = self.result.blocked_reason or "The time that was given is over."
            return True
        window = self._ctx.settings.offsite.window
        now = datetime.fromtimestamp(self._ctx.clock.now() / 1e9, self._ctx.clock.zone())
        if not is_within_window(window, now.time()):
            self.result.blocked_reason = self.result.blocked_reason or "The hours for sending are over."
            return True
        return False

    def _measure_result(self) -> None:
        self.result.rate = round(self._throttle.sent_bytes / max(0.001, time.monotonic() - self._started_at), 1)

    def _build_progress(self) -> ProgressUpdate:
        rate = self._throttle.measure_rate()
        done, left = min(self._done_bytes, self._total_bytes), self._estimate_seconds_left(rate)
        return ProgressUpdate("upload", self._files, self._total_files, done, self._total_bytes, rate, left)

    def _estimate_seconds_left(self, rate: float | None) -> float | None:
        remaining = self._total_bytes - self._done_bytes
        return remaining / rate if rate and rate > 1 and remaining > 0 else None

    def _write_checklists_and_snapshot(self) -> Iterator[Progress]:
        self._abort_orphans()
        yield ProgressUpdate("leaving check lists and the catalog", 0, 0, 0, 0, 0.0, None)
        self.result.errors += write_checklists_and_snapshot(self._ctx, self._offsite, self._throttle)
