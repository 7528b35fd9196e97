"""Whether the nights are long enough: the arithmetic against nights simulated one by one, and the command.

The simulation is written anew here, with single copies and without the house's formulas.
"""

from __future__ import annotations

import math
import random
import time
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from world import TestClock, World

from tripleguard.catalog.due_copies import count_due_by_day, list_rescan_readings, sum_due_bytes
from tripleguard.catalog.event_log import begin_job, end_job
from tripleguard.catalog.file_updates import record_copy_verified
from tripleguard.clock import DAY, HOUR, SECOND
from tripleguard.forecast.rescan_plan import (
    MIN_MEASURED_BYTES,
    CatchUpForecast,
    DueCopies,
    ReadMeasurement,
    compute_seconds_needed,
    get_due_day,
    measure_rate,
    plan_nightly_rescan,
    simulate_catch_up,
    sum_due_within,
)
from tripleguard.jobs.background import Budget
from tripleguard.jobs.rescan import scan_lane
from tripleguard.model import EventOutcome, Medium

NOW = 1_781_000_000 * SECOND
days_of = st.lists(
    st.builds(DueCopies, st.integers(0, 40), st.integers(1, 50), st.integers(1, 1000)),
    unique_by=lambda one: one.day,
    max_size=20,
)


def longest_wait(copies: int, a_night: int, on: tuple[int, ...] = tuple(range(7))) -> int:
    """Days between two readings of the same copy, the most there is: the oldest a_night copies are read a night.

    on: the days of the week that have a night.
    """
    read: dict[int, list[int]] = {copy: [] for copy in range(copies)}
    order = list(range(copies))
    for day in range(7 * math.ceil(copies / a_night) * 4 + 70):
        if day % 7 not in on:
            continue
        tonight, order = order[:a_night], order[a_night:]
        order += tonight
        for copy in tonight:
            read[copy].append(day)
    return max(later - earlier for days in read.values() for earlier, later in pairwise(days))


@settings(deadline=None)
@given(copies=st.integers(1, 120), a_night=st.integers(1, 150), size=st.integers(1, 10**9))
def test_the_interval_a_plan_sustains_is_what_the_nights_do(copies: int, a_night: int, size: int) -> None:
    a_night = min(a_night, copies)
    plan = plan_nightly_rescan(copies * size, float(size), a_night, 30)
    waited = longest_wait(copies, a_night)
    assert math.ceil(plan.sustainable_days - 1e-9) == waited
    assert plan.is_enough == (waited <= 30)


@settings(deadline=None)
@given(
    copies=st.integers(1, 80),
    a_night=st.integers(1, 80),
    on=st.sets(st.integers(0, 6), min_size=1).map(lambda days: tuple(sorted(days))),
)
def test_with_nights_off_it_is_right_to_within_a_week(copies: int, a_night: int, on: tuple[int, ...]) -> None:
    a_night = min(a_night, copies)
    plan = plan_nightly_rescan(copies, 1.0, a_night, 30, nights_per_week=len(on))
    assert abs(longest_wait(copies, a_night, on) - plan.sustainable_days) <= 7


@given(
    total=st.integers(1, 10**13), rate=st.floats(1e3, 1e10), interval=st.integers(1, 400), nights=st.integers(1, 7)
)
def test_the_nightly_time_that_is_named_just_keeps_the_interval(
    total: int, rate: float, interval: int, nights: int
) -> None:
    needed = compute_seconds_needed(total, rate, interval, nights)
    assert plan_nightly_rescan(total, rate, needed * (1 + 1e-9), interval, nights).is_enough
    assert not plan_nightly_rescan(total, rate, needed * 0.99, interval, nights).is_enough


def test_without_a_rate_or_copies_nothing_is_promised_or_asked() -> None:
    assert compute_seconds_needed(10, 0, 30) == math.inf
    assert compute_seconds_needed(0, 0, 30) == 0
    assert not plan_nightly_rescan(10, 0, 7200, 30).is_enough
    assert sum_due_within([DueCopies(0, 1, 10)], 0, 0).seconds == math.inf


@given(verified=st.lists(st.tuples(st.one_of(st.none(), st.integers(-50, 2)), st.integers(0, 10**6)), max_size=40))
def test_what_is_due_by_then_is_what_the_rule_calls_overdue_then(verified: list[tuple[int | None, int]]) -> None:
    """In hours, an interval of one day: counted here by asking of every copy how old it will be."""
    ages = [(None if at is None else NOW + at * HOUR, size) for at, size in verified]
    days = [DueCopies(get_due_day(at, 1, NOW), 1, size) for at, size in ages]
    for within in (0, 1, 2, 3):
        then = NOW + within * DAY
        overdue = [size for at, size in ages if at is None or at > NOW or at < then - DAY]
        found = sum_due_within(days, within, 2.0)
        assert (found.copies, found.total_bytes, found.seconds) == (len(overdue), sum(overdue), sum(overdue) / 2)


