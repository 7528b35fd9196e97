"""The daemon's tasks as jobs: what a person would have typed, under the same locks, with a one-line result.

Also the tasks for new files of other programs, ingested from a drive or imported from a folder, and the
decoding of pictures in the time that a nightly rescan leaves.
"""

from __future__ import annotations

import importlib.util
import secrets
from collections import Counter
from dataclasses import replace
from pathlib import Path

from msgspec.structs import replace as changed

from tripleguard.catalog.shared_sidecars import count_extra_missing_copies
from tripleguard.catalog.shoots import count_totals
from tripleguard.errors import (
    NetworkError,
    PlaceBusyError,
    PlaceError,
    PlaceFailedError,
    TripleguardError,
    UsageError,
)
from tripleguard.jobs.background import Budget
from tripleguard.jobs.cards.import_from_folder import import_from_folder
from tripleguard.jobs.cards.ingest_from_drive import ingest_from_drive
from tripleguard.jobs.cards.topup import TopupResult
from tripleguard.jobs.commands import can_offsite_supply, run_drill, run_inspect, run_rescan, run_topup, run_upload
from tripleguard.jobs.context import JobContext
from tripleguard.jobs.drives import locate_drives, open_drives, select_writable_drives
from tripleguard.jobs.offsite.offsite_place import get_offsite_place
from tripleguard.jobs.offsite.upload import find_upload_obstacle
from tripleguard.jobs.progress import Job
from tripleguard.jobs.rescan.rescan_result import PlaceRescanResult
from tripleguard.jobs.rescan.scan_lane import RescanDepth
from tripleguard.names import escape_text
from tripleguard.places.stable_folder import open_stable_folder
from tripleguard.presentation.words import format_size
from tripleguard.watch.card_tasks import process_card
from tripleguard.watch.morning_report import run_morning_report
from tripleguard.watch.parts import NewFileSource
from tripleguard.watch.queue import TaskKind, TaskResult, TaskStatus, WatchTask
from tripleguard.wording import pluralize

_NO_OFFSITE = "there is no place offsite"


def create_job(ctx: JobContext, task: WatchTask, new_files: NewFileSource | None = None) -> Job[TaskResult]:
    """Return the job that does a task. It raises what the commands raise, PlaceBusyError first of all."""
    match task.kind:
        case TaskKind.NEW_FILES if new_files is not None:
            return run_ingest_task(ctx, task, new_files)
        case TaskKind.IMPORT if new_files is not None:
            return run_import_task(ctx, task, new_files)
        case TaskKind.CARD:
            return process_card(ctx, task)
        case TaskKind.TOPUP:
            return _run_topup_task(ctx, task)
        case TaskKind.OFFSITE_TOPUP:
            return _run_offsite_topup_task(ctx, task)
        case TaskKind.LISTING_RESCAN:
            return _run_rescan_task(ctx, task, "quick")
        case TaskKind.DUE_RESCAN:
            return _run_rescan_task(_with_early_due_dates(ctx), task, "due")
        case TaskKind.REPORT:
            return run_morning_report(ctx, task)
        case TaskKind.UPLOAD:
            return _run_upload_task(ctx, task)
        case TaskKind.OFFSITE_RESCAN:
            return _run_offsite_rescan_task(ctx, task)
        case TaskKind.DRILL:
            return _run_drill_task(ctx, task)
        case _:
            raise AssertionError(f"no job for {task.kind}")


def count_missing_copies(ctx: JobContext) -> int:
    """Return how many files, and equal files under another name, have fewer copies than the rule asks."""
    return count_totals(ctx.catalog)[2] + count_extra_missing_copies(ctx.catalog, ctx.settings.rule.drive_copies)


def _run_topup_task(ctx: JobContext, task: WatchTask) -> Job[TaskResult]:
    """Make missing copies from the drives; the offsite place is a task of its own, which may take days."""
    if not count_missing_copies(ctx):
        return TaskResult(task, TaskStatus.DONE, "nothing is owed")
    result = yield from run_topup(ctx, purpose="the watch: top-up", use_offsite=False)
    return replace(_describe_topup(task, result), needs_offsite=can_offsite_supply(ctx, result))


