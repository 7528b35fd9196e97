"""Retry policy, rate limit and bytes in flight for a slow network that fails.

The wait grows with every failure in a row and is randomized, so that a network that comes back is not flooded. It
ends after so many tries, or so long without progress.
"""

from __future__ import annotations

import datetime
import random
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

_BURST_SECONDS = 0.5
"""Seconds of unused line that may be made up for: what a pause between two requests has cost."""

_MIN_IN_FLIGHT_BYTES = 512 * 1024
_RATE_WINDOW_SECONDS = 20.0


@dataclass(frozen=True, slots=True)
class RetryPolicy:
    """How a failing line is tried again. Seconds.

    first, longest: bounds of the wait, which doubles from try to try. tries: in a row for one part. without: how
    long the whole run goes on when nothing arrives. silence: how long a line may say nothing before it is dead.
    """

    first_wait_s: float = 0.5
    max_wait_s: float = 60.0
    max_tries: int = 12
    give_up_after_s: float = 1800.0
    response_timeout_s: float = 30.0

    def choose_wait(self, failures: int, random_fraction: Callable[[], float] = random.random) -> float:
        """Seconds to wait after so many failures in a row, at least 1: a random part of a growing bound."""
        return random_fraction() * min(self.max_wait_s, self.first_wait_s * 2.0 ** min(failures - 1, 32))


class Throttle:
    """Holds all senders together to a rate, and measures it. Called with the bytes that are to go out next.

    rate: bytes/s, 0 for no limit.
    """

    def __init__(self, rate: int, should_stop: Callable[[], bool]) -> None:
        self._rate = rate
        self._should_stop = should_stop
        self._free_at: float | None = None
        self._lock = threading.Lock()
        self._samples: deque[tuple[float, int]] = deque([(time.monotonic(), 0)])
        self.sent_bytes = 0

    def __call__(self, size: int) -> None:
        with self._lock:
            now = time.monotonic()
            start = now if self._free_at is None else max(self._free_at, now - _BURST_SECONDS)
            if self._rate:
                self._free_at = start + size / self._rate
            self.sent_bytes += size
            self._samples.append((now, self.sent_bytes))
            while now - self._samples[0][0] > _RATE_WINDOW_SECONDS and len(self._samples) > 2:
                self._samples.popleft()
        if self._rate:
            self._sleep_until(start)

    def measure_rate(self) -> float:
        """Bytes per second over the last while."""
        with self._lock:
            (began, first), now = self._samples[0], time.monotonic()
            return (self.sent_bytes - first) / (now - began) if now - began > 0.2 else 0.0

    def _sleep_until(self, at: float) -> None:
        while (left := at - time.monotonic()) > 0 and not self._should_stop():
            time.sleep(min(left, 0.2))


def choose_in_flight_limit(rate: float, max_bytes: int) -> int:
    """Bytes that may be on their way at once: what the line carries in a second, at most one part.

    More would only be lost when it is cut: a second is longer than any answer takes to come. rate: bytes/s as
    measured, 0 where nothing was sent yet.
    """
    return min(max_bytes, max(_MIN_IN_FLIGHT_BYTES, int(rate)))


class InFlightLimiter:
    """Bounds how many bytes are on their way at once: what a cut line, or a kill, can cost.

    most: asked anew each time; whatever it says, one thing may always go alone.
    """

    def __init__(self, get_limit: Callable[[], int], should_stop: Callable[[], bool]) -> None:
        self._get_limit = get_limit
        self._should_stop = should_stop
        self._in_flight_bytes = 0
        self._changed = threading.Condition()

    def acquire(self, size: int) -> bool:
        """Wait until so many bytes more may be on their way; False when stopped meanwhile."""
        with self._changed:
            while self._in_flight_bytes and self._in_flight_bytes + size > self._get_limit():
                if self._should_stop():
                    return False
                self._changed.wait(0.2)
            self._in_flight_bytes += size
            return True

    def release(self, size: int) -> None:
        with self._changed:
            self._in_flight_bytes -= size
            self._changed.notify_all()


def is_within_window(window: tuple[datetime.time, datetime.time] | None, now: datetime.time) -> bool:
    """Whether a local time of day lies within a window; one that ends before it begins goes over midnight."""
    if window is None:
        return True
    begins, ends = window
    if begins <= ends:
        return begins <= now < ends
    return now >= begins or now < ends
