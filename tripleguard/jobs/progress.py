"""What a job yields while it runs, messages and progress updates, and the rate estimator behind them."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Generator
from dataclasses import dataclass
from typing import TypeVar


@dataclass(frozen=True, slots=True)
class Message:
    """One plain line for the person: something happened that they would want to know now."""

    text: str


@dataclass(frozen=True, slots=True)
class LaneProgress:
    """One drive: bytes written and read back so far, whether it is still taking part."""

    name: str
    bytes_written: int
    bytes_verified: int
    is_alive: bool


@dataclass(frozen=True, slots=True)
class ProgressUpdate:
    """How far the job is. doing: a word or two. Bytes; rate in bytes/s; left in seconds, None if unknown."""

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
    """Counts for one job. of_files, of_bytes: how much there is to do."""

    def __init__(self, activity: str, total_files: int, total_bytes: int) -> None:
        self._activity = activity
        self._total_files = total_files
        self._total_bytes = total_bytes
        self._samples: deque[tuple[float, int]] = deque()
        self._updated_at = 0.0

    def is_due(self) -> bool:
        """Return whether it is time to tell again."""
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