def _run_offsite_topup_task(ctx: JobContext, task: WatchTask) -> Job[TaskResult]:
    if not count_missing_copies(ctx):
        return TaskResult(task, TaskStatus.DONE, "nothing is owed")
    if obstacle := find_upload_obstacle(ctx):
        return TaskResult(task, TaskStatus.DONE, f"{obstacle}, so nothing was fetched", needs_offsite=True)
    result = yield from run_topup(ctx, purpose=f"the watch: {task.kind}")
    described = _describe_topup(task, result)
    if any(isinstance(error, NetworkError) for error in result.errors):
        # The network comes back by itself: nobody has to do anything.
        return replace(described, notification="", needs_offsite=True)
    return described


def _describe_topup(task: WatchTask, result: TopupResult) -> TaskResult:
    created = sum(result.created.values())
    parts = [
        f"drive {name}: {pluralize(count, 'new copy', 'new copies')}"
        for name, count in result.created.items()
        if count
    ]
    parts += [error.what for error in result.errors]
    if result.still_under_replicated:
        parts.append(f"{pluralize(result.still_under_replicated, 'file')} still owed")
    elif created:
        parts.append("nothing is owed any more")
    notification = ""
    if result.errors:
        notification = " ".join(["Not every second copy could be made:", *map(_to_sentence, result.errors)])
    elif created and not result.still_under_replicated:
        notification = f"The second copies are made: {escape_text('; '.join(parts))}."
    status = TaskStatus.NEEDS_ATTENTION if result.errors else TaskStatus.DONE
    return TaskResult(task, status, "; ".join(parts) or "nothing could be made", notification, created)


def _to_sentence(error: TripleguardError) -> str:
    """Return what happened and what to do next."""
    return " ".join(part for part in (error.what, error.do) if part)


def _with_early_due_dates(ctx: JobContext) -> JobContext:
    """Return the context in which copies fall due some days early, so that none is overdue in the morning."""
    rule, days = ctx.settings.rule, ctx.settings.watch.ahead_days
    earlier = changed(rule, road_days=max(1, rule.road_days - days), shelf_days=max(1, rule.shelf_days - days))
    return replace(ctx, settings=changed(ctx.settings, rule=earlier))


def _run_rescan_task(ctx: JobContext, task: WatchTask, depth: RescanDepth) -> Job[TaskResult]:
    budget = Budget(seconds=task.time_limit_s)
    report = yield from run_rescan(ctx, depth, budget, purpose=f"the watch: {task.kind}")
    decoded, damaged = "", ""
    if depth == "due" and not report.result.was_stopped:
        decoded, damaged = yield from decode_in_spare_time(ctx, budget)
    if report.result.was_stopped:
        return TaskResult(task, TaskStatus.STOPPED, "it gave way; it goes on with what was not read for longest")
    places = report.result.places
    parts = [
        *map(_describe_scan, places),
        *([decoded] if decoded else []),
        *(error.what for error in report.errors),
    ]
    message = "; ".join(parts)
    is_bad = any(one.new_findings or one.is_disconnected for one in places)
    notification = (
        f"The {task.kind} found: {message}. Next: `tripleguard repair --dry-run`." if is_bad else damaged
    )
    return TaskResult(
        task, TaskStatus.NEEDS_ATTENTION if is_bad or damaged else TaskStatus.DONE, message, notification
    )


