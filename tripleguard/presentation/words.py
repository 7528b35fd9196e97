"""Format sizes, times and counts for people. No other module formats them."""

from __future__ import annotations

from datetime import UTC, datetime, tzinfo

from tripleguard.clock import DAY, HOUR, SECOND
from tripleguard.wording import pluralize

"""`1 file`, `2,114 files`."""


def format_size(byte_count: int) -> str:
    """Format bytes in decimal units, as drives and cards are sold: `1.2 GB`."""
    if byte_count < 1000:
        return f"{byte_count} B"
    amount = float(byte_count)
    for unit in ("kB", "MB", "GB", "TB"):
        amount /= 1000
        if amount < 999.5 or unit == "TB":
            return f"{amount:.1f} {unit}" if amount < 99.95 else f"{amount:.0f} {unit}"
    raise AssertionError("unreachable")


def format_rate(per_second: float) -> str:
    """Format a rate in bytes per second: `148 MB/s`."""
    return f"{format_size(int(per_second))}/s"


def format_network_rate(per_second: float) -> str:
    """Format a network rate, given in bytes per second, in bits: `1.3 Mbit/s`."""
    bits = per_second * 8
    for unit in ("bit/s", "kbit/s", "Mbit/s"):
        if bits < 999.5 or unit == "Mbit/s":
            return f"{bits:.1f} {unit}" if unit == "Mbit/s" and bits < 99.95 else f"{bits:.0f} {unit}"
        bits /= 1000
    raise AssertionError("unreachable")


def format_duration(seconds: float) -> str:
    """Format a duration: `45 s`, `12 min`, `2 h 10 min`."""
    whole = round(seconds)
    if whole < 90:
        return f"{whole} s"
    minutes = round(whole / 60)
    if minutes < 90:
        return f"{minutes} min"
    return f"{minutes // 60} h {minutes % 60:02d} min"


def format_time(ns: int | None, zone: tzinfo | None) -> str:
    """Format a time in a zone: `2026-06-14 01:30`; `never` for None."""
    if ns is None:
        return "never"
    return datetime.fromtimestamp(ns // SECOND, UTC).astimezone(zone).strftime("%Y-%m-%d %H:%M")


def format_age(ns: int | None, now: int) -> str:
    """Format the age of a time: `today`, `3 days ago`; `never` for None."""
    if ns is None:
        return "never"
    if ns > now + DAY:
        return "in the future (a clock was ahead)"
    days = max(0, now - ns) // DAY
    if days == 0:
        hours = max(0, now - ns) // HOUR
        return "just now" if hours == 0 else f"{pluralize(hours, 'hour')} ago"
    return f"{pluralize(days, 'day')} ago"
