"""Hand a shoot over: a folder that describes its content, and that anyone can check without this tool.

The folder is a bag as RFC 8493 defines it, with SHA-512 and SHA-256 of every file, or plain files with one list
that `sha256sum --check` reads. What makes it complete, `bagit.txt` or the list, is written last: a folder with it
is complete, one without it is unfinished, and the same command continues. The drives are only read.
"""

from __future__ import annotations

import contextlib
import os
import platform
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from tripleguard.bags import manifest_lines, tag_files
from tripleguard.catalog.event_log import add_event, begin_job, end_job
from tripleguard.clock import format_iso
from tripleguard.errors import CopyError, NoSpaceError, PlaceFailedError, UsageError
from tripleguard.jobs.context import JobContext, current_agent
from tripleguard.jobs.drive_setup import ensure_catalog_id
from tripleguard.jobs.drives import OpenDrive
from tripleguard.jobs.handover.finalize import CHECKLIST_NAME, HandoverSummary, finalize_folder, get_reserved_names
from tripleguard.jobs.handover.handover_copier import HandoverCopier, RejectedCopy
from tripleguard.jobs.handover.handover_warnings import HandoverWarnings, collect_warnings
from tripleguard.jobs.handover.selection import (
    HandoverItem,
    SelectedFile,
    assign_paths,
    keep_selects,
    list_shoot_files,
)
from tripleguard.jobs.progress import Job, ProgressUpdate, RateEstimator
from tripleguard.model import EventOutcome, EventType, Medium, Shoot
from tripleguard.names import escape_text
from tripleguard.places.handover_folder import HandoverFolder, HandoverTask
from tripleguard.places.locks import LockHolder, hold_lock
from tripleguard.wording import pluralize

HandoverForm = Literal["bag", "list"]
HandoverScope = Literal["all", "selects"]
_BYTES_PER_LINE = 512
"""The bytes that the lists take per file at most, for the check of free space."""


@dataclass(frozen=True, slots=True)
class LeftOutFile:
    """A file that could not be handed over, and why."""

    path: str
    reason: str


@dataclass(frozen=True, slots=True)
class HandoverResult:
    """What was handed over.

    Attributes:
        is_finished: The folder is complete and describes itself.
        renamed: (path on the drives, path in the folder) pairs.
        medium: The worst medium of the reading back.
        foreign_files: What someone else put into the work folder; it stays there.
    """

    shoot: Shoot
    root: Path
    form: HandoverForm
    is_finished: bool
    files: int
    total_bytes: int
    copied: int
    already_there: int
    left_out: tuple[LeftOutFile, ...]
    renamed: tuple[tuple[str, str], ...]
    rejected_copies: tuple[RejectedCopy, ...]
    warnings: HandoverWarnings
    medium: Medium
    seconds: float
    foreign_files: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class HandoverRequest:
    """What to hand over, and in which form. allow_incomplete: finish even if some files are not available."""

    shoot: Shoot
    form: HandoverForm = "bag"
    scope: HandoverScope = "all"
    allow_incomplete: bool = False


def hand_over(
    ctx: JobContext, drives: Sequence[OpenDrive], target: HandoverFolder, request: HandoverRequest
) -> Job[HandoverResult]:
    """Fill the folder with the shoot, or continue filling it. Yields progress.

    Raises UsageError if the folder holds something else or there is nothing to hand over, NoSpaceError,
    NameTakenError, PlaceFailedError, PlaceBusyError, StoppedError, CatalogError.
    """
    began = time.monotonic()
    with _folder_errors_explained(target):
        yield ProgressUpdate("looking what is to be handed over", 0, 0, 0, 0, 0.0, None)
        wanted = _select_files(ctx, request)
        _refuse_foreign_folder(target)
        holder = LockHolder(os.getpid(), platform.node(), "handover", format_iso(ctx.clock.now()))
        with hold_lock(target.name, target.open_lock, holder):
            result = yield from _fill(ctx, drives, target, request, wanted, began)
        if result.is_finished:
            result = replace(result, foreign_files=target.remove_work_folder())
        return result


