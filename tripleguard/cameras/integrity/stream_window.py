"""The part of a file that is visible while it is read once, and the blank runs in it.

The head is kept, and a tail of the bytes read so far; between them only the current bytes are visible. Their
buffer belongs to the caller and is refilled right after, so nothing here keeps a reference to it.
"""

from __future__ import annotations

import re

from tripleguard.cameras.integrity.walk import (
    MAX_PIECE_BYTES,
    NO_MARKER,
    ByteRequest,
    ByteResponse,
    MarkerRequest,
    PieceRequest,
)

HEAD_BYTES = 1 << 20
"""Bytes kept from the start of a file."""

TAIL_BYTES = 1 << 16
"""Bytes kept from the end of the data read so far."""

BLOCK_BYTES = 512
"""Bytes of the smallest block that a card can lose."""

MIN_RUN_BYTES = 8 * BLOCK_BYTES
"""Bytes of the shortest run that is kept: a memory page of a card."""

MAX_RUNS = 4096
"""Runs kept for one file."""


class NotYet:
    """The answer to a request for bytes that have not arrived yet."""


NOT_YET = NotYet()


class StreamWindow:
    """The visible part of a file: its head, the current bytes, and a tail of the bytes before them."""

    def __init__(self, size: int) -> None:
        self.head = b""
        self.position = 0
        self._size = size
        self._window: memoryview | bytes = b""
        self._window_start = 0
        self._tail = b""
        self._marker_request: MarkerRequest | None = None
        self._search_from = 0

    def advance(self, view: memoryview | bytes) -> None:
        if len(self.head) < HEAD_BYTES and self.position == len(self.head):
            self.head += view[: HEAD_BYTES - len(self.head)]
        self._window, self._window_start = view, self.position
        self.position += len(view)

    def retain_tail(self) -> None:
        """Keep a tail of the current bytes and release their buffer."""
        kept = bytes(self._window[-TAIL_BYTES:])
        self._tail = (self._tail + kept)[-TAIL_BYTES:] if len(kept) < TAIL_BYTES else kept
        self._window, self._window_start = b"", self.position

    def answer(self, request: ByteRequest) -> ByteResponse | NotYet:
        return self._read_piece(request) if isinstance(request, PieceRequest) else self._find_marker(request)

    def _read_piece(self, request: PieceRequest) -> ByteResponse | NotYet:
        if request.size > MAX_PIECE_BYTES or request.offset < 0:
            raise ValueError(f"a walk asked for {request.size} bytes at {request.offset}")
        end = min(request.offset + request.size, self._size)
        if end <= request.offset:
            return b""
        if end > self.position:
            return NOT_YET
        if end <= len(self.head):
            return self.head[request.offset : end]
        return self._read_recent(request.offset, end)

    def _read_recent(self, start: int, end: int) -> bytes | None:
        """Return bytes from the tail and the current window; None if they are no longer available."""
        if start >= self._window_start:
            return bytes(self._window[start - self._window_start : end - self._window_start])
        tail = self._window_start - len(self._tail)
        if start < tail:
            return None
        joined = self._tail[start - tail : end - tail]
        return joined + bytes(self._window[: end - self._window_start]) if end > self._window_start else joined

    def _find_marker(self, request: MarkerRequest) -> ByteResponse | NotYet:
        limit = min(request.limit, self._size)
        if self._marker_request is not request:
            self._marker_request, self._search_from = request, request.offset
        if self._search_from >= limit:
            return NO_MARKER
        if limit <= len(self.head):
            return _to_offset(_MARKER_PATTERN.search(self.head, self._search_from, limit), 0)
        if self._search_from < self._window_start:
            return self._find_marker_across_tail(limit)
        return self._find_marker_in_window(limit)

    def _find_marker_across_tail(self, limit: int) -> ByteResponse | NotYet:
        """Continue a search that began before the current window, through the tail and into the window."""
        tail = self._window_start - len(self._tail)
        if self._search_from < tail:
            return None
        joined = self._tail[self._search_from - tail :] + bytes(self._window[:1])
        found = _to_offset(_MARKER_PATTERN.search(joined, 0, limit - self._search_from), self._search_from)
        if found != NO_MARKER:
            return found
        self._search_from = self._window_start
        return self._find_marker_in_window(limit)

    def _find_marker_in_window(self, limit: int) -> ByteResponse | NotYet:
        end = min(limit, self.position)
        if self._search_from < end:
            found = _to_offset(
                _MARKER_PATTERN.search(
                    self._window, self._search_from - self._window_start, end - self._window_start
                ),
                self._window_start,
            )
            if found != NO_MARKER:
                return found
            # The last byte here may be the first half of a marker.
            self._search_from = end - 1 if self._window[end - 1 - self._window_start] == 0xFF else end
        return NO_MARKER if self.position >= limit else NOT_YET


def _to_offset(match: re.Match[bytes] | None, offset: int) -> int:
    return NO_MARKER if match is None else offset + match.start()


# In entropy-coded data a zero or a restart marker (0xD0 to 0xD7) follows every 0xFF; anything else is a marker.
_MARKER_PATTERN = re.compile(rb"\xff[\x01-\xcf\xd8-\xfe]")


ZERO, ONES = 0x00, 0xFF


class BlankRunFinder:
    """A finder of whole blocks that hold one value; cheap, as most blocks begin with another value.

    Lost blocks of a card read as ZERO, erased memory as ONES. Runs shorter than MIN_RUN_BYTES are not reported.
    """

    def __init__(self) -> None:
        self._runs: dict[int, list[tuple[int, int]]] = {ZERO: [], ONES: []}
        self._offset = 0

    def feed(self, view: memoryview | bytes) -> None:
        """Take the next bytes of the file."""
        first = -self._offset % BLOCK_BYTES
        blocks = (len(view) - first) // BLOCK_BYTES
        if blocks > 0:
            firsts = bytes(view[first : first + blocks * BLOCK_BYTES : BLOCK_BYTES])
            for value, runs in self._runs.items():
                blank = bytes([value]) * BLOCK_BYTES
                number = firsts.find(value)
                while number >= 0:
                    at = first + number * BLOCK_BYTES
                    if view[at + _BLOCK_MIDDLE] == value and bytes(view[at : at + BLOCK_BYTES]) == blank:
                        _append_run(runs, self._offset + at)
                    number = firsts.find(value, number + 1)
        self._offset += len(view)

    def list_runs(self, value: int) -> list[tuple[int, int]]:
        """Return start and end of each run of ZERO or ONES, in order."""
        return [run for run in self._runs[value] if run[1] - run[0] >= MIN_RUN_BYTES]


_BLOCK_MIDDLE = BLOCK_BYTES // 2 + 1


def _append_run(runs: list[tuple[int, int]], offset: int) -> None:
    if runs and runs[-1][1] == offset:
        runs[-1] = (runs[-1][0], offset + BLOCK_BYTES)
        return
    if runs and runs[-1][1] - runs[-1][0] < MIN_RUN_BYTES:
        runs.pop()
    if len(runs) < MAX_RUNS:
        runs.append((offset, offset + BLOCK_BYTES))
