"""Read time, make, model and serial from films: MOV and MP4 boxes, AVI chunks, and Nikon's records in both.

In boxes, makers put a JPEG with Exif, records of their own, or Apple's keys into the film's user data, with the
camera's local time. Without these, the film's own time (`mvhd`) is used, which is UTC by the standard but local
time in many cameras, so the result marks its zone as unknown. In an AVI the time is in IDIT, in many spellings, or
in ICRD of the list INFO; Fujifilm adds a directory in `strd`, Nikon records in the list `ncdt`. A Nikon record in
an AVI is a number and a size of two bytes each; in a MOV it is a number of four bytes, then type and count as in
TIFF.

Boxes: ISO/IEC 14496-12; QuickTime File Format (Apple, 2001) for `udta`, texts beginning with the copyright sign,
and `keys`. Sony's XML: RDD 18 (SMPTE, 2012), non-real-time metadata. GoPro's CASN and MINF: GPMF (GoPro, published
with its parser). RIFF, INFO and ICRD: Multimedia Programming Interface and Data Specifications 1.0 (IBM,
Microsoft, 1991). IDIT: OpenDML AVI 1.02 (1996). The boxes of Canon, Nikon and Panasonic, Nikon's records and what
other makers add are not published; known from files.
"""

from __future__ import annotations

import datetime
import re
from collections.abc import Iterator

from tripleguard.cameras.head_reader import WINDOW_BYTES, ContainerMetadata, HeadReader
from tripleguard.cameras.tiff import TYPE_BYTES

MAX_RECORDS = 256
"""Records examined in one box."""

_MOV_FIELDS = {0x01: "make", 0x02: "model", 0x11: "date", 0x12: "date", 0x0110A431: "serial"}
_AVI_FIELDS = {0x03: "make", 0x04: "model", 0x13: "date", 0x14: "date"}


def read_mov_records(raw: bytes, metadata: ContainerMetadata) -> None:
    """Store the known fields from the records of a MOV."""
    _store_records(_iter_mov_records(raw), _MOV_FIELDS, metadata)


def read_avi_records(raw: bytes, metadata: ContainerMetadata) -> None:
    """Store the known fields from the records of an AVI."""
    _store_records(_iter_avi_records(raw), _AVI_FIELDS, metadata)


def _store_records(
    records: Iterator[tuple[int, bytes]], names: dict[int, str], metadata: ContainerMetadata
) -> None:
    for tag, value in records:
        name = names.get(tag)
        if name is not None:
            setattr(metadata, name, value.partition(b"\0")[0])
            metadata.zone_known |= name == "date"


def _iter_mov_records(raw: bytes) -> Iterator[tuple[int, bytes]]:
    at = 0
    for _ in range(MAX_RECORDS):
        if at + 8 > len(raw):
            return
        size = TYPE_BYTES.get(int.from_bytes(raw[at + 4 : at + 6], "big"), 0) * int.from_bytes(
            raw[at + 6 : at + 8], "big"
        )
        yield int.from_bytes(raw[at : at + 4], "big"), raw[at + 8 : at + 8 + min(size, 64)]
        at += 8 + size


def _iter_avi_records(raw: bytes) -> Iterator[tuple[int, bytes]]:
    at = 0
    for _ in range(MAX_RECORDS):
        if at + 4 > len(raw):
            return
        size = int.from_bytes(raw[at + 2 : at + 4], "little")
        yield int.from_bytes(raw[at : at + 2], "little"), raw[at + 4 : at + 4 + min(size, 64)]
        at += 4 + size


MAX_BOXES = 64
"""Boxes examined on one level."""


def is_film(head: bytes) -> bool:
    """Return whether the first bytes of a file may be those of a film made of boxes.

    Old ones begin without `ftyp`.
    """
    return head[4:8] in _FIRST_BOXES


def find_movie_box(reader: HeadReader) -> bytes:
    """Return the start of the box that describes the film, with its header; empty if out of reach."""
    for name, at, header, _ in _iter_boxes(reader, 0, reader.size):
        if name == b"moov":
            return reader.read(at - header, WINDOW_BYTES)
    return b""


def read_film(reader: HeadReader) -> ContainerMetadata:
    """Read time, make, model and serial of a film."""
    found = ContainerMetadata()
    clock = None
    for name, at, _, end in _iter_boxes(reader, 0, reader.size):
        if name == b"moov":
            for inner, start, _, stop in _iter_boxes(reader, at, end):
                if inner == b"mvhd":
                    clock = _read_film_clock(reader, start)
                elif inner == b"udta":
                    _read_user_data(reader, start, stop, found)
                elif inner == b"meta":
                    _read_meta(reader, start, stop, found)
        elif name == b"meta":
            _read_meta(reader, at, end, found)
    if found.date is None and clock is not None:
        found.date, found.zone_known = clock, False
    return found


