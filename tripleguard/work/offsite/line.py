"""A slow line that fails: how much of it to take, when, and how long to go on trying.

Waiting grows with every failure in a row and is never the same twice, so that a line that comes back is not run
over; there is an end to it, after so many tries or so long without anything arriving.
"""

from __future__ import annotations

import datetime
import random
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

_BURST = 0.5
"""Seconds of unused line that may be made up for: what a pause between two requests has cost."""

_LEAST_AT_ONCE = 512 * 1024
_WINDOW = 20.0


@dataclass(frozen=True, slots=True)
class Patience:
    """How a failing line is tried again. Seconds.

    first, longest: bounds of the wait, which doubles from try to try. tries: in a row for one part. without: how
    long the whole run goes on when nothing arrives. silence: how long a line may say nothing before it is dead.
    """

    first: float = 0.5
    longest: float = 60.0
    tries: int = 12
    without: float = 1800.0
    silence: float = 30.0

    def wait(self, failures: int, chance: Callable[[], float] = random.random) -> float:
        """Seconds to wait after so many failures in a row, at least 1: a random part of a growing bound."""
        return chance() * min(self.longest, self.first * 2.0 ** min(failures - 1, 32))


class Throttle:
    """Holds all senders together to a rate, and measures it. Called with the bytes that are to go out next.

    rate: bytes/s, 0 for no limit.
    """

    def __init__(self, rate: int, stopped: Callable[[], bool]) -> None:
        self._rate = rate
        self._stopped = stopped
        self._free_at: float | None = None
        self._lock = threading.Lock()
        self._seen: deque[tuple[float, int]] = deque([(time.monotonic(), 0)])
        self.sent = 0

    def __call__(self, size: int) -> None:
        with self._lock:
            now = time.monotonic()
            start = now if self._free_at is None else max(self._free_at, now - _BURST)
            if self._rate:
                self._free_at = start + size / self._rate
            self.sent += size
            self._seen.append((now, self.sent))
            while now - self._seen[0][0] > _WINDOW and len(self._seen) > 2:
                self._seen.popleft()
        if self._rate:
            self._sleep_until(start)

    def measured(self) -> float:
        """Bytes per second over the last while."""
        with self._lock:
            (began, first), now = self._seen[0], time.monotonic()
            return (self.sent - first) / (now - began) if now - began > 0.2 else 0.0

    def _sleep_until(self, at: float) -> None:
        while (left := at - time.monotonic()) > 0 and not self._stopped():
            time.sleep(min(left, 0.2))


def at_once(rate: float, most: int) -> int:
    """Bytes that may be on their way at once: what the line carries in a second, at most one part.

    More would only be lost when it is cut: a second is longer than any answer takes to come. rate: bytes/s as
    measured, 0 where nothing was sent yet.
    """
    return min(most, max(_LEAST_AT_ONCE, int(rate)))


class InFlight:
    """Bounds how many bytes are on their way at once: what a cut line, or a kill, can cost.

    most: asked anew each time; whatever it says, one thing may always go alone.
    """

    def __init__(self, most: Callable[[], int], stopped: Callable[[], bool]) -> None:
        self._most = most
        self._stopped = stopped
        self._now = 0
        self._changed = threading.Condition()

    def take(self, size: int) -> bool:
        """Wait until so many bytes more may be on their way; False when stopped meanwhile."""
        with self._changed:
            while self._now and self._now + size > self._most():
                if self._stopped():
                    return False
                self._changed.wait(0.2)
            self._now += size
            return True

    def give_back(self, size: int) -> None:
        with self._changed:
            self._now -= size
            self._changed.notify_all()


def is_open(window: tuple[datetime.time, datetime.time] | None, now: datetime.time) -> bool:
    """Whether a local time of day lies within a window; one that ends before it begins goes over midnight."""
    if window is None:
        return True
    begins, ends = window
    if begins <= ends:
        return begins <= now < ends
    return now >= begins or now < ends
