"""The commands that the command line and the daemon share: which places each opens, and what it does with them.

Each function is a job. It opens and locks the places it needs, drives and the offsite place, runs one job after
another on them, and returns one result. An offsite place that can't be reached is an error in the result, because
what was done on the drives still counts.

`purpose` says who holds the places, for the message that another job gets. The private key for what is encrypted
offsite is passed only where a person typed it; without it, encrypted copies are not read.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NoReturn

from tripleguard.errors import (
    CopyError,
    NoDriveError,
    PlaceBusyError,
    PlaceError,
    TripleguardError,
    UsageError,
)
from tripleguard.jobs.background import Budget
from tripleguard.jobs.cards.topup import TopupResult, topup
from tripleguard.jobs.context import JobContext
from tripleguard.jobs.drives import (
    CopySource,
    JobDrives,
    OpenDrive,
    open_drives,
    select_maintained_drives,
    select_read_only_sources,
    select_writable_drives,
)
from tripleguard.jobs.inspect.decoder import PictureDecoder
from tripleguard.jobs.inspect.inspect_pictures import InspectResult, inspect_pictures
from tripleguard.jobs.offsite.drill_offsite import OffsiteDrillResult, drill_offsite
from tripleguard.jobs.offsite.encryption import DecryptionKey
from tripleguard.jobs.offsite.offsite_place import get_offsite_place, open_locked_offsite, require_offsite
from tripleguard.jobs.offsite.repair_offsite import (
    OffsiteSource,
    can_offsite_repair,
    explain_missing_key,
    has_copies_drives_lack,
    list_open_offsite_findings,
    plan_offsite_repair,
    repair_offsite,
)
from tripleguard.jobs.offsite.rescan_offsite import ReadBackCost, rescan_offsite
from tripleguard.jobs.offsite.upload import UploadResult, upload
from tripleguard.jobs.progress import Job
from tripleguard.jobs.repair.repair import RepairResult, repair
from tripleguard.jobs.rescan.drill import DrillResult, drill
from tripleguard.jobs.rescan.rescan import count_open_findings, rescan
from tripleguard.jobs.rescan.rescan_result import RescanResult
from tripleguard.jobs.rescan.scan_lane import RescanDepth
from tripleguard.model import PlaceRecord, PlaceState

_OFFSITE_ERRORS = (CopyError, PlaceError, PlaceBusyError, UsageError)
"""What may keep the offsite place from helping, while the result of the drives still counts."""
_CONNECT_AND_REPEAT = "Connect a drive, then run it again."


# Topup


def run_topup(
    ctx: JobContext, *, purpose: str, key: DecryptionKey | None = None, use_offsite: bool = True
) -> Job[TopupResult]:
    """Make the missing copies on the active drives, from the drives and then from the offsite place.

    Shelved and retiring drives are only read. The offsite place is opened only if it holds something that no
    connected drive can supply.

    Args:
        use_offsite: False leaves out the offsite place; `can_offsite_supply` says whether it could help.

    Raises:
        NoDriveError: No active drive is connected, or none can be written to.
        PlaceBusyError: Another job holds a drive.
        StoppedError: `ctx.stop` was set.
        CatalogError: The catalog can't be used.
    """
    with (
        open_drives(ctx, select_writable_drives(ctx, ()), purpose) as drives,
        open_drives(ctx, select_read_only_sources(ctx), purpose, for_writing=False) as read_only,
    ):
        if not drives.writable:
            _raise_no_drive(drives, "Connect the drives, then run it again.")
        unavailable = [error for _, error in drives.unavailable]
        result = yield from topup(ctx, drives.writable, unavailable, read_only.writable)
        if use_offsite and can_offsite_supply(ctx, result):
            result = yield from _topup_from_offsite(ctx, drives, read_only, key, purpose, result)
    return result


def can_offsite_supply(ctx: JobContext, result: TopupResult) -> bool:
    """Return whether the offsite place holds something that no connected drive could supply."""
    return result.without_source > 0 and has_copies_drives_lack(ctx)


def _topup_from_offsite(
    ctx: JobContext,
    drives: JobDrives,
    read_only: JobDrives,
    key: DecryptionKey | None,
    purpose: str,
    from_drives: TopupResult,
) -> Job[TopupResult]:
    """Make what is still missing from the offsite place; the result covers both top-ups."""
    try:
        with open_locked_offsite(ctx, require_offsite(ctx), purpose) as offsite:
            sources: list[CopySource] = [*read_only.writable, OffsiteSource(ctx, offsite, key)]
            result = yield from topup(ctx, drives.writable, (), sources)
    except _OFFSITE_ERRORS as error:
        return replace(from_drives, errors=(*from_drives.errors, error))
    hints = explain_missing_key(ctx, key, "topup") if result.without_source else ()
    return replace(
        result,
        created=_add_counts(from_drives.created, result.created),
        verified=_add_counts(from_drives.verified, result.verified),
        total_bytes=from_drives.total_bytes + result.total_bytes,
        errors=(*from_drives.errors, *result.errors, *hints),
        seconds=round(from_drives.seconds + result.seconds, 3),
    )


def _add_counts(one: dict[str, int], other: dict[str, int]) -> dict[str, int]:
    return {name: one.get(name, 0) + other.get(name, 0) for name in {**one, **other}}


# Repair


def run_repair(
    ctx: JobContext, *, purpose: str, key: DecryptionKey | None = None, dry_run: bool = False
) -> Job[RepairResult]:
    """Repair what a good copy can repair: on the drives, from the offsite place, and at the offsite place.

    Args:
        dry_run: Only say what would be done. The network is not used.

    Raises:
        NoDriveError: No drive that may be repaired is connected, or none can be written to.
        PlaceBusyError: Another job holds a drive.
        StoppedError: `ctx.stop` was set.
        CatalogError: The catalog can't be used.
    """
    with open_drives(ctx, select_maintained_drives(ctx), purpose) as drives:
        targets = [drive for drive in drives.writable if drive.record.state is not PlaceState.RETIRING]
        if not targets:
            _raise_no_drive(drives, "Connect the drives, then run it again.")
        sources = [drive for drive in drives.readable() if drive not in targets]
        result = yield from repair(ctx, targets, sources, drives.errors(), dry_run=dry_run)
        if dry_run:
            planned = plan_offsite_repair(ctx)
            return replace(
                result,
                repaired=(*result.repaired, *planned.repaired),
                not_repaired=(*result.not_repaired, *planned.not_repaired),
            )
        if list_open_offsite_findings(ctx) or can_offsite_repair(ctx, result.not_repaired):
            result = yield from _repair_with_offsite(ctx, drives, targets, sources, key, purpose, result)
    return result


def _repair_with_offsite(
    ctx: JobContext,
    drives: JobDrives,
    targets: Sequence[OpenDrive],
    sources: Sequence[CopySource],
    key: DecryptionKey | None,
    purpose: str,
    from_drives: RepairResult,
) -> Job[RepairResult]:
    """Repair the drives from the offsite place, then the offsite place itself; the result covers all three."""
    result = from_drives
    try:
        with open_locked_offsite(ctx, require_offsite(ctx), purpose) as offsite:
            if can_offsite_repair(ctx, result.not_repaired):
                more = yield from repair(ctx, targets, [*sources, OffsiteSource(ctx, offsite, key)])
                hints = explain_missing_key(ctx, key, "repair") if more.not_repaired else ()
                result = replace(
                    more,
                    repaired=(*from_drives.repaired, *more.repaired),
                    errors=(*from_drives.errors, *more.errors, *hints),
                    seconds=round(from_drives.seconds + more.seconds, 3),
                )
            sent = yield from repair_offsite(ctx, drives.connected, offsite)
    except _OFFSITE_ERRORS as error:
        return replace(result, errors=(*result.errors, error))
    return replace(
        result,
        repaired=(*result.repaired, *sent.repaired),
        not_repaired=(*result.not_repaired, *sent.not_repaired),
        errors=(*result.errors, *sent.errors),
    )


# Rescan


@dataclass(frozen=True, slots=True)
class RescanReport:
    """The result of a rescan of several places.

    Attributes:
        errors: Why drives could not be scanned.
        cost: What reading from the offsite place took; None if it was not asked for.
    """

    result: RescanResult
    errors: tuple[TripleguardError, ...] = ()
    cost: ReadBackCost | None = None


def run_rescan(
    ctx: JobContext, depth: RescanDepth, budget: Budget, names: Sequence[str] = (), *, purpose: str
) -> Job[RescanReport]:
    """Rescan the named places, or all connected drives. The offsite place is scanned only if it is named.

    If `ctx.stop` is set, the rescan ends in good order and its result says so.

    Raises:
        UsageError: There is no place with one of the names.
        NoDriveError: None of the drives is connected, or none can be read.
        PlaceBusyError: Another job holds a place.
        PlaceError: The offsite place can't be used.
        CopyError: The offsite place can't be reached.
        CatalogError: The catalog can't be used.
    """
    record = get_offsite_place(ctx)
    drive_names = [name for name in names if record is None or name.casefold() != record.name.casefold()]
    results: list[RescanResult] = []
    errors: list[TripleguardError] = []
    cost: ReadBackCost | None = None
    if drive_names or not names:
        with open_drives(ctx, select_maintained_drives(ctx, drive_names), purpose) as drives:
            readable = drives.readable()
            if not readable:
                _raise_no_drive(drives, _CONNECT_AND_REPEAT)
            results.append((yield from rescan(ctx, readable, depth, budget)))
            errors += drives.errors(include_away=bool(drive_names))
    if record is not None and len(drive_names) < len(names):
        result, cost = yield from _rescan_offsite(ctx, record, depth, budget, purpose)
        results.append(result)
    combined = RescanResult(
        tuple(place for one in results for place in one.places),
        round(sum(one.seconds for one in results), 3),
        any(one.was_stopped for one in results),
        sum(one.open_finding_count for one in results),
    )
    return RescanReport(combined, tuple(errors), cost)


def _rescan_offsite(
    ctx: JobContext, record: PlaceRecord, depth: RescanDepth, budget: Budget, purpose: str
) -> Job[tuple[RescanResult, ReadBackCost]]:
    began = time.monotonic()
    with open_locked_offsite(ctx, record, purpose) as offsite:
        scanned, cost = yield from rescan_offsite(ctx, offsite, depth, budget)
    seconds = round(time.monotonic() - began, 3)
    return RescanResult((scanned,), seconds, ctx.stop.is_set(), count_open_findings(ctx, {record.id})), cost


# Drill


@dataclass(frozen=True, slots=True)
class OffsiteDrillRequest:
    """Ask for a sample from the offsite place too. max_bytes: fetch at most so many bytes."""

    max_bytes: int
    key: DecryptionKey | None = None


@dataclass(frozen=True, slots=True)
class DrillReport:
    """The result of a drill. errors: why a place could not be sampled; offsite: None if it was not sampled."""

    result: DrillResult
    errors: tuple[TripleguardError, ...] = ()
    offsite: OffsiteDrillResult | None = None


def run_drill(
    ctx: JobContext, sample_size: int, seed: int, offsite: OffsiteDrillRequest | None = None, *, purpose: str
) -> Job[DrillReport]:
    """Restore a sample of so many copies from each connected drive, and from the offsite place if asked for.

    Raises:
        UsageError: The offsite place is asked for and there is none.
        NoDriveError: No drive can be read, and the offsite place is not asked for.
        NoSpaceError: The scratch folder can't hold a file.
        PlaceBusyError: Another job holds a place.
        StoppedError: `ctx.stop` was set.
        CatalogError: The catalog can't be used.
    """
    record = require_offsite(ctx) if offsite is not None else None
    with open_drives(ctx, select_maintained_drives(ctx), purpose) as drives:
        readable = drives.readable()
        if not readable and offsite is None:
            _raise_no_drive(drives, _CONNECT_AND_REPEAT)
        errors = drives.errors()
        result = yield from drill(ctx, readable, sample_size, seed)
    if offsite is None or record is None:
        return DrillReport(result, tuple(errors))
    try:
        with open_locked_offsite(ctx, record, purpose) as place:
            sampled = yield from drill_offsite(ctx, place, sample_size, seed, offsite.max_bytes, offsite.key)
    except (CopyError, PlaceError) as error:
        return DrillReport(result, (*errors, error))
    return DrillReport(result, tuple(errors), sampled)


# Inspect and upload


@dataclass(frozen=True, slots=True)
class InspectReport:
    """The result of decoding pictures. errors: why drives could not be read."""

    result: InspectResult
    errors: tuple[TripleguardError, ...] = ()


def run_inspect(ctx: JobContext, budget: Budget, *, purpose: str) -> Job[InspectReport]:
    """Decode pictures on the connected drives that were not decoded yet.

    Raises:
        UsageError: The decoders are not installed.
        NoDriveError: No drive can be read.
        PlaceBusyError: Another job holds a drive.
        PlaceFailedError: A drive stopped answering.
        CatalogError: The catalog can't be used.
    """
    with open_drives(ctx, select_maintained_drives(ctx), purpose) as drives:
        readable = drives.readable()
        if not readable:
            _raise_no_drive(drives, _CONNECT_AND_REPEAT)
        with PictureDecoder() as decoder:
            result = yield from inspect_pictures(ctx, readable, budget, decoder)
        return InspectReport(result, tuple(drives.errors()))


def run_upload(ctx: JobContext, budget: Budget, *, purpose: str, allow_metered: bool = False) -> Job[UploadResult]:
    """Upload the selects that are missing offsite, and verify them there.

    Raises:
        UsageError: There is no offsite place.
        PlaceBusyError: Another job holds the offsite place.
        PlaceError: The offsite place can't be used.
        CopyError: The offsite place can't be reached.
        CatalogError: The catalog can't be used.
    """
    record = require_offsite(ctx)
    with (
        open_drives(ctx, select_writable_drives(ctx, ()), purpose, for_writing=False) as drives,
        open_locked_offsite(ctx, record, purpose) as offsite,
    ):
        return (yield from upload(ctx, drives.connected, offsite, budget, allow_metered=allow_metered))


def _raise_no_drive(drives: JobDrives, next_step: str) -> NoReturn:
    """Raise why no drive can be used: the error of the first that is connected, or that none is.

    Raises:
        NoDriveError: Always.
    """
    cause = drives.no_drive_error(next_step)
    raise NoDriveError(cause.what, safe=cause.safe, do=cause.do) from cause
