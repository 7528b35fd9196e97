"""Find out how a bad copy differs from a good one, and how much of it can't be read.

The kinds of damage are those that studies of stored data found (Panzer-Steindel, Data integrity, CERN 2007: single
bits, 512-byte sectors, 64 KiB regions), and those of interrupted or torn writes: a truncated tail, zeros from some
point on, blocks that changed places. Both copies are read from the medium, as the cache may still hold old
content, and the good one counts only if its digest is right now.
"""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from tripleguard.catalog import file_queries
from tripleguard.digest import Hasher
from tripleguard.jobs.context import JobContext
from tripleguard.jobs.drives import OpenDrive
from tripleguard.model import Entry, File
from tripleguard.places.base import CopyReader, Place, PositionalReader
from tripleguard.places.cache_bypass import BLOCK_BYTES, allocate_aligned
from tripleguard.rules import is_good_copy

SECTOR_BYTES = 512
REGION_BYTES = 65536
_MAX_TRACKED_SECTORS = 16384
"""How many differing sectors (8 MiB) are remembered, to detect that they only changed places."""


@dataclass(frozen=True, slots=True)
class CopyDamage:
    """How a copy differs: the shape of the damage, and how many bytes from the first to the last offset.

    The offsets are 0 if no byte differs; `description` is the sentence for a person.
    """

    shape: str
    differing_bytes: int
    first_offset: int
    last_offset: int
    description: str


class DamageClassifier:
    """Compares a bad and a good copy piece by piece, in order."""

    def __init__(self) -> None:
        self._offset = 0
        self._differing_bytes = 0
        self._differing_bits = 0
        self._first_offset: int | None = None
        self._last_offset = 0
        self._bad_size = 0
        self._good_size = 0
        self._zeros_start: int | None = None
        # +1 for each sector's content in the bad copy, -1 in the good one; all 0 if none was lost.
        self._sector_balance: Counter[int] = Counter()
        self._differing_sectors = 0

    def feed(self, bad: bytes, good: bytes) -> None:
        """Compare the next piece of both: whole sectors except the last; either may end early."""
        self._bad_size += len(bad)
        self._good_size += len(good)
        self._track_zero_tail(bad)
        common = min(len(bad), len(good))
        for start, one, other in _iter_differing_sectors(bad[:common], good[:common]):
            self._count_difference(self._offset + start, one, other)
        self._offset += common

    def classify(self) -> CopyDamage:
        """Return the verdict after both copies were fed completely."""
        first = self._first_offset if self._first_offset is not None else 0
        if self._bad_size < self._good_size and self._differing_bytes == 0:
            missing = self._good_size - self._bad_size
            return self._build_damage("truncated", f"the last {missing:,} bytes are missing", first)
        if self._bad_size > self._good_size and self._differing_bytes == 0:
            more = self._bad_size - self._good_size
            return self._build_damage("grown", f"{more:,} bytes were added at the end", first)
        if self._differing_bytes == 0:
            return self._build_damage("none", "no difference was found this time", first)
        if self._differing_bits == 1:
            return self._build_damage("bit", f"one bit is flipped, at byte {first:,}", first)
        zeros = self._zeros_start
        if zeros is not None and self._first_offset is not None and zeros <= self._first_offset:
            return self._build_damage("zero tail", f"everything from byte {zeros:,} on is zeros", first)
        if self._has_only_moved_sectors():
            return self._build_damage(
                "swapped", f"blocks have changed places, between byte {first:,} and {self._last_offset:,}", first
            )
        span = self._last_offset - first + 1
        if span <= SECTOR_BYTES and first // SECTOR_BYTES == self._last_offset // SECTOR_BYTES:
            return self._build_damage(
                "sector", f"one sector of {SECTOR_BYTES} bytes is different, at byte {first:,}", first
            )
        if span <= REGION_BYTES:
            return self._build_damage(
                "region", f"a region of {span:,} bytes is different, from byte {first:,} on", first
            )
        return self._build_damage(
            "scattered",
            f"{self._differing_bytes:,} bytes are different, between byte {first:,} and {self._last_offset:,}",
            first,
        )

    def _build_damage(self, shape: str, description: str, first: int) -> CopyDamage:
        return CopyDamage(shape, self._differing_bytes, first, self._last_offset, description)

    def _count_difference(self, start: int, bad: bytes, good: bytes) -> None:
        """Count one differing sector of both, at start."""
        unlike = (int.from_bytes(bad) ^ int.from_bytes(good)).to_bytes(len(bad))
        self._first_offset = (
            start + len(unlike) - len(unlike.lstrip(b"\0")) if self._first_offset is None else self._first_offset
        )
        self._last_offset = start + len(unlike.rstrip(b"\0")) - 1
        self._differing_bytes += len(unlike) - unlike.count(0)
        self._differing_bits += int.from_bytes(unlike).bit_count()
        self._differing_sectors += 1
        if self._differing_sectors <= _MAX_TRACKED_SECTORS:
            self._sector_balance[hash(bad)] += 1
            self._sector_balance[hash(good)] -= 1

    def _has_only_moved_sectors(self) -> bool:
        """Return whether every differing sector of the good copy is elsewhere in the bad one."""
        same_size = self._bad_size == self._good_size
        return (
            same_size
            and 1 < self._differing_sectors <= _MAX_TRACKED_SECTORS
            and not any(self._sector_balance.values())
        )

    def _track_zero_tail(self, bad: bytes) -> None:
        start = self._bad_size - len(bad)
        stripped = bad.rstrip(b"\0")
        if stripped:
            self._zeros_start = start + len(stripped) if len(stripped) < len(bad) else None
        elif self._zeros_start is None and bad:
            self._zeros_start = start


