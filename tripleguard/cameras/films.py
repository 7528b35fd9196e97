"""Finds what the camera wrote in a film made of boxes: MOV, MP4 and their kin.

Makers put a JPEG with Exif, records of their own, or Apple's keys into the film's user data; that is the camera's
wall time. Where there is none of it, the film's own clock is left (`mvhd`), which is UTC by the standard and local
time by the habit of many cameras; nobody can tell which, and the answer says so.

Boxes: ISO/IEC 14496-12; QuickTime File Format (Apple, 2001) for `udta`, texts beginning with the copyright
sign, and `keys`. Sony's XML: RDD 18 (SMPTE, 2012), non-real-time metadata. GoPro's CASN and MINF: GPMF (GoPro,
published with its parser). The boxes of Canon, Nikon and Panasonic are not published; known from files.
"""

from __future__ import annotations

import datetime
import re
from collections.abc import Iterator

from tripleguard.cameras.reach import WINDOW, Reach, Written
from tripleguard.cameras.records import mov_records

MOST_BOXES = 64
"""Boxes looked at on one level."""


def is_film(head: bytes) -> bool:
    """Whether a file that begins so may be a film made of boxes; old ones begin without `ftyp`."""
    return head[4:8] in _FIRST_BOXES


def movie_box(reach: Reach) -> bytes:
    """The beginning of the box that describes the film, with its header; empty if out of reach."""
    for name, at, header, _ in _boxes(reach, 0, reach.size):
        if name == b"moov":
            return reach.piece(at - header, WINDOW)
    return b""


def read_film(reach: Reach) -> Written:
    """Read time, make, model and serial of a film."""
    found = Written()
    clock = None
    for name, at, _, end in _boxes(reach, 0, reach.size):
        if name == b"moov":
            for inner, start, _, stop in _boxes(reach, at, end):
                if inner == b"mvhd":
                    clock = _film_clock(reach, start)
                elif inner == b"udta":
                    _read_user_data(reach, start, stop, found)
                elif inner == b"meta":
                    _read_meta(reach, start, stop, found)
        elif name == b"meta":
            _read_meta(reach, at, end, found)
    if found.date is None and clock is not None:
        found.date, found.zone_known = clock, False
    return found


_FIRST_BOXES = frozenset({b"ftyp", b"moov", b"mdat", b"wide", b"skip", b"free", b"pnot"})
_EPOCH_1904 = datetime.datetime(1904, 1, 1)
_FROM_1904_TO_1970 = 2_082_844_800
_MOST_TEXT = 128
_EXIF = re.compile(rb"\xff\xd8\xff[\xe0\xe1]|Exif\0\0(II\*\0|MM\0\*)")
_GPMF = re.compile(rb"(CASN|MINF)c([\x01-\x40])\0([\x01-\x40])")
_XML_DATE = re.compile(rb'<CreationDate\s[^>]{0,80}?value="([0-9T:+.Z-]{19,32})"')
_XML_DEVICE = re.compile(rb"<Device\s([^>]{0,400})>")
_XML_FIELD = re.compile(rb'(manufacturer|modelName|serialNo)="([^"<>&]{1,64})"')
_XML_NAMES = {b"manufacturer": "make", b"modelName": "model", b"serialNo": "serial"}
_APPLE_TEXTS = {b"\xa9day": "date", b"\xa9mak": "make", b"\xa9mod": "model"}
_APPLE_KEYS = {b"creationdate": "date", b"make": "make", b"model": "model"}


def _boxes(reach: Reach, at: int, end: int) -> Iterator[tuple[bytes, int, int, int]]:
    """Type, offset of the content, length of the header, and end, of the boxes from an offset on."""
    for _ in range(MOST_BOXES):
        head = reach.piece(at, 16) if at + 8 <= end else b""
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


def _read_user_data(reach: Reach, at: int, end: int, found: Written) -> None:
    for name, start, _, stop in _boxes(reach, at, end):
        size = min(stop - start, WINDOW)
        if name in _APPLE_TEXTS:
            raw = reach.piece(start, min(size, _MOST_TEXT))
            _set(found, _APPLE_TEXTS[name], raw[4 : 4 + int.from_bytes(raw[:2], "big")])
        elif name == b"NCDT":
            for inner, first, _, last in _boxes(reach, start, stop):
                if inner == b"NCTG":
                    mov_records(reach.piece(first, min(last - first, WINDOW)), found)
        elif name == b"GPMF":
            _read_gpmf(reach.piece(start, size), found)
        elif name == b"meta":
            _read_meta(reach, start, stop, found)
        elif name in (b"CNTH", b"PANA", b"LEIC", b"PXTH", b"thmb", b"MVTG") and not found.exif:
            raw = reach.piece(start, size)
            match = _EXIF.search(raw)
            if match:
                found.exif = raw[match.start() + (6 if match[0].startswith(b"Exif") else 0) :]


def _read_gpmf(raw: bytes, found: Written) -> None:
    for match in _GPMF.finditer(raw):
        _set(found, "make", b"GoPro")
        size = match[2][0] * match[3][0]
        _set(found, "serial" if match[1] == b"CASN" else "model", raw[match.end() : match.end() + min(size, 64)])


def _read_meta(reach: Reach, at: int, end: int, found: Written) -> None:
    """Apple's keys and values, or Sony's XML. In ISO files the box begins with a version, in QuickTime's not."""
    if reach.piece(at, 4) == b"\0\0\0\0":
        at += 4
    keys: list[bytes] = []
    for name, start, _, stop in _boxes(reach, at, end):
        if name == b"xml ":
            _read_xml(reach.piece(start, min(stop - start, WINDOW)), found)
        elif name == b"keys":
            entries = _boxes(reach, start + 8, stop)
            keys = [reach.piece(first, min(last - first, 64)) for _, first, _, last in entries]
        elif name == b"ilst":
            for item, first, _, _ in _boxes(reach, start, stop):
                number = int.from_bytes(item, "big")
                key = keys[number - 1] if 1 <= number <= len(keys) else b""
                wanted = _APPLE_TEXTS.get(item) or _APPLE_KEYS.get(key.removeprefix(b"com.apple.quicktime."))
                if wanted:
                    length = (reach.number(first, 4, ">") or 16) - 16
                    _set(found, wanted, reach.piece(first + 16, min(length, _MOST_TEXT)))


def _read_xml(raw: bytes, found: Written) -> None:
    date, device = _XML_DATE.search(raw), _XML_DEVICE.search(raw)
    if date:
        _set(found, "date", date[1])
    for name, value in _XML_FIELD.findall(device[1]) if device else ():
        _set(found, _XML_NAMES[name], value)


def _set(found: Written, name: str, value: bytes) -> None:
    value = value.partition(b"\0")[0]
    # A year or a day alone, as editors write it, is no time.
    if value and getattr(found, name) is None and (name != "date" or len(value) >= 19):
        setattr(found, name, value)


def _film_clock(reach: Reach, at: int) -> bytes | None:
    """The time in `mvhd` as Exif writes one. Counted from 1904; some count from 1970."""
    wide = 8 if reach.piece(at, 1) == b"\1" else 4
    seconds = reach.number(at + 4, wide, ">") or 0
    if not 0 < seconds < 1 << 33:
        return None
    if seconds < _FROM_1904_TO_1970:
        seconds += _FROM_1904_TO_1970
    return (_EPOCH_1904 + datetime.timedelta(seconds=seconds)).strftime("%Y:%m:%d %H:%M:%S").encode()
