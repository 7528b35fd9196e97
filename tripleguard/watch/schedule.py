"""What is due by the clock and when the next task is, and the timer that wakes the loop then.

Every scheduled task is identified by its occurrence, the instant at which the local wall clock shows its hour.
The newest occurrence that has passed is due if it has not run; older ones are dropped, so what was slept
through is caught up once. An occurrence less than half a day after the last run belongs to the same night: a
flight to the west shows the same hour again. An hour that a night of changing clocks skips counts as the
instant it would have been; one that comes twice counts the first time (PEP 495, fold 0).

The timer only wakes the loop, so a late, repeated or missing call does no harm.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta, tzinfo

from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.date import DateTrigger

from tripleguard.clock import DAY, HOUR, SECOND
from tripleguard.config import Settings
from tripleguard.watch.queue import TaskKind, WatchTask

_SAME_OCCURRENCE = {1: 12 * HOUR, 7: 4 * DAY}
"""By the days between two occurrences: what is closer to the one that was served than this is the same one."""
_MAX_CLOCK_ERROR = 2 * DAY
"""A clock that was so far ahead when something was served was wrong."""


@dataclass(frozen=True, slots=True)
class ScheduleEntry:
    """One line of the timetable: what, at which local hour, on which weekday (Monday is 0; None: every day)."""

    kind: TaskKind
    time_of_day: time
    weekday: int | None = None

    @property
    def interval_days(self) -> int:
        return 1 if self.weekday is None else 7


@dataclass(frozen=True, slots=True)
class Schedule:
    """What comes by the clock. night_ends: when reading should end. read_seconds: how long a night reads."""

    entries: tuple[ScheduleEntry, ...]
    night_end: time
    rescan_seconds: float


def build_schedule(settings: Settings, *, has_offsite: bool = False) -> Schedule:
    """The timetable that the settings ask for. offsite: a place there was named."""
    begins, ends = settings.watch.night_hours
    entries = [
        ScheduleEntry(what, begins) for what in (TaskKind.TOPUP, TaskKind.LISTING_RESCAN, TaskKind.DUE_RESCAN)
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
    """What is due now (UTC ns) in this zone (None: the system's). served: by word, the occurrence served last."""
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
    """What comes next and when (UTC ns), the earliest first."""
    return sorted(
        ((entry.kind, _next_occurrence(entry, now, zone)) for entry in schedule.entries), key=lambda pair: pair[1]
    )


def skip_missed(schedule: Schedule, last_run: Mapping[str, int], now: int, zone: tzinfo | None) -> dict[str, int]:
    """served, with what never was counted as served: a first start does not catch up on nights before it."""
    return {entry.kind: _last_occurrence(entry, now, zone) for entry in schedule.entries} | dict(last_run)


def _rescan_time_limit(schedule: Schedule, occurrence: int, now: int, zone: tzinfo | None) -> float:
    """Seconds that reading may take: to the end of the night; a night that was slept through gets all of it."""
    began = datetime.fromtimestamp(occurrence // SECOND, UTC).astimezone(zone)
    end = _to_instant(began, 0, schedule.night_end, zone)
    if end <= occurrence:
        end = _to_instant(began, 1, schedule.night_end, zone)
    return min(schedule.rescan_seconds, (end - now) / SECOND) if now < end else schedule.rescan_seconds


def _last_occurrence(entry: ScheduleEntry, now: int, zone: tzinfo | None) -> int:
    """The newest occurrence that has passed."""
    return max(instant for instant in _nearby_occurrences(entry, now, zone) if instant <= now)


def _next_occurrence(entry: ScheduleEntry, now: int, zone: tzinfo | None) -> int:
    """The first occurrence that is still to come."""
    return min(instant for instant in _nearby_occurrences(entry, now, zone) if instant > now)


def _nearby_occurrences(entry: ScheduleEntry, now: int, zone: tzinfo | None) -> Iterable[int]:
    local = datetime.fromtimestamp(now // SECOND, UTC).astimezone(zone)
    for days in range(-entry.interval_days - 1, entry.interval_days + 2):
        if entry.weekday is None or (local + timedelta(days=days)).weekday() == entry.weekday:
            yield _to_instant(local, days, entry.time_of_day, zone)


def _to_instant(local: datetime, days: int, at: time, zone: tzinfo | None) -> int:
    """When the wall clock shows that hour, so many days from a local day on."""
    naive = datetime.combine(local.date() + timedelta(days=days), at)
    aware = naive.astimezone(UTC) if zone is None else naive.replace(tzinfo=zone).astimezone(UTC)
    return int(aware.timestamp()) * SECOND


_JOB_ID = "alarm"


class WakeTimer:
    """Calls ring at the instant it is set to. Use: `submit`, `set_time`, `stop`."""

    def __init__(self, callback: Callable[[], None]) -> None:
        self._callback = callback
        self._wake_at: int | None = None
        # However late: a laptop that slept must hear it on waking, and once.
        self._scheduler = BackgroundScheduler(
            timezone=UTC, job_defaults={"misfire_grace_time": None, "coalesce": True, "max_instances": 1}
        )

    def start(self) -> None:
        self._scheduler.start()

    def set_time(self, at: int) -> None:
        """Ring at this instant (UTC ns) and not before."""
        if at != self._wake_at:
            self._wake_at = at
            when = datetime.fromtimestamp(at / SECOND, UTC)
            self._scheduler.add_job(self._callback, DateTrigger(when), id=_JOB_ID, replace_existing=True)

    def stop(self) -> None:
        self._scheduler.shutdown(wait=False)
