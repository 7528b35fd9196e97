"""Opening an offsite place for a job, and naming a new one."""

from __future__ import annotations

import contextlib
import os
import platform
from collections.abc import Callable, Iterator, Mapping
from dataclasses import asdict, dataclass
from functools import partial
from pathlib import Path

from tripleguard.catalog.journal import add_event
from tripleguard.catalog.offsite import habits_seen, server_habits
from tripleguard.catalog.places import add_place, all_places, place_with_uid, set_place_state
from tripleguard.clock import DAY, Clock, iso_utc
from tripleguard.errors import PlaceTrouble, WrongUse
from tripleguard.home import open_home_lock
from tripleguard.model import EventType, Outcome, PlaceKind, PlaceRecord, PlaceState, Role
from tripleguard.names import shown
from tripleguard.places.addresses import OffsiteUrl, environment, parse_url, s3_address, store_for
from tripleguard.places.asking import ask_habits
from tripleguard.places.bucket import Bucket, Habits
from tripleguard.places.drive import Drive, held_root, mark_drive, open_drive
from tripleguard.places.locks import Holder, held
from tripleguard.places.looking import Looking
from tripleguard.places.marker import new_marker, read_marker
from tripleguard.places.offsite import Offsite, mark_offsite, open_offsite, read_marker_object
from tripleguard.places.sending import FolderSender, StoreSender
from tripleguard.places.wire import Wire
from tripleguard.work.identifying import settle_identity
from tripleguard.work.kit import Kit, reserve_for
from tripleguard.work.offsite.line import Patience
from tripleguard.work.setting_up import ensure_catalog_id, refuse_overlap

NAME = "offsite"
_ASK_AGAIN = 30 * DAY

Sender = Bucket | StoreSender | FolderSender


@dataclass(frozen=True, slots=True)
class OpenOffsite:
    """An offsite place that is held for a job. new_sender makes one for each thread that sends."""

    record: PlaceRecord
    url: OffsiteUrl
    place: Offsite | Drive
    habits: Habits
    new_sender: Callable[[], Sender]

    @property
    def proves(self) -> bool:
        """Whether the server proves what it stores as it arrives; else it has to be read back."""
        return self.habits.proves or self.habits.header


def offsite_record(kit: Kit) -> PlaceRecord | None:
    """The offsite place in service, None if none was named."""
    found = [
        place
        for place in all_places(kit.catalog)
        if place.kind is PlaceKind.OFFSITE and place.state is PlaceState.ACTIVE
    ]
    return found[0] if found else None


def folder_offsite(kit: Kit) -> Path | None:
    """The folder that is the offsite place; None where it is none or there is no such place."""
    record = offsite_record(kit)
    url = parse_url(record.last_path) if record is not None and record.last_path else None
    return url.folder if url is not None and url.kind == "file" else None


def needed_offsite(kit: Kit) -> PlaceRecord:
    """The offsite place in service. Raises WrongUse where none was named."""
    record = offsite_record(kit)
    if record is None:
        raise WrongUse(
            "There is no offsite place yet.",
            safe="Nothing was sent.",
            do="Name one with `tripleguard setup --offsite URL`; see docs/offsite.md.",
        )
    return record


@contextlib.contextmanager
def opened_offsite(
    kit: Kit, record: PlaceRecord, doing: str, patience: Patience | None = None
) -> Iterator[OpenOffsite]:
    """Open the place and hold it against other jobs of this home.

    Raises PlaceBusy, PlaceTrouble, NoAccess, LineTrouble.
    """
    url = parse_url(record.last_path or "")
    holder = Holder(os.getpid(), platform.node(), doing, iso_utc(kit.clock.now()))
    lock = partial(open_home_lock, kit.home, f"offsite-{record.uid[:16]}")
    with held(f"The offsite place {record.name}", lock, holder):
        if url.kind == "file":
            with _folder(kit, record, url) as opened:
                yield opened
            return
        place = open_offsite(
            store_for(url, environment()), record.uid, looking_at(url, kit.clock, kit.stop.is_set)
        )
        habits = _habits(kit, record, url) if url.kind == "s3" else Habits()
        make = _bucket_maker(kit, url, habits, patience or Patience())
        yield OpenOffsite(
            record, url, place, habits, make if url.kind == "s3" else lambda: StoreSender(place.store)
        )
    _seen(kit, record)


