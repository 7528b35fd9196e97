"""What lies ahead: what is to be read again when, and whether the nights are long enough; when drives are full;
and what may be lost.

The numbers come from the catalog, so that a drive on the shelf has its answer too; the arithmetic is in
`forecast`. Each question is a section of its own, the latter two in `filling` and `chances`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from tripleguard.catalog.due import due_by_day, oldest_verified, readings_of
from tripleguard.catalog.places import all_places
from tripleguard.clock import DAY
from tripleguard.forecast import (
    PORTABLE_DISK,
    RATE_FROM,
    CatchUp,
    Due,
    NightPlan,
    Rate,
    catch_up,
    due_within,
    night_plan,
    nightly_needed,
    rate_of,
)
from tripleguard.model import PlaceKind, PlaceRecord, PlaceState
from tripleguard.names import shown
from tripleguard.rules import interval_days
from tripleguard.work.answers.chances import Losing, losing
from tripleguard.work.answers.filling import Filling, filling
from tripleguard.work.kit import Kit

SOON_DAYS = 7


@dataclass(frozen=True, slots=True)
class PlaceRereading:
    """Reading one drive again. interval: days, as the rule asks.

    due: (within days, what is due by then); 0 is now, the last is everything. next_due: when the first copy that
    is not due yet falls due, UTC ns. nightly_needed: seconds a night that just keep the interval.
    """

    record: PlaceRecord
    interval: int
    copies: int
    total_bytes: int
    due: tuple[tuple[int, Due], ...]
    next_due: int | None
    rate: Rate
    bytes_a_night: int
    plan: NightPlan
    nightly_needed: float
    catch_up: CatchUp


@dataclass(frozen=True, slots=True)
class Rereading:
    """Whether the nightly time keeps the rule on every drive that has copies. night_seconds: the watch's night."""

    nightly_seconds: float
    night_seconds: float
    places: tuple[PlaceRereading, ...]

    @property
    def enough(self) -> bool:
        return all(one.plan.enough for one in self.places)


@dataclass(frozen=True, slots=True)
class Forecast:
    """All sections. at: UTC ns. clear: no section wants a person."""

    at: int
    rereading: Rereading
    filling: Filling
    losing: Losing

    @property
    def clear(self) -> bool:
        return self.rereading.enough and not self.filling.soon


def foresee(kit: Kit, *, until: date | None = None, trials: int = 0, seed: int = 1) -> Forecast:
    """Every section, for the drives that are in service, connected or not. Raises CatalogTrouble.

    until, trials, seed: as in `chances.losing`.
    """
    now = kit.clock.now()
    records = [
        record
        for record in all_places(kit.catalog)
        if record.kind is PlaceKind.DRIVE and record.state in (PlaceState.ACTIVE, PlaceState.SHELVED)
    ]
    rereading = _rereading(kit, records, now)
    sustained = {one.record.id: one.plan.sustained_days for one in rereading.places if not one.plan.enough}
    chances = losing(kit, sustained, now, until=until, trials=trials, seed=seed)
    return Forecast(now, rereading, filling(kit, records, now), chances)


def _rereading(kit: Kit, records: Sequence[PlaceRecord], now: int) -> Rereading:
    # The watch reads for so long, and not beyond the end of the night.
    nightly = min(kit.settings.drives.nightly_seconds, kit.settings.watch.night_seconds)
    measured = {
        record.name: rate
        for record in records
        if (rate := rate_of(readings_of(kit.catalog, record.name, RATE_FROM))) is not None
    }
    places = (_of_place(kit, record, measured, nightly, now) for record in records)
    return Rereading(nightly, kit.settings.watch.night_seconds, tuple(one for one in places if one.copies))


def _of_place(
    kit: Kit, record: PlaceRecord, measured: dict[str, Rate], nightly: float, now: int
) -> PlaceRereading:
    rule = kit.settings.rule
    interval = interval_days(record.role, rule.road_days, rule.shelf_days)
    days = due_by_day(kit.catalog, record.id, interval, now)
    total = sum(one.total_bytes for one in days)
    rate = measured.get(record.name) or _assumed(measured)
    horizons = sorted({0, min(SOON_DAYS, interval), interval})
    a_night = rate.bytes_per_second * nightly
    return PlaceRereading(
        record=record,
        interval=interval,
        copies=sum(one.copies for one in days),
        total_bytes=total,
        due=tuple((within, due_within(days, within, rate.bytes_per_second)) for within in horizons),
        next_due=_next_due(kit, record, interval, now),
        rate=rate,
        bytes_a_night=int(a_night),
        plan=night_plan(total, rate.bytes_per_second, nightly, interval),
        nightly_needed=nightly_needed(total, rate.bytes_per_second, interval),
        catch_up=catch_up(days, a_night, interval, min(kit.settings.watch.ahead_days, interval - 1)),
    )


def _assumed(measured: dict[str, Rate]) -> Rate:
    """The slowest drive that was measured stands for one that was not; else what such disks usually do."""
    if not measured:
        return Rate(PORTABLE_DISK, 0, assumed_from="what a portable hard disk usually reads")
    name, slowest = min(measured.items(), key=lambda pair: pair[1].bytes_per_second)
    return Rate(slowest.bytes_per_second, 0, assumed_from=f"as fast as drive {shown(name)}")


def _next_due(kit: Kit, record: PlaceRecord, interval: int, now: int) -> int | None:
    """When the longest-unverified copy falls due, if that is still to come."""
    oldest = oldest_verified(kit.catalog, record.id)
    if oldest is None or oldest + interval * DAY < now:
        return None
    return oldest + interval * DAY
