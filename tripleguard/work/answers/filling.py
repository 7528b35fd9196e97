"""When each drive is full, and what to buy by when: by the photographer's own shoots and the room seen last."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

from tripleguard.catalog.spread import share_of, shot
from tripleguard.clock import SECOND
from tripleguard.errors import PlaceTrouble
from tripleguard.forecast.filling import FARTHEST, FullIn, Pace, full_in, pace_of, weeks_that_fit
from tripleguard.model import PlaceRecord, PlaceState, SeenRoom
from tripleguard.work.answers.reporting import room_there
from tripleguard.work.kit import Kit, where_drives_are

SIZES = (2 * 10**12, 4 * 10**12)
"""Drives as they are sold, in bytes, for which it is said how long they would last."""


@dataclass(frozen=True, slots=True)
class PlaceFilling:
    """One drive filling up. room: as it was seen last, None if it never was; free: without the reserve.

    share: how much of what is shot comes onto it. full: None where nothing can be said.
    """

    record: PlaceRecord
    room: SeenRoom | None
    free: int
    share: float
    full: FullIn | None


@dataclass(frozen=True, slots=True)
class Filling:
    """What fills up when. pace: of all that is shot, None if nothing was shot lately; today: the day it is.

    buy_by: when new drives are to be at hand, None if not within what is told; soon: that day has come. lasting:
    for each size of drive, how many weeks it would last.
    """

    today: date
    fit_weeks: int
    pace: Pace | None
    places: tuple[PlaceFilling, ...]
    copies: int
    buy_by: date | None
    soon: bool
    lasting: tuple[tuple[int, float], ...]


def filling(kit: Kit, records: Sequence[PlaceRecord], now: int) -> Filling:
    """For the drives that are being written to. Raises CatalogTrouble."""
    today = datetime.fromtimestamp(now // SECOND, UTC).astimezone(kit.clock.zone()).date()
    settings = kit.settings.forecast
    days = [(date.fromisoformat(day).toordinal(), size) for day, size in _real_days(shot(kit.catalog))]
    pace = pace_of(days, today.toordinal(), settings.fit_weeks)
    rooms = _rooms_now(kit, now)
    active = [record for record in records if record.state is PlaceState.ACTIVE]
    places = tuple(_of_place(kit, record, rooms.get(record.id, record.room), pace, today) for record in active)
    soonest = min((_soonest(one.full) for one in places if one.full is not None), default=math.inf)
    buy_by = None
    if soonest <= FARTHEST:
        buy_by = today + timedelta(days=int(soonest * 7) - settings.buy_ahead_days)
    return Filling(
        today=today,
        fit_weeks=settings.fit_weeks,
        pace=pace,
        places=places,
        copies=kit.settings.rule.drive_copies,
        buy_by=buy_by,
        soon=buy_by is not None and buy_by <= today,
        lasting=tuple((size, weeks_that_fit(size, pace)) for size in SIZES) if pace else (),
    )


def _of_place(
    kit: Kit, record: PlaceRecord, room: SeenRoom | None, pace: Pace | None, today: date
) -> PlaceFilling:
    added = datetime.fromtimestamp(record.added_at // SECOND, UTC).date()
    since = max(added, today - timedelta(weeks=kit.settings.forecast.fit_weeks))
    share = share_of(kit.catalog, record.id, since.isoformat())
    reserve = min(kit.settings.drives.reserve_bytes, room.total // 20) if room else 0
    free = max(0, room.free - reserve) if room else 0
    # A drive on which nothing was put yet will get what the others get.
    share = 1.0 if not share else min(1.0, share)
    full = None if room is None or pace is None else full_in(free, pace.times(share))
    return PlaceFilling(record, room, free, share, full)


def _soonest(full: FullIn) -> float:
    return full.weeks if full.soonest is None else full.soonest


def _rooms_now(kit: Kit, now: int) -> dict[int, SeenRoom]:
    """The room of the drives that are here."""
    try:
        here = [(record, path) for record, path in where_drives_are(kit) if path is not None]
    except PlaceTrouble:
        return {}
    rooms = ((record.id, room_there(path, kit)) for record, path in here)
    return {number: SeenRoom(room.free, room.total, now) for number, room in rooms if room is not None}


def _real_days(shoots: Sequence[tuple[str, int]]) -> Sequence[tuple[str, int]]:
    """Without days that no calendar has: a camera's clock may say anything."""
    found = []
    for day, size in shoots:
        try:
            date.fromisoformat(day)
        except ValueError:
            continue
        found.append((day, size))
    return found