def add_offsite(kit: Kit, text: str, name: str = NAME) -> PlaceRecord:
    """Name an offsite place, or take one up that was named before. Raises WrongUse, PlaceTrouble, NoAccess."""
    url = parse_url(text)
    for other in all_places(kit.catalog):
        if other.kind is PlaceKind.OFFSITE and other.state is PlaceState.ACTIVE:
            if other.last_path == url.text:
                return other
            known = place_with_uid(kit.catalog, _uid_at(kit, url) or "")
            if known is None or known.id != other.id:
                raise WrongUse(
                    f"There is an offsite place already: {shown(other.last_path or '')}.",
                    safe="Nothing was changed.",
                    do=f"Take it out of service first: `tripleguard drives lost {other.name}`.",
                )
    marker = new_marker(_free_name(kit, name), "shelf", iso_utc(kit.clock.now()), ensure_catalog_id(kit))
    found = _uid_at(kit, url)
    if found is None:
        if url.kind == "file":
            refuse_overlap(kit, url.folder)
            mark_drive(url.folder, marker)
        else:
            mark_offsite(store_for(url, environment()), marker)
    uid, now = found or marker.id, kit.clock.now()
    known = place_with_uid(kit.catalog, uid)
    if known is not None and known.kind is PlaceKind.DRIVE:
        raise PlaceTrouble(
            f"{shown(text)} is drive {known.name}.", safe="Nothing was changed.", do="Name another place."
        )
    with kit.catalog.writing():
        if known is None:
            known = add_place(
                kit.catalog, uid, marker.name, kind=PlaceKind.OFFSITE, role=Role.SHELF, at=now, path=Path()
            )
        elif known.state is not PlaceState.ACTIVE:
            set_place_state(kit.catalog, known.id, PlaceState.ACTIVE, Role.SHELF)
        kit.catalog.run("UPDATE places SET last_path = ?, last_seen_at = ? WHERE id = ?", url.text, now, known.id)
        add_event(
            kit.catalog,
            EventType.PLACE_CHANGE,
            Outcome.SUCCESS,
            f"offsite place {known.name} named: {shown(url.text)}",
            now,
            place_id=known.id,
        )
    if url.kind == "s3":
        _habits(kit, known, url)
    return known


def _uid_at(kit: Kit, url: OffsiteUrl) -> str | None:
    """The id of the marker at an address, None if there is none."""
    if url.kind == "file":
        folder = held_root(url.folder)
        try:
            on_disk = read_marker(folder)
        finally:
            folder.close()
        return on_disk.id if on_disk else None
    looking = looking_at(url, kit.clock, kit.stop.is_set)
    marker = read_marker_object(store_for(url, environment()), looking)
    return marker.id if marker else None


@contextlib.contextmanager
def _folder(kit: Kit, record: PlaceRecord, url: OffsiteUrl) -> Iterator[OpenOffsite]:
    drive = open_drive(url.folder, reserve_for(url.folder, kit.settings.drives.reserve_bytes))
    try:
        if drive.uid != record.uid:
            raise PlaceTrouble(
                f"The folder {shown(str(url.folder))} is not the offsite place {record.name}.",
                safe="Nothing was sent.",
                do="Check that it is mounted, then run the command again.",
            )
        settle_identity(kit, record, drive.folder)
        holder = Holder(os.getpid(), platform.node(), "offsite", iso_utc(kit.clock.now()))
        with held(f"The offsite place {record.name}", drive.storing.open_lock, holder):
            drive.storing.clear_incoming()
            yield OpenOffsite(record, url, drive, Habits(), lambda: FolderSender(drive))
    finally:
        drive.close()
    _seen(kit, record)


def _seen(kit: Kit, record: PlaceRecord) -> None:
    with kit.catalog.writing():
        kit.catalog.run("UPDATE places SET last_seen_at = ? WHERE id = ?", kit.clock.now(), record.id)


def _habits(kit: Kit, record: PlaceRecord, url: OffsiteUrl) -> Habits:
    """What the server checks; it is asked again after a while, as servers change."""
    known = server_habits(kit.catalog, record.id)
    if known is not None and abs(kit.clock.now() - known[1]) < _ASK_AGAIN:
        return _from_catalog(known[0])
    bucket = _bucket_maker(kit, url, Habits(), Patience())()
    try:
        habits = ask_habits(bucket)
    finally:
        bucket.close()
    with kit.catalog.writing():
        habits_seen(kit.catalog, record.id, asdict(habits), kit.clock.now())
    return habits


def _from_catalog(said: Mapping[str, bool]) -> Habits:
    known = asdict(Habits())
    return Habits(**{name: value for name, value in said.items() if name in known})


def looking_at(url: OffsiteUrl, clock: Clock, stopped: Callable[[], bool]) -> Looking | None:
    """How an S3 bucket is listed; None for other places. Raises NoAccess without credentials."""
    if url.kind != "s3":
        return None
    return Looking(_buckets(url, clock, stopped, Habits(), Patience()), stopped)


def _bucket_maker(kit: Kit, url: OffsiteUrl, habits: Habits, patience: Patience) -> Callable[[], Bucket]:
    return _buckets(url, kit.clock, kit.stop.is_set, habits, patience)


def _buckets(
    url: OffsiteUrl, clock: Clock, stopped: Callable[[], bool], habits: Habits, patience: Patience
) -> Callable[[], Bucket]:
    def make() -> Bucket:
        address, who = s3_address(url, environment())
        return Bucket(address, who, Wire(address.endpoint, patience.silence, stopped), clock, habits)

    return make


def _free_name(kit: Kit, name: str) -> str:
    taken = {place.name.casefold() for place in all_places(kit.catalog)}
    number = 2
    free = name
    while free.casefold() in taken:
        free, number = f"{name} {number}", number + 1
    return free
