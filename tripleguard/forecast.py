"""What the numbers promise. Pure functions: no disk, no clock, no catalog.

Here so far: what a sample proves, and whether the night is long enough for the interval that the rule asks.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from tripleguard.clock import DAY

_STEPS = 60


def share_bound(sampled: int, failed: int, confidence: float = 0.95) -> float:
    """The upper bound on the share of bad copies, after `failed` of `sampled` random ones were bad.

    Exact for a binomial sample (Clopper and Pearson, Biometrika 26, 1934). Without a failure it is
    1 - (1 - confidence)^(1/n), close to 3/n at 95 %: the rule of three (Hanley and Lippman-Hand, JAMA 249, 1983;
    both references from memory). No sample proves nothing: 1.
    """
    if not 0 <= failed <= sampled or not 0 < confidence < 1:
        raise ValueError("failed must lie within sampled, confidence between 0 and 1")
    if sampled == 0 or failed == sampled:
        return 1.0
    low, high = failed / sampled, 1.0
    for _ in range(_STEPS):
        middle = (low + high) / 2
        if _at_most(failed, sampled, middle) > 1 - confidence:
            low = middle
        else:
            high = middle
    return high


@dataclass(frozen=True, slots=True)
class NightPlan:
    """Whether one drive's nightly reading time keeps the rule.

    nights_needed: nights to read everything once. sustained_days: the shortest interval that this time keeps up.
    enough: whether that is within the interval asked for. share_a_night: how much of the drive a night reads.
    """

    nights_needed: float
    sustained_days: float
    enough: bool
    share_a_night: float


def night_plan(
    total_bytes: int, rate: float, seconds_a_night: float, interval_days: float, nights_a_week: float = 7
) -> NightPlan:
    """What a nightly window does for a drive of total_bytes read at rate bytes/s, on so many nights a week."""
    if rate <= 0 or seconds_a_night <= 0 or nights_a_week <= 0:
        return NightPlan(math.inf, math.inf, total_bytes == 0, 0.0)
    a_night = rate * seconds_a_night
    nights = total_bytes / a_night
    days = nights * 7 / nights_a_week
    return NightPlan(nights, days, days <= interval_days, min(1.0, a_night / total_bytes) if total_bytes else 1.0)


@dataclass(frozen=True, slots=True)
class Due:
    """What is due on a drive. seconds: how long it takes at the rate given; inf where that is unknown."""

    copies: int
    total_bytes: int
    seconds: float


def due(verified: list[tuple[int | None, int]], interval_days: float, now: int, rate: float) -> Due:
    """What of these (verified_at UTC ns or None, bytes) copies is due now, and how long reading it takes."""
    before = now - int(interval_days * DAY)
    sizes = [size for at, size in verified if at is None or at < before]
    total = sum(sizes)
    seconds = total / rate if rate > 0 else (0.0 if total == 0 else math.inf)
    return Due(len(sizes), total, seconds)


def _at_most(failed: int, sampled: int, share: float) -> float:
    """The chance of at most `failed` bad ones in a sample, if this share of all is bad."""
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
