"""How much of a copy can't be read: tried in ever smaller pieces, past the cache."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from tripleguard.model import Entry
from tripleguard.places.drive import Drive
from tripleguard.places.media import BLOCK, MediumReading, aligned_buffer

_PIECE = 16 * BLOCK


def unreadable_bytes(place: Drive, entry: Entry, stopped: Callable[[], bool]) -> int:
    """How many bytes of a file can't be read, to the block of 4 KiB; of those looked at before it was stopped.

    Raises the drive's OSError if it is gone, as then nothing is known of the file.
    """
    try:
        reading = place.read(entry.path)
    except OSError:
        if not place.here():
            raise
        return entry.size
    try:
        bad = sum(_bad(reading, entry.size, stopped))
    finally:
        reading.close()
    if bad and not place.here():
        raise OSError(None, f"{entry.path} can't be read as its drive is gone")
    return bad


def _bad(reading: MediumReading, size: int, stopped: Callable[[], bool]) -> Iterator[int]:
    """The bytes of each block that can't be read."""
    buffer = aligned_buffer(_PIECE)
    for start in range(0, size, _PIECE):
        if stopped():
            return
        if _gives(reading, start, buffer):
            continue
        for offset in range(start, min(start + _PIECE, size), BLOCK):
            if not _gives(reading, offset, buffer[:BLOCK]):
                yield min(BLOCK, size - offset)


def _gives(reading: MediumReading, offset: int, buffer: memoryview) -> bool:
    try:
        reading.read_at(offset, buffer)
    except OSError:
        return False
    return True
