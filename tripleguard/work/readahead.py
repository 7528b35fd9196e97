"""Reading the next pieces of a file while the ones before are hashed.

A medium that waits while a processor hashes, and a processor that waits while the medium reads, take the sum of
both times; side by side they take the longer one. Two pieces are on their way at once, one behind the other, so
that the medium never idles between two requests. Nothing is read past the end of the file that was asked for:
a cut costs no more than that one file.
"""

from __future__ import annotations

import queue
import threading
from collections import deque
from collections.abc import Generator
from concurrent.futures import Future
from dataclasses import dataclass, field
from typing import Protocol

from tripleguard.places.media import aligned_buffer

PIECE = 2 * 1024 * 1024
"""Bytes per request."""

_UNDER_WAY = 2


class ReadingAt(Protocol):
    """A file that several threads may read at once."""

    def read_at(self, offset: int, buffer: memoryview) -> int:
        """Fill buffer from offset on; fewer bytes only at the end of the file. Raises OSError."""


@dataclass(frozen=True, slots=True)
class _Piece:
    """One request: fill the buffer from offset on. count: bytes that came, or the error."""

    reading: ReadingAt
    offset: int
    buffer: memoryview
    count: Future[int] = field(default_factory=Future)


class ReadAhead:
    """The threads and buffers for one drive. Files are read one after the other, never two at once."""

    def __init__(self, name: str) -> None:
        self._asked: queue.SimpleQueue[_Piece | None] = queue.SimpleQueue()
        # One more than under way: the one that is being hashed.
        self._free = [aligned_buffer(PIECE) for _ in range(_UNDER_WAY + 1)]
        self._threads = [
            threading.Thread(target=self._answer, name=f"read-{name}-{number}", daemon=True)
            for number in range(_UNDER_WAY)
        ]
        for thread in self._threads:
            thread.start()

    def chunks(self, reading: ReadingAt, size: int) -> Generator[memoryview, None, None]:
        """What the reading holds, in order, each piece good until the next is asked for.

        size: about how many bytes there are; more or fewer are given as they are. Whoever stops early closes the
        generator; when it is closed nobody touches the reading any more. Raises what the reading raised, after
        all that was read before it.
        """
        under_way = deque([self._ask(reading, 0)])
        offset = PIECE
        try:
            while under_way:
                piece = under_way.popleft()
                try:
                    while len(under_way) < _UNDER_WAY and offset < size:
                        under_way.append(self._ask(reading, offset))
                        offset += PIECE
                    count = piece.count.result()
                    if count:
                        yield piece.buffer[:count]
                finally:
                    self._free.append(piece.buffer)
                if count < PIECE:
                    return
                if not under_way:
                    under_way.append(self._ask(reading, offset))
                    offset += PIECE
        finally:
            for piece in under_way:
                piece.count.exception()
                self._free.append(piece.buffer)

    def close(self) -> None:
        """End the threads, once no reading is under way."""
        for _ in self._threads:
            self._asked.put(None)
        for thread in self._threads:
            thread.join()

    def _ask(self, reading: ReadingAt, offset: int) -> _Piece:
        piece = _Piece(reading, offset, self._free.pop())
        self._asked.put(piece)
        return piece

    def _answer(self) -> None:
        while (piece := self._asked.get()) is not None:
            try:
                piece.count.set_result(piece.reading.read_at(piece.offset, piece.buffer))
            except Exception as error:  # noqa: BLE001 - a thread's outer edge; whoever asked raises it again
                piece.count.set_exception(error)
