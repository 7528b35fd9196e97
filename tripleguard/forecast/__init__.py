"""What the numbers promise. Pure functions: no disk, no clock, no catalog.

`nights`: what falls due when, and whether it is read in time. `filling`: when a drive is full. `losing`: the
chance of losing a file, and `chance` the same by lot. `published`: what others wrote down, to be held against.
"""

from __future__ import annotations

from tripleguard.forecast.nights import (
    LEAST_READ,
    PORTABLE_DISK,
    RATE_FROM,
    CatchUp,
    Due,
    DueDay,
    NightPlan,
    Rate,
    Reading,
    catch_up,
    due_day,
    due_within,
    night_plan,
    nightly_needed,
    rate_of,
    share_bound,
)

__all__ = [
    "LEAST_READ",
    "PORTABLE_DISK",
    "RATE_FROM",
    "CatchUp",
    "Due",
    "DueDay",
    "NightPlan",
    "Rate",
    "Reading",
    "catch_up",
    "due_day",
    "due_within",
    "night_plan",
    "nightly_needed",
    "rate_of",
    "share_bound",
]