def _fill(
    ctx: JobContext,
    drives: Sequence[OpenDrive],
    target: HandoverFolder,
    request: HandoverRequest,
    selected_files: Sequence[SelectedFile],
    started_at: float,
) -> Job[HandoverResult]:
    shoot, form = request.shoot, request.form
    task = _begin_or_resume_task(ctx, target, request)
    target.delete_unfinished()
    prefix = manifest_lines.PAYLOAD_PREFIX if form == "bag" else ""
    reserved = () if form == "bag" else (CHECKLIST_NAME,)
    items = assign_paths(selected_files, target.fs_limits, text_only=form == "bag", reserved=reserved)
    _refuse_unlisted_files(target, {prefix + item.path for item in items}, form)
    number, notes = target.read_finished()
    _refuse_too_large(target, items, prefix)
    with ctx.catalog.transaction():
        job = begin_job(ctx.catalog, "handover", str(target.root), current_agent(), ctx.clock.now())
    copier = HandoverCopier(ctx, drives, target, prefix, notes, number)
    copier.job_id = job
    try:
        meter = RateEstimator("handing over", len(items), sum(item.known_file.file.size for item in items))
        for files, done in copier.copy_all(items):
            if meter.is_due():
                yield meter.update(files, done)
    finally:
        copier.close()
    finished = not copier.left_out or request.allow_incomplete
    given = [(item, copier.finished_notes[item.path]) for item in items if item.path in copier.finished_notes]
    result = HandoverResult(
        shoot,
        target.root,
        form,
        finished,
        len(given),
        sum(note.size for _, note in given),
        copier.copied,
        copier.already_there,
        tuple(LeftOutFile(item.path_on_drives or item.path, why) for item, why in copier.left_out),
        tuple((item.path_on_drives, item.path) for item, _ in given if item.path_on_drives is not None),
        tuple(copier.rejected),
        collect_warnings(ctx, drives, shoot, [item for item, _ in given], frames_only=request.scope == "selects"),
        copier.medium,
        round(time.monotonic() - started_at, 3),
    )
    if finished:
        yield ProgressUpdate("writing the lists", len(given), len(items), 0, 0, 0.0, None)
        summary = HandoverSummary(shoot.title, result.files, result.total_bytes, len(result.left_out))
        finalize_folder(ctx, target, task, summary, {prefix + item.path: note for item, note in given})
    _record_handover(ctx, result, job)
    return result


def _select_files(ctx: JobContext, request: HandoverRequest) -> list[SelectedFile]:
    """Return the requested files. Raises UsageError if there are none."""
    wanted = list_shoot_files(ctx.catalog, request.shoot, ctx.settings.layout)
    if request.scope == "selects":
        wanted = keep_selects(ctx.catalog, request.shoot, wanted)
    if not wanted:
        raise UsageError(
            f"There is nothing to hand over of {escape_text(request.shoot.title)}.",
            safe="Nothing was copied.",
            do="Choose selects first (`tripleguard selects`)."
            if request.scope == "selects"
            else "Choose another shoot.",
        )
    return wanted


def _refuse_foreign_folder(target: HandoverFolder) -> None:
    """Raise UsageError for a folder that is not empty and not an unfinished handover."""
    if target.is_foreign():
        raise UsageError(
            f"{target.name} has a folder .tripleguard of something else: it may be a drive that lost its marker.",
            safe="It was left as it is.",
            do="Give a folder that is not there yet, or an empty one.",
        )
    if target.read_task() is not None:
        return
    there = target.find_first_name()
    if there is None:
        return
    if target.stat(tag_files.DECLARATION) is not None or target.stat(CHECKLIST_NAME) is not None:
        raise UsageError(
            f"{target.name} is handed over already, or was made by somebody else.",
            safe="It was left as it is.",
            do="Check it with `tripleguard handover --check`, or hand over into another folder.",
        )
    raise UsageError(
        f"{target.name} is not empty: it holds {escape_text(there)}.",
        safe="It was left as it is.",
        do="Give a folder that is not there yet, or an empty one.",
    )


