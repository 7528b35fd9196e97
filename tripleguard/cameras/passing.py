"""What of a file can be seen while it streams past, and the blank runs in it.

The head is kept, and a tail of what has passed; between them only the bytes that are passing now can be seen. The
buffer they lie in belongs to somebody else and is filled anew right after, so nothing here holds on to it.
"""

from __future__ import annotations

import re

from tripleguard.cameras.asking import LIMIT, LONGEST_PIECE, Answer, Ask, NextMarker, Piece

HEAD = 1 << 20
"""Bytes kept from the start of a file."""

TAIL = 1 << 16
"""Bytes kept from the end of what has passed."""

BLOCK = 512
"""Bytes of the smallest block that a card loses."""

LEAST = 8 * BLOCK
"""Bytes of the shortest run that is kept: a page of a card's memory."""

MOST_RUNS = 4096
"""Runs remembered of one file."""


class Later:
    """The answer to what has not come by yet."""


LATER = Later()


class Passing:
    """What of the file can be seen now: its head, the bytes that are passing, and a tail of what has passed."""

    def __init__(self, size: int) -> None:
        self.head = b""
        self.passed = 0
        self._size = size
        self._window: memoryview | bytes = b""
        self._start = 0
        self._tail = b""
        self._sought: NextMarker | None = None
        self._from = 0

    def advance(self, view: memoryview | bytes) -> None:
        if len(self.head) < HEAD and self.passed == len(self.head):
            self.head += view[: HEAD - len(self.head)]
        self._window, self._start = view, self.passed
        self.passed += len(view)

    def let_go(self) -> None:
        """Keep a tail of the passing bytes; they are gone after this."""
        kept = bytes(self._window[-TAIL:])
        self._tail = (self._tail + kept)[-TAIL:] if len(kept) < TAIL else kept
        self._window, self._start = b"", self.passed

    def answer(self, ask: Ask) -> Answer | Later:
        return self._piece(ask) if isinstance(ask, Piece) else self._marker(ask)

    def _piece(self, ask: Piece) -> Answer | Later:
        if ask.size > LONGEST_PIECE or ask.at < 0:
            raise ValueError(f"a walk asked for {ask.size} bytes at {ask.at}")
        end = min(ask.at + ask.size, self._size)
        if end <= ask.at:
            return b""
        if end > self.passed:
            return LATER
        if end <= len(self.head):
            return self.head[ask.at : end]
        return self._near(ask.at, end)

    def _near(self, at: int, end: int) -> bytes | None:
        """Bytes that pass now, or have just passed."""
        if at >= self._start:
            return bytes(self._window[at - self._start : end - self._start])
        tail = self._start - len(self._tail)
        if at < tail:
            return None
        joined = self._tail[at - tail : end - tail]
        return joined + bytes(self._window[: end - self._start]) if end > self._start else joined

    def _marker(self, ask: NextMarker) -> Answer | Later:
        limit = min(ask.limit, self._size)
        if self._sought is not ask:
            self._sought, self._from = ask, ask.at
        if self._from >= limit:
            return LIMIT
        if limit <= len(self.head):
            return _found(_MARKER.search(self.head, self._from, limit), 0)
        if self._from < self._start:
            return self._marker_across(limit)
        return self._marker_here(limit)

    def _marker_across(self, limit: int) -> Answer | Later:
        """The search began in what has passed: look through the tail of it, and where it meets what passes now."""
        tail = self._start - len(self._tail)
        if self._from < tail:
            return None
        joined = self._tail[self._from - tail :] + bytes(self._window[:1])
        found = _found(_MARKER.search(joined, 0, limit - self._from), self._from)
        if found != LIMIT:
            return found
        self._from = self._start
        return self._marker_here(limit)

    def _marker_here(self, limit: int) -> Answer | Later:
        end = min(limit, self.passed)
        if self._from < end:
            found = _found(_MARKER.search(self._window, self._from - self._start, end - self._start), self._start)
            if found != LIMIT:
                return found
            # The first half of a marker may be the last byte here.
            self._from = end - 1 if self._window[end - 1 - self._start] == 0xFF else end
        return LIMIT if self.passed >= limit else LATER


def _found(hit: re.Match[bytes] | None, offset: int) -> int:
    return LIMIT if hit is None else offset + hit.start()


# In a coded picture a zero or a restart marker (0xD0 to 0xD7) follows every 0xFF; anything else is a marker.
_MARKER = re.compile(rb"\xff[\x01-\xcf\xd8-\xfe]")


ZERO, ONES = 0x00, 0xFF


class Blanks:
    """Finds runs of one value, whole blocks of it, at almost no cost: most blocks begin with something else.

    ZERO is what a hole in a card reads as, ONES what erased memory does. Runs shorter than LEAST are not kept.
    """

    def __init__(self) -> None:
        self._runs: dict[int, list[tuple[int, int]]] = {ZERO: [], ONES: []}
        self._at = 0

    def feed(self, view: memoryview | bytes) -> None:
        """The next bytes of the file."""
        first = -self._at % BLOCK
        blocks = (len(view) - first) // BLOCK
        if blocks > 0:
            firsts = bytes(view[first : first + blocks * BLOCK : BLOCK])
            for value, runs in self._runs.items():
                blank = bytes([value]) * BLOCK
                number = firsts.find(value)
                while number >= 0:
                    at = first + number * BLOCK
                    if view[at + _MIDDLE] == value and bytes(view[at : at + BLOCK]) == blank:
                        _add(runs, self._at + at)
                    number = firsts.find(value, number + 1)
        self._at += len(view)

    def runs(self, value: int) -> list[tuple[int, int]]:
        """Start and end of each run of ZERO or ONES, in order."""
        return [run for run in self._runs[value] if run[1] - run[0] >= LEAST]


_MIDDLE = BLOCK // 2 + 1


def _add(runs: list[tuple[int, int]], at: int) -> None:
    if runs and runs[-1][1] == at:
        runs[-1] = (runs[-1][0], at + BLOCK)
        return
    if runs and runs[-1][1] - runs[-1][0] < LEAST:
        runs.pop()
    if len(runs) < MOST_RUNS:
        runs.append((at, at + BLOCK))
