"""When drives are full, as lines and as an object."""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import date, timedelta

from tripleguard.clock import iso_utc
from tripleguard.forecast.filling import FARTHEST, FullIn
from tripleguard.names import shown
from tripleguard.reports.objects import Object
from tripleguard.reports.words import ago, count, size
from tripleguard.work.answers.filling import Filling, PlaceFilling


def lines(found: Filling, now: int) -> Iterator[str]:
    """The answer, then each drive, then what to buy by when."""
    if found.pace is None:
        yield (
            f"Room: nothing was shot in the last {count(found.fit_weeks, 'week')}, so it can't be said when a "
            "drive is full."
        )
        return
    soon = [one for one in found.places if one.full is not None and _weeks_at_worst(one.full) <= FARTHEST]
    if not soon:
        yield "Room: at this pace no drive is full within ten years."
    else:
        first = min(soon, key=lambda one: _weeks_at_worst(one.full) if one.full else math.inf)
        yield f"Room: drive {shown(first.record.name)} is full first, {_when(first, found.today)}."
    yield (
        f"  Pace: {size(round(found.pace.mean))} a week on average over {count(found.pace.weeks, 'week')}, "
        "quiet ones too."
    )
    for one in found.places:
        yield f"  Drive {shown(one.record.name)}: {_drive(one, found.today, now)}."
    yield from _buying(found)


def as_object(found: Filling) -> Object:
    return {
        "bytes_a_week": None if found.pace is None else round(found.pace.mean),
        "over_weeks": None if found.pace is None else found.pace.weeks,
        "places": [_place_object(one, found.today) for one in found.places],
        "drives_to_buy": found.copies if found.buy_by else None,
        "buy_by": found.buy_by.isoformat() if found.buy_by else None,
        "buy_now": found.soon,
        "weeks_by_size": [{"bytes": size_, "weeks": round(weeks, 1)} for size_, weeks in found.lasting],
    }


def _drive(one: PlaceFilling, today: date, now: int) -> str:
    if one.room is None or one.full is None:
        return "its room was not seen yet, connect it once"
    share = "" if one.share > 0.95 else f", {one.share:.0%} of what is shot comes onto it"
    return f"{size(one.free)} are free (seen {ago(one.room.at, now)}){share}: full {_when(one, today)}"


def _when(one: PlaceFilling, today: date) -> str:
    full = one.full
    if full is None or _weeks_at_worst(full) > FARTHEST:
        return "not within ten years"
    about = f"in about {_weeks(full.weeks)}" if full.weeks <= FARTHEST else "in more than ten years"
    if full.soonest is None:
        return f"{about}; how sure that is can be said after three weeks of shooting"
    latest = "later than in ten years" if full.latest is None else _day(today, full.latest)
    return f"{about}, between {_day(today, full.soonest)} and {latest} (four times out of five)"


def _buying(found: Filling) -> Iterator[str]:
    if found.buy_by is None or found.pace is None or found.buy_by > found.today + timedelta(weeks=FARTHEST):
        return
    lasting = ", ".join(f"{size(size_)} would last {_weeks(weeks)}" for size_, weeks in found.lasting)
    by = "now" if found.soon else f"by {found.buy_by.isoformat()}"
    yield f"  {'Next' if found.soon else 'What to buy'}: {count(found.copies, 'new drive')} {by}; {lasting}."


def _weeks_at_worst(full: FullIn) -> float:
    return full.weeks if full.soonest is None else full.soonest


def _weeks(weeks: float) -> str:
    if weeks > FARTHEST:
        return "more than ten years"
    return count(max(1, round(weeks)), "week") if weeks >= 1 else count(max(1, round(weeks * 7)), "day")


def _day(today: date, weeks: float) -> str:
    return (today + timedelta(days=round(weeks * 7))).isoformat()


def _place_object(one: PlaceFilling, today: date) -> Object:
    full = one.full

    def day(weeks: float | None) -> str | None:
        return None if weeks is None or weeks > FARTHEST else _day(today, weeks)

    return {
        "place": one.record.name,
        "free": None if one.room is None else one.free,
        "seen_at": None if one.room is None else iso_utc(one.room.at),
        "share": round(one.share, 4),
        "full_on": None if full is None else day(full.weeks),
        "not_before": None if full is None else day(full.soonest),
        "not_after": None if full is None else day(full.latest),
        "weeks": None if full is None or math.isinf(full.weeks) else round(full.weeks, 2),
    }
