"""Extract the coded pictures from a HEIF file that is wholly in memory.

A HEIF file lists items, their locations and their properties. A picture coded as HEVC has its parameter sets in a
property (`hvcC`) and its own bytes in the file: NAL units, each preceded by its length. Anything inconsistent is
left out; the walk through the boxes reports it.

Items and properties: ISO/IEC 14496-12, 8.11 (`meta`, `iloc`, `iprp`). Parameter sets: ISO/IEC 14496-15, 8.3.3.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from itertools import islice

MAX_BOXES = 4096
MAX_ITEMS = 4096
"""Items in one file; a grid of a large picture has a few hundred tiles."""

MAX_UNITS = 4096
"""NAL units in one coded picture."""

ItemSpan = tuple[int, int]
"""Start and end offset."""


def extract_coded_pictures(content: bytes) -> Iterator[list[bytes]]:
    """Yield the NAL units of each HEVC picture of a HEIF file, its parameter sets first."""
    for at, end in _iter_children(content, 0, len(content), b"meta"):
        places = dict(islice(_iter_item_spans(content, at + 4, end), MAX_ITEMS))
        for item, settings in islice(_iter_decoder_settings(content, at + 4, end), MAX_ITEMS):
            coded = _join_item(content, places.get(item, []))
            if coded:
                yield [*_iter_parameter_sets(settings), *_iter_units(coded, (settings[21] & 3) + 1)]


def _join_item(content: bytes, spans: list[ItemSpan]) -> bytes:
    """Return the bytes of an item.

    They are empty if its parts together exceed the size of the file, as only in a hostile file.
    """
    if sum(max(0, min(stop, len(content)) - start) for start, stop in spans) > len(content):
        return b""
    return b"".join(content[start:stop] for start, stop in spans)


def _iter_boxes(content: bytes, at: int, end: int) -> Iterator[tuple[bytes, int, int]]:
    """Yield kind, content start and content end of each box on one level."""
    for _ in range(MAX_BOXES):
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


def _iter_children(content: bytes, at: int, end: int, kind: bytes) -> Iterator[ItemSpan]:
    return ((begin, stop) for found, begin, stop in _iter_boxes(content, at, end) if found == kind)


def _iter_decoder_settings(content: bytes, at: int, end: int) -> Iterator[tuple[int, bytes]]:
    """Yield each item that has decoder settings (`hvcC`), with those settings."""
    for iprp in _iter_children(content, at, end, b"iprp"):
        properties = [
            content[begin:stop] if kind == b"hvcC" and stop - begin >= 23 else b""
            for ipco in _iter_children(content, *iprp, b"ipco")
            for kind, begin, stop in _iter_boxes(content, *ipco)
        ]
        for begin, stop in _iter_children(content, *iprp, b"ipma"):
            for item, number in _iter_associations(_ItemNumberReader(content[begin:stop])):
                if 0 < number <= len(properties) and properties[number - 1]:
                    yield item, properties[number - 1]


def _iter_associations(reader: _ItemNumberReader) -> Iterator[tuple[int, int]]:
    """Yield pairs of item number and property number (ISO/IEC 14496-12, 8.11.14)."""
    head = reader.read_number(4)
    wide = head & 1
    for _ in range(min(reader.read_number(4), MAX_ITEMS)):
        item = reader.read_number(4 if head >> 24 else 2)
        for _ in range(reader.read_number(1)):
            yield item, reader.read_number(2) & 0x7FFF if wide else reader.read_number(1) & 0x7F
        if reader.is_past_end:
            return


def _iter_item_spans(content: bytes, at: int, end: int) -> Iterator[tuple[int, list[ItemSpan]]]:
    """Yield each item and the spans of its bytes in the file or in `idat` (ISO/IEC 14496-12, 8.11.3)."""
    inside = next(_iter_children(content, at, end, b"idat"), None)
    for begin, stop in _iter_children(content, at, end, b"iloc"):
        numbers = _ItemNumberReader(content[begin:stop])
        version = numbers.read_number(4) >> 24
        sizes = numbers.read_number(2)
        offset_size, length_size, base_size, index_size = (sizes >> shift & 15 for shift in (12, 8, 4, 0))
        for _ in range(min(numbers.read_number(4 if version == 2 else 2), MAX_ITEMS)):
            item = numbers.read_number(4 if version == 2 else 2)
            method = numbers.read_number(2) & 15 if version else 0
            numbers.read_number(2)
            base, places = numbers.read_number(base_size), []
            base += inside[0] if method == 1 and inside is not None else 0
            for _ in range(min(numbers.read_number(2), MAX_ITEMS)):
                numbers.read_number(index_size if version else 0)
                start, length = base + numbers.read_number(offset_size), numbers.read_number(length_size)
                if numbers.is_past_end:
                    return
                places.append((start, start + length if length else len(content)))
            yield item, places if method < 2 else []


def _iter_parameter_sets(settings: bytes) -> Iterator[bytes]:
    numbers = _ItemNumberReader(settings)
    numbers.read_number(22)
    for _ in range(numbers.read_number(1)):
        numbers.read_number(1)
        for _ in range(min(numbers.read_number(2), MAX_UNITS)):
            unit = numbers.read_bytes(numbers.read_number(2))
            if numbers.is_past_end:
                return
            yield unit


def _iter_units(coded: bytes, width: int) -> Iterator[bytes]:
    numbers = _ItemNumberReader(coded)
    for _ in range(MAX_UNITS):
        if numbers.is_at_end:
            return
        yield numbers.read_bytes(numbers.read_number(width))


class _ItemNumberReader:
    """A reader of consecutive big-endian numbers and bytes; it returns 0 and nothing behind the end."""

    def __init__(self, content: bytes) -> None:
        self._content = content
        self._offset = 0

    @property
    def is_past_end(self) -> bool:
        return self._offset > len(self._content)

    @property
    def is_at_end(self) -> bool:
        return self._offset >= len(self._content)

    def read_bytes(self, size: int) -> bytes:
        start, self._offset = self._offset, self._offset + size
        return self._content[start : self._offset]

    def read_number(self, size: int) -> int:
        found = self.read_bytes(size)
        return int.from_bytes(found, "big") if not self.is_past_end else 0
