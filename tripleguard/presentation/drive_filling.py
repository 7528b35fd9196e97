"""Render the forecast of full drives, as lines and as an object."""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import date, timedelta

from tripleguard.clock import format_iso
from tripleguard.forecast.drive_filling import MAX_WEEKS, FillTime
from tripleguard.jobs.queries.forecast_query import FillForecast, PlaceFillForecast
from tripleguard.names import escape_text
from tripleguard.presentation.json_output import JsonObject
from tripleguard.presentation.words import format_age, format_size
from tripleguard.wording import pluralize


def format_filling(filling: FillForecast, now: int) -> Iterator[str]:
    """Yield the answer, then each drive, then what to buy by when."""
    if filling.shooting_rate is None:
        yield (
            f"Room: nothing was shot in the last {pluralize(filling.fit_weeks, 'week')}, "
            f"so it can't be said when a "
            "drive is full."
        )
        return
    soon = [one for one in filling.places if one.full is not None and _get_earliest_weeks(one.full) <= MAX_WEEKS]
    if not soon:
        yield "Room: at this pace no drive is full within ten years."
    else:
        first = min(soon, key=lambda one: _get_earliest_weeks(one.full) if one.full else math.inf)
        yield (
            f"Room: drive {escape_text(first.record.name)} is full first, "
            f"{_format_when_full(first, filling.today)}."
        )
    yield (
        f"  Pace: {format_size(round(filling.shooting_rate.mean_bytes))} a week "
        f"on average over {pluralize(filling.shooting_rate.sample_weeks, 'week')}, "
        "quiet ones too."
    )
    for one in filling.places:
        yield f"  Drive {escape_text(one.record.name)}: {_format_drive(one, filling.today, now)}."
    yield from _format_purchase(filling)


def build_filling_object(filling: FillForecast) -> JsonObject:
    return {
        "bytes_a_week": None if filling.shooting_rate is None else round(filling.shooting_rate.mean_bytes),
        "over_weeks": None if filling.shooting_rate is None else filling.shooting_rate.sample_weeks,
        "places": [_build_place_object(one, filling.today) for one in filling.places],
        "drives_to_buy": filling.copies if filling.buy_by else None,
        "buy_by": filling.buy_by.isoformat() if filling.buy_by else None,
        "buy_now": filling.is_due,
        "weeks_by_size": [{"bytes": size_, "weeks": round(weeks, 1)} for size_, weeks in filling.weeks_by_size],
    }


def _format_drive(place: PlaceFillForecast, today: date, now: int) -> str:
    if place.space is None or place.full is None:
        return "its room was not seen yet, connect it once"
    share = "" if place.share > 0.95 else f", {place.share:.0%} of what is shot comes onto it"
    return (
        f"{format_size(place.free)} are free (seen {format_age(place.space.at, now)}){share}: "
        f"full {_format_when_full(place, today)}"
    )


def _format_when_full(place: PlaceFillForecast, today: date) -> str:
    full = place.full
    if full is None or _get_earliest_weeks(full) > MAX_WEEKS:
        return "not within ten years"
    about = f"in about {_format_weeks(full.weeks)}" if full.weeks <= MAX_WEEKS else "in more than ten years"
    if full.soonest is None:
        return f"{about}; how sure that is can be said after three weeks of shooting"
    latest = "later than in ten years" if full.latest is None else _format_day(today, full.latest)
    return f"{about}, between {_format_day(today, full.soonest)} and {latest} (four times out of five)"


def _format_purchase(filling: FillForecast) -> Iterator[str]:
    if (
        filling.buy_by is None
        or filling.shooting_rate is None
        or filling.buy_by > filling.today + timedelta(weeks=MAX_WEEKS)
    ):
        return
    lasting = ", ".join(
        f"{format_size(size_)} would last {_format_weeks(weeks)}" for size_, weeks in filling.weeks_by_size
    )
    by = "now" if filling.is_due else f"by {filling.buy_by.isoformat()}"
    yield (
        f"  {'Next' if filling.is_due else 'What to buy'}: "
        f"{pluralize(filling.copies, 'new drive')} {by}; {lasting}."
    )


def _get_earliest_weeks(full: FillTime) -> float:
    return full.weeks if full.soonest is None else full.soonest


def _format_weeks(weeks: float) -> str:
    if weeks > MAX_WEEKS:
        return "more than ten years"
    return pluralize(max(1, round(weeks)), "week") if weeks >= 1 else pluralize(max(1, round(weeks * 7)), "day")


def _format_day(today: date, weeks: float) -> str:
    return (today + timedelta(days=round(weeks * 7))).isoformat()


def _build_place_object(place: PlaceFillForecast, today: date) -> JsonObject:
    full = place.full

    def day(weeks: float | None) -> str | None:
        return None if weeks is None or weeks > MAX_WEEKS else _format_day(today, weeks)

    return {
        "place": place.record.name,
        "free": None if place.space is None else place.free,
        "seen_at": None if place.space is None else format_iso(place.space.at),
        "share": round(place.share, 4),
        "full_on": None if full is None else day(full.weeks),
        "not_before": None if full is None else day(full.soonest),
        "not_after": None if full is None else day(full.latest),
        "weeks": None if full is None or math.isinf(full.weeks) else round(full.weeks, 2),
    }
