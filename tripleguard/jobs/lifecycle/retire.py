"""Retire a drive: copy elsewhere what only it holds, read that back, then answer and record it.

Nothing is ever written to or removed from the leaving drive. Once it is leaving its copies do not count, so every
copy that becomes necessary is listed and made like any other, over as many evenings as it takes.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from tripleguard import checklist
from tripleguard.catalog.event_log import (
    add_clearance,
    add_event,
    list_drives_with_yes,
    record_drive_yes,
    revoke_drive_yes,
)
from tripleguard.catalog.places import get_place, set_place_leaving, set_place_state
from tripleguard.clock import DAY, format_iso, format_stamp
from tripleguard.errors import CopyError, PlaceBusyError, PlaceError, UsageError
from tripleguard.jobs.background import Budget
from tripleguard.jobs.cards.topup import TopupResult, topup
from tripleguard.jobs.clearance.drive_answer import DriveClearanceResult
from tripleguard.jobs.clearance.drive_clearance import clear_drive
from tripleguard.jobs.context import JobContext, current_agent
from tripleguard.jobs.drives import OpenDrive
from tripleguard.jobs.progress import Job
from tripleguard.jobs.rescan.rescan import SharedCopyFilter, rescan
from tripleguard.jobs.rescan.rescan_result import RescanResult
from tripleguard.model import EventOutcome, EventType, PlaceRecord, PlaceState
from tripleguard.places.reserved import RESERVED_DIR

RECORDS_DIR = f"{RESERVED_DIR}/records"
IN_SERVICE = (PlaceState.ACTIVE, PlaceState.SHELVED, PlaceState.RETIRING)


@dataclass(frozen=True, slots=True)
class RetirePreparation:
    """What was done before a drive goes: copies made, and copies read again."""

    topup_result: TopupResult
    rescan_result: RescanResult


def get_drive_to_retire(ctx: JobContext, name: str) -> PlaceRecord:
    """Return the drive of that name. Raises UsageError if it is out of service already."""
    record = get_place(ctx.catalog, name)
    if record.state not in IN_SERVICE:
        raise UsageError(
            f"Drive {record.name} is {record.state} already.",
            safe="Nothing was changed.",
            do=f"If it is back, run `tripleguard drives add {record.name} PATH`.",
        )
    return record


def mark_leaving(ctx: JobContext, record: PlaceRecord) -> None:
    """Mark a drive as leaving: its copies no longer count."""
    if record.state is PlaceState.RETIRING:
        return
    now = ctx.clock.now()
    with ctx.catalog.transaction():
        set_place_leaving(ctx.catalog, record.id, now)
        add_event(
            ctx.catalog,
            EventType.PLACE_CHANGE,
            EventOutcome.SUCCESS,
            f"drive {record.name} is leaving: its copies do not count any more",
            now,
            place_id=record.id,
        )


def prepare_retirement(
    ctx: JobContext, leaving: PlaceRecord, drives: Sequence[OpenDrive], read_only_drives: Sequence[OpenDrive] = ()
) -> Job[RetirePreparation]:
    """Make the copies that will be missing without the drive, and read back those that remain.

    Args:
        drives: All that are open and locked.
        read_only_drives: Drives to read from only, such as a leaving one.

    Raises PlaceError if no other drive is open, StoppedError, PlaceFailedError, CatalogError.
    """
    others = [drive for drive in drives if drive.record.id != leaving.id]
    targets = [drive for drive in others if drive.record.state is PlaceState.ACTIVE]
    if not targets:
        raise PlaceError(
            f"No drive is connected that can take what is on {leaving.name}.",
            safe=f"Nothing was copied. {leaving.name} is noted as leaving, so its copies do not count: keep it.",
            do="Connect the drives that shall hold its files, then run it again. If it shall stay after all, run "
            f"`tripleguard drives recall {leaving.name}`.",
        )
    made = yield from topup(
        ctx, targets, sources=[one for one in (*drives, *read_only_drives) if one not in targets]
    )
    # Copies read now must still be recent enough on the day of the question.
    before = ctx.clock.now() - ctx.settings.clearance.drive_days * DAY // 2
    read = yield from rescan(ctx, others, "due", Budget(), SharedCopyFilter(leaving.id, before))
    return RetirePreparation(made, read)


def answer_and_record(
    ctx: JobContext, record: PlaceRecord, drives: Sequence[OpenDrive]
) -> Job[DriveClearanceResult]:
    """Answer for the drive and record the answer.

    Raises as `clear_drive`, and PlaceBusyError if another drive was given a yes meanwhile.
    """
    given = list_drives_with_yes(ctx.catalog)
    answer = yield from clear_drive(ctx, record, drives)
    clearance = answer.clearance
    word = "may be retired" if clearance.is_yes else "must be kept"
    with ctx.catalog.transaction():
        if clearance.is_yes:
            if not list_drives_with_yes(ctx.catalog) <= given | {record.id}:
                raise PlaceBusyError(
                    "Another drive was answered with yes at the same moment, and each may rest on the other.",
                    safe="Nothing was changed. There is no answer: keep the drive.",
                    do="Ask again.",
                )
            record_drive_yes(ctx.catalog, record.id, clearance.at)
        add_clearance(ctx.catalog, clearance, "drive", current_agent())
        add_event(
            ctx.catalog,
            EventType.CLEARANCE,
            EventOutcome.SUCCESS if clearance.is_yes else EventOutcome.FAILURE,
            f"drive {record.name} {word}: {clearance.covered_files:,} of "
            f"{clearance.files:,} files covered without it",
            clearance.at,
            place_id=record.id,
        )
    return answer


def withdraw_yes(ctx: JobContext, record: PlaceRecord) -> bool:
    """Withdraw the yes that was given for a drive; return whether there was one."""
    with ctx.catalog.transaction():
        stood = revoke_drive_yes(ctx.catalog, record.id)
        if stood:
            add_event(
                ctx.catalog,
                EventType.CLEARANCE,
                EventOutcome.SUCCESS,
                f"the yes for drive {record.name} was taken back: it stays",
                ctx.clock.now(),
                place_id=record.id,
            )
    return stood


def retire(ctx: JobContext, answer: DriveClearanceResult, drives: Sequence[OpenDrive]) -> tuple[str, ...]:
    """Take the cleared drive out of service; return where the record was written.

    A drive that can't take the record is skipped: the catalog has it, and every drive gets the catalog.
    """
    assert answer.clearance.is_yes
    record = answer.record
    with ctx.catalog.transaction():
        set_place_state(ctx.catalog, record.id, PlaceState.RETIRED, record.role)
        add_event(
            ctx.catalog,
            EventType.DEACCESSION,
            EventOutcome.SUCCESS,
            f"drive {record.name} is retired",
            ctx.clock.now(),
            place_id=record.id,
        )
    path = f"{RECORDS_DIR}/retired-{record.uid[:8]}-{format_stamp(answer.clearance.at)}.txt"
    return tuple(_write_record(path, answer, [drive for drive in drives if drive.record.id != record.id]))


def _write_record(path: str, answer: DriveClearanceResult, drives: Iterable[OpenDrive]) -> Iterator[str]:
    for drive in drives:
        try:
            drive.place.write_own(path, _build_record(answer))
        except CopyError:
            continue
        yield f"{drive.record.name}: {path}"


def _build_record(answer: DriveClearanceResult) -> Iterator[bytes]:
    clearance = answer.clearance
    yield (
        f"Clearance: drive {answer.record.name} ({answer.record.uid}) may be taken out of service.\n"
        f"when       {format_iso(clearance.at)}\n"
        f"who        {current_agent()}\n"
        f"files      {clearance.covered_files:,} of {clearance.files:,}, {clearance.total_bytes:,} bytes\n"
        f"list       BLAKE3 {clearance.list_digest.hex()}\n"
        f"\nFiles as they were on the drive; each has the copies the rule asks for elsewhere:\n"
    ).encode()
    yield checklist.format_b3sum(answer.covered)
