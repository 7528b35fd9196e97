"""How many of a thing, as people say it: one file, two files."""

from __future__ import annotations


def counted(number: int, thing: str, things: str | None = None) -> str:
    """`1 file`, `2,114 files`."""
    return f"{number:,} {thing if number == 1 else things or thing + 's'}"
