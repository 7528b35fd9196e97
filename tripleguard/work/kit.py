"""What every job is given: catalog, settings, clock, home; and the drives, opened and held for the job."""

from __future__ import annotations

import contextlib
import getpass
import os
import platform
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Protocol

from tripleguard.catalog.places import all_places, place_named, place_room, place_seen
from tripleguard.catalog.store import Catalog
from tripleguard.clock import Clock, iso_utc
from tripleguard.config import Settings
from tripleguard.errors import CopyTrouble, PlaceBusy, PlaceTrouble, PlaceUnreadable, TripleguardError
from tripleguard.home import Home, open_home_lock
from tripleguard.model import Entry, PlaceKind, PlaceRecord, PlaceState
from tripleguard.places.base import Readable
from tripleguard.places.connected import connected
from tripleguard.places.drive import Drive, held_root, open_drive, room_at
from tripleguard.places.locks import Holder, asked, held
from tripleguard.work.generations import catch_up, noted, why_not_current
from tripleguard.work.identifying import settle_identity

WATCH_LOCK = "watch"
"""Held by the watch of a home for as long as it runs."""
WAY_LOCK = "way"
"""Asked for by typed commands that write to drives: rescans and drills of the watch end for them."""


def _unheard(line: str) -> None:
    """A kit without a person to tell."""


@dataclass(frozen=True, slots=True)
class Kit:
    """What a job works with. stop is set when the person wants it to end.

    patience: seconds to wait for drives that another job holds, asking for the right of way meanwhile.
    tell: what to do with a line for the person that belongs to no result.
    untouched: drives (ids) on which nothing is to change, as they may be about to go.
    """

    home: Home
    catalog: Catalog
    settings: Settings
    clock: Clock
    stop: threading.Event = field(default_factory=threading.Event)
    patience: float = 0.0
    tell: Callable[[str], None] = _unheard
    untouched: set[int] = field(default_factory=set)


@dataclass(frozen=True, slots=True)
class OpenDrive:
    """A drive that is here: what the catalog knows of it, and the thing itself."""

    record: PlaceRecord
    place: Drive

    def seen(self, path: str) -> Entry | None:
        """The plain file at path now; None too where the drive can't be asked: in doubt it is not there."""
        try:
            return self.place.look(path)
        except CopyTrouble:
            return None


class Source(Protocol):
    """A place that is only read from: a drive, or the offsite place."""

    @property
    def record(self) -> PlaceRecord: ...
    @property
    def place(self) -> Readable: ...
    def seen(self, path: str) -> Entry | None:
        """As `OpenDrive.seen`."""


@dataclass(frozen=True, slots=True)
class Opened:
    """The drives of one job: those that are held for it, and those that can only be looked at, with why.

    looked_at: all that are here, writable or not. away: those that are not here. leaving: as in `opened`.
    """

    drives: list[OpenDrive]
    looked_at: list[OpenDrive]
    refused: list[tuple[PlaceRecord, TripleguardError]]
    away: list[PlaceRecord] = field(default_factory=list)
    leaving: int | None = None

    def readable(self) -> list[OpenDrive]:
        """Those that are held, those on a read-only medium, which nobody can change, and the one that leaves.

        What is read from the last one is compared with what it should be, as it is not held.
        """
        held = {*(drive.record.id for drive in self.drives), self.leaving}
        return [one for one in self.looked_at if one.record.id in held or one.place.read_only]

    def troubles(self, *, named: bool = False) -> list[TripleguardError]:
        """Why drives that are here could not be held; named: and which are away, as they were asked for."""
        missed = [
            PlaceTrouble(
                f"Drive {record.name} is not connected, so nothing was done with it.",
                do="Connect it, then run it again.",
            )
            for record in self.away
        ]
        return [error for _, error in self.refused] + (missed if named else [])

    def none_left(self, do: str) -> TripleguardError:
        """What to raise when no drive is left to work on: why the first was refused, or that none is here."""
        if self.refused:
            return self.refused[0][1]
        return PlaceTrouble("No drive is connected.", safe="Nothing was changed.", do=do)


