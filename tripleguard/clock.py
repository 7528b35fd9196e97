"""The clock that jobs are given, and how times are written; a test passes a simulated one."""

from __future__ import annotations

import time
from datetime import UTC, datetime, tzinfo
from typing import Protocol

SECOND = 1_000_000_000
HOUR = 3600 * SECOND
DAY = 24 * HOUR


class Clock(Protocol):
    """What a job asks of the time."""

    def now(self) -> int:
        """UTC nanoseconds."""

    def zone(self) -> tzinfo | None:
        """Return the local zone for what a person reads; None: the system's."""


class SystemClock:
    """The machine's own clock and zone."""

    def now(self) -> int:
        return time.time_ns()

    def zone(self) -> tzinfo | None:
        return None


def format_iso(ns: int) -> str:
    """`2026-06-14T01:30:05Z`."""
    return datetime.fromtimestamp(ns // SECOND, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def parse_iso(text: str) -> int:
    """UTC ns of what `format_iso` wrote. Raises ValueError."""
    return int(datetime.fromisoformat(text).timestamp()) * SECOND


def format_stamp(ns: int) -> str:
    """`20260614T013005Z`, for names."""
    return datetime.fromtimestamp(ns // SECOND, UTC).strftime("%Y%m%dT%H%M%SZ")
