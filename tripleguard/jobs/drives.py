"""The drives of a job: choose, open and lock them."""

from __future__ import annotations

import contextlib
import os
import platform
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Protocol

from tripleguard.catalog.places import get_place, list_places, record_place_connected, record_place_space
from tripleguard.clock import format_iso
from tripleguard.errors import CopyError, PlaceBusyError, PlaceError, PlaceUnreadableError, TripleguardError
from tripleguard.home import open_home_lock
from tripleguard.jobs.catalog_generations import explain_outdated, generation_recorded, merge_newer_state
from tripleguard.jobs.context import CLI_PRIORITY_LOCK, JobContext
from tripleguard.jobs.drive_identity import update_identity
from tripleguard.model import Entry, PlaceKind, PlaceRecord, PlaceState
from tripleguard.places.base import Place, Readable
from tripleguard.places.locks import LockHolder, hold_lock, request_lock


@dataclass(frozen=True, slots=True)
class OpenDrive:
    """A connected drive: its record and the opened place."""

    record: PlaceRecord
    place: Place

    def stat_or_none(self, path: str) -> Entry | None:
        """Return the regular file at path; None also if the drive does not respond: in doubt it is missing."""
        try:
            return self.place.stat(path)
        except CopyError:
            return None


class CopySource(Protocol):
    """A place that is only read from: a drive, or the offsite place."""

    @property
    def record(self) -> PlaceRecord: ...
    @property
    def place(self) -> Readable: ...
    def stat_or_none(self, path: str) -> Entry | None:
        """Return the entry as `OpenDrive.stat_or_none` does."""


@dataclass(frozen=True, slots=True)
class JobDrives:
    """The drives of one job: those locked for it, and those that can only be read, with the reason.

    connected: all connected ones, writable or not. away: the absent ones. leaving_id: as in `open_drives`.
    """

    writable: list[OpenDrive]
    connected: list[OpenDrive]
    unavailable: list[tuple[PlaceRecord, TripleguardError]]
    away: list[PlaceRecord] = field(default_factory=list)
    leaving_id: int | None = None

    def readable(self) -> list[OpenDrive]:
        """Return the drives that are locked, on a read-only medium, or leaving.

        A leaving drive is not locked, so what is read from it is compared with its recorded digest.
        """
        held = {*(drive.record.id for drive in self.writable), self.leaving_id}
        return [one for one in self.connected if one.record.id in held or one.place.is_read_only]

    def errors(self, *, include_away: bool = False) -> list[TripleguardError]:
        """Return why connected drives are not locked; include_away: also which are absent."""
        missed = [
            PlaceError(
                f"Drive {record.name} is not connected, so nothing was done with it.",
                do="Connect it, then run it again.",
            )
            for record in self.away
        ]
        return [error for _, error in self.unavailable] + (missed if include_away else [])

    def no_drive_error(self, next_step: str) -> TripleguardError:
        """Return the error if no drive is left: why the first is unavailable, or that none is connected."""
        if self.unavailable:
            return self.unavailable[0][1]
        return PlaceError("No drive is connected.", safe="Nothing was changed.", do=next_step)


def locate_drives(ctx: JobContext) -> list[tuple[PlaceRecord, Path | None]]:
    """Return every drive the catalog knows, with its path if it is connected. Raises PlaceError for clones."""
    records = [record for record in list_places(ctx.catalog) if record.kind is PlaceKind.DRIVE]
    roots = ctx.places.find_connected(records)
    return [(record, roots.get(record.uid)) for record in records]


def select_writable_drives(ctx: JobContext, names: Sequence[str]) -> list[tuple[PlaceRecord, Path | None]]:
    """Return the drives a job may write to: the named or all active ones. Raises UsageError, PlaceError."""
    found = _select_named_or_active(ctx, names)
    for record, _ in found:
        if record.state is PlaceState.RETIRING:
            raise PlaceError(
                f"Drive {record.name} is leaving: nothing is written to it any more.",
                safe="Nothing was changed.",
                do=f"Use another drive. If it shall stay, run `tripleguard drives recall {record.name}`.",
            )
    return found


def _select_named_or_active(ctx: JobContext, names: Sequence[str]) -> list[tuple[PlaceRecord, Path | None]]:
    wanted = {get_place(ctx.catalog, name).id for name in names}
    found = locate_drives(ctx)
    for record, _ in found:
        if record.id in wanted and record.state in (PlaceState.LOST, PlaceState.RETIRED):
            raise PlaceError(
                f"Drive {record.name} is marked as {record.state}.",
                safe="Nothing was changed.",
                do="If it is back in service, run `tripleguard drives add` for it again.",
            )
    return [
        (record, path)
        for record, path in found
        if (record.id in wanted if wanted else record.state is PlaceState.ACTIVE)
    ]


def select_read_only_sources(ctx: JobContext) -> list[tuple[PlaceRecord, Path | None]]:
    """Return the drives in service that are only read from: shelved and leaving ones."""
    return [
        (record, path)
        for record, path in locate_drives(ctx)
        if record.state in (PlaceState.SHELVED, PlaceState.RETIRING)
    ]


_MAINTAINED_STATES = (PlaceState.ACTIVE, PlaceState.SHELVED, PlaceState.RETIRING)