def _run_offsite_rescan_task(ctx: JobContext, task: WatchTask) -> Job[TaskResult]:
    record = get_offsite_place(ctx)
    if record is None:
        return TaskResult(task, TaskStatus.DONE, _NO_OFFSITE)
    if obstacle := find_upload_obstacle(ctx):
        return TaskResult(task, TaskStatus.DONE, f"{obstacle}, so nothing was looked at")
    report = yield from run_rescan(ctx, "due", Budget(), [record.name], purpose=f"the watch: {task.kind}")
    if ctx.stop.is_set():
        return TaskResult(task, TaskStatus.STOPPED, "it gave way; it goes on with what was not read for longest")
    parts = [_describe_scan(one) for one in report.result.places]
    if report.cost is not None:
        price = f", about {report.cost.price:.2f} to pay" if report.cost.price else ""
        parts.append(f"{format_size(report.cost.read_bytes)} fetched{price}")
    message = "; ".join(parts)
    is_bad = any(one.new_findings for one in report.result.places)
    notification = f"The {task.kind} found: {message}. Next: `tripleguard findings`." if is_bad else ""
    return TaskResult(task, TaskStatus.NEEDS_ATTENTION if is_bad else TaskStatus.DONE, message, notification)


def _describe_scan(scan: PlaceRescanResult) -> str:
    """Describe what was seen at one place."""
    kinds = Counter(str(kind) for kind, _ in scan.new_findings)
    new = ", ".join(f"{number:,} {kind}" for kind, number in sorted(kinds.items())) or "nothing new"
    read = f", {scan.read_back:,} read back" if scan.read_back else ""
    gone = ", then it stopped answering" if scan.is_disconnected else ""
    where = scan.place if scan.is_offsite else f"drive {scan.place}"
    return f"{where}: {pluralize(scan.checked, 'copy', 'copies')} looked at{read}, {new}{gone}"


def _run_drill_task(ctx: JobContext, task: WatchTask) -> Job[TaskResult]:
    seed = secrets.randbelow(10**9)
    report = yield from run_drill(ctx, ctx.settings.watch.drill_files, seed, purpose="the watch: drill")
    failed = sum(len(one.failed) for one in report.result.places)
    sampled = sum(one.sampled for one in report.result.places)
    message = f"{pluralize(sampled, 'copy', 'copies')} restored and compared, {failed:,} failed (seed {seed})"
    notification = (
        f"The drill could not restore {pluralize(failed, 'copy', 'copies')}: see `tripleguard report`."
        if failed
        else ""
    )
    return TaskResult(task, TaskStatus.NEEDS_ATTENTION if failed else TaskStatus.DONE, message, notification)


def _run_upload_task(ctx: JobContext, task: WatchTask) -> Job[TaskResult]:
    if get_offsite_place(ctx) is None:
        return TaskResult(task, TaskStatus.DONE, _NO_OFFSITE)
    result = yield from run_upload(ctx, Budget(), purpose="the watch: upload")
    if ctx.stop.is_set():
        return TaskResult(task, TaskStatus.STOPPED, "it gave way; it goes on with what is still owed")
    if result.blocked_reason:
        return TaskResult(task, TaskStatus.DONE, result.blocked_reason)
    owed = f"{pluralize(result.missing, 'file')} still owed" if result.missing else "nothing is owed offsite"
    parts = [f"{pluralize(result.sent, 'file')} sent and proved", owed, *(error.what for error in result.errors)]
    notification = f"The selects are offsite: {parts[0]}." if result.sent and not result.missing else ""
    status = TaskStatus.NEEDS_ATTENTION if result.errors else TaskStatus.DONE
    return TaskResult(task, status, "; ".join(parts), notification)


_MAX_NAMED_PATHS = 3
"""How many paths a message names."""