_FIRST_BOXES = frozenset({b"ftyp", b"moov", b"mdat", b"wide", b"skip", b"free", b"pnot"})
_EPOCH_1904 = datetime.datetime(1904, 1, 1)
_FROM_1904_TO_1970 = 2_082_844_800
_MAX_TEXT_BYTES = 128
_EXIF_PATTERN = re.compile(rb"\xff\xd8\xff[\xe0\xe1]|Exif\0\0(II\*\0|MM\0\*)")
_GPMF_PATTERN = re.compile(rb"(CASN|MINF)c([\x01-\x40])\0([\x01-\x40])")
_XML_DATE = re.compile(rb'<CreationDate\s[^>]{0,80}?value="([0-9T:+.Z-]{19,32})"')
_XML_DEVICE = re.compile(rb"<Device\s([^>]{0,400})>")
_XML_FIELD = re.compile(rb'(manufacturer|modelName|serialNo)="([^"<>&]{1,64})"')
_XML_NAMES = {b"manufacturer": "make", b"modelName": "model", b"serialNo": "serial"}
_APPLE_TEXTS = {b"\xa9day": "date", b"\xa9mak": "make", b"\xa9mod": "model"}
_APPLE_KEYS = {b"creationdate": "date", b"make": "make", b"model": "model"}


def _iter_boxes(reader: HeadReader, at: int, end: int) -> Iterator[tuple[bytes, int, int, int]]:
    """Yield type, content offset, header length and end offset of the boxes from `at` on."""
    for _ in range(MAX_BOXES):
        head = reader.read(at, 16) if at + 8 <= end else b""
        if len(head) < 8:
            return
        size, name, header = int.from_bytes(head[:4], "big"), head[4:8], 8
        if size == 1 and len(head) == 16:
            size, header = int.from_bytes(head[8:16], "big"), 16
        elif size == 0:
            size = end - at
        if size < header:
            return
        yield name, at + header, header, min(at + size, end)
        at += size


def _read_user_data(reader: HeadReader, at: int, end: int, metadata: ContainerMetadata) -> None:
    for name, start, _, stop in _iter_boxes(reader, at, end):
        size = min(stop - start, WINDOW_BYTES)
        if name in _APPLE_TEXTS:
            raw = reader.read(start, min(size, _MAX_TEXT_BYTES))
            _set_once(metadata, _APPLE_TEXTS[name], raw[4 : 4 + int.from_bytes(raw[:2], "big")])
        elif name == b"NCDT":
            for inner, first, _, last in _iter_boxes(reader, start, stop):
                if inner == b"NCTG":
                    read_mov_records(reader.read(first, min(last - first, WINDOW_BYTES)), metadata)
        elif name == b"GPMF":
            _read_gpmf(reader.read(start, size), metadata)
        elif name == b"meta":
            _read_meta(reader, start, stop, metadata)
        elif name in (b"CNTH", b"PANA", b"LEIC", b"PXTH", b"thmb", b"MVTG") and not metadata.exif:
            raw = reader.read(start, size)
            match = _EXIF_PATTERN.search(raw)
            if match:
                metadata.exif = raw[match.start() + (6 if match[0].startswith(b"Exif") else 0) :]


def _read_gpmf(raw: bytes, metadata: ContainerMetadata) -> None:
    for match in _GPMF_PATTERN.finditer(raw):
        _set_once(metadata, "make", b"GoPro")
        size = match[2][0] * match[3][0]
        _set_once(
            metadata, "serial" if match[1] == b"CASN" else "model", raw[match.end() : match.end() + min(size, 64)]
        )


def _read_meta(reader: HeadReader, at: int, end: int, metadata: ContainerMetadata) -> None:
    """Read Apple's keys and values, or Sony's XML.

    In ISO files the box begins with a version, in QuickTime files not.
    """
    if reader.read(at, 4) == b"\0\0\0\0":
        at += 4
    keys: list[bytes] = []
    for name, start, _, stop in _iter_boxes(reader, at, end):
        if name == b"xml ":
            _read_xml(reader.read(start, min(stop - start, WINDOW_BYTES)), metadata)
        elif name == b"keys":
            entries = _iter_boxes(reader, start + 8, stop)
            keys = [reader.read(first, min(last - first, 64)) for _, first, _, last in entries]
        elif name == b"ilst":
            for item, first, _, _ in _iter_boxes(reader, start, stop):
                number = int.from_bytes(item, "big")
                key = keys[number - 1] if 1 <= number <= len(keys) else b""
                wanted = _APPLE_TEXTS.get(item) or _APPLE_KEYS.get(key.removeprefix(b"com.apple.quicktime."))
                if wanted:
                    length = (reader.read_number(first, 4, ">") or 16) - 16
                    _set_once(metadata, wanted, reader.read(first + 16, min(length, _MAX_TEXT_BYTES)))


def _read_xml(raw: bytes, metadata: ContainerMetadata) -> None:
    date, device = _XML_DATE.search(raw), _XML_DEVICE.search(raw)
    if date:
        _set_once(metadata, "date", date[1])
    for name, value in _XML_FIELD.findall(device[1]) if device else ():
        _set_once(metadata, _XML_NAMES[name], value)


