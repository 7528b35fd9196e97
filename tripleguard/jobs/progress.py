"""What a job yields while it runs (messages and progress updates), and its rate estimator."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Generator
from dataclasses import dataclass
from typing import TypeVar


@dataclass(frozen=True, slots=True)
class Message:
    """One line for the person about something that they should know now."""

    text: str


@dataclass(frozen=True, slots=True)
class LaneProgress:
    """One drive: bytes written and read back so far, and whether it still takes part."""

    name: str
    bytes_written: int
    bytes_verified: int
    is_alive: bool


@dataclass(frozen=True, slots=True)
class ProgressUpdate:
    """The progress of a job. activity: a word or two; rate: bytes/s; seconds_left: None if unknown."""

    activity: str
    files: int
    total_files: int
    bytes_done: int
    total_bytes: int
    rate: float
    seconds_left: float | None
    lanes: tuple[LaneProgress, ...] = ()


Progress = Message | ProgressUpdate
Result = TypeVar("Result")
Job = Generator[Progress, None, Result]


_METER_WINDOW_SECONDS = 12.0
_METER_WARM_UP_SECONDS = 1.5
_UPDATE_SECONDS = 0.1


class RateEstimator:
    """Estimates the progress of one job with this many files and bytes to process."""

    def __init__(self, activity: str, total_files: int, total_bytes: int) -> None:
        self._activity = activity
        self._total_files = total_files
        self._total_bytes = total_bytes
        self._samples: deque[tuple[float, int]] = deque()
        self._updated_at = 0.0

    def is_due(self) -> bool:
        """Return whether the next update is due."""
        return time.monotonic() - self._updated_at >= _UPDATE_SECONDS

    def update(self, files: int, bytes_done: int) -> ProgressUpdate:
        """Return the progress now."""
        now = self._updated_at = time.monotonic()
        self._samples.append((now, bytes_done))
        while now - self._samples[0][0] > _METER_WINDOW_SECONDS:
            self._samples.popleft()
        spent = now - self._samples[0][0]
        rate = (bytes_done - self._samples[0][1]) / spent if spent > 0 else 0.0
        left = (
            max(0, self._total_bytes - bytes_done) / rate if rate > 0 and spent >= _METER_WARM_UP_SECONDS else None
        )
        return ProgressUpdate(self._activity, files, self._total_files, bytes_done, self._total_bytes, rate, left)