def run_ingest_task(ctx: JobContext, task: WatchTask, new_files: NewFileSource) -> Job[TaskResult]:
    """Ingest the complete new files of a drive. Raises as `ingest_from_drive`, PlaceBusyError."""
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
    given_up = new_files.mark_ingested(task.key, paths, result.postponed, result.incomplete, result.damaged)
    parts = [f"drive {name}: {pluralize(result.entered, 'new file')} entered"]
    if result.edited:
        count = pluralize(len(result.edited), "original was", "originals were")
        parts.append(f"{count} changed by another program; both versions are kept: {_name_paths(result.edited)}")
    if result.damaged:
        parts.append(f"{pluralize(len(result.damaged), 'original')} may be damaged: {_name_paths(result.damaged)}")
    if result.moved:
        parts.append(f"{pluralize(result.moved, 'copy', 'copies')} found elsewhere than before")
    if result.postponed:
        parts.append(f"{pluralize(len(result.postponed), 'file')} did not hold still or can't be read")
    if result.incomplete:
        count = pluralize(len(result.incomplete), "file")
        parts.append(f"{count} cut short, not entered: {_name_paths(result.incomplete)}")
    troubles = [error.what for error in result.errors]
    if result.damaged:
        count = pluralize(len(result.damaged), "original was", "originals were")
        troubles.append(
            f"{count} changed on drive {name} and may be damaged: {_name_paths(result.damaged)}. "
            "Next: `tripleguard findings`."
        )
    what = f"on drive {name} can't be read, or never hold still"
    return _to_result(task, [*parts, *troubles], _describe_abandoned(given_up, what) + troubles, result.entered)


def run_import_task(ctx: JobContext, task: WatchTask, new_files: NewFileSource) -> Job[TaskResult]:
    """Import the complete new files of a folder. Raises as `import_from_folder`, PlaceBusyError."""
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
        notification = f"New files in {escape_text(task.subject)} are not protected: {why}."
        return TaskResult(task, TaskStatus.FAILED, why, notification)
    given_up = new_files.mark_ingested(task.key, wanted, failed)
    parts = [f"{pluralize(result.files - len(failed), 'file')} brought in"]
    if failed:
        parts.append(f"{pluralize(len(failed), 'file')} could not be copied")
    troubles = [error.what for error in result.errors]
    reason = next((note.reason for note in result.not_copied if note.path in given_up), "")
    what = f"in {escape_text(task.subject)} could not be copied to a drive ({reason})"
    return _to_result(task, [*parts, *troubles], _describe_abandoned(given_up, what) + troubles, result.copied)


def _describe_abandoned(paths: list[str], problem: str) -> list[str]:
    """Return one line about files that are not tried again by themselves; none if there are none."""
    if not paths:
        return []
    count = pluralize(len(paths), "new file")
    return [f"{count} {problem}: {_name_paths(paths)}. They are not protected; look at them."]


def _name_paths(paths: list[str]) -> str:
    """Return the first few paths, and how many more there are."""
    more = f" and {len(paths) - _MAX_NAMED_PATHS:,} more" if len(paths) > _MAX_NAMED_PATHS else ""
    return ", ".join(escape_text(path) for path in paths[:_MAX_NAMED_PATHS]) + more


def _to_result(task: WatchTask, parts: list[str], notifications: list[str], new_copies: int) -> TaskResult:
    outcome = TaskStatus.NEEDS_ATTENTION if notifications else TaskStatus.DONE
    return TaskResult(task, outcome, "; ".join(parts), "\n".join(notifications), new_copies)


def decode_in_spare_time(ctx: JobContext, budget: Budget) -> Job[tuple[str, str]]:
    """Decode pictures with what is left of the budget.

    Nothing is done where the decoders are not installed.

    Returns:
        What was done, and what a person should hear; empty texts where there is nothing to say.

    Raises:
        CatalogError: The catalog can't be used.
    """
    if importlib.util.find_spec("rawpy") is None or importlib.util.find_spec("simplejpeg") is None:
        return "", ""
    try:
        report = yield from run_inspect(ctx, budget, purpose="the watch: decode")
    except (PlaceFailedError, PlaceError, PlaceBusyError, UsageError) as error:
        # Don't let a decoding failure replace the result of the rescan before it.
        return f"nothing decoded: {error.what}", ""
    result = report.result
    if not result.decoded:
        return "", ""
    notification = ""
    if result.damaged:
        path, why = result.damaged[0]
        more = f" and {len(result.damaged) - 1:,} more" if len(result.damaged) > 1 else ""
        notification = (
            f"A picture was damaged before it was copied: {escape_text(path)}{more}: {why}. Keep its card."
        )
    damaged = f"{len(result.damaged):,} damaged at source"
    return f"{pluralize(result.decoded, 'picture')} decoded, {damaged}", notification
