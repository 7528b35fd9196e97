"""How fast it goes and how long it will take, from the last few seconds."""

from __future__ import annotations

import time
from collections import deque

from tripleguard.work.cards.copying import Copier
from tripleguard.work.progress import LaneProgress, Moved

_WINDOW = 12.0
_SETTLED = 1.5


class Pace:
    """Rate and time left of a job whose stages all move the same number of bytes."""

    def __init__(self, of_bytes: int) -> None:
        self._of_bytes = of_bytes
        self._skipped = 0
        self._earlier_read = 0
        self._earlier: dict[str, tuple[int, int]] = {}
        self._seen: deque[tuple[float, tuple[int, ...]]] = deque()

    @property
    def read_bytes(self) -> int:
        """Bytes read from the source in all passes that ended."""
        return self._earlier_read

    def skip(self, size: int) -> None:
        """These bytes need no copying."""
        self._skipped += size

    def moved(self, doing: str, files: int, of_files: int, copier: Copier) -> Moved:
        """The progress now."""
        read = self._earlier_read + copier.read_bytes
        lanes = tuple(self._with_earlier(lane) for lane in copier.progress())
        done = (read, *(n for lane in lanes for n in (lane.written, lane.verified) if lane.alive))
        now = time.monotonic()
        if self._seen and len(self._seen[-1][1]) != len(done):
            self._seen.clear()
        self._seen.append((now, done))
        while now - self._seen[0][0] > _WINDOW:
            self._seen.popleft()
        return Moved(doing, files, of_files, read, self._of_bytes, self._rate(0), self._left(), lanes)

    def pass_ended(self, copier: Copier) -> None:
        """Keep what this pass moved when the next one starts counting anew."""
        self._earlier_read += copier.read_bytes
        for lane in copier.progress():
            written, verified = self._earlier.get(lane.name, (0, 0))
            self._earlier[lane.name] = (written + lane.written, verified + lane.verified)
        self._seen.clear()

    def _with_earlier(self, lane: LaneProgress) -> LaneProgress:
        written, verified = self._earlier.get(lane.name, (0, 0))
        return LaneProgress(lane.name, written + lane.written, verified + lane.verified, lane.alive)

    def _rate(self, stage: int) -> float:
        (began, first), (now, last) = self._seen[0], self._seen[-1]
        return (last[stage] - first[stage]) / (now - began) if now > began else 0.0

    def _left(self) -> float | None:
        """Seconds until the slowest stage is through; None while that can't be told."""
        if self._seen[-1][0] - self._seen[0][0] < _SETTLED:
            return None
        longest = 0.0
        for stage, done in enumerate(self._seen[-1][1]):
            remaining = self._of_bytes - self._skipped - done
            if remaining > 0:
                rate = self._rate(stage)
                if rate <= 0:
                    return None
                longest = max(longest, remaining / rate)
        return longest
