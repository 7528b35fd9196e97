"""The daemon's tasks as jobs: what a person would have typed, under the same locks, with a one-line result.

Also the tasks for new files of other programs, ingested from a drive or imported from a folder, and the
decoding of pictures in the time that a nightly rescan leaves.
"""

from __future__ import annotations

import importlib.util
import secrets
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from msgspec.structs import replace as changed

from tripleguard.catalog.shared_sidecars import count_extra_missing_copies
from tripleguard.catalog.shoots import count_totals
from tripleguard.errors import PlaceFailedError, UsageError
from tripleguard.jobs.background import Budget
from tripleguard.jobs.cards.import_from_folder import import_from_folder
from tripleguard.jobs.cards.ingest_from_drive import ingest_from_drive
from tripleguard.jobs.cards.topup import topup
from tripleguard.jobs.context import JobContext
from tripleguard.jobs.drives import (
    OpenDrive,
    locate_drives,
    open_drives,
    select_maintained_drives,
    select_read_only_sources,
    select_writable_drives,
)
from tripleguard.jobs.inspect.decoder import PictureDecoder
from tripleguard.jobs.inspect.inspect_pictures import inspect_pictures
from tripleguard.jobs.offsite.offsite_place import get_offsite_place, open_locked_offsite
from tripleguard.jobs.offsite.rescan_offsite import rescan_offsite
from tripleguard.jobs.offsite.upload import find_upload_obstacle, upload
from tripleguard.jobs.progress import Job
from tripleguard.jobs.rescan.drill import drill
from tripleguard.jobs.rescan.rescan import PlaceRescanResult, rescan
from tripleguard.jobs.rescan.scan_lane import RescanDepth
from tripleguard.names import escape_text
from tripleguard.places.stable_folder import open_stable_folder
from tripleguard.presentation.words import format_size
from tripleguard.watch.card_tasks import process_card, recheck_card
from tripleguard.watch.morning_report import run_morning_report
from tripleguard.watch.new_files import NewFileWatcher
from tripleguard.watch.queue import TaskKind, TaskResult, TaskStatus, WatchTask
from tripleguard.watch.state import WatchState
from tripleguard.wording import pluralize


def create_job(
    ctx: JobContext, task: WatchTask, state: WatchState, new_files: NewFileWatcher | None = None
) -> Job[TaskResult]:
    """The job that does an errand. Raises what the jobs of `work` raise, PlaceBusy first of all."""
    match task.kind:
        case TaskKind.NEW_FILES if new_files is not None:
            return run_ingest_task(ctx, task, new_files)
        case TaskKind.IMPORT if new_files is not None:
            return run_import_task(ctx, task, new_files)
        case TaskKind.CARD:
            return process_card(ctx, task)
        case TaskKind.RECHECK_CARD:
            return recheck_card(ctx, task)
        case TaskKind.TOPUP:
            return _run_topup(ctx, task)
        case TaskKind.LISTING_RESCAN:
            return _run_rescan(ctx, task, "quick")
        case TaskKind.DUE_RESCAN:
            return _run_rescan(_with_early_due_dates(ctx), task, "due")
        case TaskKind.REPORT:
            return run_morning_report(ctx, task)
        case TaskKind.UPLOAD:
            return _run_upload(ctx, task)
        case TaskKind.OFFSITE_RESCAN:
            return _run_offsite_rescan(ctx, task)
        case TaskKind.DRILL:
            return _run_drill(ctx, task)
        case _:
            raise AssertionError(f"nobody does {task.kind}")


def count_missing_copies(ctx: JobContext) -> int:
    """Files, and equal files by name, that have fewer copies than the rule asks."""
    return count_totals(ctx.catalog)[2] + count_extra_missing_copies(ctx.catalog, ctx.settings.rule.drive_copies)


