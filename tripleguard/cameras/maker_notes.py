"""Find a body's serial number in the notes that makers add to Exif.

Two bodies of one model number their frames alike, so only the serial tells them apart. Where Exif's own field is
empty, most makers still write a number into their note: the serial printed on the body (Canon, Nikon, Olympus,
Pentax) or a factory number that is just as constant (Fujifilm, Panasonic). Sony enciphers its note byte by byte;
the enciphered bytes are as constant as the number, so they serve as an opaque key that tells two bodies apart and
means nothing else.

Each note is a TIFF directory behind a signature of its maker; the makers differ in where its offsets count from.
The layouts are not published by the makers; tag numbers and offsets are those of ExifTool's documentation ("Tag
names", 12.57), checked against it on files.
"""

from __future__ import annotations

import re
from dataclasses import replace

from tripleguard.cameras.tiff import TiffBlock, TiffField, find_block, read_directory, read_text, read_uint

OPAQUE_KEY_PREFIX = "key "
"""Prefix of a serial that is an opaque key and is not printed on the body."""


def read_note_serial(block: TiffBlock, note: TiffField, make: str, model: str = "") -> bytes | None:
    """Return the serial in a maker note, as written; None if the maker is unknown or wrote none.

    Args:
        block: the TIFF block that holds the note.
        note: the field of the note.
        make, model: as Exif gives them.
    """
    mark = block.head[note.offset : min(note.offset + 16, block.end)]
    inside = note.offset - block.base
    if mark.startswith(b"Nikon\0\x02"):
        own = find_block(block.head, note.offset + 10, min(note.offset + note.size, block.end))
        return _read_first_text(own, own.first_directory, 0x001D, 0x00A0) if own else None
    if mark.startswith(b"OLYMPUS\0"):
        return _read_olympus_serial(_rebase_to_note(block, note, mark[8:10]), 12)
    if mark.startswith(b"OM SYSTEM\0\0\0"):
        return _read_olympus_serial(_rebase_to_note(block, note, mark[12:14]), 16)
    if mark.startswith((b"OLYMP\0", b"EPSON\0")):
        return _plain_or_none(_read_first_text(block, inside + 8, 0x0404, 0x101A))
    if mark.startswith(b"FUJIFILM") and len(mark) >= 12:
        own = _rebase_to_note(block, note, b"II")
        return _read_text_field(own, int.from_bytes(mark[8:12], "little"), 0x0010)
    if mark.startswith(b"Panasonic\0\0\0"):
        return _read_text_field(block, inside + 12, 0x0025)
    if mark.startswith((b"PENTAX \0", b"RICOH\0II", b"RICOH\0MM")):
        at = 10 if mark.startswith(b"P") else 8
        return _read_text_field(_rebase_to_note(block, note, mark[at - 2 : at]), at, 0x0229)
    if mark.startswith(b"AOC\0"):
        return _read_text_field(_with_order(block, mark[4:6]), inside + 6, 0x0229)
    if mark.startswith((b"SIGMA\0\0\0", b"FOVEON\0\0")):
        return _read_text_field(block, inside + 10, 0x0002)
    if mark.startswith(b"LEICA\0") and make.startswith("Leica"):
        return _read_leica_serial(block, inside + 8)
    if make == "LEICA" or mark.startswith(b"LEICA CAMERA AG"):
        return _read_text_field(block, inside + (18 if mark.startswith(b"LEICA CAMERA AG") else 8), 0x0025)
    if "KODAK" in make.upper():
        text = mark.partition(b"\0")[0].rstrip()
        return text if _KODAK_PATTERN.fullmatch(text) else None
    if make.startswith("RICOH") and mark[:5].upper() == b"RICOH":
        return _plain_or_none(_read_text_field(block, inside + 8, 0x0005))
    if make.startswith("Canon"):
        return read_canon_serial(block, inside, model)
    if make.upper().startswith("SAMSUNG"):
        return _plain_or_none(_read_text_field(block, inside, 0xA002))
    if make.startswith(("SONY", "HASSELBLAD")):
        return _read_sony_key(block, inside + (12 if mark.startswith(b"SONY ") else 0), model)
    return None


