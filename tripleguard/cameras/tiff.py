"""Read fields of a TIFF block anywhere in the head of a file.

Most picture metadata is in TIFF blocks: a raw is one, a JPEG carries one in its Exif segment, newer containers
carry several. A block begins with its byte order and the offset of a directory (IFD); a directory is a count and
that many entries of twelve bytes; an entry holds its value or the offset of it.

The bytes are untrusted and may end anywhere. Chains of directories are not followed, so no loop is possible; only
the requested tags of a directory are read, up to a fixed number of entries; a value that does not lie wholly
inside the block counts as absent. Nothing raises, and nothing larger than one short value is copied.

Layout and type numbers: TIFF 6.0 (Adobe, 1992), section 2; type 13 (IFD): TIFF technical note 1 (1995).
"""

from __future__ import annotations

import struct
from collections.abc import Mapping, Set
from dataclasses import dataclass

MAX_ENTRIES = 512
"""Entries read from one directory; the longest that cameras write have about 150."""

MAX_TEXT_BYTES = 256
"""Bytes read from one text."""


@dataclass(frozen=True, slots=True)
class TiffBlock:
    """The position of a TIFF block in a head.

    Attributes:
        head: the bytes that hold the block.
        base: the offset in the head that the block's own offsets count from.
        end: the offset in the head that nothing is read at or after.
        order: `<` or `>`, as in `struct`.
        first_directory: offset of the first directory in the block.
    """

    head: bytes
    base: int
    end: int
    order: str
    first_directory: int


@dataclass(frozen=True, slots=True)
class TiffField:
    """One entry of a directory. offset: where its value begins in the head. size: bytes of the value."""

    type: int
    count: int
    offset: int
    size: int


TiffDirectory = Mapping[int, TiffField]
"""Fields by tag number; only requested tags whose values lie inside the block."""


def find_block(head: bytes, base: int = 0, end: int | None = None) -> TiffBlock | None:
    """Return the TIFF block that begins at `base`, or None. end: where its container says it ends.

    Besides the two signatures of TIFF 6.0, those of Olympus and Panasonic raws are accepted.
    """
    end = len(head) if end is None else min(end, len(head))
    if base < 0 or base + 8 > end:
        return None
    order = BYTE_ORDERS.get(head[base : base + 4])
    if order is None:
        return None
    (first,) = struct.unpack_from(order + "I", head, base + 4)
    return TiffBlock(head, base, end, order, first)


def read_directory(block: TiffBlock, offset: int, tags: Set[int]) -> TiffDirectory:
    """Return the requested fields of the directory at an offset of the block.

    Of duplicate tags the first counts.
    """
    begin = block.base + offset
    # Offset 0 means no directory, except in a block that is a bare directory.
    if offset < 0 or (offset == 0 and block.first_directory != 0) or begin + 2 > block.end:
        return {}
    (count,) = struct.unpack_from(block.order + "H", block.head, begin)
    count = min(count, MAX_ENTRIES, (block.end - begin - 2) // 12)
    entry = struct.Struct(block.order + "HHII")
    found: dict[int, TiffField] = {}
    for at in range(begin + 2, begin + 2 + 12 * count, 12):
        tag, type_, values, where = entry.unpack_from(block.head, at)
        if tag not in tags or tag in found or type_ not in TYPE_BYTES:
            continue
        size = TYPE_BYTES[type_] * values
        start = at + 8 if size <= 4 else block.base + where
        if start + min(size, MAX_TEXT_BYTES) <= block.end:
            found[tag] = TiffField(type_, values, start, size)
    return found


def read_text(block: TiffBlock, field: TiffField | None) -> bytes | None:
    """Return the bytes of a text field up to its first NUL, at most MAX_TEXT_BYTES.

    Return None if the field is not text.
    """
    if field is None or field.type not in _TEXT_TYPES:
        return None
    return block.head[field.offset : field.offset + min(field.size, MAX_TEXT_BYTES)].partition(b"\0")[0]


def read_uint(block: TiffBlock, field: TiffField | None) -> int | None:
    """Return the first value of an unsigned integer field; None for any other field."""
    code = _NUMBER_CODES.get(field.type) if field is not None and field.count else None
    if field is None or code is None:
        return None
    (value,) = struct.unpack_from(block.order + code, block.head, field.offset)
    return int(value)


BYTE_ORDERS = {
    b"II*\0": "<",
    b"MM\0*": ">",
    b"IIRO": "<",
    b"IIRS": "<",
    b"MMOR": ">",
    b"IIU\0": "<",
}

# BYTE ASCII SHORT LONG RATIONAL SBYTE UNDEFINED SSHORT SLONG SRATIONAL FLOAT DOUBLE IFD; UTF-8 (Exif 3.0)
TYPE_BYTES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4, 129: 1}
# Makers also store texts as BYTE or UNDEFINED.
_TEXT_TYPES = frozenset({1, 2, 7, 129})
_NUMBER_CODES = {1: "B", 3: "H", 4: "I", 13: "I"}
