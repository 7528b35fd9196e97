"""How far a job with one reader is: files, bytes, and the rate of the last seconds."""

from __future__ import annotations

import time
from collections import deque

from tripleguard.work.progress import Moved

_WINDOW = 12.0
_SETTLED = 1.5
_OFTEN = 0.1


class Meter:
    """Counts for one job. of_files, of_bytes: how much there is to do."""

    def __init__(self, doing: str, of_files: int, of_bytes: int) -> None:
        self._doing = doing
        self._of_files = of_files
        self._of_bytes = of_bytes
        self._seen: deque[tuple[float, int]] = deque()
        self._told_at = 0.0

    def due(self) -> bool:
        """Whether it is time to tell again."""
        return time.monotonic() - self._told_at >= _OFTEN

    def moved(self, files: int, done_bytes: int) -> Moved:
        """The progress now."""
        now = self._told_at = time.monotonic()
        self._seen.append((now, done_bytes))
        while now - self._seen[0][0] > _WINDOW:
            self._seen.popleft()
        spent = now - self._seen[0][0]
        rate = (done_bytes - self._seen[0][1]) / spent if spent > 0 else 0.0
        left = max(0, self._of_bytes - done_bytes) / rate if rate > 0 and spent >= _SETTLED else None
        return Moved(self._doing, files, self._of_files, done_bytes, self._of_bytes, rate, left)