def read_canon_serial(block: TiffBlock, offset: int, model: str = "") -> bytes | None:
    """Return the serial in a Canon note at an offset of the block: ten digits, or the factory number."""
    fields = read_directory(block, offset, {0x000C, 0x0096})
    value = read_uint(block, fields.get(0x000C))
    if value:
        return b"%010d" % value
    # EOS bodies store their serial in other tags; the 5D uses this one for something else.
    return (
        None if "EOS" in model else _plain_or_none((read_text(block, fields.get(0x0096)) or b"").rstrip(b"\xff"))
    )


_KODAK_PATTERN = re.compile(rb"[CK][A-Z0-9]{3} ?[A-Z0-9]{1,2}[0-9]{2}[A-Z0-9][0-9]{4}")
_PLAIN_SERIAL_PATTERN = re.compile(rb"[0-9A-Za-z][0-9A-Za-z_ -]{4,30}")
_SONY_KEY_POSITIONS = (
    (
        re.compile(r"ILCE-(6[13456]00|7C|7M3|7RM2|7RM3A?|7RM4A?|7SM2|9|9M2)|ILCA-99M2|ZV-E10"),
        0x88,
        6,
    ),
    (re.compile(r"ILCE-(7M4|7RM5|7SM3)|ILME-FX3"), 0x88, 6),
    (re.compile(r"ILCE-1"), 0x8A, 6),
    (re.compile(r"(SLT-|ILCA-)[0-9A-Z]+|HV"), 0xF0, 5),
    (re.compile(r"NEX-(?!5N$|7$|VG20E$)[0-9A-Z]+|ILCE-(3000|3500|5000|5100|6000|7|7R|7S|7M2|QX1)"), 0x7C, 4),
)
"""Offset and length in bytes of the serial within tag 0x9050, by model."""


def _read_sony_key(block: TiffBlock, offset: int, model: str) -> bytes | None:
    place = next(((at, size) for names, at, size in _SONY_KEY_POSITIONS if names.fullmatch(model)), None)
    field = read_directory(block, offset, {0x9050}).get(0x9050)
    if place is None or field is None or place[0] + place[1] > field.size:
        return None
    start = field.offset + place[0]
    key = block.head[start : min(start + place[1], block.end)]
    # An unset field has all bytes alike, enciphered or not.
    return OPAQUE_KEY_PREFIX.encode() + key.hex().encode() if len(key) == place[1] and len(set(key)) > 1 else None


def _read_leica_serial(block: TiffBlock, offset: int) -> bytes | None:
    fields = read_directory(block, offset, {0x0303, 0x0305})
    value = read_uint(block, fields.get(0x0303)) or read_uint(block, fields.get(0x0305))
    return b"%07d" % value if value else None


def _plain_or_none(raw: bytes | None) -> bytes | None:
    """Return a serial that has a plausible form; the same field also holds other values."""
    raw = (raw or b"").strip()
    return raw if _PLAIN_SERIAL_PATTERN.fullmatch(raw) and not raw.startswith(b"OLYMPUS") else None


def _read_olympus_serial(block: TiffBlock, offset: int) -> bytes | None:
    """Return the serial in the equipment directory that the note points to."""
    equipment = read_uint(block, read_directory(block, offset, {0x2010}).get(0x2010))
    return _read_first_text(block, equipment, 0x0101, 0x0102) if equipment else None


def _read_text_field(block: TiffBlock, offset: int, tag: int) -> bytes | None:
    return read_text(block, read_directory(block, offset, {tag}).get(tag))


def _read_first_text(block: TiffBlock, offset: int, *tags: int) -> bytes | None:
    """Return the first of these text fields that is not blank."""
    fields = read_directory(block, offset, set(tags))
    texts = (read_text(block, fields.get(tag)) for tag in tags)
    return next((text for text in texts if text and text.strip(b" \0")), None)


def _rebase_to_note(block: TiffBlock, note: TiffField, order: bytes) -> TiffBlock:
    return _with_order(replace(block, base=note.offset), order)


def _with_order(block: TiffBlock, order: bytes) -> TiffBlock:
    return replace(block, order={b"MM": ">", b"II": "<"}.get(order, block.order))
