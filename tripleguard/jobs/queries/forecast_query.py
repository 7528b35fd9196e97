"""Forecast whether the nights are enough for rescans, when drives are full, and what may be lost.

The numbers come from the catalog, so drives on the shelf are included; the arithmetic is in `forecast`. Each
question is a section; the chance of loss is in `jobs.queries.loss_risk`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

from tripleguard.catalog.due_copies import count_due_by_day, get_oldest_verified, list_rescan_readings
from tripleguard.catalog.forecast_inputs import get_share_on_place, list_shoot_bytes
from tripleguard.catalog.places import list_places
from tripleguard.clock import DAY, SECOND
from tripleguard.errors import PlaceError
from tripleguard.forecast.drive_filling import (
    MAX_WEEKS,
    FillTime,
    ShootingRate,
    estimate_shooting_rate,
    forecast_fill,
    get_weeks_that_fit,
)
from tripleguard.forecast.rescan_plan import (
    PORTABLE_DISK_RATE,
    RATE_SAMPLE_COUNT,
    CatchUpForecast,
    DueReading,
    NightlyRescanPlan,
    ReadRate,
    compute_seconds_needed,
    measure_rate,
    plan_nightly_rescan,
    simulate_catch_up,
    sum_due_within,
)
from tripleguard.jobs.context import JobContext
from tripleguard.jobs.drives import locate_drives
from tripleguard.jobs.queries.loss_risk import LossForecast, forecast_loss
from tripleguard.jobs.queries.report_query import free_space_at
from tripleguard.model import KnownSpace, PlaceRecord, PlaceState
from tripleguard.names import escape_text
from tripleguard.rules import get_interval_days, is_counted_drive

DRIVE_SIZES = (2 * 10**12, 4 * 10**12)
"""Common drive sizes in bytes, for which the forecast says how long they would last."""


@dataclass(frozen=True, slots=True)
class PlaceFillForecast:
    """How one drive fills.

    Attributes:
        space: total and free space as last seen; None if it never was.
        free: bytes without the reserve.
        share: share of what is shot that is copied to it.
        full: when it is full; None if unknown.
    """

    record: PlaceRecord
    space: KnownSpace | None
    free: int
    share: float
    full: FillTime | None


@dataclass(frozen=True, slots=True)
class FillForecast:
    """When drives are full.

    Attributes:
        today: the day of the forecast.
        shooting_rate: of everything shot; None if nothing was shot lately.
        buy_by: when new drives must be at hand; None if beyond the forecast.
        is_due: that day has come.
        weeks_by_size: how many weeks a drive of each size would last.
    """

    today: date
    fit_weeks: int
    shooting_rate: ShootingRate | None
    places: tuple[PlaceFillForecast, ...]
    copies: int
    buy_by: date | None
    is_due: bool
    weeks_by_size: tuple[tuple[int, float], ...]


def forecast_filling(ctx: JobContext, records: Sequence[PlaceRecord], now: int) -> FillForecast:
    """Forecast the drives that are being written to. Raises CatalogError."""
    today = datetime.fromtimestamp(now // SECOND, UTC).astimezone(ctx.clock.zone()).date()
    settings = ctx.settings.forecast
    days = [
        (date.fromisoformat(day).toordinal(), size) for day, size in _valid_days(list_shoot_bytes(ctx.catalog))
    ]
    pace = estimate_shooting_rate(days, today.toordinal(), settings.fit_weeks)
    spaces = _connected_free_space(ctx, now)
    active = [record for record in records if record.state is PlaceState.ACTIVE]
    places = tuple(
        _forecast_place_fill(ctx, record, spaces.get(record.id, record.known_space), pace, today)
        for record in active
    )
    soonest = min((_soonest_weeks(one.full) for one in places if one.full is not None), default=math.inf)
    buy_by = None
    if soonest <= MAX_WEEKS:
        buy_by = today + timedelta(days=int(soonest * 7) - settings.buy_ahead_days)
    return FillForecast(
        today=today,
        fit_weeks=settings.fit_weeks,
        shooting_rate=pace,
        places=places,
        copies=ctx.settings.rule.drive_copies,
        buy_by=buy_by,
        is_due=buy_by is not None and buy_by <= today,
        weeks_by_size=tuple((size, get_weeks_that_fit(size, pace)) for size in DRIVE_SIZES) if pace else (),
    )


def _forecast_place_fill(
    ctx: JobContext, record: PlaceRecord, space: KnownSpace | None, shooting_rate: ShootingRate | None, today: date
) -> PlaceFillForecast:
    added = datetime.fromtimestamp(record.added_at // SECOND, UTC).date()
    since = max(added, today - timedelta(weeks=ctx.settings.forecast.fit_weeks))
    share = get_share_on_place(ctx.catalog, record.id, since.isoformat())
    reserve = min(ctx.settings.drives.reserve_bytes, space.total // 20) if space else 0
    free = max(0, space.free - reserve) if space else 0
    # A drive without any files yet will get what the others get.
    share = 1.0 if not share else min(1.0, share)
    full = None if space is None or shooting_rate is None else forecast_fill(free, shooting_rate.scale(share))
    return PlaceFillForecast(record, space, free, share, full)


def _soonest_weeks(full: FillTime) -> float:
    return full.weeks if full.soonest is None else full.soonest


def _connected_free_space(ctx: JobContext, now: int) -> dict[int, KnownSpace]:
    """Return the space of the connected drives."""
    try:
        here = [(record, path) for record, path in locate_drives(ctx) if path is not None]
    except PlaceError:
        return {}
    spaces = ((record.id, free_space_at(path, ctx)) for record, path in here)
    return {number: KnownSpace(space.free, space.total, now) for number, space in spaces if space is not None}


def _valid_days(shoots: Sequence[tuple[str, int]]) -> Sequence[tuple[str, int]]:
    """Return the entries whose day is a valid date; a camera's clock may be set to anything."""
    found = []
    for day, size in shoots:
        try:
            date.fromisoformat(day)
        except ValueError:
            continue
        found.append((day, size))
    return found


