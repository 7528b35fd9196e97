"""Read the few parts of a file that lie outside its head.

Films and some old raws store their metadata behind the image data. A reader requests parts by offset. Parts inside
the head need no I/O; for the others the number of windows read is limited, whatever the file says.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

WINDOW_BYTES = 64 << 10
"""Bytes per read, and the largest part outside the head."""

MAX_WINDOWS = 12
"""Windows read per file."""


@dataclass(frozen=True, slots=True)
class RandomAccess:
    """Access to a file beyond its head.

    Attributes:
        size: bytes of the whole file.
        read_at: takes offset and length; may raise OSError.
    """

    size: int
    read_at: Callable[[int, int], bytes]


@dataclass(slots=True)
class HeadReader:
    """The head of a file, and the rest of it through `RandomAccess` if that is given."""

    head: bytes
    random_access: RandomAccess | None = None
    _window_count: int = 0
    _cached_window: tuple[int, bytes] = field(default=(0, b""))

    @property
    def size(self) -> int:
        """Bytes of the file as far as known."""
        return max(self.random_access.size, len(self.head)) if self.random_access else len(self.head)

    def read(self, offset: int, size: int) -> bytes:
        """Return `size` bytes from an offset; fewer or none where they are out of reach."""
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
        """Return a whole number of `size` bytes, or None if it is out of reach. order: `<` or `>`."""
        raw = self.read(offset, size)
        return int.from_bytes(raw, "little" if order == "<" else "big") if len(raw) == size else None

    def _read_window(self, offset: int, random_access: RandomAccess) -> tuple[int, bytes]:
        """Read the window at an offset.

        Near the end of the file read the last window, since directories there refer back.
        """
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
    """Metadata that a container stores outside of Exif, as written.

    Attributes:
        date: in Exif's form or that of ISO 8601.
        exif: the start of a JPEG or TIFF block found in the container, which takes precedence over the other
            fields.
        directory: a little-endian TIFF directory without a block; its offsets count from its own start.
        zone_known: False where the time may be UTC or local.
    """

    date: bytes | None = None
    make: bytes | None = None
    model: bytes | None = None
    serial: bytes | None = None
    exif: bytes = b""
    directory: bytes = b""
    zone_known: bool = True