def _iter_differing_sectors(bad: bytes, good: bytes) -> Iterator[tuple[int, bytes, bytes]]:
    if bad == good:
        return
    for start in range(0, len(bad), SECTOR_BYTES):
        one, other = bad[start : start + SECTOR_BYTES], good[start : start + SECTOR_BYTES]
        if one != other:
            yield start, one, other


_CHUNK_BYTES = 1024 * 1024


def diff_with_good_copy(
    ctx: JobContext, drives: Sequence[OpenDrive], drive: OpenDrive, path: str
) -> CopyDamage | None:
    """Return how the copy at path differs from a good one on a connected drive; None if there is none."""
    bad = file_queries.find_copy_at(ctx.catalog, drive.record.id, path)
    if bad is None:
        return None
    whole = file_queries.get_file(ctx.catalog, bad.file_id).file
    for other in drives:
        for good in file_queries.list_copies(ctx.catalog, bad.file_id):
            if good.place_id == other.record.id and is_good_copy(good) and good.id != bad.id:
                try:
                    found = _compare_copies(drive.place, bad.path, other.place, good.path, whole)
                except OSError:
                    continue
                if found is not None:
                    return found
    return None


def _compare_copies(
    bad_place: Place, bad_path: str, good_place: Place, good_path: str, expected: File
) -> CopyDamage | None:
    """Return how they differ; None if the good copy does not hold the whole file. Raises OSError."""
    comparison, hasher = DamageClassifier(), Hasher()
    bad = bad_place.open_reader(bad_path)
    try:
        good = good_place.open_reader(good_path)
        try:
            for one, other in itertools.zip_longest(_read_chunks(bad), _read_chunks(good), fillvalue=b""):
                hasher.update(other)
                comparison.feed(one, other)
        finally:
            good.close()
    finally:
        bad.close()
    return comparison.classify() if hasher.as_file() == expected else None


def _read_chunks(reading: CopyReader) -> Iterator[bytes]:
    """Yield pieces of one size, the last one shorter, however the medium returns them."""
    buffer, held = allocate_aligned(_CHUNK_BYTES), bytearray()
    while count := reading.readinto(buffer):
        held += buffer[:count]
        while len(held) >= _CHUNK_BYTES:
            yield bytes(held[:_CHUNK_BYTES])
            del held[:_CHUNK_BYTES]
    if held:
        yield bytes(held)


_PROBE_BYTES = 16 * BLOCK_BYTES


def count_unreadable_bytes(place: Place, entry: Entry, should_stop: Callable[[], bool]) -> int:
    """Return how many bytes can't be read, in blocks of 4 KiB; only of those tried before a stop.

    Raises the drive's OSError if the drive is gone, because then nothing is known of the file.
    """
    try:
        reading = place.open_reader(entry.path)
    except OSError:
        if not place.is_connected():
            raise
        return entry.size
    try:
        bad = sum(_iter_unreadable_blocks(reading, entry.size, should_stop))
    finally:
        reading.close()
    if bad and not place.is_connected():
        raise OSError(None, f"{entry.path} can't be read as its drive is gone")
    return bad


def _iter_unreadable_blocks(
    reading: PositionalReader, size: int, should_stop: Callable[[], bool]
) -> Iterator[int]:
    """Yield the number of bytes of each block that can't be read."""
    buffer = allocate_aligned(_PROBE_BYTES)
    for start in range(0, size, _PROBE_BYTES):
        if should_stop():
            return
        if _is_readable(reading, start, buffer):
            continue
        for offset in range(start, min(start + _PROBE_BYTES, size), BLOCK_BYTES):
            if not _is_readable(reading, offset, buffer[:BLOCK_BYTES]):
                yield min(BLOCK_BYTES, size - offset)


def _is_readable(reading: PositionalReader, offset: int, buffer: memoryview) -> bool:
    try:
        reading.read_at(offset, buffer)
    except OSError:
        return False
    return True
