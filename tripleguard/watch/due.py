"""What is due by the clock, and when the next thing will be. Pure: the time, the zone and what was served go in.

Everything by the clock is named by its occurrence, the instant at which the local wall clock shows its hour. The
newest occurrence that has passed is due if it was not served; older ones are gone, so what was slept through is
caught up once. An occurrence less than half a day after the one that was served belongs to the same night: a
flight to the west shows the same hour again. An hour that a night of changing clocks skips counts as the instant
it would have been; one that comes twice counts the first time (PEP 495, fold 0).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta, tzinfo

from tripleguard.clock import DAY, HOUR, SECOND
from tripleguard.config import Settings
from tripleguard.watch.errand import Errand, What

_SAME = {1: 12 * HOUR, 7: 4 * DAY}
"""By the days between two occurrences: what is closer to the one that was served than this is the same one."""
_ASTRAY = 2 * DAY
"""A clock that was so far ahead when something was served was wrong."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of the timetable: what, at which local hour, on which weekday (Monday is 0; None: every day)."""

    what: What
    at: time
    weekday: int | None = None

    @property
    def days(self) -> int:
        return 1 if self.weekday is None else 7


@dataclass(frozen=True, slots=True)
class Timetable:
    """What comes by the clock. night_ends: when reading should end. read_seconds: how long a night reads."""

    entries: tuple[Entry, ...]
    night_ends: time
    read_seconds: float


def timetable(settings: Settings, *, offsite: bool = False) -> Timetable:
    """The timetable that the settings ask for. offsite: a place there was named."""
    begins, ends = settings.watch.night_hours
    entries = [Entry(what, begins) for what in (What.TOPUP, What.QUICK, What.READ)]
    morning = settings.watch.report_time
    if morning is not None:
        entries.append(Entry(What.REPORT, morning))
    drill = settings.watch.drill_time
    if drill is not None:
        entries.append(Entry(What.DRILL, drill[1], drill[0]))
    if offsite:
        hours = settings.offsite.window
        entries.append(Entry(What.AFAR, hours[0] if hours is not None else begins))
    return Timetable(tuple(entries), ends, settings.drives.nightly_seconds)


def due(table: Timetable, served: Mapping[str, int], now: int, zone: tzinfo | None) -> list[Errand]:
    """What is due now (UTC ns) in this zone (None: the system's). served: by word, the occurrence served last."""
    found = []
    for entry in table.entries:
        occurrence = _last(entry, now, zone)
        before = served.get(entry.what)
        if before is not None and before - now < _ASTRAY and occurrence - before < _SAME[entry.days]:
            continue
        seconds = _reading(table, occurrence, now, zone) if entry.what is What.READ else None
        found.append(Errand(entry.what, served=occurrence, seconds=seconds))
    return found


def upcoming(table: Timetable, now: int, zone: tzinfo | None) -> list[tuple[What, int]]:
    """What comes next and when (UTC ns), the earliest first."""
    return sorted(((entry.what, _next(entry, now, zone)) for entry in table.entries), key=lambda pair: pair[1])


def from_now_on(table: Timetable, served: Mapping[str, int], now: int, zone: tzinfo | None) -> dict[str, int]:
    """served, with what never was counted as served: a first start does not catch up on nights before it."""
    return {entry.what: _last(entry, now, zone) for entry in table.entries} | dict(served)


def _reading(table: Timetable, occurrence: int, now: int, zone: tzinfo | None) -> float:
    """Seconds that reading may take: to the end of the night; a night that was slept through gets all of it."""
    began = datetime.fromtimestamp(occurrence // SECOND, UTC).astimezone(zone)
    end = _instant(began, 0, table.night_ends, zone)
    if end <= occurrence:
        end = _instant(began, 1, table.night_ends, zone)
    return min(table.read_seconds, (end - now) / SECOND) if now < end else table.read_seconds


def _last(entry: Entry, now: int, zone: tzinfo | None) -> int:
    """The newest occurrence that has passed."""
    return max(instant for instant in _around(entry, now, zone) if instant <= now)


def _next(entry: Entry, now: int, zone: tzinfo | None) -> int:
    """The first occurrence that is still to come."""
    return min(instant for instant in _around(entry, now, zone) if instant > now)


def _around(entry: Entry, now: int, zone: tzinfo | None) -> Iterable[int]:
    local = datetime.fromtimestamp(now // SECOND, UTC).astimezone(zone)
    for days in range(-entry.days - 1, entry.days + 2):
        if entry.weekday is None or (local + timedelta(days=days)).weekday() == entry.weekday:
            yield _instant(local, days, entry.at, zone)


def _instant(local: datetime, days: int, at: time, zone: tzinfo | None) -> int:
    """When the wall clock shows that hour, so many days from a local day on."""
    naive = datetime.combine(local.date() + timedelta(days=days), at)
    aware = naive.astimezone(UTC) if zone is None else naive.replace(tzinfo=zone).astimezone(UTC)
    return int(aware.timestamp()) * SECOND
