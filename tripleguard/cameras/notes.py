"""Finds a body's serial number in the notes that makers add to Exif.

Two bodies of one model number their frames alike, so the serial is what keeps them apart. Where Exif's own
field is empty, most makers still write a number into their note: the one on the body's plate (Canon, Nikon,
Olympus) or one of the factory's that is as constant (Fujifilm, Panasonic). Sony writes it scrambled, and a
scrambled number is not read.

Each note is a TIFF directory behind a mark of its maker's own; they differ in where its offsets count from.
The layouts are not published by the makers; common knowledge among those who read such files.
"""

from __future__ import annotations

from dataclasses import replace

from tripleguard.cameras.tiff import Block, Field, find_block, number, raw_text, read_directory


def note_serial(block: Block, note: Field, make: str) -> bytes | None:
    """The serial in a maker note, as written; None if the maker is not known or wrote none.

    block: the block that holds the note. make: the maker's name as Exif gives it.
    """
    mark = block.head[note.at : min(note.at + 16, block.end)]
    inside = note.at - block.base
    if mark.startswith(b"Nikon\0\x02"):
        own = find_block(block.head, note.at + 10, min(note.at + note.size, block.end))
        return _text_at(own, own.first, 0x001D) if own else None
    if mark.startswith(b"OLYMPUS\0"):
        return _olympus(_counted_from_note(block, note, mark[8:10]), 12)
    if mark.startswith(b"OM SYSTEM\0\0\0"):
        return _olympus(_counted_from_note(block, note, mark[12:14]), 16)
    if mark.startswith(b"FUJIFILM") and len(mark) >= 12:
        own = _counted_from_note(block, note, b"II")
        return _text_at(own, int.from_bytes(mark[8:12], "little"), 0x0010)
    if mark.startswith(b"Panasonic\0\0\0"):
        return _text_at(block, inside + 12, 0x0025)
    if make.startswith("Canon"):
        return canon_serial(block, inside)
    return None


def canon_serial(block: Block, offset: int) -> bytes | None:
    """The serial in a Canon note that begins at an offset of the block: a number of ten digits."""
    value = number(block, read_directory(block, offset, {0x000C}).get(0x000C))
    return b"%010d" % value if value else None


def _olympus(block: Block, offset: int) -> bytes | None:
    """The serial in the directory of equipment that the note points to."""
    equipment = number(block, read_directory(block, offset, {0x2010}).get(0x2010))
    return _text_at(block, equipment, 0x0101) if equipment else None


def _text_at(block: Block, offset: int, tag: int) -> bytes | None:
    return raw_text(block, read_directory(block, offset, {tag}).get(tag))


def _counted_from_note(block: Block, note: Field, order: bytes) -> Block:
    return replace(block, base=note.at, order=">" if order == b"MM" else "<")