def _set_once(metadata: ContainerMetadata, name: str, value: bytes) -> None:
    value = value.partition(b"\0")[0]
    # Ignore a year or a day alone, as editors write it.
    if value and getattr(metadata, name) is None and (name != "date" or len(value) >= 19):
        setattr(metadata, name, value)


def _read_film_clock(reader: HeadReader, at: int) -> bytes | None:
    """Return the time in `mvhd` in Exif's form. It counts from 1904, in some files from 1970."""
    wide = 8 if reader.read(at, 1) == b"\1" else 4
    seconds = reader.read_number(at + 4, wide, ">") or 0
    if not 0 < seconds < 1 << 33:
        return None
    if seconds < _FROM_1904_TO_1970:
        seconds += _FROM_1904_TO_1970
    return (_EPOCH_1904 + datetime.timedelta(seconds=seconds)).strftime("%Y:%m:%d %H:%M:%S").encode()


MAX_CHUNKS = 64
"""Chunks examined on one level."""


def is_avi(head: bytes) -> bool:
    """Return whether the first bytes of a file are those of an AVI."""
    return head[:4] == b"RIFF" and head[8:12] in (b"AVI ", b"AVIX")


def read_avi(reader: HeadReader) -> ContainerMetadata:
    """Read time, make and model of an AVI."""
    found = ContainerMetadata()
    _read_chunks(reader, 12, min(8 + (reader.read_number(4, 4, "<") or 0), reader.size), found, 0)
    return found


def parse_riff_date(raw: bytes) -> bytes | None:
    """Convert the time in IDIT or ICRD to Exif's form; return None if it is invalid or a day without a time."""
    text = raw.partition(b"\0")[0].decode("latin-1").strip()
    if match := _DATE_WITH_MONTH_NAME.fullmatch(text):
        month = match["month"].casefold()
        return _format_exif_date(match["year"], _MONTHS.index(month) + 1, match) if month in _MONTHS else None
    if match := _DATE_WITH_MONTH_NUMBER.fullmatch(text):
        return _format_exif_date(match["year"], int(match["month"]), match)
    return None


_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_TIME_PATTERN = (
    r"(?P<hour>[0-9]{1,2}): ?(?P<minute>[0-9]{1,2})(: ?(?P<second>[0-9]{1,2}))?(\.[0-9]+)? ?(?P<half>[AP]M)?"
)
_DATE_WITH_MONTH_NAME = re.compile(
    r"[a-z]{3},? +(?P<month>[a-z]{3}) +(?P<day>[0-9]{1,2}) +" + _TIME_PATTERN + r" +(?P<year>[0-9]{4})",
    re.IGNORECASE,
)
_DATE_WITH_MONTH_NUMBER = re.compile(
    r"(?P<year>[0-9]{4})[-:/] ?(?P<month>[0-9]{1,2})[-:/] ?(?P<day>[0-9]{1,2})/?[ T]+" + _TIME_PATTERN,
    re.IGNORECASE,
)


def _format_exif_date(year: str, month: int, match: re.Match[str]) -> bytes:
    hour = int(match["hour"])
    if match["half"]:
        hour = hour % 12 + (12 if match["half"].upper() == "PM" else 0)
    second = int(match["second"] or 0)
    return b"%04d:%02d:%02d %02d:%02d:%02d" % (
        int(year),
        month,
        int(match["day"]),
        hour,
        int(match["minute"]),
        second,
    )


def _read_chunks(reader: HeadReader, at: int, end: int, metadata: ContainerMetadata, depth: int) -> None:
    for name, start, size in _iter_chunks(reader, at, end):
        if name == b"LIST":
            kind = reader.read(start, 4)
            if kind == b"ncdt":
                _read_nikon(reader, start + 4, start + size, metadata)
            elif depth < 2 and kind in (b"hdrl", b"strl", b"INFO", b"INF0"):
                _read_chunks(reader, start + 4, start + size, metadata, depth + 1)
        elif name == b"IDIT":
            metadata.date = parse_riff_date(reader.read(start, min(size, 64))) or metadata.date
        elif name == b"ICRD":
            metadata.date = metadata.date or parse_riff_date(reader.read(start, min(size, 64)))
        elif name == b"strd" and reader.read(start, 4) == b"AVIF":
            metadata.directory = reader.read(start + 8, min(size - 8, WINDOW_BYTES))


def _read_nikon(reader: HeadReader, at: int, end: int, metadata: ContainerMetadata) -> None:
    for name, start, size in _iter_chunks(reader, at, end):
        if name == b"nctg":
            read_avi_records(reader.read(start, min(size, WINDOW_BYTES)), metadata)


def _iter_chunks(reader: HeadReader, at: int, end: int) -> Iterator[tuple[bytes, int, int]]:
    for _ in range(MAX_CHUNKS):
        head = reader.read(at, 8) if at + 8 <= end else b""
        if len(head) < 8:
            return
        size = int.from_bytes(head[4:], "little")
        yield head[:4], at + 8, min(size, end - at - 8)
        at += 8 + size + size % 2
