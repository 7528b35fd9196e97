"""Reads the few pieces of a file that lie outside its head.

Films and some old raws keep what the camera wrote behind the pictures. A reader of such a file asks for pieces by
their offset; what lies in the head costs nothing, and of the rest a fixed number of windows is read, whatever the
file says.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

WINDOW = 64 << 10
"""Bytes that are read at once, and the largest piece outside the head."""

MOST_WINDOWS = 12
"""Windows read of one file."""


@dataclass(frozen=True, slots=True)
class Far:
    """A file beyond its head. size: of the whole file. read_at(offset, length) may raise OSError."""

    size: int
    read_at: Callable[[int, int], bytes]


@dataclass(slots=True)
class Reach:
    """A file's head, and behind it what `Far` reads. Without it the head is all there is."""

    head: bytes
    far: Far | None = None
    _windows: int = 0
    _kept: tuple[int, bytes] = field(default=(0, b""))

    @property
    def size(self) -> int:
        """Bytes of the file as far as they are known."""
        return max(self.far.size, len(self.head)) if self.far else len(self.head)

    def piece(self, at: int, size: int) -> bytes:
        """Bytes of the file from an offset on; fewer, or none, where they are out of reach."""
        if at < 0 or size <= 0 or at >= self.size:
            return b""
        if at + size <= len(self.head) or self.far is None:
            return self.head[at : at + size]
        size = min(size, WINDOW, self.size - at)
        start, kept = self._kept
        if not start <= at <= at + size <= start + len(kept):
            start, kept = self._window(at, self.far)
        return kept[at - start : at - start + size]

    def number(self, at: int, size: int, order: str) -> int | None:
        """A whole number of so many bytes; order: `<` or `>`. None out of reach."""
        raw = self.piece(at, size)
        return int.from_bytes(raw, "little" if order == "<" else "big") if len(raw) == size else None

    def _window(self, at: int, far: Far) -> tuple[int, bytes]:
        """Read around an offset; at the end of a file its last window, since directories there refer back."""
        start = min(at, max(0, self.size - WINDOW))
        if self._windows >= MOST_WINDOWS:
            return start, b""
        self._windows += 1
        try:
            self._kept = (start, far.read_at(start, WINDOW)[:WINDOW])
        except OSError:
            self._kept = (start, b"")
        return self._kept


@dataclass(slots=True)
class Written:
    """What stands in a container outside of Exif, as written.

    exif: the beginning of a JPEG or TIFF block that came with it, which counts more than the rest. directory: a
    little-endian TIFF directory without a block, whose offsets count from its own beginning. date: in Exif's form
    or ISO 8601's. zone_known: False where the clock may be UTC as well as local.
    """

    date: bytes | None = None
    make: bytes | None = None
    model: bytes | None = None
    serial: bytes | None = None
    exif: bytes = b""
    directory: bytes = b""
    zone_known: bool = True
