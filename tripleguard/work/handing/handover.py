"""Handing a shoot over: a folder that says of itself what it holds, and that anyone can check without this tool.

The folder is a bag as RFC 8493 has it, with SHA-512 and SHA-256 of every file, or plain files with one list that
`sha256sum --check` reads. What makes it whole, `bagit.txt` or the list, is named last: a folder with it is
complete, one without it is unfinished, and the same command goes on with it. The drives are only read.
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

from tripleguard.bags import lines, tags
from tripleguard.catalog.journal import add_event, begin_job, end_job
from tripleguard.clock import iso_utc
from tripleguard.errors import CopyTrouble, NoRoom, PlaceFailed, WrongUse
from tripleguard.model import EventType, Medium, Outcome, Shoot
from tripleguard.names import shown
from tripleguard.places.handing import Handing, Task
from tripleguard.places.locks import Holder, held
from tripleguard.wording import counted
from tripleguard.work.handing.handclose import LIST_NAME, Told, close_folder, own_names
from tripleguard.work.handing.handcopy import BadCopy, HandCopier
from tripleguard.work.handing.handlist import Item, Wanted, handlist, of_selects, placed
from tripleguard.work.handing.handnotes import HandNotes, notes_on
from tripleguard.work.kit import Kit, OpenDrive, agent
from tripleguard.work.meter import Meter
from tripleguard.work.progress import Job, Moved
from tripleguard.work.setting_up import ensure_catalog_id

Form = Literal["bag", "list"]
What = Literal["all", "selects"]
_A_LINE = 512
"""Bytes that the lists take for one file, at most, for what is asked of the disk beforehand."""


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A file that could not be handed over, and why."""

    path: str
    why: str


@dataclass(frozen=True, slots=True)
class HandoverResult:
    """What was handed over. finished: the folder says of itself what it holds. total_bytes: of all its files.

    renamed: (as on the drives, as in the folder). medium: how far down the reading back reached, at worst.
    foreign: what somebody else put into the work folder; it stays there.
    """

    shoot: Shoot
    root: Path
    form: Form
    finished: bool
    files: int
    total_bytes: int
    copied: int
    already_there: int
    left_out: tuple[LeftOut, ...]
    renamed: tuple[tuple[str, str], ...]
    bad_copies: tuple[BadCopy, ...]
    notes: HandNotes
    medium: Medium
    seconds: float
    foreign: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Wish:
    """What is to be handed over, and as what. leave_out: finish also where some files can't be had."""

    shoot: Shoot
    form: Form = "bag"
    what: What = "all"
    leave_out: bool = False


def hand_over(kit: Kit, drives: Sequence[OpenDrive], target: Handing, wish: Wish) -> Job[HandoverResult]:
    """Fill the folder with the shoot, or go on filling it. Yields progress.

    Raises WrongUse if the folder holds something else or there is nothing to hand over, NoRoom, NameTaken,
    PlaceFailed, PlaceBusy, Stopped, CatalogTrouble.
    """
    began = time.monotonic()
    with _told_of(target):
        yield Moved("looking what is to be handed over", 0, 0, 0, 0, 0.0, None)
        wanted = _wanted(kit, wish)
        _refuse_strangers(target)
        holder = Holder(os.getpid(), platform.node(), "handover", iso_utc(kit.clock.now()))
        with held(target.name, target.open_lock, holder):
            result = yield from _filled(kit, drives, target, wish, wanted, began)
        if result.finished:
            result = replace(result, foreign=target.finish())
        return result


def _filled(
    kit: Kit, drives: Sequence[OpenDrive], target: Handing, wish: Wish, wanted: Sequence[Wanted], began: float
) -> Job[HandoverResult]:
    shoot, form = wish.shoot, wish.form
    task = _task(kit, target, wish)
    target.clear_unfinished()
    prefix = lines.PAYLOAD if form == "bag" else ""
    reserved = () if form == "bag" else (LIST_NAME,)
    items = placed(wanted, target.limits, text_only=form == "bag", reserved=reserved)
    _refuse_what_is_not_of_it(target, {prefix + item.path for item in items}, form)
    number, notes = target.notes()
    _refuse_too_large(target, items, prefix)
    with kit.catalog.writing():
        job = begin_job(kit.catalog, "handover", str(target.root), agent(), kit.clock.now())
    copier = HandCopier(kit, drives, target, prefix, notes, number)
    copier.job_id = job
    try:
        meter = Meter("handing over", len(items), sum(item.known.file.size for item in items))
        for files, done in copier.copy_all(items):
            if meter.due():
                yield meter.moved(files, done)
    finally:
        copier.close()
    finished = not copier.left_out or wish.leave_out
    given = [(item, copier.finished[item.path]) for item in items if item.path in copier.finished]
    result = HandoverResult(
        shoot,
        target.root,
        form,
        finished,
        len(given),
        sum(note.size for _, note in given),
        copier.copied,
        copier.already_there,
        tuple(LeftOut(item.stored or item.path, why) for item, why in copier.left_out),
        tuple((item.stored, item.path) for item, _ in given if item.stored is not None),
        tuple(copier.bad),
        notes_on(kit, drives, shoot, [item for item, _ in given], frames_only=wish.what == "selects"),
        copier.medium,
        round(time.monotonic() - began, 3),
    )
    if finished:
        yield Moved("writing the lists", len(given), len(items), 0, 0, 0.0, None)
        told = Told(shoot.title, result.files, result.total_bytes, len(result.left_out))
        close_folder(kit, target, task, told, {prefix + item.path: note for item, note in given})
    _enter(kit, result, job)
    return result


