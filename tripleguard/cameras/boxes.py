"""Finds the metadata in files made of boxes: Canon's CR3, HEIF pictures, films.

A box says its length and its type, and holds bytes or further boxes. A head is nearly always cut inside
some box, so every box is clipped to what is there. Only the few levels that lead to a TIFF block are
entered, and a level is given up after a fixed number of boxes.

A film's creation time (`mvhd`) is UTC by the standard and local time by the habit of many cameras; since
nobody can tell which, it is left alone.

Boxes: ISO/IEC 14496-12, 4.2. Items of HEIF: ISO/IEC 14496-12, 8.11 (`meta`, `iinf`, `iloc`), and 23008-12,
annex A (what an `Exif` item holds). Canon's boxes are not published; known from files.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

MOST_BOXES = 256
"""Boxes looked at on one level."""

MOST_ITEMS = 512
"""Items looked at in one list of item places; a phone's picture has up to about 200."""

Span = tuple[int, int]
"""Where something begins and ends in a head."""


@dataclass(frozen=True, slots=True)
class Box:
    """One box. type: four bytes, or the sixteen of a `uuid` box. at, end: its content, clipped."""

    type: bytes
    at: int
    end: int


def is_boxes(head: bytes) -> bool:
    """Whether a file that begins so is made of boxes."""
    return head[4:8] == b"ftyp"


def canon_blocks(head: bytes) -> dict[bytes, Span]:
    """The TIFF blocks of a Canon raw or film by name: `CMT1` (main), `CMT2` (Exif), `CMT3` (maker note)."""
    movie = _first(head, (0, len(head)), b"moov")
    canon = _first(head, movie, _CANON)
    return {box.type: (box.at, box.end) for box in _boxes(head, canon) if box.type in _CANON_BLOCKS}


def canon_packet(head: bytes) -> bytes:
    """The XMP packet of a Canon raw, as far as it is within reach."""
    at, end = _first(head, (0, len(head)), _CANON_XMP)
    return head[at:end]


def exif_item(head: bytes) -> Span | None:
    """Where the TIFF block of a HEIF picture's Exif item lies; None if there is none within reach."""
    meta = _first(head, (0, len(head)), b"meta")
    inside = (meta[0] + 4, meta[1])
    item = _exif_item_number(head, _first(head, inside, b"iinf"))
    if item is None:
        return None
    place = _item_place(head, _first(head, inside, b"iloc"), item)
    if place is None:
        return None
    start, length = place
    skip = _uint(head, start, 4)
    if skip is None:
        return None
    return start + 4 + skip, min(start + length, len(head))


_CANON = bytes.fromhex("85c0b687820f11e08111f4ce462b6a48")
_CANON_XMP = bytes.fromhex("be7acfcb97a942e89c71999491e3afac")
_CANON_BLOCKS = frozenset({b"CMT1", b"CMT2", b"CMT3"})
_NOWHERE: Span = (0, 0)


def _boxes(head: bytes, span: Span) -> Iterator[Box]:
    """The boxes that begin inside a span, in order."""
    at, end = span
    for _ in range(MOST_BOXES):
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


def _first(head: bytes, span: Span, type_: bytes) -> Span:
    for box in _boxes(head, span):
        if box.type == type_:
            return box.at, box.end
    return _NOWHERE


def _exif_item_number(head: bytes, iinf: Span) -> int | None:
    """The number of the first item of type `Exif`."""
    at, end = iinf
    counted = 2 if head[at : at + 1] == b"\0" else 4
    for box in _boxes(head, (at + 4 + counted, end)):
        version = _uint(head, box.at, 1)
        if box.type != b"infe" or version not in (2, 3):
            continue
        wide = 2 if version == 2 else 4
        if head[box.at + 4 + wide + 2 : box.at + 4 + wide + 6] == b"Exif":
            return _uint(head, box.at + 4, wide)
    return None


def _item_place(head: bytes, iloc: Span, item: int) -> Span | None:
    """Start and length of an item that lies in one piece in the file itself."""
    at, end = iloc
    version = _uint(head, at, 1)
    widths = _uint(head, at + 4, 2)
    if at == end or version not in (0, 1, 2) or widths is None:
        return None
    offset_size, length_size, base_size, index_size = (widths >> shift & 15 for shift in (12, 8, 4, 0))
    number_size, method_size = (4 if version == 2 else 2), (2 if version else 0)
    extent_size = (index_size if version else 0) + offset_size + length_size
    count = _uint(head, at + 6, number_size) or 0
    at += 6 + number_size
    for _ in range(min(count, MOST_ITEMS)):
        number, method = _uint(head, at, number_size), _uint(head, at + number_size, method_size)
        at += number_size + method_size + 2
        base, extents = _uint(head, at, base_size), _uint(head, at + base_size, 2)
        at += base_size + 2
        if base is None or extents is None or at > end:
            return None
        if number == item:
            at += extent_size - offset_size - length_size
            offset, length = _uint(head, at, offset_size), _uint(head, at + offset_size, length_size)
            if method is None or method & 15 or extents != 1 or offset is None or length is None:
                return None
            return base + offset, length
        at += extents * extent_size
    return None


def _uint(head: bytes, at: int, size: int) -> int | None:
    """A big-endian number of so many bytes, 0 for none of them; None outside the head."""
    return int.from_bytes(head[at : at + size], "big") if at + size <= len(head) else None
