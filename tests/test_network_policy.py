"""How a slow and failing line is used: rates, hours, waiting, and how much is risked at once."""

from __future__ import annotations

import datetime
import time

import pytest
from hypothesis import given
from hypothesis import strategies as some

from tripleguard.config import parse_rate
from tripleguard.jobs.offsite.network import (
    InFlightLimiter,
    RetryPolicy,
    Throttle,
    choose_in_flight_limit,
    is_within_window,
)
from tripleguard.presentation.words import format_network_rate


@given(some.integers(1, 200), some.floats(0, 1))
def test_waiting_grows_and_has_an_end(failures: int, chance: float) -> None:
    patience = RetryPolicy(first_wait_s=0.5, max_wait_s=60.0)
    wait = patience.choose_wait(failures, lambda: chance)
    assert 0 <= wait <= 60.0
    assert wait <= 0.5 * 2 ** min(failures - 1, 32)


def test_two_who_lost_the_line_together_do_not_come_back_together() -> None:
    patience = RetryPolicy()
    assert len({round(patience.choose_wait(8), 6) for _ in range(20)}) > 15


@pytest.mark.parametrize(
    ("hours", "now", "open_"),
    [
        (None, "12:00", True),
        (("23:00", "07:00"), "23:00", True),
        (("23:00", "07:00"), "02:30", True),
        (("23:00", "07:00"), "07:00", False),
        (("23:00", "07:00"), "12:00", False),
        (("09:00", "17:00"), "09:00", True),
        (("09:00", "17:00"), "17:00", False),
        (("09:00", "17:00"), "03:00", False),
    ],
)
def test_hours_that_go_over_midnight_are_understood(hours: tuple[str, str] | None, now: str, open_: bool) -> None:
    at = datetime.time.fromisoformat
    window = (at(hours[0]), at(hours[1])) if hours else None
    assert is_within_window(window, at(now)) is open_


def test_a_rate_is_kept_over_a_while_also_when_there_were_pauses() -> None:
    throttle = Throttle(200_000, lambda: False)
    began = time.monotonic()
    for number in range(20):
        throttle(10_000)
        if number == 10:
            time.sleep(0.2)
    assert 200_000 / (time.monotonic() - began) <= 200_000 * 1.1


@pytest.mark.parametrize(
    ("rate", "bytes_"), [(0, 512 << 10), (125_000, 512 << 10), (2_000_000, 2_000_000), (50_000_000, 5 << 20)]
)
def test_no_more_is_on_its_way_than_a_second_of_the_line_and_never_more_than_a_part(
    rate: int, bytes_: int
) -> None:
    assert choose_in_flight_limit(rate, 5 << 20) == bytes_


def test_one_large_thing_may_always_go_alone() -> None:
    flight = InFlightLimiter(lambda: 100, lambda: False)
    assert flight.acquire(1_000_000)
    stopped = InFlightLimiter(lambda: 100, lambda: True)
    assert stopped.acquire(60)
    assert not stopped.acquire(60), "it would wait, and is told to stop"
    flight.release(1_000_000)
    assert flight.acquire(10)


@pytest.mark.parametrize(
    ("text", "per_second"),
    [
        ("1 Mbit/s", 125_000),
        ("1Mbit/s", 125_000),
        ("500 kB/s", 500_000),
        ("2.5 Mbit/s", 312_500),
        ("40MB/s", 40_000_000),
    ],
)
def test_rates_are_read_as_lines_and_as_disks_are_sold(text: str, per_second: int) -> None:
    assert parse_rate(text) == per_second


def test_rates_are_written_as_lines_are_sold() -> None:
    assert [format_network_rate(rate) for rate in (100, 62_500, 162_500, 12_500_000)] == [
        "800 bit/s",
        "500 kbit/s",
        "1.3 Mbit/s",
        "100 Mbit/s",
    ]