def _run_topup(ctx: JobContext, task: WatchTask) -> Job[TaskResult]:
    before = count_missing_copies(ctx)
    if not before:
        return TaskResult(task, TaskStatus.DONE, "nothing is owed")
    with (
        open_drives(ctx, select_writable_drives(ctx, ()), "the watch: top-up") as ready,
        open_drives(ctx, select_read_only_sources(ctx), "the watch: top-up", for_writing=False) as besides,
    ):
        if not ready.writable:
            return TaskResult(task, TaskStatus.DEFERRED, "no drive is connected")
        refused = [error for _, error in ready.unavailable]
        result = yield from topup(ctx, ready.writable, refused, besides.writable)
    made = sum(result.created.values())
    parts = [
        f"drive {name}: {pluralize(made, 'new copy', 'new copies')}"
        for name, made in result.created.items()
        if made
    ]
    parts += [error.what for error in result.errors]
    if result.still_under_replicated:
        parts.append(f"{pluralize(result.still_under_replicated, 'file')} still owed")
    elif made:
        parts.append("nothing is owed any more")
    tell = (
        f"The second copies are made: {escape_text('; '.join(parts))}."
        if made and not result.still_under_replicated
        else ""
    )
    if result.errors:
        tell = " ".join(["Not every second copy could be made:", *(error.what for error in result.errors)])
    outcome = TaskStatus.NEEDS_ATTENTION if result.errors else TaskStatus.DONE
    return TaskResult(task, outcome, "; ".join(parts) or "nothing could be made", tell, made)


def _with_early_due_dates(ctx: JobContext) -> JobContext:
    """The kit by whose rule a copy falls due some days early, so that none is overdue in the morning."""
    rule, days = ctx.settings.rule, ctx.settings.watch.ahead_days
    earlier = changed(rule, road_days=max(1, rule.road_days - days), shelf_days=max(1, rule.shelf_days - days))
    return replace(ctx, settings=changed(ctx.settings, rule=earlier))


def _run_rescan(ctx: JobContext, task: WatchTask, depth: RescanDepth) -> Job[TaskResult]:
    with open_drives(ctx, select_maintained_drives(ctx), f"the watch: {task.kind}") as ready:
        drives = ready.readable()
        if not drives:
            return TaskResult(task, TaskStatus.DEFERRED, ready.no_drive_error("").what)
        budget = Budget(seconds=task.time_limit_s)
        result = yield from rescan(ctx, drives, depth, budget)
        decoded, damaged = "", ""
        if depth == "due" and not result.was_stopped:
            decoded, damaged = yield from decode_in_spare_time(ctx, drives, budget)
    if result.was_stopped:
        return TaskResult(task, TaskStatus.STOPPED, "it gave way; it goes on with what was not read for longest")
    parts = [_describe_scan(one) for one in result.places]
    bad = any(one.new_findings or one.is_disconnected for one in result.places)
    parts += [decoded] if decoded else []
    message = "; ".join([*parts, *(error.what for _, error in ready.unavailable)])
    tell = f"The {task.kind} found: {message}. Next: `tripleguard mend --dry-run`." if bad else damaged
    return TaskResult(task, TaskStatus.NEEDS_ATTENTION if bad or damaged else TaskStatus.DONE, message, tell)


def _run_offsite_rescan(ctx: JobContext, task: WatchTask) -> Job[TaskResult]:
    record = get_offsite_place(ctx)
    if record is None:
        return TaskResult(task, TaskStatus.DONE, "there is no place offsite")
    if why := find_upload_obstacle(ctx):
        return TaskResult(task, TaskStatus.DONE, f"{why}, so nothing was looked at")
    with open_locked_offsite(ctx, record, f"the watch: {task.kind}") as offsite:
        seen, cost = yield from rescan_offsite(ctx, offsite, "due", Budget())
    if ctx.stop.is_set():
        return TaskResult(task, TaskStatus.STOPPED, "it gave way; it goes on with what was not read for longest")
    price = f", about {cost.price:.2f} to pay" if cost.price else ""
    message = f"{_describe_scan(seen)}; {format_size(cost.read_bytes)} fetched{price}"
    tell = f"The {task.kind} found: {message}. Next: `tripleguard findings`." if seen.new_findings else ""
    return TaskResult(task, TaskStatus.NEEDS_ATTENTION if seen.new_findings else TaskStatus.DONE, message, tell)


