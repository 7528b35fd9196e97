"""When is a drive full? The trade's own arithmetic, and a range that holds as often as it says."""

from __future__ import annotations

import random
import statistics
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st
from world import World

from tripleguard.forecast.drive_filling import (
    MAX_WEEKS,
    ShootingRate,
    estimate_shooting_rate,
    forecast_fill,
    get_weeks_that_fit,
    predict_bytes,
)

SHOW = 4_500 * 22_000_000
"""Bytes of a long show: 4,500 frames of 22 MB. Common practice, no source."""


def test_two_terabytes_last_about_eight_weeks() -> None:
    """2.5 shows a week, 99 GB each, onto a drive of 2 TB: two months on the road (common practice, no source)."""
    assert SHOW == 99_000_000_000
    pace = ShootingRate(2.5 * SHOW, 0.0, 8)
    assert get_weeks_that_fit(2e12, pace) == pytest.approx(8, abs=0.1)
    assert forecast_fill(2 * 10**12, pace).weeks == pytest.approx(8.08, abs=0.01)
    assert round(2e12 / SHOW) == 20


def a_tour(weeks: int, lot: random.Random) -> list[tuple[int, int]]:
    """Days and bytes of shoots: two to five shoots a week, 4,000 to 5,000 frames (common practice, no source)."""
    return [
        (day, lot.randrange(4000, 5001) * 22_000_000)
        for week in range(weeks)
        for day in sorted(lot.sample(range(week * 7, week * 7 + 7), lot.choice((2, 2, 3, 3, 5))))
    ]


def test_the_range_holds_four_times_out_of_five() -> None:
    """Tours drawn by lot: eight weeks are known, and the same tour goes on until 2 TB more are full."""
    lot = random.Random(11)
    inside = early = late = 0
    for _ in range(600):
        shot = a_tour(40, lot)
        known = [one for one in shot if one[0] < 56]
        pace = estimate_shooting_rate(known, 55, 13)
        assert pace is not None
        found = forecast_fill(2 * 10**12, pace)
        assert found.soonest is not None
        assert found.latest is not None
        assert found.soonest <= found.weeks <= found.latest
        total, full = 0, 0.0
        for day, size in shot:
            if day >= 56 and not full:
                total += size
                full = (day - 55) / 7 if total >= 2 * 10**12 else 0.0
        inside += found.soonest - 1 / 7 <= full <= found.latest + 1 / 7
        early += full < found.soonest - 1 / 7
        late += full > found.latest + 1 / 7
    assert 0.74 <= inside / 600 <= 0.86, (inside, early, late)


def test_quiet_weeks_count_and_old_ones_do_not() -> None:
    pace = estimate_shooting_rate([(0, 700), (21, 700)], 27, 13)
    assert pace is not None
    assert (pace.mean_bytes, pace.sample_weeks, round(pace.deviation_bytes, 2)) == (350.0, 4, 404.15)
    assert estimate_shooting_rate([(0, 7_000_000), (95, 200), (100, 200)], 100, 2) == ShootingRate(
        200.0, statistics.stdev([0, 400]), 2
    )
    assert estimate_shooting_rate([(0, 700)], 100, 13) is None
    assert estimate_shooting_rate([], 5, 13) is None
    assert estimate_shooting_rate([(9, 700)], 5, 13) is None  # a camera's clock that is ahead


def test_two_weeks_name_no_range() -> None:
    found = forecast_fill(1000, ShootingRate(100.0, 50.0, 2))
    assert (found.weeks, found.soonest, found.latest) == (10, None, None)


@given(
    mean=st.floats(1, 1e12),
    deviation=st.floats(0, 3),
    weeks=st.integers(3, 52),
    free=st.integers(0, 10**13),
    more=st.integers(0, 10**12),
)
def test_more_room_never_fills_sooner(mean: float, deviation: float, weeks: int, free: int, more: int) -> None:
    pace = ShootingRate(mean, mean * deviation, weeks)
    one, other = forecast_fill(free, pace), forecast_fill(free + more, pace)
    for a, b in ((one.weeks, other.weeks), (one.soonest, other.soonest), (one.latest, other.latest)):
        assert (MAX_WEEKS if a is None else a) <= (MAX_WEEKS if b is None else b) * (1 + 1e-9) + 1e-9
    if one.soonest is not None:
        assert one.soonest <= one.weeks * (1 + 1e-6) + 1e-9
        assert predict_bytes(one.soonest, pace, 1.2816) >= free * (1 - 1e-6)


def test_a_drive_that_gets_half_of_it_lasts_twice_as_long() -> None:
    pace = ShootingRate(100.0, 30.0, 10)
    assert forecast_fill(1000, pace.scale(0.5)).weeks == 2 * forecast_fill(1000, pace).weeks


def test_a_first_small_shoot_on_large_drives_is_no_date_that_a_calendar_lacks(world: World) -> None:
    """At this pace the drives last longer than the year 9999: nothing is to be bought, and it is said so."""
    card = world.card()
    card.put("DCIM/100ORREY/memo.txt", b"x", at=datetime.now(UTC).replace(tzinfo=None))
    assert world.run("offload", card.root).status == 0
    answer = world.run("forecast")
    assert answer.status == 0, answer.err
    assert "no drive is full within ten years" in answer.out
    found = world.run("forecast", "--json").json["filling"]
    assert (found["buy_by"], found["buy_now"]) == (None, False)
