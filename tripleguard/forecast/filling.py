"""When is a drive full? Fitted on what the photographer shot, week by week. Pure functions.

Weeks are summed up, quiet ones too. What will be shot in so many weeks is taken as their mean, with two doubts:
weeks differ from each other, and the mean itself is known only from so many of them. The range that is named holds
four times out of five.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterable
from dataclasses import dataclass

FOUR_OF_FIVE = 1.2816
"""Standard deviations on each side of the mean that leave out a tenth (normal distribution)."""

LEAST_WEEKS = 3
"""Weeks below which no range is named: two weeks say nothing of how much weeks differ."""

FARTHEST = 520.0
"""Weeks beyond which nothing is told: ten years."""

_STEPS = 60


@dataclass(frozen=True, slots=True)
class Pace:
    """How much is shot: mean and standard deviation of bytes a week, over so many weeks."""

    mean: float
    deviation: float
    weeks: int

    def times(self, share: float) -> Pace:
        """The pace of a drive that gets this share of what is shot."""
        return Pace(self.mean * share, self.deviation * share, self.weeks)


def pace_of(shot: Iterable[tuple[int, int]], today: int, most_weeks: int) -> Pace | None:
    """The pace of the last weeks. shot: (day, bytes) of every shoot; days are numbered, today is one of them.

    The weeks end today and go back at most so far, and not before the first shoot. None: nothing was shot in them.
    """
    days = [(day, size) for day, size in shot if day <= today]
    if not days:
        return None
    first = min(day for day, _ in days)
    weeks = min(most_weeks, (today - first) // 7 + 1)
    sums = [0] * weeks
    for day, size in days:
        week = (today - day) // 7
        if week < weeks:
            sums[week] += size
    if not any(sums):
        return None
    return Pace(statistics.fmean(sums), statistics.stdev(sums) if weeks > 1 else 0.0, weeks)


@dataclass(frozen=True, slots=True)
class FullIn:
    """In how many weeks a drive is full. soonest and latest: four times out of five it is between them.

    None: too few weeks to say, or later than anything is told.
    """

    weeks: float
    soonest: float | None
    latest: float | None


def full_in(free: int, pace: Pace) -> FullIn:
    """In how many weeks so many free bytes are used up at this pace."""
    weeks = max(0, free) / pace.mean if pace.mean > 0 else math.inf
    if pace.weeks < LEAST_WEEKS or math.isinf(weeks):
        return FullIn(weeks, None, None)
    return FullIn(weeks, _first_week(free, pace, FOUR_OF_FIVE), _first_week(free, pace, -FOUR_OF_FIVE))


def weeks_that_fit(size: float, pace: Pace) -> float:
    """How many weeks of shooting a drive of so many bytes holds."""
    return size / pace.mean if pace.mean > 0 else math.inf


def shot_within(weeks: float, pace: Pace, deviations: float = 0.0) -> float:
    """Bytes shot within so many weeks, so many standard deviations above the mean."""
    spread = pace.deviation * math.sqrt(weeks + weeks * weeks / pace.weeks)
    return pace.mean * weeks + deviations * spread


def _first_week(free: int, pace: Pace, deviations: float) -> float | None:
    """The first moment, in weeks, at which this much is shot; None beyond FARTHEST."""
    if shot_within(FARTHEST, pace, deviations) < free:
        return None
    low, high = 0.0, FARTHEST
    for _ in range(_STEPS):
        middle = (low + high) / 2
        # Below the mean the curve may fall before it rises: only where it has risen to stay counts.
        if shot_within(middle, pace, deviations) >= free:
            high = middle
        else:
            low = middle
    return high