def _describe_scan(scan: PlaceRescanResult) -> str:
    """What was seen at one place, in words."""
    kinds = Counter(str(kind) for kind, _ in scan.new_findings)
    new = ", ".join(f"{number:,} {kind}" for kind, number in sorted(kinds.items())) or "nothing new"
    read = f", {scan.read_back:,} read back" if scan.read_back else ""
    gone = ", then it stopped answering" if scan.is_disconnected else ""
    where = scan.place if scan.is_offsite else f"drive {scan.place}"
    return f"{where}: {pluralize(scan.checked, 'copy', 'copies')} looked at{read}, {new}{gone}"


def _run_drill(ctx: JobContext, task: WatchTask) -> Job[TaskResult]:
    with open_drives(ctx, select_maintained_drives(ctx), "the watch: drill") as ready:
        drives = ready.readable()
        if not drives:
            return TaskResult(task, TaskStatus.DEFERRED, ready.no_drive_error("").what)
        seed = secrets.randbelow(10**9)
        result = yield from drill(ctx, drives, ctx.settings.watch.drill_files, seed)
    failed = sum(len(one.failed) for one in result.places)
    sampled = sum(one.sampled for one in result.places)
    message = f"{pluralize(sampled, 'copy', 'copies')} restored and compared, {failed:,} failed (seed {seed})"
    tell = (
        f"The drill could not restore {pluralize(failed, 'copy', 'copies')}: see `tripleguard report`."
        if failed
        else ""
    )
    return TaskResult(task, TaskStatus.NEEDS_ATTENTION if failed else TaskStatus.DONE, message, tell)


def _run_upload(ctx: JobContext, task: WatchTask) -> Job[TaskResult]:
    record = get_offsite_place(ctx)
    if record is None:
        return TaskResult(task, TaskStatus.DONE, "there is no place offsite")
    with (
        open_drives(ctx, select_writable_drives(ctx, ()), "the watch: upload", for_writing=False) as ready,
        open_locked_offsite(ctx, record, "the watch: upload") as offsite,
    ):
        result = yield from upload(ctx, ready.connected, offsite, Budget())
    if ctx.stop.is_set():
        return TaskResult(task, TaskStatus.STOPPED, "it gave way; it goes on with what is still owed")
    if result.blocked_reason:
        return TaskResult(task, TaskStatus.DONE, result.blocked_reason)
    owed = f"{pluralize(result.missing, 'file')} still owed" if result.missing else "nothing is owed offsite"
    parts = [f"{pluralize(result.sent, 'file')} sent and proved", owed, *(error.what for error in result.errors)]
    tell = f"The selects are offsite: {parts[0]}." if result.sent and not result.missing else ""
    outcome = TaskStatus.NEEDS_ATTENTION if result.errors else TaskStatus.DONE
    return TaskResult(task, outcome, "; ".join(parts), tell)


_MAX_NAMED_PATHS = 3
"""Paths that a message names."""


def run_ingest_task(ctx: JobContext, task: WatchTask, new_files: NewFileWatcher) -> Job[TaskResult]:
    """Enter what has settled on a drive. Raises as `take_in`, PlaceBusy."""
    entries = new_files.stable_files(task.key)
    if not entries:
        return TaskResult(task, TaskStatus.DONE, "nothing new is left")
    this = [pair for pair in select_writable_drives(ctx, ()) if str(pair[1]) == task.subject]
    with open_drives(ctx, this, "the watch: new files") as ready:
        if not ready.writable:
            return TaskResult(task, TaskStatus.DEFERRED, "the drive is not connected")
        name = ready.writable[0].record.name
        paths = [entry.path for entry in entries]
        result = yield from ingest_from_drive(ctx, ready.writable[0], paths)
    given_up = new_files.mark_ingested(task.key, paths, result.postponed)
    parts = [f"drive {name}: {pluralize(result.entered, 'new file')} entered"]
    if result.moved:
        parts.append(f"{pluralize(result.moved, 'copy', 'copies')} found elsewhere than before")
    if result.postponed:
        parts.append(f"{pluralize(len(result.postponed), 'file')} did not hold still or can't be read")
    troubles = [error.what for error in result.errors]
    what = f"on drive {name} can't be read, or never hold still"
    return _to_result(task, [*parts, *troubles], _describe_abandoned(given_up, what) + troubles, result.entered)


