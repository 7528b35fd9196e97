"""What is due when, for a photographer on tour: nights, flights, a laptop that slept, clocks that are changed."""

from __future__ import annotations

import threading
import time as time_module
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, time, tzinfo
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tripleguard.clock import DAY, HOUR, SECOND, SystemClock
from tripleguard.config import Settings, parse_settings
from tripleguard.errors import SettingsError
from tripleguard.watch.devices import Battery, hold_reason
from tripleguard.watch.queue import TaskKind, WatchTask
from tripleguard.watch.schedule import Schedule, WakeTimer, build_schedule, list_due, list_upcoming, skip_missed

TOKYO, ANGELES, BERLIN = (ZoneInfo(name) for name in ("Asia/Tokyo", "America/Los_Angeles", "Europe/Berlin"))
STEP = 300 * SECOND


def ns(local: str, zone: tzinfo) -> int:
    return int(datetime.fromisoformat(local).replace(tzinfo=zone).timestamp()) * SECOND


def table(**watch: object) -> Schedule:
    lines = "\n".join(f'{name} = "{value}"' for name, value in watch.items())
    return build_schedule(parse_settings(f"[watch]\n{lines}\n", Path("settings.toml")))


@dataclass
class Week:
    """A laptop on tour: where it is from when on, when it sleeps, and what it did by the clock."""

    table: Schedule
    zones: Sequence[tuple[int, tzinfo]]
    asleep: Sequence[tuple[int, int]] = ()
    served: dict[str, int] = field(default_factory=dict)
    done: list[tuple[TaskKind, str]] = field(default_factory=list)

    def live(self, until: int) -> Week:
        """Every five minutes while it is awake: do at once what is due."""
        now = self.zones[0][0]
        self.served = skip_missed(self.table, self.served, now, self.zones[0][1])
        while now < until:
            zone = [zone for since, zone in self.zones if since <= now][-1]
            if not any(began <= now < ended for began, ended in self.asleep):
                for errand in list_due(self.table, self.served, now, zone):
                    assert errand.occurrence is not None
                    assert errand.occurrence <= now
                    self.served[errand.kind] = errand.occurrence
                    local = datetime.fromtimestamp(now // SECOND, UTC).astimezone(zone)
                    self.done.append((errand.kind, local.strftime("%m-%d %H:%M %Z")))
            now += STEP
        return self

    def when(self, what: TaskKind) -> list[str]:
        return [at for one, at in self.done if one is what]


def test_a_week_from_tokyo_over_the_pacific_into_the_night_of_the_changed_clocks() -> None:
    """Clocks in Los Angeles go back on the first Sunday of November at 02:00 (IANA time zone database)."""
    departs, lands = ns("2026-10-28T17:00", TOKYO), ns("2026-10-28T11:00", ANGELES)
    week = Week(
        table(night="03:00-07:00", drill="sunday 04:00"),
        zones=[(ns("2026-10-25T12:00", TOKYO), TOKYO), (lands, ANGELES)],
        asleep=[(departs, lands), (ns("2026-10-30T01:10", ANGELES), ns("2026-10-30T09:30", ANGELES))],
    ).live(ns("2026-11-02T12:00", ANGELES))
    nights = [
        "10-26 03:00 JST",
        "10-27 03:00 JST",
        "10-28 03:00 JST",
        "10-28 11:00 PDT",  # the night over the ocean: a day after the last one, caught up on landing
        "10-29 03:00 PDT",
        "10-30 09:30 PDT",
        "10-31 03:00 PDT",
        "11-01 03:00 PST",
        "11-02 03:00 PST",
    ]
    for what in (TaskKind.LISTING_RESCAN, TaskKind.DUE_RESCAN, TaskKind.TOPUP):
        assert week.when(what) == nights
    assert week.when(TaskKind.DRILL) == ["11-01 04:00 PST"]


def test_a_flight_to_the_west_shows_the_same_hour_again_and_it_is_the_same_night() -> None:
    leaves = ns("2026-06-15T04:00", TOKYO)
    week = Week(
        table(night="03:00-07:00", drill=""), zones=[(ns("2026-06-14T00:00", TOKYO), TOKYO), (leaves, BERLIN)]
    ).live(ns("2026-06-17T12:00", BERLIN))
    assert week.when(TaskKind.LISTING_RESCAN) == [
        "06-14 03:00 JST",
        "06-15 03:00 JST",
        "06-16 03:00 CEST",
        "06-17 03:00 CEST",
    ]


def test_a_flight_over_the_date_line_to_the_west_leaves_a_date_out_and_no_night() -> None:
    takes_off, lands = ns("2026-06-20T13:00", ANGELES), ns("2026-06-21T16:30", TOKYO)
    week = Week(
        table(night="03:00-07:00", drill=""),
        zones=[(ns("2026-06-19T12:00", ANGELES), ANGELES), (lands, TOKYO)],
        asleep=[(takes_off, lands)],
    ).live(ns("2026-06-23T12:00", TOKYO))
    assert week.when(TaskKind.DUE_RESCAN) == ["06-20 03:00 PDT", "06-22 03:00 JST", "06-23 03:00 JST"]


@pytest.mark.parametrize(
    ("hour", "zone", "days", "expected"),
    [
        # Berlin: last Sunday of March 02:00 -> 03:00, of October 03:00 -> 02:00 (EU directive 2000/84/EC).
        (
            "02:30",
            BERLIN,
            ("2026-03-28", "2026-03-30"),
            ["03-28 02:30 CET", "03-29 03:30 CEST", "03-30 02:30 CEST"],
        ),
        (
            "02:30",
            BERLIN,
            ("2026-10-24", "2026-10-26"),
            ["10-24 02:30 CEST", "10-25 02:30 CEST", "10-26 02:30 CET"],
        ),
        (
            "01:30",
            ANGELES,
            ("2026-10-31", "2026-11-02"),
            ["10-31 01:30 PDT", "11-01 01:30 PDT", "11-02 01:30 PST"],
        ),
        (
            "02:15",
            ANGELES,
            ("2026-03-07", "2026-03-09"),
            ["03-07 02:15 PST", "03-08 03:15 PDT", "03-09 02:15 PDT"],
        ),
    ],
)
def test_a_night_of_changed_clocks_comes_once(
    hour: str, zone: ZoneInfo, days: tuple[str, str], expected: list[str]
) -> None:
    week = Week(table(night=f"{hour}-07:00", drill=""), zones=[(ns(f"{days[0]}T00:00", zone), zone)])
    assert week.live(ns(f"{days[1]}T23:00", zone)).when(TaskKind.LISTING_RESCAN) == expected


@pytest.mark.skipif(not hasattr(time_module, "tzset"), reason="the zone can't be set for one process here")
@pytest.mark.parametrize("variable", ["Europe/Berlin", "CET-1CEST,M3.5.0,M10.5.0/3"])
@pytest.mark.parametrize("days", [("2026-03-27", "2026-03-31"), ("2026-10-23", "2026-10-27")])
def test_the_zone_of_the_system_gives_the_same_nights(
    variable: str, days: tuple[str, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """As a name, and as a rule that no database holds (POSIX.1-2017, Base Definitions, 8.3)."""
    plan = table(night="02:30-03:30", drill="sunday 02:30")
    now, until = (ns(f"{day}T12:10", BERLIN) for day in days)
    monkeypatch.setenv("TZ", variable)
    time_module.tzset()
    try:
        while now < until:
            assert list_due(plan, {}, now, None) == list_due(plan, {}, now, BERLIN)
            assert list_upcoming(plan, now, None) == list_upcoming(plan, now, BERLIN)
            now += HOUR // 2
    finally:
        monkeypatch.undo()
        time_module.tzset()


def test_an_hour_that_comes_twice_and_was_slept_through_is_caught_up_once() -> None:
    wakes = ns("2026-10-25T09:00", BERLIN)
    week = Week(
        table(night="02:30-07:00", drill="sunday 02:30"),
        zones=[(ns("2026-10-24T12:00", BERLIN), BERLIN)],
        asleep=[(ns("2026-10-24T23:00", BERLIN), wakes)],
    ).live(ns("2026-10-25T23:00", BERLIN))
    assert week.when(TaskKind.LISTING_RESCAN) == week.when(TaskKind.DRILL) == ["10-25 09:00 CET"]


def test_after_the_first_of_two_equal_hours_the_next_one_is_tomorrow() -> None:
    between = ns("2026-10-25T02:45", BERLIN)
    coming = dict(list_upcoming(table(night="02:30-07:00", drill=""), between, BERLIN))
    assert coming[TaskKind.TOPUP] == ns("2026-10-26T02:30", BERLIN)


def test_what_was_slept_through_for_days_is_caught_up_once() -> None:
    wakes = ns("2026-06-19T10:00", BERLIN)
    week = Week(
        table(night="03:00-07:00", drill="sunday 04:00"),
        zones=[(ns("2026-06-01T12:00", BERLIN), BERLIN)],
        asleep=[(ns("2026-06-02T12:00", BERLIN), wakes)],
    ).live(ns("2026-06-20T12:00", BERLIN))
    assert week.when(TaskKind.LISTING_RESCAN) == ["06-02 03:00 CEST", "06-19 10:00 CEST", "06-20 03:00 CEST"]
    assert week.when(TaskKind.DRILL) == ["06-19 10:00 CEST"]


def test_a_first_start_does_not_catch_up_on_nights_before_it() -> None:
    now = ns("2026-06-14T15:00", BERLIN)
    served = skip_missed(table(), {}, now, BERLIN)
    assert list_due(table(), served, now, BERLIN) == []
    assert {one.kind for one in list_due(table(), served, now + DAY, BERLIN)} == {
        TaskKind.TOPUP,
        TaskKind.LISTING_RESCAN,
        TaskKind.DUE_RESCAN,
        TaskKind.REPORT,
    }


def test_a_clock_that_was_years_ahead_does_not_stop_the_nights() -> None:
    now = ns("2026-06-14T15:00", BERLIN)
    served = {str(what): now + 900 * DAY for what in TaskKind}
    assert TaskKind.LISTING_RESCAN in {one.kind for one in list_due(table(), served, now, BERLIN)}


@pytest.mark.parametrize(
    ("at", "seconds"),
    [
        ("2026-06-14T03:00", 7200),
        ("2026-06-14T06:00", 3600),
        ("2026-06-14T07:30", 7200),
        ("2026-06-14T22:00", 7200),
    ],
)
def test_reading_ends_with_the_night_and_a_night_that_was_slept_through_gets_all_of_it(
    at: str, seconds: float
) -> None:
    now = ns(at, BERLIN)
    read = next(
        one for one in list_due(table(night="03:00-07:00"), {}, now, BERLIN) if one.kind is TaskKind.DUE_RESCAN
    )
    assert read == WatchTask(TaskKind.DUE_RESCAN, occurrence=ns("2026-06-14T03:00", BERLIN), time_limit_s=seconds)


def test_a_night_may_begin_before_midnight() -> None:
    now = ns("2026-06-14T00:30", BERLIN)
    read = next(
        one for one in list_due(table(night="23:00-01:00"), {}, now, BERLIN) if one.kind is TaskKind.DUE_RESCAN
    )
    assert (read.occurrence, read.time_limit_s) == (ns("2026-06-13T23:00", BERLIN), 1800)


zones = st.sampled_from(
    [TOKYO, ANGELES, BERLIN, *map(ZoneInfo, ("Pacific/Auckland", "Pacific/Honolulu", "Asia/Kolkata"))]
)


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.tuples(st.integers(6, 60), zones), min_size=1, max_size=8),
    st.integers(0, 364),
)
def test_whatever_the_tour_no_night_doubles_and_none_is_left_out(
    stays: list[tuple[int, ZoneInfo]], day: int
) -> None:
    """Whoever is never asleep gets one every 12 to 36 hours, wherever the plane goes."""
    began = now = ns("2026-01-01T12:00", UTC) + day * DAY
    places = []
    for hours, zone in stays:
        places.append((now, zone))
        now += hours * HOUR
    plan = table(night="03:00-07:00", drill="")
    served = skip_missed(plan, {}, began, places[0][1])
    last, at = served[TaskKind.LISTING_RESCAN], began
    while at < now:
        zone = [zone for since, zone in places if since <= at][-1]
        for one in list_due(plan, served, at, zone):
            assert one.occurrence is not None
            served[one.kind] = one.occurrence
            if one.kind is TaskKind.LISTING_RESCAN:
                assert one.occurrence - last >= 12 * HOUR
                last = one.occurrence
        assert at - last < 37 * HOUR
        at += HOUR // 2


def test_the_alarm_is_set_to_what_comes_next() -> None:
    now = ns("2026-06-13T22:00", BERLIN)  # a Saturday
    coming = list_upcoming(table(night="03:00-07:00", drill="sunday 04:00"), now, BERLIN)
    assert coming[0][1] == ns("2026-06-14T03:00", BERLIN)
    assert coming[-2:] == [
        (TaskKind.DRILL, ns("2026-06-14T04:00", BERLIN)),
        (TaskKind.REPORT, ns("2026-06-14T07:30", BERLIN)),
    ]


def test_the_alarm_rings_once_and_can_be_set_anew() -> None:
    rang = threading.Semaphore(0)
    alarm = WakeTimer(rang.release)
    alarm.start()
    try:
        now = SystemClock().now()
        alarm.set_time(now + 3600 * SECOND)
        alarm.set_time(now + SECOND // 5)
        assert rang.acquire(timeout=5)
        assert not rang.acquire(timeout=0.5)
        alarm.set_time(now - DAY)
        assert rang.acquire(timeout=5), "an hour that passed while it slept must ring"
    finally:
        alarm.stop()


@pytest.mark.parametrize(
    ("battery", "held"),
    [
        (None, False),
        (Battery(100, True), False),
        (Battery(80, None), False),
        (Battery(95, False), True),
        (Battery(12, True), True),
    ],
)
def test_on_battery_only_new_pictures_are_cared_for(battery: Battery | None, held: bool) -> None:
    assert bool(hold_reason(battery, 30)) is held


def test_hours_that_mean_nothing_are_refused_with_their_line() -> None:
    for line in ('night = "late"', 'night = "03:00"', 'drill = "someday 04:00"', 'drill = "sunday"'):
        with pytest.raises(SettingsError, match="line 2: watch"):
            parse_settings(f"[watch]\n{line}\n", Path("settings.toml"))
    assert Settings().watch.night_hours == (time(3), time(7))
