"""Find the metadata blocks in the head of a file made of boxes: Canon's CR3, HEIF pictures, films.

A box has a length and a type, and holds bytes or further boxes. The head of a file usually ends inside some box,
so every box is clipped to the bytes available. Only the few levels that lead to a TIFF block are entered, and the
number of boxes examined on each level is limited.

The creation time of a film (`mvhd`) is UTC by the standard but local time in many cameras. The file does not say
which, so the time is not used.

Boxes: ISO/IEC 14496-12, 4.2. Items of HEIF: ISO/IEC 14496-12, 8.11 (`meta`, `iinf`, `iloc`), and 23008-12, annex A
(what an `Exif` item holds). Canon's boxes are not published; known from files.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

MAX_BOXES = 256
"""Boxes examined on one level."""

MAX_ITEMS = 512
"""Items examined in one item location box; a phone's picture has up to about 200."""

HeadSpan = tuple[int, int]
"""Start and end offset of a part of a head."""


@dataclass(frozen=True, slots=True)
class Box:
    """One box.

    Attributes:
        type: four bytes, or the sixteen of a `uuid` box.
        start, end: its content, clipped to the head.
    """

    type: bytes
    start: int
    end: int


def is_box_file(head: bytes) -> bool:
    """Return whether the first bytes of a file are those of a file made of boxes."""
    return head[4:8] == b"ftyp"


def find_canon_blocks(head: bytes) -> dict[bytes, HeadSpan]:
    """Return the TIFF blocks of a Canon raw or film by name: `CMT1` (main), `CMT2` (Exif), `CMT3` (maker note)."""
    movie = _find_first(head, (0, len(head)), b"moov")
    canon = _find_first(head, movie, _CANON)
    return {box.type: (box.start, box.end) for box in _iter_boxes(head, canon) if box.type in _CANON_BLOCKS}


def find_canon_xmp(head: bytes) -> bytes:
    """Return the XMP packet of a Canon raw, as far as the head contains it."""
    at, end = _find_first(head, (0, len(head)), _CANON_XMP)
    return head[at:end]


def find_exif_item(head: bytes) -> HeadSpan | None:
    """Return the span of the TIFF block in a HEIF picture's Exif item; None if the head contains none."""
    meta = _find_first(head, (0, len(head)), b"meta")
    inside = (meta[0] + 4, meta[1])
    item = _find_exif_item_number(head, _find_first(head, inside, b"iinf"))
    if item is None:
        return None
    place = _find_item_span(head, _find_first(head, inside, b"iloc"), item)
    if place is None:
        return None
    start, length = place
    skip = _read_uint(head, start, 4)
    if skip is None:
        return None
    return start + 4 + skip, min(start + length, len(head))


_CANON = bytes.fromhex("85c0b687820f11e08111f4ce462b6a48")
_CANON_XMP = bytes.fromhex("be7acfcb97a942e89c71999491e3afac")
_CANON_BLOCKS = frozenset({b"CMT1", b"CMT2", b"CMT3"})
_EMPTY_SPAN: HeadSpan = (0, 0)


def _iter_boxes(head: bytes, span: HeadSpan) -> Iterator[Box]:
    """Yield the boxes that begin inside a span, in order."""
    at, end = span
    for _ in range(MAX_BOXES):
        if at + 8 > end:
            return
        size, type_, start = int.from_bytes(head[at : at + 4], "big"), head[at + 4 : at + 8], at + 8
        if size == 1:
            size, start = int.from_bytes(head[at + 8 : at + 16], "big"), at + 16
        elif size == 0:
            size = end - at
        if type_ == b"uuid":
            type_, start = head[start : start + 16], start + 16
        if at + size < start or start > end:
            return
        yield Box(type_, start, min(at + size, end))
        at += size


def _find_first(head: bytes, span: HeadSpan, type_: bytes) -> HeadSpan:
    for box in _iter_boxes(head, span):
        if box.type == type_:
            return box.start, box.end
    return _EMPTY_SPAN


def _find_exif_item_number(head: bytes, iinf: HeadSpan) -> int | None:
    """Return the number of the first item of type `Exif`."""
    at, end = iinf
    counted = 2 if head[at : at + 1] == b"\0" else 4
    for box in _iter_boxes(head, (at + 4 + counted, end)):
        version = _read_uint(head, box.start, 1)
        if box.type != b"infe" or version not in (2, 3):
            continue
        wide = 2 if version == 2 else 4
        if head[box.start + 4 + wide + 2 : box.start + 4 + wide + 6] == b"Exif":
            return _read_uint(head, box.start + 4, wide)
    return None


def _find_item_span(head: bytes, iloc: HeadSpan, item: int) -> HeadSpan | None:
    """Return start and length of an item that is stored in one extent in the file itself."""
    at, end = iloc
    version = _read_uint(head, at, 1)
    widths = _read_uint(head, at + 4, 2)
    if at == end or version not in (0, 1, 2) or widths is None:
        return None
    offset_size, length_size, base_size, index_size = (widths >> shift & 15 for shift in (12, 8, 4, 0))
    number_size, method_size = (4 if version == 2 else 2), (2 if version else 0)
    extent_size = (index_size if version else 0) + offset_size + length_size
    count = _read_uint(head, at + 6, number_size) or 0
    at += 6 + number_size
    for _ in range(min(count, MAX_ITEMS)):
        number, method = _read_uint(head, at, number_size), _read_uint(head, at + number_size, method_size)
        at += number_size + method_size + 2
        base, extents = _read_uint(head, at, base_size), _read_uint(head, at + base_size, 2)
        at += base_size + 2
        if base is None or extents is None or at > end:
            return None
        if number == item:
            at += extent_size - offset_size - length_size
            offset, length = _read_uint(head, at, offset_size), _read_uint(head, at + offset_size, length_size)
            if method is None or method & 15 or extents != 1 or offset is None or length is None:
                return None
            return base + offset, length
        at += extents * extent_size
    return None


def _read_uint(head: bytes, at: int, size: int) -> int | None:
    """Return a big-endian number of `size` bytes (0 if `size` is 0), or None if it lies outside the head."""
    return int.from_bytes(head[at : at + size], "big") if at + size <= len(head) else None
