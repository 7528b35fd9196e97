"""What lies ahead, as lines for a terminal and as the object that `--json` prints. A section each question."""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import tzinfo

from tripleguard.clock import iso_utc
from tripleguard.forecast import Due, Rate
from tripleguard.model import PlaceState
from tripleguard.names import shown
from tripleguard.reports import chances, filling
from tripleguard.reports.objects import SCHEMA, Object
from tripleguard.reports.words import ago, count, duration, rate, size, when
from tripleguard.work.answers.foreseeing import Forecast, PlaceRereading, Rereading

_STEP = 300  # seconds: nobody sets a night to the second
_DAY = 86_400


def lines(found: Forecast, zone: tzinfo | None) -> Iterator[str]:
    """Every section: its answer first, then the drives."""
    yield from _rereading(found.rereading, found.at, zone)
    yield ""
    yield from filling.lines(found.filling, found.at)
    yield ""
    yield from chances.lines(found.losing)


def as_object(found: Forecast) -> Object:
    """One object; a section is a name in it."""
    return {
        "schema": SCHEMA,
        "at": iso_utc(found.at),
        "answer": "clear" if found.clear else "attention",
        "rereading": {
            "answer": "enough" if found.rereading.enough else "not enough",
            "nightly_seconds": found.rereading.nightly_seconds,
            "places": [_place_object(one) for one in found.rereading.places],
        },
        "filling": filling.as_object(found.filling),
        "losing": chances.as_object(found.losing),
    }


def as_setting(seconds: float) -> str:
    """A time as it is written in the settings, rounded up to five minutes: `25min`, `2h`, `2h 50min`."""
    minutes = max(1, math.ceil(seconds / _STEP)) * _STEP // 60
    hours, rest = divmod(minutes, 60)
    return " ".join(part for part in (f"{hours}h" if hours else "", f"{rest}min" if rest else "") if part)


def _rereading(found: Rereading, now: int, zone: tzinfo | None) -> Iterator[str]:
    if not found.places:
        yield "Reading again: there are no copies yet, so nothing falls due."
        yield "  Next: put a card in and run `tripleguard offload CARD`."
        return
    nightly = duration(found.nightly_seconds)
    short = [one for one in found.places if not one.plan.enough]
    if short:
        names = " and ".join(shown(one.record.name) for one in short)
        yield f"Reading again: {nightly} a night is NOT ENOUGH for drive {names}."
    else:
        yield f"Reading again: {nightly} a night is enough for every drive."
    for one in found.places:
        yield ""
        yield from _place(one, found.night_seconds, now, zone)


def _place(one: PlaceRereading, night: float, now: int, zone: tzinfo | None) -> Iterator[str]:
    where = "on the shelf" if one.record.state is PlaceState.SHELVED else "on the road"
    yield (
        f"Drive {shown(one.record.name)}, {where}: {count(one.copies, 'copy', 'copies')}, "
        f"{size(one.total_bytes)}, each to be read again within {count(one.interval, 'day')}."
    )
    by_when = "; ".join(f"{_by_when(within)}: {_due(due)}" for within, due in one.due)
    yield f"  {by_when[:1].upper()}{by_when[1:]}."
    if one.next_due is not None:
        yield f"  The next one falls due {when(one.next_due, zone)}."
    yield f"  Speed: {rate(one.rate.bytes_per_second)}, {_source(one.rate, now)}."
    yield from _verdict(one, night)


def _by_when(within: int) -> str:
    return "due now" if within == 0 else f"within {count(within, 'day')}"


def _due(due: Due) -> str:
    if not due.copies:
        return "nothing"
    reading = duration(max(1.0, due.seconds))
    return f"{count(due.copies, 'copy', 'copies')}, {size(due.total_bytes)}, {reading} of reading"


def _source(found: Rate, now: int) -> str:
    if found.readings:
        return f"measured over {count(found.readings, 'rescan')}, the last one {ago(found.at, now)}"
    return f"assumed: {found.assumed_from}. `rescan` measures it"


def _verdict(one: PlaceRereading, night: float) -> Iterator[str]:
    nights = count(math.ceil(one.plan.nights_needed), "night")
    reads = f"A night reads {size(one.bytes_a_night)}; all of it takes {nights}"
    if not one.plan.enough:
        yield f"  {reads}, the rule asks for {one.interval}: not enough."
        yield (
            "  What is safe: every copy stays where it is. One that was not read in time does not count for a "
            "card's YES until it is read."
        )
        yield f"  Next: {_more_time(one, night)}"
        return
    yield f"  {reads}: enough, also for an interval of {count(_sustained(one), 'day')}."
    if one.catch_up.nights:
        yield f"  What is due now is read after {count(one.catch_up.nights, 'night')}."
    if one.catch_up.most_days_late:
        late = count(one.catch_up.most_days_late, "day")
        yield f"  Much falls due at once: the last of it is read up to {late} late."
    if one.record.state is PlaceState.SHELVED:
        yield f"  Next: connect it for {nights} before its copies fall due."


def _more_time(one: PlaceRereading, night: float) -> str:
    name = shown(one.record.name)
    if one.nightly_needed > _DAY / 2:
        return (
            f"no night is long enough. Read by day as well (`rescan --place {name}`), or give it more days "
            "in the settings (road_days, shelf_days)."
        )
    setting = f'rescan_nightly = "{as_setting(one.nightly_needed)}" or more'
    longer = " and a night as long" if one.nightly_needed > night else ""
    return f"set {setting}{longer} in the settings, or read by day: `rescan --place {name}`."


def _sustained(one: PlaceRereading) -> int:
    """The shortest interval in whole days that the nights keep."""
    return max(1, math.ceil(one.plan.sustained_days))


def _place_object(one: PlaceRereading) -> Object:
    return {
        "place": one.record.name,
        "role": str(one.record.role),
        "state": str(one.record.state),
        "copies": one.copies,
        "bytes": one.total_bytes,
        "interval_days": one.interval,
        "due": [
            {
                "within_days": within,
                "copies": due.copies,
                "bytes": due.total_bytes,
                "seconds": round(due.seconds, 3),
            }
            for within, due in one.due
        ],
        "next_due": None if one.next_due is None else iso_utc(one.next_due),
        "bytes_per_second": round(one.rate.bytes_per_second),
        "measured_over": one.rate.readings,
        "measured_at": None if one.rate.at is None else iso_utc(one.rate.at),
        "assumed_from": one.rate.assumed_from or None,
        "bytes_a_night": one.bytes_a_night,
        "nights_needed": round(one.plan.nights_needed, 3),
        "sustained_days": _sustained(one),
        "enough": one.plan.enough,
        "nightly_seconds_needed": round(one.nightly_needed, 3),
        "caught_up_after_nights": one.catch_up.nights,
        "most_days_late": one.catch_up.most_days_late,
    }
