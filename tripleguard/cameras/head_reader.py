"""Read the few pieces of a file that lie outside its head.

Films and some old raws keep their metadata behind the pictures. A reader asks for pieces by their offset; what
lies in the head costs nothing, and of the rest a fixed number of windows is read, whatever the file says.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

WINDOW_BYTES = 64 << 10
"""Bytes that are read at once, and the largest piece outside the head."""

MAX_WINDOWS = 12
"""Windows read of one file."""


@dataclass(frozen=True, slots=True)
class RandomAccess:
    """A file beyond its head. size: of the whole file. read_at(offset, length) may raise OSError."""

    size: int
    read_at: Callable[[int, int], bytes]


@dataclass(slots=True)
class HeadReader:
    """A file's head, and behind it what `RandomAccess` reads. Without it the head is all there is."""

    head: bytes
    random_access: RandomAccess | None = None
    _window_count: int = 0
    _cached_window: tuple[int, bytes] = field(default=(0, b""))

    @property
    def size(self) -> int:
        """Bytes of the file as far as they are known."""
        return max(self.random_access.size, len(self.head)) if self.random_access else len(self.head)

    def read(self, offset: int, size: int) -> bytes:
        """Bytes of the file from an offset on; fewer, or none, where they are out of reach."""
        if offset < 0 or size <= 0 or offset >= self.size:
            return b""
        if offset + size <= len(self.head) or self.random_access is None:
            return self.head[offset : offset + size]
        size = min(size, WINDOW_BYTES, self.size - offset)
        start, kept = self._cached_window
        if not start <= offset <= offset + size <= start + len(kept):
            start, kept = self._read_window(offset, self.random_access)
        return kept[offset - start : offset - start + size]

    def read_number(self, offset: int, size: int, order: str) -> int | None:
        """A whole number of so many bytes; order: `<` or `>`. None out of reach."""
        raw = self.read(offset, size)
        return int.from_bytes(raw, "little" if order == "<" else "big") if len(raw) == size else None

    def _read_window(self, offset: int, random_access: RandomAccess) -> tuple[int, bytes]:
        """Read around an offset; at the end of a file its last window, since directories there refer back."""
        start = min(offset, max(0, self.size - WINDOW_BYTES))
        if self._window_count >= MAX_WINDOWS:
            return start, b""
        self._window_count += 1
        try:
            self._cached_window = (start, random_access.read_at(start, WINDOW_BYTES)[:WINDOW_BYTES])
        except OSError:
            self._cached_window = (start, b"")
        return self._cached_window


@dataclass(slots=True)
class ContainerMetadata:
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
