"""Combine one whole file from two bad copies that are damaged in different places.

Bytes on which the copies agree are taken to be right; where they differ, either may be. All combinations are
tried, and only one whose BLAKE3 equals the file's counts. Nothing is guessed.
"""

from __future__ import annotations

import contextlib
import functools
import itertools
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from tripleguard.digest import Hasher
from tripleguard.model import File, Medium

BLOCK_BYTES = 512
MAX_REGIONS = 10
"""How many regions may differ; each further one doubles the work."""

_CHUNK_BYTES = 1024 * 1024

ReadAt = Callable[[int, int], bytes]
"""Return the bytes at (offset, length); unreadable blocks are zeros."""


@dataclass(frozen=True, slots=True)
class CombineRecipe:
    """How to combine a file: all bytes of the first copy except these (start, end) ranges of the second."""

    from_second: tuple[tuple[int, int], ...]


def find_combination(
    file: File, bad_copies: Sequence[ReadAt], should_stop: Callable[[], bool]
) -> Callable[[], CombinedReading] | None:
    """Return a function that opens the whole file, combined from two bad copies; None if none matches."""
    for first, second in itertools.combinations(bad_copies, 2):
        # Skip a copy whose drive goes away meanwhile.
        with contextlib.suppress(OSError):
            recipe = find_recipe(file, first, second, should_stop)
            if recipe is not None:
                return functools.partial(CombinedReading, file.size, first, second, recipe)
    return None


def find_recipe(
    file: File, first: ReadAt, second: ReadAt, should_stop: Callable[[], bool]
) -> CombineRecipe | None:
    """Return how to combine the file from two copies of its size; None if there is no way."""
    regions = find_differing_regions(file.size, first, second)
    if not regions or len(regions) > MAX_REGIONS:
        return None
    for count in range(len(regions) + 1):
        for chosen in itertools.combinations(regions, count):
            if should_stop():
                return None
            if _hash_combination(file.size, first, second, chosen) == file:
                return CombineRecipe(chosen)
    return None


def find_differing_regions(size: int, first: ReadAt, second: ReadAt) -> list[tuple[int, int]]:
    """Return the (start, end) ranges of blocks in which the two copies differ."""
    regions: list[tuple[int, int]] = []
    for offset in range(0, size, _CHUNK_BYTES):
        length = min(_CHUNK_BYTES, size - offset)
        one, other = first(offset, length), second(offset, length)
        if one == other:
            continue
        for start in range(0, length, BLOCK_BYTES):
            if one[start : start + BLOCK_BYTES] != other[start : start + BLOCK_BYTES]:
                begin, end = offset + start, min(offset + start + BLOCK_BYTES, size)
                if regions and regions[-1][1] == begin:
                    regions[-1] = (regions[-1][0], end)
                else:
                    regions.append((begin, end))
    return regions


def open_tolerant_reader(open_file: Callable[[str], int], path: str) -> ReadAt:
    """Return a reader for a bad copy; unreadable blocks are zeros. open_file: returns a descriptor."""

    def read_at(offset: int, length: int) -> bytes:
        descriptor = open_file(path)
        try:
            return _read_tolerantly(descriptor, offset, length)
        finally:
            os.close(descriptor)

    return read_at


class CombinedReading:
    """A reading of the file that a recipe combines from two copies."""

    medium = Medium.DIRECT

    def __init__(self, size: int, first: ReadAt, second: ReadAt, recipe: CombineRecipe) -> None:
        self._size = size
        self._first = first
        self._second = second
        self._recipe = recipe
        self._offset = 0

    def readinto(self, buffer: memoryview) -> int:
        length = min(len(buffer), self._size - self._offset)
        if length <= 0:
            return 0
        buffer[:length] = _combine(self._offset, length, self._first, self._second, self._recipe.from_second)
        self._offset += length
        return length

    def close(self) -> None:
        return None


def _combine(
    offset: int, length: int, first: ReadAt, second: ReadAt, from_second: Sequence[tuple[int, int]]
) -> bytes:
    piece = bytearray(first(offset, length))
    for start, end in from_second:
        low, high = max(start, offset), min(end, offset + length)
        if low < high:
            piece[low - offset : high - offset] = second(low, high - low)
    return bytes(piece)


def _hash_combination(size: int, first: ReadAt, second: ReadAt, from_second: Sequence[tuple[int, int]]) -> File:
    hasher = Hasher()
    for offset in range(0, size, _CHUNK_BYTES):
        hasher.update(_combine(offset, min(_CHUNK_BYTES, size - offset), first, second, from_second))
    return hasher.as_file()


def _read_tolerantly(descriptor: int, offset: int, length: int) -> bytes:
    try:
        os.lseek(descriptor, offset, os.SEEK_SET)
        piece = os.read(descriptor, length)
        if len(piece) == length:
            return piece
    except OSError:
        pass
    out = bytearray()
    for start in range(offset, offset + length, BLOCK_BYTES):
        size = min(BLOCK_BYTES, offset + length - start)
        try:
            os.lseek(descriptor, start, os.SEEK_SET)
            piece = os.read(descriptor, size)
        except OSError:
            piece = b""
        out += piece.ljust(size, b"\0")
    return bytes(out)