def _wanted(kit: Kit, wish: Wish) -> list[Wanted]:
    """The files that are asked for. Raises WrongUse if there are none."""
    wanted = handlist(kit.catalog, wish.shoot, kit.settings.layout)
    if wish.what == "selects":
        wanted = of_selects(kit.catalog, wish.shoot, wanted)
    if not wanted:
        raise WrongUse(
            f"There is nothing to hand over of {shown(wish.shoot.title)}.",
            safe="Nothing was copied.",
            do="Choose selects first (`tripleguard selects`)."
            if wish.what == "selects"
            else "Choose another shoot.",
        )
    return wanted


# What the folder may hold


def _refuse_strangers(target: Handing) -> None:
    """A folder that holds something and is not one that is being filled is left alone. Raises WrongUse."""
    if target.is_anothers():
        raise WrongUse(
            f"{target.name} has a folder .tripleguard of something else: it may be a drive that lost its marker.",
            safe="It was left as it is.",
            do="Give a folder that is not there yet, or an empty one.",
        )
    if target.task() is not None:
        return
    there = target.first_name()
    if there is None:
        return
    if target.look(tags.DECLARATION) is not None or target.look(LIST_NAME) is not None:
        raise WrongUse(
            f"{target.name} is handed over already, or was made by somebody else.",
            safe="It was left as it is.",
            do="Check it with `tripleguard handover --check`, or hand over into another folder.",
        )
    raise WrongUse(
        f"{target.name} is not empty: it holds {shown(there)}.",
        safe="It was left as it is.",
        do="Give a folder that is not there yet, or an empty one.",
    )


def _task(kit: Kit, target: Handing, wish: Wish) -> Task:
    """The task of this folder, begun now or before. Raises WrongUse if it is another one."""
    fresh = Task(wish.shoot.title, ensure_catalog_id(kit), wish.form, wish.what)
    known = target.task()
    if known is None:
        target.begin_task(fresh)
        return fresh
    if (known.shoot, known.catalog, known.form, known.what) != (
        fresh.shoot,
        fresh.catalog,
        fresh.form,
        fresh.what,
    ):
        raise WrongUse(
            f"{target.name} is an unfinished handover of {shown(known.shoot)} (as a {known.form}, {known.what}).",
            safe="It was left as it is.",
            do="Run that handover again to finish it, or give another folder.",
        )
    return known


def _refuse_what_is_not_of_it(target: Handing, paths: set[str], form: Form) -> None:
    """A file that nobody listed would make the folder say less than it holds. Raises WrongUse."""
    for entry in target.walk():
        if entry.path not in paths and entry.path not in own_names(form):
            raise WrongUse(
                f"{target.name} holds {shown(entry.path)}, which is not part of this shoot, or not any more.",
                safe="It was left as it is.",
                do="Move it away, or hand over into another folder.",
            )


def _refuse_too_large(target: Handing, items: Sequence[Item], prefix: str) -> None:
    """What can't fit is said before the first byte. Raises NoRoom."""
    largest = target.limits.largest
    for item in items:
        if largest and item.known.file.size > largest:
            raise NoRoom(
                f"{target.name} can't hold {shown(item.path)}: no file there may be over {largest:,} bytes "
                f"({target.limits.file_system}).",
                safe="Nothing was copied.",
                do="Use a disk with exFAT or another file system that can hold it.",
            )
    missing = [item for item in items if target.look(prefix + item.path) is None]
    needed = sum(item.known.file.size for item in missing) + len(items) * _A_LINE
    room = target.room()
    if not room.holds(needed):
        raise NoRoom(
            f"{target.name} has no room: {needed:,} bytes are still to be copied, {room.free:,} are free.",
            safe="What was handed over so far stays; the drives were only read.",
            do="Make room on that disk and run the same command again, or use another disk.",
        )


def _enter(kit: Kit, result: HandoverResult, job: int) -> None:
    """What was handed over, for the log."""
    now = kit.clock.now()
    outcome = Outcome.SUCCESS if not result.left_out else Outcome.PARTIAL
    form = "a bag" if result.form == "bag" else "a folder with a list"
    end = "" if result.finished else ", not finished"
    left = f", {len(result.left_out):,} left out" if result.left_out else ""
    message = f"handed over as {form}: {counted(result.files, 'file')}{left}{end}: {shown(str(result.root))}"
    with kit.catalog.writing():
        add_event(kit.catalog, EventType.TRANSFER, outcome, message, now, job_id=job, shoot_id=result.shoot.id)
        detail = {"files": result.files, "bytes": result.total_bytes, "left_out": len(result.left_out)}
        end_job(kit.catalog, job, outcome, detail, now)


@contextlib.contextmanager
def _told_of(target: Handing) -> Iterator[None]:
    """The folder's troubles in words that fit it: what is said of drives would send a person astray."""
    try:
        yield
    except (NoRoom, PlaceFailed) as error:
        if not isinstance(error.__cause__, OSError) or target.name not in error.what:
            raise
        raise _again(error) from error


def _again(error: CopyTrouble) -> CopyTrouble:
    full = isinstance(error, NoRoom)
    return type(error)(
        error.what,
        safe="What is finished stays in the folder; the drives were only read.",
        do=f"{'Make room on' if full else 'Check'} that disk, then run the same command again: it goes on.",
    )
