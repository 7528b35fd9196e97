"""The buffer pool between one reader and its consumers, and read-ahead for hashing.

Reading and hashing one after the other takes the sum of both times; in parallel they take the longer one.
Read-ahead keeps two requests queued, so that the medium never idles between them. It never reads past the end of
the file.
"""

from __future__ import annotations

import queue
import threading
from collections import deque
from collections.abc import Callable, Generator
from concurrent.futures import Future
from dataclasses import dataclass, field

from tripleguard.places.base import PositionalReader
from tripleguard.places.cache_bypass import allocate_aligned

CHUNK_BYTES = 4 * 1024 * 1024
"""Bytes per buffer: large enough for a device to stream, small enough to bound the pool's memory."""


class BufferPool:
    """A fixed number of aligned buffers. `acquire` waits until one is free."""

    def __init__(self, total_bytes: int) -> None:
        # Last in, first out: the pages of the buffer released last are still in memory.
        self._free: queue.LifoQueue[memoryview] = queue.LifoQueue()
        for _ in range(max(3, total_bytes // CHUNK_BYTES)):
            self._free.put(allocate_aligned(CHUNK_BYTES))

    def acquire(self, is_stopped: Callable[[], bool]) -> memoryview | None:
        """Return a free buffer; None once stopped."""
        while not is_stopped():
            try:
                return self._free.get(timeout=0.2)
            except queue.Empty:
                continue
        return None

    def release(self, buffer: memoryview) -> None:
        self._free.put(buffer)


@dataclass(slots=True)
class Chunk:
    """A filled buffer that several consumers share; the last release returns it to the pool."""

    pool: BufferPool
    buffer: memoryview
    length: int
    references: int
    _lock: threading.Lock = field(default_factory=threading.Lock)

    @property
    def view(self) -> memoryview:
        return self.buffer[: self.length]

    def release(self) -> None:
        with self._lock:
            self.references -= 1
            last = self.references == 0
        if last:
            self.pool.release(self.buffer)


PIECE_BYTES = 2 * 1024 * 1024
"""Bytes per request."""

_CONCURRENT_REQUESTS = 2


@dataclass(frozen=True, slots=True)
class _ReadRequest:
    """A request to fill the buffer from offset on; `count` resolves to the bytes read, or the error."""

    reading: PositionalReader
    offset: int
    buffer: memoryview
    count: Future[int] = field(default_factory=Future)


class ReadAhead:
    """The threads and buffers for one drive. Files are read one after another, never two at once."""

    def __init__(self, name: str) -> None:
        self._requests: queue.SimpleQueue[_ReadRequest | None] = queue.SimpleQueue()
        # One more than the concurrent requests: the piece that is being hashed.
        self._free = [allocate_aligned(PIECE_BYTES) for _ in range(_CONCURRENT_REQUESTS + 1)]
        self._threads = [
            threading.Thread(target=self._serve_requests, name=f"read-{name}-{number}", daemon=True)
            for number in range(_CONCURRENT_REQUESTS)
        ]
        for thread in self._threads:
            thread.start()

    def read_pieces(self, reading: PositionalReader, size: int) -> Generator[memoryview, None, None]:
        """Yield the content in order; each piece is valid until the next is requested.

        A caller that stops early closes the generator; after that nothing touches the reading any more. An error
        of the reading is raised after all pieces that were read before it.

        Args:
            size: The expected number of bytes; fewer or more are yielded as they come.
        """
        under_way = deque([self._submit(reading, 0)])
        offset = PIECE_BYTES
        try:
            while under_way:
                piece = under_way.popleft()
                try:
                    while len(under_way) < _CONCURRENT_REQUESTS and offset < size:
                        under_way.append(self._submit(reading, offset))
                        offset += PIECE_BYTES
                    count = piece.count.result()
                    if count:
                        yield piece.buffer[:count]
                finally:
                    self._free.append(piece.buffer)
                if count < PIECE_BYTES:
                    return
                if not under_way:
                    under_way.append(self._submit(reading, offset))
                    offset += PIECE_BYTES
        finally:
            for piece in under_way:
                piece.count.exception()
                self._free.append(piece.buffer)

    def close(self) -> None:
        """End the threads, once no reading is in progress."""
        for _ in self._threads:
            self._requests.put(None)
        for thread in self._threads:
            thread.join()

    def _submit(self, reading: PositionalReader, offset: int) -> _ReadRequest:
        piece = _ReadRequest(reading, offset, self._free.pop())
        self._requests.put(piece)
        return piece

    def _serve_requests(self) -> None:
        while (piece := self._requests.get()) is not None:
            try:
                piece.count.set_result(piece.reading.read_at(piece.offset, piece.buffer))
            except Exception as error:  # noqa: BLE001 - a thread's outer edge; the reader raises it again
                piece.count.set_exception(error)
