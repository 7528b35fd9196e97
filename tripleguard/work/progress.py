"""What a job tells while it runs."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass
from typing import TypeVar


@dataclass(frozen=True, slots=True)
class Said:
    """One plain line for the person: something happened that they would want to know now."""

    line: str


@dataclass(frozen=True, slots=True)
class LaneProgress:
    """One drive: bytes written and read back so far, whether it is still taking part."""

    name: str
    written: int
    verified: int
    alive: bool


@dataclass(frozen=True, slots=True)
class Moved:
    """How far the job is. doing: a word or two. Bytes; rate in bytes/s; left in seconds, None if unknown."""

    doing: str
    files: int
    of_files: int
    read: int
    of_bytes: int
    rate: float
    left: float | None
    lanes: tuple[LaneProgress, ...] = ()


Progress = Said | Moved
Result = TypeVar("Result")
Job = Generator[Progress, None, Result]