def agent() -> str:
    """Who does this, for the record: user and machine."""
    try:
        user = getpass.getuser()
    except (KeyError, OSError):
        user = "unknown"
    return f"{user}@{platform.node() or 'unknown'}"


def where_drives_are(kit: Kit) -> list[tuple[PlaceRecord, Path | None]]:
    """Every drive the catalog knows, with its path if it is connected. Raises PlaceTrouble for clones."""
    records = [record for record in all_places(kit.catalog) if record.kind is PlaceKind.DRIVE]
    here = connected(records)
    return [(record, here.get(record.uid)) for record in records]


def drives_for_writing(kit: Kit, names: Sequence[str]) -> list[tuple[PlaceRecord, Path | None]]:
    """The drives a job may write to: the named ones, else all active ones. Raises WrongUse, PlaceTrouble."""
    found = _named_or_active(kit, names)
    for record, _ in found:
        if record.state is PlaceState.LEAVING:
            raise PlaceTrouble(
                f"Drive {record.name} is leaving: nothing is written to it any more.",
                safe="Nothing was changed.",
                do=f"Use another drive. If it shall stay, run `tripleguard drives recall {record.name}`.",
            )
    return found


def _named_or_active(kit: Kit, names: Sequence[str]) -> list[tuple[PlaceRecord, Path | None]]:
    wanted = {place_named(kit.catalog, name).id for name in names}
    found = where_drives_are(kit)
    for record, _ in found:
        if record.id in wanted and record.state in (PlaceState.LOST, PlaceState.RETIRED):
            raise PlaceTrouble(
                f"Drive {record.name} is marked as {record.state}.",
                safe="Nothing was changed.",
                do="If it is back in service, run `tripleguard drives add` for it again.",
            )
    return [
        (record, path)
        for record, path in found
        if (record.id in wanted if wanted else record.state is PlaceState.ACTIVE)
    ]


def only_to_read_from(kit: Kit) -> list[tuple[PlaceRecord, Path | None]]:
    """Drives in service that nothing is written to: those on the shelf and those that are leaving."""
    return [
        (record, path)
        for record, path in where_drives_are(kit)
        if record.state in (PlaceState.SHELVED, PlaceState.LEAVING)
    ]


_LOOKED_AFTER = (PlaceState.ACTIVE, PlaceState.SHELVED, PlaceState.LEAVING)


def drives_for_looking(kit: Kit, names: Sequence[str] = ()) -> list[tuple[PlaceRecord, Path | None]]:
    """The drives whose copies are looked after: the named ones, else all in service, on the shelf or leaving.

    Raises WrongUse, PlaceTrouble.
    """
    if names:
        return _named_or_active(kit, names)
    return [one for one in where_drives_are(kit) if one[0].state in _LOOKED_AFTER]


