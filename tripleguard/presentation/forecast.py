"""Render the forecast, as lines for a terminal and as the object that `--json` prints.

One section for each question.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import tzinfo

from tripleguard.clock import format_iso
from tripleguard.forecast.rescan_plan import DueReading, ReadRate
from tripleguard.jobs.queries.forecast_query import Forecast, PlaceRescanForecast, RescanForecast
from tripleguard.model import PlaceState
from tripleguard.names import escape_text
from tripleguard.presentation import drive_filling, loss_risk
from tripleguard.presentation.json_output import SCHEMA, JsonObject
from tripleguard.presentation.words import format_age, format_duration, format_rate, format_size, format_time
from tripleguard.wording import pluralize

_SETTING_STEP_S = 300  # seconds: settings are rounded to five minutes
_DAY_S = 86_400


def format_forecast(forecast: Forecast, zone: tzinfo | None) -> Iterator[str]:
    """Yield every section: its answer first, then the drives."""
    yield from _format_rereading(forecast.rescan, forecast.at, zone)
    yield ""
    yield from drive_filling.format_filling(forecast.fill, forecast.at)
    yield ""
    yield from loss_risk.format_loss_risk(forecast.loss)


def build_forecast_object(forecast: Forecast) -> JsonObject:
    """Return the forecast as an object with one key for each section."""
    return {
        "schema": SCHEMA,
        "at": format_iso(forecast.at),
        "answer": "clear" if forecast.is_clear else "attention",
        "rereading": {
            "answer": "enough" if forecast.rescan.is_enough else "not enough",
            "nightly_seconds": forecast.rescan.nightly_seconds,
            "places": [_build_place_object(one) for one in forecast.rescan.places],
        },
        "filling": drive_filling.build_filling_object(forecast.fill),
        "losing": loss_risk.build_loss_risk_object(forecast.loss),
    }


def format_setting_time(seconds: float) -> str:
    """Format a time as in the settings, rounded up to five minutes: `25min`, `2h`, `2h 50min`."""
    minutes = max(1, math.ceil(seconds / _SETTING_STEP_S)) * _SETTING_STEP_S // 60
    hours, rest = divmod(minutes, 60)
    return " ".join(part for part in (f"{hours}h" if hours else "", f"{rest}min" if rest else "") if part)


def _format_rereading(rereading: RescanForecast, now: int, zone: tzinfo | None) -> Iterator[str]:
    if not rereading.places:
        yield "Reading again: there are no copies yet, so nothing falls due."
        yield "  Next: put a card in and run `tripleguard offload CARD`."
        return
    nightly = format_duration(rereading.nightly_seconds)
    short = [one for one in rereading.places if not one.plan.is_enough]
    if short:
        names = " and ".join(escape_text(one.record.name) for one in short)
        yield f"Reading again: {nightly} a night is NOT ENOUGH for drive {names}."
    else:
        yield f"Reading again: {nightly} a night is enough for every drive."
    for one in rereading.places:
        yield ""
        yield from _format_place(one, rereading.night_seconds, now, zone)


def _format_place(place: PlaceRescanForecast, night: float, now: int, zone: tzinfo | None) -> Iterator[str]:
    where = "on the shelf" if place.record.state is PlaceState.SHELVED else "on the road"
    yield (
        f"Drive {escape_text(place.record.name)}, {where}: {pluralize(place.copies, 'copy', 'copies')}, "
        f"{format_size(place.total_bytes)}, each to be read again within {pluralize(place.interval, 'day')}."
    )
    by_when = "; ".join(f"{_format_due_by(within)}: {_format_due(due)}" for within, due in place.due)
    yield f"  {by_when[:1].upper()}{by_when[1:]}."
    if place.next_due is not None:
        yield f"  The next one falls due {format_time(place.next_due, zone)}."
    yield f"  Speed: {format_rate(place.rate.bytes_per_second)}, {_format_rate_source(place.rate, now)}."
    yield from _format_verdict(place, night)


def _format_due_by(days: int) -> str:
    return "due now" if days == 0 else f"within {pluralize(days, 'day')}"


def _format_due(due: DueReading) -> str:
    if not due.copies:
        return "nothing"
    reading = format_duration(max(1.0, due.seconds))
    return f"{pluralize(due.copies, 'copy', 'copies')}, {format_size(due.total_bytes)}, {reading} of reading"


def _format_rate_source(read_rate: ReadRate, now: int) -> str:
    if read_rate.sample_count:
        return (
            f"measured over {pluralize(read_rate.sample_count, 'rescan')}, "
            f"the last one {format_age(read_rate.measured_at, now)}"
        )
    return f"assumed: {read_rate.assumed_from}. `rescan` measures it"


def _format_verdict(place: PlaceRescanForecast, night: float) -> Iterator[str]:
    nights = pluralize(math.ceil(place.plan.nights_needed), "night")
    reads = f"A night reads {format_size(place.bytes_per_night)}; all of it takes {nights}"
    if not place.plan.is_enough:
        yield f"  {reads}, the rule asks for {place.interval}: not enough."
        yield (
            "  What is safe: every copy stays where it is. One that was not read in time does not count for a "
            "card's YES until it is read."
        )
        yield f"  Next: {_suggest_more_time(place, night)}"
        return
    yield f"  {reads}: enough, also for an interval of {pluralize(_get_sustainable_days(place), 'day')}."
    if place.catch_up.nights:
        yield f"  What is due now is read after {pluralize(place.catch_up.nights, 'night')}."
    if place.catch_up.max_days_late:
        late = pluralize(place.catch_up.max_days_late, "day")
        yield f"  Much falls due at once: the last of it is read up to {late} late."
    if place.record.state is PlaceState.SHELVED:
        yield f"  Next: connect it for {nights} before its copies fall due."


def _suggest_more_time(place: PlaceRescanForecast, night: float) -> str:
    name = escape_text(place.record.name)
    if place.needed_seconds > _DAY_S / 2:
        return (
            f"no night is long enough. Read by day as well (`rescan --place {name}`), or give it more days "
            "in the settings (road_days, shelf_days)."
        )
    setting = f'rescan_nightly = "{format_setting_time(place.needed_seconds)}" or more'
    longer = " and a night as long" if place.needed_seconds > night else ""
    return f"set {setting}{longer} in the settings, or read by day: `rescan --place {name}`."


def _get_sustainable_days(place: PlaceRescanForecast) -> int:
    """Return the shortest interval in whole days that the nightly time can sustain."""
    return max(1, math.ceil(place.plan.sustainable_days))


def _build_place_object(place: PlaceRescanForecast) -> JsonObject:
    return {
        "place": place.record.name,
        "role": str(place.record.role),
        "state": str(place.record.state),
        "copies": place.copies,
        "bytes": place.total_bytes,
        "interval_days": place.interval,
        "due": [
            {
                "within_days": within,
                "copies": due.copies,
                "bytes": due.total_bytes,
                "seconds": round(due.seconds, 3),
            }
            for within, due in place.due
        ],
        "next_due": None if place.next_due is None else format_iso(place.next_due),
        "bytes_per_second": round(place.rate.bytes_per_second),
        "measured_over": place.rate.sample_count,
        "measured_at": None if place.rate.measured_at is None else format_iso(place.rate.measured_at),
        "assumed_from": place.rate.assumed_from or None,
        "bytes_a_night": place.bytes_per_night,
        "nights_needed": round(place.plan.nights_needed, 3),
        "sustained_days": _get_sustainable_days(place),
        "enough": place.plan.is_enough,
        "nightly_seconds_needed": round(place.needed_seconds, 3),
        "caught_up_after_nights": place.catch_up.nights,
        "most_days_late": place.catch_up.max_days_late,
    }
