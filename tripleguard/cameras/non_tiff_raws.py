"""Read the metadata of raws that are not TIFF files: CRW, MRW, X3F.

CRW: Canon's CIFF specification 1.0 (1997): the last four bytes of a heap give the offset of its directory, which
has entries of ten bytes; heaps nest. MRW: a chain of blocks, of which TTW is a TIFF block (not published; known
from files). X3F: Foveon's file format 2.x: the last four bytes give the offset of the directory; the properties
are pairs of UTF-16 texts; newer bodies also store a whole JPEG with Exif.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterator

from tripleguard.cameras.head_reader import WINDOW_BYTES, ContainerMetadata, HeadReader

MAX_ENTRIES = 128
"""Entries read from one directory."""

MAX_HEAPS = 8
"""Heaps read from one CRW."""


def is_crw(head: bytes) -> bool:
    """Return whether the first bytes of a file are those of a Canon CRW."""
    return head[:2] in (b"II", b"MM") and head[6:14] == b"HEAPCCDR"


def is_mrw(head: bytes) -> bool:
    """Return whether the first bytes of a file are those of a Minolta MRW."""
    return head[:4] == b"\0MRM"


def is_x3f(head: bytes) -> bool:
    """Return whether the first bytes of a file are those of a Sigma X3F."""
    return head[:4] == b"FOVb"


def read_crw(reader: HeadReader) -> ContainerMetadata:
    """Read make, model, time and serial of a CRW."""
    order = "<" if reader.head[:2] == b"II" else ">"
    found = ContainerMetadata()
    serial = None
    for tag, at, size in _iter_crw_entries(reader, order):
        if tag == _MAKE_MODEL:
            make, _, rest = reader.read(at, min(size, 64)).partition(b"\0")
            found.make, found.model = make, rest.partition(b"\0")[0]
        elif tag == _TIME_STAMP and size >= 4:
            found.date = _format_unix_time(reader.read_number(at, 4, order))
        elif tag == _SERIAL:
            serial = reader.read_number(at, 4, order)
    # PowerShots write a different, undocumented number here.
    if serial and b"EOS" in (found.model or b""):
        found.serial = b"%010d" % serial
    return found


def read_mrw(reader: HeadReader) -> ContainerMetadata:
    """Read the TIFF block of an MRW."""
    end = 8 + (reader.read_number(4, 4, ">") or 0)
    at = 8
    for _ in range(MAX_ENTRIES):
        head = reader.read(at, 8)
        if len(head) < 8 or at >= end:
            break
        size = int.from_bytes(head[4:], "big")
        if head[:4] == b"\0TTW":
            return ContainerMetadata(exif=reader.read(at + 8, size))
        at += 8 + size
    return ContainerMetadata()


def read_x3f(reader: HeadReader) -> ContainerMetadata:
    """Read the properties of an X3F, and the start of the JPEG in it."""
    found = ContainerMetadata()
    at = reader.read_number(reader.size - 4, 4, "<")
    if at is None or reader.read(at, 4) != b"SECd":
        return found
    count = min(reader.read_number(at + 8, 4, "<") or 0, MAX_ENTRIES)
    for entry in range(at + 12, at + 12 + 12 * count, 12):
        raw = reader.read(entry, 12)
        where, size, kind = int.from_bytes(raw[:4], "little"), int.from_bytes(raw[4:8], "little"), raw[8:]
        if kind == b"PROP":
            properties = _parse_x3f_properties(reader.read(where, min(size, WINDOW_BYTES)))
            time = properties.get("TIME", "")
            found.date = (
                _format_unix_time(int(time)) if time.isascii() and time.isdecimal() and len(time) < 12 else None
            )
            found.make, found.model, found.serial = (
                properties[name].encode() if name in properties else None
                for name in ("CAMMANUF", "CAMMODEL", "CAMSERIAL")
            )
        elif kind in (b"IMAG", b"IMA2") and not found.exif:
            jpeg = reader.read(where + _X3F_IMAGE_HEADER, min(size, WINDOW_BYTES))
            found.exif = jpeg if jpeg.startswith(b"\xff\xd8\xff\xe1") else b""
    return found


_MAKE_MODEL, _SERIAL, _TIME_STAMP = 0x080A, 0x180B, 0x180E
_HEAP_TYPES = (0x2800, 0x3000)
_INLINE, _TYPE, _TAG = 0x4000, 0x3800, 0x3FFF
_X3F_IMAGE_HEADER = 28


def _iter_crw_entries(reader: HeadReader, order: str) -> Iterator[tuple[int, int, int]]:
    """Yield tag, offset and size of every value in the heaps of a CRW."""
    begin = reader.read_number(2, 4, order) or 0
    heaps = [(begin, reader.size - begin)]
    for _ in range(MAX_HEAPS):
        if not heaps:
            return
        start, length = heaps.pop(0)
        offset = reader.read_number(start + length - 4, 4, order) if length >= 6 else None
        if offset is None or offset >= length:
            continue
        at = start + offset
        for number in range(min(reader.read_number(at, 2, order) or 0, MAX_ENTRIES)):
            entry = at + 2 + 10 * number
            tag, size = reader.read_number(entry, 2, order), reader.read_number(entry + 2, 4, order)
            where = reader.read_number(entry + 6, 4, order)
            if tag is None or size is None or where is None:
                break
            if tag & _INLINE:
                yield tag & _TAG, entry + 2, 8
            elif where + size > length:
                continue
            elif tag & _TYPE in _HEAP_TYPES:
                heaps.append((start + where, size))
            else:
                yield tag & _TAG, start + where, size


def _parse_x3f_properties(raw: bytes) -> dict[str, str]:
    """Return the name-value pairs of a property section."""
    if raw[:4] != b"SECp":
        return {}
    count = min(int.from_bytes(raw[8:12], "little"), MAX_ENTRIES)
    texts = 24 + 8 * count
    found = {}
    for entry in range(24, texts, 8):
        name, value = (
            _read_utf16(raw, texts + 2 * int.from_bytes(raw[at : at + 4], "little")) for at in (entry, entry + 4)
        )
        found[name] = value
    return found


def _read_utf16(raw: bytes, at: int) -> str:
    return raw[at : at + 128].decode("utf-16-le", "replace").partition("\0")[0]


def _format_unix_time(seconds: int | None) -> bytes | None:
    """Format seconds since 1970 of the camera's local time as Exif writes a time."""
    if not seconds or seconds >= 1 << 32:
        return None
    moment = datetime.datetime(1970, 1, 1) + datetime.timedelta(seconds=seconds)
    return moment.strftime("%Y:%m:%d %H:%M:%S").encode()
