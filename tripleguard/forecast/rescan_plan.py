"""Plan rescans: what falls due on a drive and when, how fast it is read, and whether the nightly time is enough.

Also what a random sample proves about the copies that were not read.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from tripleguard.clock import DAY

_BISECTION_STEPS = 60

MIN_MEASURED_BYTES = 64_000_000
"""Bytes that must have been read for a rate to be meaningful; less is mostly opening and listing."""

RATE_SAMPLE_COUNT = 5
"""The newest readings that a rate is computed from, as drives slow down when they fill."""

PORTABLE_DISK_RATE = 100e6
"""Bytes/s of a portable hard disk, read sequentially from end to end. Common practice, no source."""


def compute_bad_share_bound(sampled: int, failed: int, confidence: float = 0.95) -> float:
    """Return the upper bound on the share of bad copies, after `failed` of `sampled` random ones were bad.

    Exact for a binomial sample (Clopper and Pearson, Biometrika 26, 1934). Without a failure it is 1 - (1 -
    confidence)^(1/n), close to 3/n at 95 %: the rule of three (Hanley and Lippman-Hand, JAMA 249, 1983; both
    references from memory). An empty sample proves nothing: 1.
    """
    if not 0 <= failed <= sampled or not 0 < confidence < 1:
        raise ValueError("failed must lie within sampled, confidence between 0 and 1")
    if sampled == 0 or failed == sampled:
        return 1.0
    low, high = failed / sampled, 1.0
    for _ in range(_BISECTION_STEPS):
        middle = (low + high) / 2
        if _get_chance_of_at_most(failed, sampled, middle) > 1 - confidence:
            low = middle
        else:
            high = middle
    return high


@dataclass(frozen=True, slots=True)
class NightlyRescanPlan:
    """Whether one drive's nightly reading time satisfies the rule.

    Attributes:
        nights_needed: nights to read everything once.
        sustainable_days: the shortest interval that this time can sustain.
        is_enough: whether that is within the required interval.
        share_per_night: the share of the drive read in one night.
    """

    nights_needed: float
    sustainable_days: float
    is_enough: bool
    share_per_night: float


def plan_nightly_rescan(
    total_bytes: int, rate: float, seconds_per_night: float, interval_days: float, nights_per_week: float = 7
) -> NightlyRescanPlan:
    """Return what a nightly window achieves on a drive of `total_bytes` read at `rate` bytes/s."""
    if rate <= 0 or seconds_per_night <= 0 or nights_per_week <= 0:
        return NightlyRescanPlan(math.inf, math.inf, total_bytes == 0, 0.0)
    a_night = rate * seconds_per_night
    nights = total_bytes / a_night
    days = nights * 7 / nights_per_week
    return NightlyRescanPlan(
        nights, days, days <= interval_days, min(1.0, a_night / total_bytes) if total_bytes else 1.0
    )


def compute_seconds_needed(
    total_bytes: int, rate: float, interval_days: float, nights_per_week: float = 7
) -> float:
    """Return the minimum seconds per night that sustain the interval, as judged by `plan_nightly_rescan`."""
    if rate <= 0 or interval_days <= 0 or nights_per_week <= 0:
        return 0.0 if total_bytes == 0 else math.inf
    return total_bytes * 7 / (rate * interval_days * nights_per_week)


@dataclass(frozen=True, slots=True)
class DueCopies:
    """Copies that fall due on one day. day: 0 for now, k for the k-th 24 hours from now."""

    day: int
    copies: int
    total_bytes: int


@dataclass(frozen=True, slots=True)
class DueReading:
    """What is due on a drive. seconds: reading time at the given rate; inf if that is unknown."""

    copies: int
    total_bytes: int
    seconds: float


def get_due_day(verified_at: int | None, interval_days: int, now: int) -> int:
    """Return the `DueCopies.day` of a copy verified at a time in UTC ns.

    Return 0 if it was never verified, or if the time is in the future.
    """
    if verified_at is None or verified_at > now:
        return 0
    left = verified_at + interval_days * DAY - now
    return 0 if left < 0 else left // DAY + 1


def sum_due_within(days: Iterable[DueCopies], days_ahead: int, rate: float) -> DueReading:
    """Return what is due now or within `days_ahead` days, and how long reading it takes at `rate` bytes/s."""
    some = [one for one in days if one.day <= days_ahead]
    total = sum(one.total_bytes for one in some)
    seconds = total / rate if rate > 0 else (0.0 if total == 0 else math.inf)
    return DueReading(sum(one.copies for one in some), total, seconds)


@dataclass(frozen=True, slots=True)
class CatchUpForecast:
    """What the coming nights achieve.

    Attributes:
        nights: after how many nights all that is due now is read; None if not within the simulated nights.
        max_days_late: the greatest delay of copies that fall due later.
    """

    nights: int | None
    max_days_late: int


def simulate_catch_up(
    days: Sequence[DueCopies], bytes_per_night: float, nights: int, days_ahead: int = 0
) -> CatchUpForecast:
    """Simulate the coming nights one by one, longest due first. The n-th night is n days from now.

    Copies that are read fall due again an interval later, so `nights` must not exceed the interval.

    Args:
        days: what falls due when.
        bytes_per_night: bytes read in one night.
        nights: nights to simulate.
        days_ahead: a night also reads what falls due within so many days.
    """
    waiting = sorted(((one.day, float(one.total_bytes)) for one in days), reverse=True)
    caught_up = None if waiting and waiting[-1][0] == 0 else 0
    late = 0
    for night in range(1, nights + 1):
        left = bytes_per_night
        while waiting and waiting[-1][0] <= night + days_ahead and left > 0:
            day, size = waiting.pop()
            if size > left:
                waiting.append((day, size - left))
            elif day > 0:
                late = max(late, night - day)
            left -= min(size, left)
        if caught_up is None and not (waiting and waiting[-1][0] == 0):
            caught_up = night
    if waiting and 0 < waiting[-1][0] <= nights:
        late = max(late, nights + 1 - waiting[-1][0])
    return CatchUpForecast(caught_up, late)


@dataclass(frozen=True, slots=True)
class ReadMeasurement:
    """One reading of a drive. ended_at: UTC ns of its end; seconds: time spent reading."""

    ended_at: int
    total_bytes: int
    seconds: float


@dataclass(frozen=True, slots=True)
class ReadRate:
    """How fast a drive is read, in bytes/s.

    Attributes:
        sample_count: the number of measurements; 0 if the rate is assumed.
        measured_at: UTC ns of the newest measurement.
        assumed_from: the basis of an assumed rate, in words.
    """

    bytes_per_second: float
    sample_count: int
    measured_at: int | None = None
    assumed_from: str = ""


def measure_rate(readings: Sequence[ReadMeasurement]) -> ReadRate | None:
    """Return the mean rate over the newest readings; None if they were too few or too short."""
    newest = sorted((one for one in readings if one.total_bytes > 0), key=lambda one: -one.ended_at)[
        :RATE_SAMPLE_COUNT
    ]
    total, seconds = sum(one.total_bytes for one in newest), sum(one.seconds for one in newest)
    if total < MIN_MEASURED_BYTES or seconds <= 0:
        return None
    return ReadRate(total / seconds, len(newest), newest[0].ended_at)


def _get_chance_of_at_most(failed: int, sampled: int, share: float) -> float:
    """Return the chance of at most `failed` bad ones in a sample, if this share of all is bad."""
    if share <= 0:
        return 1.0
    if share >= 1:
        return 1.0 if failed == sampled else 0.0
    return sum(
        math.exp(
            math.lgamma(sampled + 1)
            - math.lgamma(k + 1)
            - math.lgamma(sampled - k + 1)
            + k * math.log(share)
            + (sampled - k) * math.log1p(-share)
        )
        for k in range(failed + 1)
    )
