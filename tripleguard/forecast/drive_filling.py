"""Forecast when a drive is full from what was shot week by week. Pure functions.

Bytes are summed by week, including weeks without a shoot. The prediction for a number of weeks is their mean, with
two uncertainties: weeks differ from each other, and the mean is estimated from few weeks. The reported range is an
80 % prediction interval.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterable
from dataclasses import dataclass

Z_80_PERCENT = 1.2816
"""Standard deviations on each side of the mean that leave out a tenth (normal distribution)."""

MIN_WEEKS = 3
"""Weeks needed for a range: two weeks say nothing about how much weeks differ."""

MAX_WEEKS = 520.0
"""Weeks beyond which nothing is forecast: ten years."""

_BISECTION_STEPS = 60


@dataclass(frozen=True, slots=True)
class ShootingRate:
    """How much is shot: mean and standard deviation of bytes per week, and the number of weeks measured."""

    mean_bytes: float
    deviation_bytes: float
    sample_weeks: int

    def scale(self, share: float) -> ShootingRate:
        """Return the rate of a drive that gets this share of what is shot."""
        return ShootingRate(self.mean_bytes * share, self.deviation_bytes * share, self.sample_weeks)


def estimate_shooting_rate(
    bytes_by_day: Iterable[tuple[int, int]], today: int, max_weeks: int
) -> ShootingRate | None:
    """Estimate the shooting rate of the last weeks; return None if nothing was shot in them.

    Args:
        bytes_by_day: (day number, bytes) of every shoot.
        today: day number; the last week ends on it.
        max_weeks: how far to look back, though not before the first shoot.
    """
    days = [(day, size) for day, size in bytes_by_day if day <= today]
    if not days:
        return None
    first = min(day for day, _ in days)
    weeks = min(max_weeks, (today - first) // 7 + 1)
    sums = [0] * weeks
    for day, size in days:
        week = (today - day) // 7
        if week < weeks:
            sums[week] += size
    if not any(sums):
        return None
    return ShootingRate(statistics.fmean(sums), statistics.stdev(sums) if weeks > 1 else 0.0, weeks)


@dataclass(frozen=True, slots=True)
class FillTime:
    """In how many weeks a drive is full; 80 % of the time between soonest and latest.

    None means too few weeks to say, or beyond MAX_WEEKS.
    """

    weeks: float
    soonest: float | None
    latest: float | None


def forecast_fill(free_bytes: int, rate: ShootingRate) -> FillTime:
    """Return in how many weeks `free_bytes` are used up at this rate."""
    weeks = max(0, free_bytes) / rate.mean_bytes if rate.mean_bytes > 0 else math.inf
    if rate.sample_weeks < MIN_WEEKS or math.isinf(weeks):
        return FillTime(weeks, None, None)
    return FillTime(
        weeks, _find_first_week(free_bytes, rate, Z_80_PERCENT), _find_first_week(free_bytes, rate, -Z_80_PERCENT)
    )


def get_weeks_that_fit(size: float, rate: ShootingRate) -> float:
    """Return how many weeks of shooting a drive of `size` bytes holds."""
    return size / rate.mean_bytes if rate.mean_bytes > 0 else math.inf


def predict_bytes(weeks: float, rate: ShootingRate, deviations: float = 0.0) -> float:
    """Return the bytes shot within a number of weeks, a number of standard deviations above the mean."""
    spread = rate.deviation_bytes * math.sqrt(weeks + weeks * weeks / rate.sample_weeks)
    return rate.mean_bytes * weeks + deviations * spread


def _find_first_week(free_bytes: int, rate: ShootingRate, deviations: float) -> float | None:
    """Return the first moment, in weeks, at which this much is shot; None beyond MAX_WEEKS."""
    if predict_bytes(MAX_WEEKS, rate, deviations) < free_bytes:
        return None
    low, high = 0.0, MAX_WEEKS
    for _ in range(_BISECTION_STEPS):
        middle = (low + high) / 2
        # Below the mean the curve may fall before it rises, so search for the point after which it stays above.
        if predict_bytes(middle, rate, deviations) >= free_bytes:
            high = middle
        else:
            low = middle
    return high
