"""Retry policy, rate limit and bytes in flight for a slow network that fails.

The wait doubles with every failure in a row and is randomized, so that a recovering network is not flooded.
Retrying ends after a number of tries, or a time without progress.
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
"""Seconds of unused capacity that may be caught up: about one pause between two requests."""

_MIN_IN_FLIGHT_BYTES = 512 * 1024
_RATE_WINDOW_SECONDS = 20.0


@dataclass(frozen=True, slots=True)
class RetryPolicy:
    """How a failed request is retried. All times in seconds.

    Attributes:
        first_wait_s, max_wait_s: Bounds of the wait, which doubles with each try.
        max_tries: Tries in a row for one part.
        give_up_after_s: How long the whole run goes on without progress.
        response_timeout_s: How long a connection may be silent before it counts as broken.
    """

    first_wait_s: float = 0.5
    max_wait_s: float = 60.0
    max_tries: int = 12
    give_up_after_s: float = 1800.0
    response_timeout_s: float = 30.0

    def choose_wait(self, failures: int, random_fraction: Callable[[], float] = random.random) -> float:
        """Return the seconds to wait after this many failures in a row (at least 1): a random part of a bound."""
        return random_fraction() * min(self.max_wait_s, self.first_wait_s * 2.0 ** min(failures - 1, 32))


class Throttle:
    """Limits all senders together to a rate, and measures it. Call it with the number of bytes to send next.

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
        """Return the recent rate in bytes per second."""
        with self._lock:
            (began, first), now = self._samples[0], time.monotonic()
            return (self.sent_bytes - first) / (now - began) if now - began > 0.2 else 0.0

    def _sleep_until(self, at: float) -> None:
        while (left := at - time.monotonic()) > 0 and not self._should_stop():
            time.sleep(min(left, 0.2))


def choose_in_flight_limit(rate: float, max_bytes: int) -> int:
    """Return how many bytes may be in flight: what the network carries in a second, at most one part.

    More would only be lost when the connection breaks: a second is longer than any round trip. rate: measured
    bytes/s, 0 before anything was sent.
    """
    return min(max_bytes, max(_MIN_IN_FLIGHT_BYTES, int(rate)))


class InFlightLimiter:
    """Limits the bytes in flight, which a broken connection or a kill can cost.

    get_limit: called each time; a single request may always go alone.
    """

    def __init__(self, get_limit: Callable[[], int], should_stop: Callable[[], bool]) -> None:
        self._get_limit = get_limit
        self._should_stop = should_stop
        self._in_flight_bytes = 0
        self._changed = threading.Condition()

    def acquire(self, size: int) -> bool:
        """Wait until this many more bytes may be in flight; return False if stopped meanwhile."""
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
    """Return whether a local time is within a window; one that ends before it begins spans midnight."""
    if window is None:
        return True
    begins, ends = window
    if begins <= ends:
        return begins <= now < ends
    return now >= begins or now < ends
