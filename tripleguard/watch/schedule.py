"""What is due by the local wall clock, what comes next, and the timer that wakes the loop then.

APScheduler's cron triggers compute the occurrences of each entry in the local zone; this module decides which one
is due. That is the newest one that has passed, if it has not run, so what was slept through is caught up once. An
occurrence less than half a day after the last run belongs to the same night: after a flight to the west the clock
shows the same hour again. Where clocks are set back and an hour comes twice, the first one counts.

The timer only wakes the loop, so a late, repeated or missing call does no harm.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta, tzinfo
from functools import lru_cache
from itertools import takewhile

from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.cron import CronTrigger
from apscheduler.triggers.date import DateTrigger

from tripleguard.clock import DAY, HOUR, SECOND
from tripleguard.config import Settings
from tripleguard.watch.queue import TaskKind, WatchTask

_SAME_OCCURRENCE = {1: 12 * HOUR, 7: 4 * DAY}
"""By days between two occurrences: one that is closer than this to the last run is the same occurrence."""
_MAX_CLOCK_ERROR = 2 * DAY
"""A last run this far in the future was recorded while the clock was wrong."""


@dataclass(frozen=True, slots=True)
class ScheduleEntry:
    """A task with its local time of day and its weekday (Monday is 0; None: every day)."""

    kind: TaskKind
    time_of_day: time
    weekday: int | None = None

    @property
    def interval_days(self) -> int:
        """Return the days between two occurrences."""
        return 1 if self.weekday is None else 7


@dataclass(frozen=True, slots=True)
class Schedule:
    """The scheduled tasks, when a rescan should end, and how many seconds it may take each night."""

    entries: tuple[ScheduleEntry, ...]
    night_end: time
    rescan_seconds: float


def build_schedule(settings: Settings, *, has_offsite: bool = False) -> Schedule:
    """Return the schedule that the settings ask for. has_offsite: there is an offsite place."""
    begins, ends = settings.watch.night_hours
    entries = [
        ScheduleEntry(kind, begins) for kind in (TaskKind.TOPUP, TaskKind.LISTING_RESCAN, TaskKind.DUE_RESCAN)
    ]
    morning = settings.watch.report_time
    if morning is not None:
        entries.append(ScheduleEntry(TaskKind.REPORT, morning))
    drill = settings.watch.drill_time
    if drill is not None:
        entries.append(ScheduleEntry(TaskKind.DRILL, drill[1], drill[0]))
    if has_offsite:
        hours = settings.offsite.window
        entries.append(ScheduleEntry(TaskKind.OFFSITE_RESCAN, hours[0] if hours is not None else begins))
    return Schedule(tuple(entries), ends, settings.drives.nightly_seconds)


def list_due(schedule: Schedule, last_run: Mapping[str, int], now: int, zone: tzinfo | None) -> list[WatchTask]:
    """Return the tasks that are due.

    Args:
        last_run: the last occurrence that ran, by kind of task; UTC ns.
        now: UTC ns.
        zone: the local zone; None for the system's.
    """
    found = []
    for entry in schedule.entries:
        occurrence = _last_occurrence(entry, now, zone)
        before = last_run.get(entry.kind)
        if (
            before is not None
            and before - now < _MAX_CLOCK_ERROR
            and occurrence - before < _SAME_OCCURRENCE[entry.interval_days]
        ):
            continue
        seconds = (
            _rescan_time_limit(schedule, occurrence, now, zone) if entry.kind is TaskKind.DUE_RESCAN else None
        )
        found.append(WatchTask(entry.kind, occurrence=occurrence, time_limit_s=seconds))
    return found


def list_upcoming(schedule: Schedule, now: int, zone: tzinfo | None) -> list[tuple[TaskKind, int]]:
    """Return the next occurrence of each entry (UTC ns), the earliest first."""
    return sorted(
        ((entry.kind, _next_occurrence(entry, now, zone)) for entry in schedule.entries), key=lambda pair: pair[1]
    )


def skip_missed(schedule: Schedule, last_run: Mapping[str, int], now: int, zone: tzinfo | None) -> dict[str, int]:
    """Return the last runs, with new entries counted as just run: a first start does not catch up on nights."""
    return {entry.kind: _last_occurrence(entry, now, zone) for entry in schedule.entries} | dict(last_run)


def _rescan_time_limit(schedule: Schedule, occurrence: int, now: int, zone: tzinfo | None) -> float:
    """Return the seconds a rescan may take: to the end of its night, or all of them if that night has passed."""
    night_end = ScheduleEntry(TaskKind.DUE_RESCAN, schedule.night_end)
    end = _next_occurrence(night_end, occurrence, zone)
    return min(schedule.rescan_seconds, (end - now) / SECOND) if now < end else schedule.rescan_seconds


def _last_occurrence(entry: ScheduleEntry, now: int, zone: tzinfo | None) -> int:
    """Return the newest occurrence that has passed."""
    since = now - (entry.interval_days + 1) * DAY
    *_, last = takewhile(lambda instant: instant <= now, _iter_occurrences(entry, since, zone))
    return last


def _next_occurrence(entry: ScheduleEntry, now: int, zone: tzinfo | None) -> int:
    """Return the first occurrence that is still to come."""
    return next(instant for instant in _iter_occurrences(entry, now, zone) if instant > now)


def _iter_occurrences(entry: ScheduleEntry, since: int, zone: tzinfo | None) -> Iterator[int]:
    """Yield the occurrences from an instant on (UTC ns), without end."""
    zone = zone if zone is not None else _SYSTEM_ZONE
    trigger = _build_trigger(entry, zone)
    previous, earliest = None, datetime.fromtimestamp(since // SECOND, UTC).astimezone(zone)
    while (fire_time := trigger.get_next_fire_time(previous, earliest)) is not None:
        instant = fire_time.astimezone(UTC)
        # A cron trigger fires twice where an hour comes twice; the second time has fold 1 (PEP 495).
        if instant.astimezone(zone).fold == 0:
            yield int(instant.timestamp()) * SECOND
        previous = earliest = fire_time


@lru_cache(maxsize=64)
def _build_trigger(entry: ScheduleEntry, zone: tzinfo) -> CronTrigger:
    at = entry.time_of_day
    return CronTrigger(day_of_week=entry.weekday, hour=at.hour, minute=at.minute, second=at.second, timezone=zone)


class _SystemZone(tzinfo):
    """The zone that the operating system uses, which may change at any time.

    It asks the C library, so that every value of TZ works, also one without an entry in the IANA database.
    """

    def utcoffset(self, at: datetime | None) -> timedelta | None:
        return None if at is None else at.replace(tzinfo=None).astimezone().utcoffset()

    def dst(self, at: datetime | None) -> timedelta | None:
        return None

    def tzname(self, at: datetime | None) -> str | None:
        return None if at is None else at.replace(tzinfo=None).astimezone().tzname()

    def fromutc(self, at: datetime) -> datetime:
        instant = at.replace(tzinfo=UTC)
        local = instant.astimezone().replace(tzinfo=None, fold=0)
        return local.replace(tzinfo=self, fold=int(local.astimezone(UTC) != instant))


_SYSTEM_ZONE = _SystemZone()
_JOB_ID = "wake"


class WakeTimer:
    """Calls back at the instant it is set to. Call `start`, then `set_time` any number of times, then `stop`."""

    def __init__(self, callback: Callable[[], None]) -> None:
        self._callback = callback
        self._wake_at: int | None = None
        # A laptop that slept must be called once on waking, however late.
        self._scheduler = BackgroundScheduler(
            timezone=UTC, job_defaults={"misfire_grace_time": None, "coalesce": True, "max_instances": 1}
        )

    def start(self) -> None:
        """Start the scheduler's thread."""
        self._scheduler.start()

    def set_time(self, at: int) -> None:
        """Call back at this instant (UTC ns) and not before."""
        if at != self._wake_at:
            self._wake_at = at
            when = datetime.fromtimestamp(at / SECOND, UTC)
            self._scheduler.add_job(self._callback, DateTrigger(when), id=_JOB_ID, replace_existing=True)

    def stop(self) -> None:
        """Stop the scheduler's thread."""
        self._scheduler.shutdown(wait=False)