NEAR_TERM_DAYS = 7


@dataclass(frozen=True, slots=True)
class PlaceRescanForecast:
    """How one drive is read again.

    Attributes:
        interval: days, as the rule requires.
        due: pairs of days and what is due within them; the first is 0 for now, the last is everything.
        next_due: when the next copy falls due, UTC ns.
        needed_seconds: the minimum seconds per night that sustain the interval.
    """

    record: PlaceRecord
    interval: int
    copies: int
    total_bytes: int
    due: tuple[tuple[int, DueReading], ...]
    next_due: int | None
    rate: ReadRate
    bytes_per_night: int
    plan: NightlyRescanPlan
    needed_seconds: float
    catch_up: CatchUpForecast


@dataclass(frozen=True, slots=True)
class RescanForecast:
    """Whether the nightly time is enough for every drive that has copies.

    night_seconds is the length of the watch's night.
    """

    nightly_seconds: float
    night_seconds: float
    places: tuple[PlaceRescanForecast, ...]

    @property
    def is_enough(self) -> bool:
        return all(one.plan.is_enough for one in self.places)


@dataclass(frozen=True, slots=True)
class Forecast:
    """All sections. at: UTC ns."""

    at: int
    rescan: RescanForecast
    fill: FillForecast
    loss: LossForecast

    @property
    def is_clear(self) -> bool:
        return self.rescan.is_enough and not self.fill.is_due


def make_forecast(ctx: JobContext, *, end_date: date | None = None, trials: int = 0, seed: int = 1) -> Forecast:
    """Return every section, for the drives in service, connected or not. Raises CatalogError.

    end_date, trials and seed are those of `loss_risk.forecast_loss`.
    """
    now = ctx.clock.now()
    records = [record for record in list_places(ctx.catalog) if is_counted_drive(record)]
    rereading = _forecast_rescan(ctx, records, now)
    sustained = {one.record.id: one.plan.sustainable_days for one in rereading.places if not one.plan.is_enough}
    chances = forecast_loss(ctx, sustained, now, end_date=end_date, trials=trials, seed=seed)
    return Forecast(now, rereading, forecast_filling(ctx, records, now), chances)


def _forecast_rescan(ctx: JobContext, records: Sequence[PlaceRecord], now: int) -> RescanForecast:
    # The watch reads for this long, and not beyond the end of the night.
    nightly = min(ctx.settings.drives.nightly_seconds, ctx.settings.watch.night_seconds)
    measured = {
        record.name: rate
        for record in records
        if (rate := measure_rate(list_rescan_readings(ctx.catalog, record.name, RATE_SAMPLE_COUNT))) is not None
    }
    places = (_forecast_place_rescan(ctx, record, measured, nightly, now) for record in records)
    return RescanForecast(nightly, ctx.settings.watch.night_seconds, tuple(one for one in places if one.copies))


def _forecast_place_rescan(
    ctx: JobContext, record: PlaceRecord, measured: dict[str, ReadRate], nightly: float, now: int
) -> PlaceRescanForecast:
    rule = ctx.settings.rule
    interval = get_interval_days(record.role, rule.road_days, rule.shelf_days)
    days = count_due_by_day(ctx.catalog, record.id, interval, now)
    total = sum(one.total_bytes for one in days)
    rate = measured.get(record.name) or _assumed_rate(measured)
    horizons = sorted({0, min(NEAR_TERM_DAYS, interval), interval})
    a_night = rate.bytes_per_second * nightly
    return PlaceRescanForecast(
        record=record,
        interval=interval,
        copies=sum(one.copies for one in days),
        total_bytes=total,
        due=tuple((within, sum_due_within(days, within, rate.bytes_per_second)) for within in horizons),
        next_due=_next_due(ctx, record, interval, now),
        rate=rate,
        bytes_per_night=int(a_night),
        plan=plan_nightly_rescan(total, rate.bytes_per_second, nightly, interval),
        needed_seconds=compute_seconds_needed(total, rate.bytes_per_second, interval),
        catch_up=simulate_catch_up(days, a_night, interval, min(ctx.settings.watch.ahead_days, interval - 1)),
    )


def _assumed_rate(measured: dict[str, ReadRate]) -> ReadRate:
    """Return the rate assumed for a drive without measurements.

    It is that of the slowest measured drive, else a usual one.
    """
    if not measured:
        return ReadRate(PORTABLE_DISK_RATE, 0, assumed_from="what a portable hard disk usually reads")
    name, slowest = min(measured.items(), key=lambda pair: pair[1].bytes_per_second)
    return ReadRate(slowest.bytes_per_second, 0, assumed_from=f"as fast as drive {escape_text(name)}")


def _next_due(ctx: JobContext, record: PlaceRecord, interval: int, now: int) -> int | None:
    """Return when the longest-unverified copy falls due, if that is in the future."""
    oldest = get_oldest_verified(ctx.catalog, record.id)
    if oldest is None or oldest + interval * DAY < now:
        return None
    return oldest + interval * DAY
