"""The ring of buffers between the one reader and everybody who needs what it read."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from dataclasses import dataclass, field

from tripleguard.places.media import aligned_buffer

CHUNK = 4 * 1024 * 1024
"""Bytes per buffer: large enough that a device streams, small enough that the ring stays flat."""


class Ring:
    """A fixed number of aligned buffers. Whoever needs one waits until another is done with it."""

    def __init__(self, total_bytes: int) -> None:
        self._free: queue.SimpleQueue[memoryview] = queue.SimpleQueue()
        for _ in range(max(3, total_bytes // CHUNK)):
            self._free.put(aligned_buffer(CHUNK))

    def take(self, stopped: Callable[[], bool]) -> memoryview | None:
        """A free buffer; None once stopped."""
        while not stopped():
            try:
                return self._free.get(timeout=0.2)
            except queue.Empty:
                continue
        return None

    def give_back(self, buffer: memoryview) -> None:
        self._free.put(buffer)


@dataclass(slots=True)
class Chunk:
    """A filled buffer that several readers share; the last one to finish gives it back to the ring."""

    ring: Ring
    buffer: memoryview
    length: int
    sharers: int
    _lock: threading.Lock = field(default_factory=threading.Lock)

    @property
    def view(self) -> memoryview:
        return self.buffer[: self.length]

    def done(self) -> None:
        with self._lock:
            self.sharers -= 1
            last = self.sharers == 0
        if last:
            self.ring.give_back(self.buffer)