def run_import_task(ctx: JobContext, task: WatchTask, new_files: NewFileWatcher) -> Job[TaskResult]:
    """Copy what has settled in an import folder to the drives. Raises as `import_from_folder`, PlaceBusy."""
    wanted = {entry.path: entry for entry in new_files.stable_files(task.key)}
    if not wanted:
        return TaskResult(task, TaskStatus.DONE, "nothing new is left")
    known = [path for _, path in locate_drives(ctx) if path]
    folder = open_stable_folder(Path(task.subject), known, wanted)
    try:
        with open_drives(
            ctx, select_writable_drives(ctx, ()), f"the watch: import from {escape_text(task.subject)}"
        ) as ready:
            if not ready.writable:
                return TaskResult(task, TaskStatus.DEFERRED, "no drive is connected")
            result = yield from import_from_folder(ctx, folder, ready.writable, ready.unavailable)
    finally:
        folder.close()
    failed = {note.path for note in result.not_copied}
    if failed and len(failed) == result.files:
        why = f"none could be copied: {result.not_copied[0].reason}"
        tell = f"New files in {escape_text(task.subject)} are not protected: {why}."
        return TaskResult(task, TaskStatus.FAILED, why, tell)
    given_up = new_files.mark_ingested(task.key, wanted, failed)
    parts = [f"{pluralize(result.files - len(failed), 'file')} brought in"]
    if failed:
        parts.append(f"{pluralize(len(failed), 'file')} could not be copied")
    troubles = [error.what for error in result.errors]
    reason = next((note.reason for note in result.not_copied if note.path in given_up), "")
    what = f"in {escape_text(task.subject)} could not be copied to a drive ({reason})"
    return _to_result(task, [*parts, *troubles], _describe_abandoned(given_up, what) + troubles, result.copied)


def _describe_abandoned(paths: list[str], problem: str) -> list[str]:
    """One line for a person about files that are not tried again by themselves; none if there are none."""
    if not paths:
        return []
    more = f" and {len(paths) - _MAX_NAMED_PATHS:,} more" if len(paths) > _MAX_NAMED_PATHS else ""
    names = ", ".join(escape_text(path) for path in paths[:_MAX_NAMED_PATHS])
    return [f"{pluralize(len(paths), 'new file')} {problem}: {names}{more}. They are not protected; look at them."]


def _to_result(task: WatchTask, parts: list[str], notifications: list[str], new_copies: int) -> TaskResult:
    outcome = TaskStatus.NEEDS_ATTENTION if notifications else TaskStatus.DONE
    return TaskResult(task, outcome, "; ".join(parts), "\n".join(notifications), new_copies)


def decode_in_spare_time(ctx: JobContext, drives: Sequence[OpenDrive], budget: Budget) -> Job[tuple[str, str]]:
    """Decode with what is left of the budget; what was done, in words, and what a person should be told.

    Nothing is done where the decoders are not installed. Raises CatalogTrouble.
    """
    if importlib.util.find_spec("rawpy") is None or importlib.util.find_spec("simplejpeg") is None:
        return "", ""
    try:
        with PictureDecoder() as decoder:
            result = yield from inspect_pictures(ctx, drives, budget, decoder)
    except (PlaceFailedError, UsageError) as error:
        # The reading before it has its own word, and that one counts more.
        return f"nothing decoded: {error.what}", ""
    if not result.decoded:
        return "", ""
    told = ""
    if result.damaged:
        path, why = result.damaged[0]
        more = f" and {len(result.damaged) - 1:,} more" if len(result.damaged) > 1 else ""
        told = f"A picture was damaged before it was copied: {escape_text(path)}{more}: {why}. Keep its card."
    return f"{pluralize(result.decoded, 'picture')} decoded, {len(result.damaged):,} damaged at source", told