@settings(deadline=None)
@given(days=days_of, a_night=st.integers(1, 800), nights=st.integers(1, 40), ahead=st.integers(0, 9))
def test_catching_up_agrees_with_nights_read_byte_by_byte(
    days: list[DueCopies], a_night: int, nights: int, ahead: int
) -> None:
    waiting = sorted(one.day for one in days for _ in range(one.total_bytes))
    late, caught_up = 0, None if waiting[:1] == [0] else 0
    for night in range(1, nights + 1):
        tonight = [day for day in waiting if day <= night + ahead][:a_night]
        waiting = waiting[len(tonight) :]
        late = max([late, *(night - day for day in tonight if day > 0)])
        if caught_up is None and waiting[:1] != [0]:
            caught_up = night
    late = max([late, *(nights + 1 - day for day in waiting if 0 < day <= nights and waiting[0] > 0)])
    assert simulate_catch_up(days, float(a_night), nights, ahead) == CatchUpForecast(caught_up, late)


def test_a_great_evening_falls_due_in_one_night_and_takes_three() -> None:
    """2 TB read on one day, 800 GB a night: read in the nights of day 30, 31 and 32."""
    assert simulate_catch_up([DueCopies(5, 90_000, 2_000_000_000_000)], 8e11, 30) == CatchUpForecast(0, 2)
    assert simulate_catch_up([DueCopies(5, 90_000, 2_000_000_000_000)], 8e11, 30, days_ahead=7) == CatchUpForecast(
        0, 0
    ), "read before"
    assert simulate_catch_up([DueCopies(0, 90_000, 2_000_000_000_000)], 8e11, 30) == CatchUpForecast(3, 0)
    assert simulate_catch_up([DueCopies(0, 90_000, 2_000_000_000_000)], 8e11, 2) == CatchUpForecast(None, 0)


def test_a_rate_is_all_bytes_by_all_time_of_the_newest_readings() -> None:
    old = [ReadMeasurement(number, MIN_MEASURED_BYTES, 1.0) for number in range(5)]
    new = [ReadMeasurement(100 + number, MIN_MEASURED_BYTES, 2.0) for number in range(5)]
    found = measure_rate([*old, *new])
    assert found is not None
    assert (found.bytes_per_second, found.sample_count, found.measured_at) == (MIN_MEASURED_BYTES / 2, 5, 104)
    assert measure_rate([ReadMeasurement(1, MIN_MEASURED_BYTES - 1, 1.0)]) is None, (
        "a handful of files measures no drive"
    )
    assert measure_rate([ReadMeasurement(1, MIN_MEASURED_BYTES, 0.0)]) is None
    assert measure_rate([]) is None


def test_the_catalog_counts_what_is_due_as_a_rescan_takes_it(world: World) -> None:
    card = world.card()
    card.frames(30)
    assert world.run("offload", card.root).status == 0
    chance = random.Random(5)
    with world.ctx(TestClock(NOW)) as ctx:
        copies = ctx.catalog.fetch_all("SELECT c.id, f.size FROM copies c JOIN files f ON f.id = c.file_id")
        times = {}
        edges = [NOW - 30 * DAY + step for step in (-1, 0, 1, DAY - 1, DAY, DAY + 1)] + [NOW, NOW + 1]
        with ctx.catalog.transaction():
            for number, _ in copies:
                times[number] = chance.choice([*edges, NOW - chance.randrange(40 * DAY)])
                record_copy_verified(ctx.catalog, number, Medium.DIRECT, times[number])
        found = [one for place in (1, 2) for one in count_due_by_day(ctx.catalog, place, 30, NOW)]
        expected: dict[int, list[int]] = {}
        for number, size in copies:
            expected.setdefault(get_due_day(times[number], 30, NOW), []).append(size)
        summed = dict.fromkeys(expected, (0, 0))
        for one in found:
            count, total = summed[one.day]
            summed[one.day] = (count + one.copies, total + one.total_bytes)
        assert summed == {day: (len(sizes), sum(sizes)) for day, sizes in expected.items()}
        rescanned = sum(sum_due_bytes(ctx.catalog, place, NOW - 30 * DAY, NOW) for place in (1, 2))
        assert rescanned == summed[0][1]


def test_before_the_first_card_nothing_falls_due(world: World) -> None:
    answer = world.run("forecast")
    assert answer.status == 0
    assert "no copies yet" in answer.out
    assert world.run("forecast", "--json").json["rereading"]["places"] == []


def test_a_drive_that_was_never_read_again_is_assumed_and_says_from_what(world: World) -> None:
    card = world.card()
    card.frames(3)
    assert world.run("offload", card.root).status == 0
    answer = world.run("forecast", "--json")
    assert (answer.status, answer.json["answer"]) == (0, "clear")
    one = answer.json["rereading"]["places"][0]
    assert (one["measured_over"], one["bytes_per_second"]) == (0, 100_000_000)
    assert "portable hard disk" in one["assumed_from"]
    assert [due["within_days"] for due in one["due"]] == [0, 7, 30]
    assert [due["copies"] for due in one["due"]] == [0, 0, 3]
    assert one["next_due"]


