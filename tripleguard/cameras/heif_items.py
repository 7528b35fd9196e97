"""Takes the coded pictures out of a HEIF file that is in memory whole.

A HEIF file lists items, where each lies, and which properties belong to it. A picture coded as HEVC has its
parameter sets in a property (`hvcC`), and its own bytes in the file: pieces (NAL units), each with its length in
front. Whatever does not fit is left out; the walk through the boxes has told of it.

Items and properties: ISO/IEC 14496-12, 8.11 (`meta`, `iloc`, `iprp`). Parameter sets: ISO/IEC 14496-15, 8.3.3.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from itertools import islice

MOST_BOXES = 4096
MOST_ITEMS = 4096
"""Items of one file; a grid of a large picture has a few hundred tiles."""

MOST_UNITS = 4096
"""Pieces of one coded picture."""

Place = tuple[int, int]
"""Where something begins and ends."""


def coded_pictures(content: bytes) -> Iterator[list[bytes]]:
    """Yield the NAL units of each HEVC picture of a HEIF file, its parameter sets first."""
    for at, end in _children(content, 0, len(content), b"meta"):
        places = dict(islice(_item_places(content, at + 4, end), MOST_ITEMS))
        for item, settings in islice(_settings(content, at + 4, end), MOST_ITEMS):
            coded = _joined(content, places.get(item, []))
            if coded:
                yield [*_parameter_sets(settings), *_units(coded, (settings[21] & 3) + 1)]


def _joined(content: bytes, places: list[Place]) -> bytes:
    """Return the bytes of an item; none if its parts are more than the file has, which only a hostile one says."""
    if sum(max(0, min(stop, len(content)) - start) for start, stop in places) > len(content):
        return b""
    return b"".join(content[start:stop] for start, stop in places)


def _boxes(content: bytes, at: int, end: int) -> Iterator[tuple[bytes, int, int]]:
    """Yield the boxes of one level: kind, and where the content begins and ends."""
    for _ in range(MOST_BOXES):
        if at + 8 > end:
            return
        length, kind = struct.unpack_from(">I4s", content, at)
        begin = at + 8
        if length == 1 and at + 16 <= end:
            length, begin = int.from_bytes(content[at + 8 : at + 16], "big"), at + 16
        elif length == 0:
            length = end - at
        if length < begin - at or at + length > end:
            return
        yield kind, begin, at + length
        at += length


def _children(content: bytes, at: int, end: int, kind: bytes) -> Iterator[Place]:
    return ((begin, stop) for found, begin, stop in _boxes(content, at, end) if found == kind)


def _settings(content: bytes, at: int, end: int) -> Iterator[tuple[int, bytes]]:
    """Yield each item that has decoder settings (`hvcC`), and those."""
    for iprp in _children(content, at, end, b"iprp"):
        properties = [
            content[begin:stop] if kind == b"hvcC" and stop - begin >= 23 else b""
            for ipco in _children(content, *iprp, b"ipco")
            for kind, begin, stop in _boxes(content, *ipco)
        ]
        for begin, stop in _children(content, *iprp, b"ipma"):
            for item, number in _associations(_Numbers(content[begin:stop])):
                if 0 < number <= len(properties) and properties[number - 1]:
                    yield item, properties[number - 1]


def _associations(numbers: _Numbers) -> Iterator[tuple[int, int]]:
    """Yield item and number of property (ISO/IEC 14496-12, 8.11.14)."""
    head = numbers.take(4)
    wide = head & 1
    for _ in range(min(numbers.take(4), MOST_ITEMS)):
        item = numbers.take(4 if head >> 24 else 2)
        for _ in range(numbers.take(1)):
            yield item, numbers.take(2) & 0x7FFF if wide else numbers.take(1) & 0x7F
        if numbers.past_end:
            return


def _item_places(content: bytes, at: int, end: int) -> Iterator[tuple[int, list[Place]]]:
    """Yield each item and where its bytes lie in the file or in `idat` (ISO/IEC 14496-12, 8.11.3)."""
    inside = next(_children(content, at, end, b"idat"), None)
    for begin, stop in _children(content, at, end, b"iloc"):
        numbers = _Numbers(content[begin:stop])
        version = numbers.take(4) >> 24
        sizes = numbers.take(2)
        offset_size, length_size, base_size, index_size = (sizes >> shift & 15 for shift in (12, 8, 4, 0))
        for _ in range(min(numbers.take(4 if version == 2 else 2), MOST_ITEMS)):
            item = numbers.take(4 if version == 2 else 2)
            method = numbers.take(2) & 15 if version else 0
            numbers.take(2)
            base, places = numbers.take(base_size), []
            base += inside[0] if method == 1 and inside is not None else 0
            for _ in range(min(numbers.take(2), MOST_ITEMS)):
                numbers.take(index_size if version else 0)
                start, length = base + numbers.take(offset_size), numbers.take(length_size)
                if numbers.past_end:
                    return
                places.append((start, start + length if length else len(content)))
            yield item, places if method < 2 else []


def _parameter_sets(settings: bytes) -> Iterator[bytes]:
    numbers = _Numbers(settings)
    numbers.take(22)
    for _ in range(numbers.take(1)):
        numbers.take(1)
        for _ in range(min(numbers.take(2), MOST_UNITS)):
            unit = numbers.bytes(numbers.take(2))
            if numbers.past_end:
                return
            yield unit


def _units(coded: bytes, width: int) -> Iterator[bytes]:
    numbers = _Numbers(coded)
    for _ in range(MOST_UNITS):
        if numbers.at_end:
            return
        yield numbers.bytes(numbers.take(width))


class _Numbers:
    """Takes big-endian numbers and bytes one after the other; 0 and nothing behind the end."""

    def __init__(self, content: bytes) -> None:
        self._content = content
        self._at = 0

    @property
    def past_end(self) -> bool:
        return self._at > len(self._content)

    @property
    def at_end(self) -> bool:
        return self._at >= len(self._content)

    def bytes(self, size: int) -> bytes:
        start, self._at = self._at, self._at + size
        return self._content[start : self._at]

    def take(self, size: int) -> int:
        found = self.bytes(size)
        return int.from_bytes(found, "big") if not self.past_end else 0