def _begin_or_resume_task(ctx: JobContext, target: HandoverFolder, request: HandoverRequest) -> HandoverTask:
    """Return the folder's task, new or unfinished. Raises UsageError if it is another one."""
    fresh = HandoverTask(request.shoot.title, ensure_catalog_id(ctx), request.form, request.scope)
    known = target.read_task()
    if known is None:
        target.write_task(fresh)
        return fresh
    if (known.shoot, known.catalog, known.form, known.what) != (
        fresh.shoot,
        fresh.catalog,
        fresh.form,
        fresh.what,
    ):
        raise UsageError(
            f"{target.name} is an unfinished handover of {escape_text(known.shoot)} "
            f"(as a {known.form}, {known.what}).",
            safe="It was left as it is.",
            do="Run that handover again to finish it, or give another folder.",
        )
    return known


def _refuse_unlisted_files(target: HandoverFolder, paths: set[str], form: HandoverForm) -> None:
    """Raise UsageError if there is an unlisted file, which the folder would not describe."""
    for entry in target.walk():
        if entry.path not in paths and entry.path not in get_reserved_names(form):
            raise UsageError(
                f"{target.name} holds {escape_text(entry.path)}, which is not "
                f"part of this shoot, or not any more.",
                safe="It was left as it is.",
                do="Move it away, or hand over into another folder.",
            )


def _refuse_too_large(target: HandoverFolder, items: Sequence[HandoverItem], prefix: str) -> None:
    """Raise NoSpaceError before the first byte is copied if the files don't fit."""
    largest = target.fs_limits.max_file_bytes
    for item in items:
        if largest and item.known_file.file.size > largest:
            raise NoSpaceError(
                f"{target.name} can't hold {escape_text(item.path)}: no file there may be over {largest:,} bytes "
                f"({target.fs_limits.file_system}).",
                safe="Nothing was copied.",
                do="Use a disk with exFAT or another file system that can hold it.",
            )
    missing = [item for item in items if target.stat(prefix + item.path) is None]
    needed = sum(item.known_file.file.size for item in missing) + len(items) * _BYTES_PER_LINE
    room = target.free_space()
    if not room.can_hold(needed):
        raise NoSpaceError(
            f"{target.name} has no room: {needed:,} bytes are still to be copied, {room.free:,} are free.",
            safe="What was handed over so far stays; the drives were only read.",
            do="Make room on that disk and run the same command again, or use another disk.",
        )


def _record_handover(ctx: JobContext, result: HandoverResult, job: int) -> None:
    """Record in the catalog what was handed over."""
    now = ctx.clock.now()
    outcome = EventOutcome.SUCCESS if not result.left_out else EventOutcome.PARTIAL
    form = "a bag" if result.form == "bag" else "a folder with a list"
    end = "" if result.is_finished else ", not finished"
    left = f", {len(result.left_out):,} left out" if result.left_out else ""
    message = (
        f"handed over as {form}: {pluralize(result.files, 'file')}{left}{end}: {escape_text(str(result.root))}"
    )
    with ctx.catalog.transaction():
        add_event(ctx.catalog, EventType.TRANSFER, outcome, message, now, job_id=job, shoot_id=result.shoot.id)
        detail = {"files": result.files, "bytes": result.total_bytes, "left_out": len(result.left_out)}
        end_job(ctx.catalog, job, outcome, detail, now)


@contextlib.contextmanager
def _folder_errors_explained(target: HandoverFolder) -> Iterator[None]:
    """Rephrase errors about the folder, as advice about drives would mislead."""
    try:
        yield
    except (NoSpaceError, PlaceFailedError) as error:
        if not isinstance(error.__cause__, OSError) or target.name not in error.what:
            raise
        raise _rephrase_error(error) from error


def _rephrase_error(error: CopyError) -> CopyError:
    full = isinstance(error, NoSpaceError)
    return type(error)(
        error.what,
        safe="What is finished stays in the folder; the drives were only read.",
        do=f"{'Make room on' if full else 'Check'} that disk, then run the same command again: it goes on.",
    )