class LeapingTime:
    """Time as it is, but for a day that passes with every wait that a cap asks for."""

    def __init__(self) -> None:
        self.leapt = 0.0

    def monotonic(self) -> float:
        return time.monotonic() + self.leapt

    def hold_back(self, _seconds: float, _ended: object) -> None:
        self.leapt += DAY / SECOND


def test_a_rescan_measures_the_drive_and_a_cap_does_not_make_it_slow(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    card = world.card()
    card.frames(8, size=9_000_000)
    assert world.run("offload", card.root).status == 0
    leaping = LeapingTime()
    monkeypatch.setattr(scan_lane, "time", leaping)
    monkeypatch.setattr(Budget, "throttle", leaping.hold_back)
    assert world.run("rescan", "--all", "--place", "A", "--limit", "40MB/s").status == 0
    places = {one["place"]: one for one in world.run("forecast", "--json").json["rereading"]["places"]}
    assert places["A"]["measured_over"] == 1
    with world.ctx() as ctx:
        [reading] = list_rescan_readings(ctx.catalog, "A", 5)
    assert reading.total_bytes == 72_000_000
    assert leaping.leapt >= DAY / SECOND, "the cap held something back"
    assert reading.seconds < DAY / SECOND, "what the cap held back is not the drive's"
    assert places["B"]["measured_over"] == 0
    assert places["B"]["assumed_from"] == "as fast as drive A"
    assert places["B"]["bytes_per_second"] == places["A"]["bytes_per_second"]
    assert "measured over 1 rescan" in world.run("forecast").out


def _a_slow_rescan(world: World, seconds: int) -> None:
    """A rescan of drive A as it is noted, at so slow a rate that a small archive is much."""
    with world.ctx() as ctx, ctx.catalog.transaction():
        now = ctx.clock.now()
        job = begin_job(ctx.catalog, "rescan all", "A", "a test", now - seconds * SECOND)
        end_job(ctx.catalog, job, EventOutcome.SUCCESS, {"bytes": MIN_MEASURED_BYTES, "seconds": seconds}, now)


def test_a_night_that_is_too_short_is_told_with_what_would_do(world: World) -> None:
    card = world.card()
    card.frames(8, size=1_000_000)
    assert world.run("offload", card.root).status == 0
    _a_slow_rescan(world, 20_000)  # 3200 bytes a second: 8 MB take 2500 s
    world.settings('[drives]\nrescan_nightly = "1min"\n')
    answer = world.run("forecast")
    assert answer.status == 1
    assert answer.out.startswith("Reading again: 60 s a night is NOT ENOUGH for drive A and B.")
    assert "What is safe: every copy stays where it is." in answer.out
    found = world.run("forecast", "--json").json
    one = found["rereading"]["places"][0]
    assert (found["answer"], found["rereading"]["answer"], one["enough"]) == ("attention", "not enough", False)
    assert one["sustained_days"] == math.ceil(8_000_000 / 3200 / 60) == 42
    assert one["nightly_seconds_needed"] == pytest.approx(2500 / 30, abs=0.01)
    setting = answer.out.partition('set rescan_nightly = "')[2].partition('"')[0]
    world.settings(f'[drives]\nrescan_nightly = "{setting}"\n')
    assert world.run("forecast").status == 0, f"{setting} was to be enough"


def test_a_night_that_ends_too_early_is_no_longer_than_that(world: World) -> None:
    card = world.card()
    card.frames(8, size=1_000_000)
    assert world.run("offload", card.root).status == 0
    _a_slow_rescan(world, 20_000)
    world.settings('[watch]\nnight = "23:59:30-00:00:30"\n')
    answer = world.run("forecast")
    assert answer.status == 1
    assert "60 s a night is NOT ENOUGH" in answer.out
    assert 'set rescan_nightly = "5min" or more and a night as long in the settings' in answer.out


def test_a_drive_that_no_night_can_read_is_told_so(world: World) -> None:
    card = world.card()
    card.frames(8, size=1_000_000)
    assert world.run("offload", card.root).status == 0
    _a_slow_rescan(world, 20_000_000)
    answer = world.run("forecast")
    assert answer.status == 1
    assert "no night is long enough" in answer.out


def test_a_drive_on_the_shelf_has_half_a_year_and_has_to_be_fetched(world: World) -> None:
    card = world.card()
    card.frames(2)
    assert world.run("offload", card.root).status == 0
    assert world.run("drives", "shelve", "B").status == 0
    world.unplug("B")
    answer = world.run("forecast")
    assert answer.status == 0
    assert "Drive B, on the shelf" in answer.out
    assert "within 180 days" in answer.out
    assert "connect it for 1 night before its copies fall due" in answer.out


def test_a_lost_drive_is_no_longer_read_again(world: World) -> None:
    card = world.card()
    card.frames(2)
    assert world.run("offload", card.root).status == 0
    assert world.run("drives", "lost", "B").status == 1
    assert [one["place"] for one in world.run("forecast", "--json").json["rereading"]["places"]] == ["A"]