@contextlib.contextmanager
def opened(
    kit: Kit,
    drives: Sequence[tuple[PlaceRecord, Path | None]],
    doing: str,
    *,
    writing: bool = True,
    leaving: int | None = None,
) -> Iterator[Opened]:
    """Open the drives that are here and hold their locks. Raises PlaceBusy, PlaceTrouble for a bad marker.

    leaving: the id of a drive on which nothing is to change, not even a lock or a time of last access: it is only
    looked at and read from. Where the catalog turns out to be older than what a drive has seen, that is put right
    first; see `work.generations`.

    Locks are taken in one order by all, so that two jobs never wait for each other. What an interrupted job
    left unfinished on a drive is cleared.
    """
    with contextlib.ExitStack() as stack:
        found: list[OpenDrive] = []
        looked_at: list[OpenDrive] = []
        away: list[PlaceRecord] = []
        refused: list[tuple[PlaceRecord, TripleguardError]] = []
        now = kit.clock.now()
        if writing and kit.patience:
            stack.enter_context(asked(partial(open_home_lock, kit.home, WAY_LOCK)))
        for record, path in sorted(drives, key=lambda pair: pair[0].uid):
            if path is None:
                away.append(record)
                continue
            try:
                reserve = reserve_for(path, kit.settings.drives.reserve_bytes)
                drive = open_drive(path, reserve, quiet=record.id == leaving)
            except PlaceUnreadable as error:
                refused.append((record, error))
                continue
            stack.callback(drive.close)
            if drive.uid != record.uid:
                raise PlaceTrouble(
                    f"The drive at {path} is not {record.name} any more.", do="Run the command again."
                )
            settle_identity(kit, record, drive.folder)
            looked_at.append(OpenDrive(replace(record, insertion=drive.insertion), drive))
            if record.id == leaving:
                continue
            if writing:
                holder = Holder(os.getpid(), platform.node(), doing, iso_utc(now))
                try:
                    hold(stack, kit, record.name, drive, holder)
                    if record.state is not PlaceState.LEAVING:
                        drive.storing.clear_incoming()
                except CopyTrouble as error:
                    refused.append((record, error))
                    continue
            found.append(looked_at[-1])
        found.sort(key=lambda drive: drive.record.id)
        looked_at.sort(key=lambda drive: drive.record.id)
        with kit.catalog.writing():
            for drive_ in looked_at:
                place_seen(kit.catalog, drive_.record.id, drive_.place.root, now)
                # A drive that can't say how full it is, is asked again by the next job.
                with contextlib.suppress(CopyTrouble):
                    place_room(kit.catalog, drive_.record.id, drive_.place.room(), now)
        if leaving is not None:
            kit.untouched.add(leaving)
        _catch_up(kit, looked_at)
        noting = [
            drive.place
            for drive in found
            if writing and drive.record.id not in kit.untouched and drive.record.state is not PlaceState.LEAVING
        ]
        with noted(kit.catalog, noting, now, kit.tell):
            yield Opened(found, looked_at, refused, away, leaving)


def _catch_up(kit: Kit, drives: Sequence[OpenDrive]) -> None:
    """See that the catalog is the latest that these drives saw. Raises PlaceTrouble if their state changes."""
    lines = catch_up(kit.home, kit.catalog, [drive.place for drive in drives], kit.clock.now())
    for line in lines:
        kit.tell(line)
    if not lines:
        return
    now = {record.id: record.state for record in all_places(kit.catalog)}
    changed = [drive.record.name for drive in drives if now.get(drive.record.id) is not drive.record.state]
    if changed:
        raise PlaceTrouble(
            f"By what was just taken over, drive {', '.join(changed)} is not in the service it was thought to be.",
            safe="Nothing was changed on any drive.",
            do="See `tripleguard drives`, then run the command again.",
        )


def catalog_is_current(kit: Kit, drives: Sequence[OpenDrive]) -> str | None:
    """Why the catalog is not known to be the latest that these drives have seen; None if it is. Asks them now."""
    return why_not_current(kit.catalog, [drive.place for drive in drives])


def hold(stack: contextlib.ExitStack, kit: Kit, name: str, drive: Drive, holder: Holder) -> None:
    """Hold a drive's lock on the stack, waiting as long as the kit has patience. Raises PlaceBusy, PlaceFailed."""
    deadline = time.monotonic() + kit.patience
    while True:
        try:
            stack.enter_context(held(f"Drive {name}", drive.storing.open_lock, holder))
        except PlaceBusy:
            if time.monotonic() >= deadline or kit.stop.is_set():
                raise
            time.sleep(0.1)
        else:
            return


def reserve_for(root: Path, asked: int) -> int:
    """The room to keep free on a drive: what was asked for, at most a twentieth of the drive."""
    folder = held_root(root)
    try:
        total = room_at(folder, 0).total
    except OSError:
        return asked
    finally:
        folder.close()
    return min(asked, total // 20)