def select_maintained_drives(ctx: JobContext, names: Sequence[str] = ()) -> list[tuple[PlaceRecord, Path | None]]:
    """Return the drives to maintain: the named ones, else all active, shelved or leaving ones.

    Raises UsageError, PlaceError.
    """
    if names:
        return _select_named_or_active(ctx, names)
    return [one for one in locate_drives(ctx) if one[0].state in _MAINTAINED_STATES]


@contextlib.contextmanager
def open_drives(
    ctx: JobContext,
    drives: Sequence[tuple[PlaceRecord, Path | None]],
    purpose: str,
    *,
    for_writing: bool = True,
    leaving_id: int | None = None,
) -> Iterator[JobDrives]:
    """Open the connected drives and lock them. Raises PlaceBusyError, PlaceError for a bad marker.

    leaving_id: a drive that may not change in any way, not even by a lock or an access time: it is only read. The
    same holds for every drive whose state is leaving. If the catalog is older than what a drive has seen, it is
    updated first; see `jobs.catalog_generations`.

    Every job takes the locks in the same order, so that two jobs never wait for each other. Unfinished files of an
    interrupted job are removed from the drive.
    """
    with contextlib.ExitStack() as stack:
        found: list[OpenDrive] = []
        looked_at: list[OpenDrive] = []
        away: list[PlaceRecord] = []
        refused: list[tuple[PlaceRecord, TripleguardError]] = []
        now = ctx.clock.now()
        if for_writing and ctx.lock_timeout_s:
            stack.enter_context(request_lock(partial(open_home_lock, ctx.home, CLI_PRIORITY_LOCK)))
        for record, path in sorted(drives, key=lambda pair: pair[0].uid):
            if path is None:
                away.append(record)
                continue
            try:
                is_leaving = record.id == leaving_id or record.state is PlaceState.RETIRING
                drive = ctx.places.open_drive(
                    path, reserve_bytes=ctx.settings.drives.reserve_bytes, no_atime=is_leaving
                )
            except PlaceUnreadableError as error:
                refused.append((record, error))
                continue
            stack.callback(drive.close)
            if drive.uid != record.uid:
                raise PlaceError(
                    f"The drive at {path} is not {record.name} any more.", do="Run the command again."
                )
            update_identity(ctx, record, drive.read_identity(), drive.root)
            looked_at.append(OpenDrive(replace(record, insertion=drive.insertion), drive))
            if record.id == leaving_id:
                continue
            # A lock is a file on the drive, and nothing is written to a leaving one.
            if for_writing and not is_leaving:
                holder = LockHolder(os.getpid(), platform.node(), purpose, format_iso(now))
                try:
                    lock_drive(stack, ctx, record.name, drive, holder)
                    drive.delete_unfinished()
                except CopyError as error:
                    refused.append((record, error))
                    continue
            found.append(looked_at[-1])
        found.sort(key=lambda drive: drive.record.id)
        looked_at.sort(key=lambda drive: drive.record.id)
        with ctx.catalog.transaction():
            for drive_ in looked_at:
                record_place_connected(ctx.catalog, drive_.record.id, drive_.place.root, now)
                # If a drive can't report its free space, the next job asks again.
                with contextlib.suppress(CopyError):
                    record_place_space(ctx.catalog, drive_.record.id, drive_.place.free_space(), now)
        if leaving_id is not None:
            ctx.protected_place_ids.add(leaving_id)
        _bring_catalog_up_to_date(ctx, looked_at)
        noting = [
            drive.place
            for drive in found
            if for_writing
            and drive.record.id not in ctx.protected_place_ids
            and drive.record.state is not PlaceState.RETIRING
        ]
        with generation_recorded(ctx.catalog, noting, now, ctx.notify):
            yield JobDrives(found, looked_at, refused, away, leaving_id)


def _bring_catalog_up_to_date(ctx: JobContext, drives: Sequence[OpenDrive]) -> None:
    """Make sure the catalog is the latest that these drives saw. Raises PlaceError if their state changes."""
    lines = merge_newer_state(ctx.home, ctx.catalog, [drive.place for drive in drives], ctx.clock.now())
    for line in lines:
        ctx.notify(line)
    if not lines:
        return
    now = {record.id: record.state for record in list_places(ctx.catalog)}
    changed = [drive.record.name for drive in drives if now.get(drive.record.id) is not drive.record.state]
    if changed:
        raise PlaceError(
            f"By what was just taken over, drive {', '.join(changed)} is not in the service it was thought to be.",
            safe="Nothing was changed on any drive.",
            do="See `tripleguard drives`, then run the command again.",
        )


def explain_outdated_catalog(ctx: JobContext, drives: Sequence[OpenDrive]) -> str | None:
    """Return why the catalog may not be the latest that these drives have seen; None if it is."""
    return explain_outdated(ctx.catalog, [drive.place for drive in drives])


def lock_drive(stack: contextlib.ExitStack, ctx: JobContext, name: str, drive: Place, holder: LockHolder) -> None:
    """Lock a drive until the stack closes, waiting up to `ctx.lock_timeout_s`.

    Raises PlaceBusyError, PlaceFailedError.
    """
    deadline = time.monotonic() + ctx.lock_timeout_s
    while True:
        try:
            stack.enter_context(hold_lock(f"Drive {name}", drive.open_lock, holder))
        except PlaceBusyError:
            if time.monotonic() >= deadline or ctx.stop.is_set():
                raise
            time.sleep(0.1)
        else:
            return
