"""The clock that jobs are given, and how times are formatted; a test passes a simulated one."""

from __future__ import annotations

import time
from datetime import UTC, datetime, tzinfo
from typing import Protocol

SECOND = 1_000_000_000
HOUR = 3600 * SECOND
DAY = 24 * HOUR


class Clock(Protocol):
    """The time as jobs use it."""

    def now(self) -> int:
        """Return the time in UTC nanoseconds."""

    def zone(self) -> tzinfo | None:
        """Return the local zone for times that a person reads; None for the system's."""


class SystemClock:
    """The machine's own clock and zone."""

    def now(self) -> int:
        return time.time_ns()

    def zone(self) -> tzinfo | None:
        return None


def format_iso(ns: int) -> str:
    """Return a time as `2026-06-14T01:30:05Z`."""
    return datetime.fromtimestamp(ns // SECOND, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def parse_iso(text: str) -> int:
    """Return UTC ns from a time as `format_iso` writes it. Raises ValueError."""
    return int(datetime.fromisoformat(text).timestamp()) * SECOND


def format_stamp(ns: int) -> str:
    """Return a time for names, as `20260614T013005Z`."""
    return datetime.fromtimestamp(ns // SECOND, UTC).strftime("%Y%m%dT%H%M%SZ")
