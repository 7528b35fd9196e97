"""Join a number and a noun: `1 file`, `2,114 files`."""

from __future__ import annotations


def pluralize(number: int, singular: str, plural: str | None = None) -> str:
    """Return a number with its noun, such as `1 file` or `2,114 files`."""
    return f"{number:,} {singular if number == 1 else plural or singular + 's'}"
