"""Finds what the camera wrote in an AVI: a RIFF file of chunks and of lists of chunks.

The time stands in IDIT, in every form that a programmer has thought of; or as ICRD in the list INFO. Some makers
add Exif: Fujifilm a directory in `strd`, Nikon records in the list `ncdt`.

RIFF, INFO and ICRD: Multimedia Programming Interface and Data Specifications 1.0 (IBM, Microsoft, 1991). IDIT:
OpenDML AVI 1.02 (1996). What makers add is not published; known from files.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from tripleguard.cameras.reach import WINDOW, Reach, Written
from tripleguard.cameras.records import avi_records

MOST_CHUNKS = 64
"""Chunks looked at on one level."""


def is_avi(head: bytes) -> bool:
    """Whether a file that begins so is an AVI."""
    return head[:4] == b"RIFF" and head[8:12] in (b"AVI ", b"AVIX")


def read_avi(reach: Reach) -> Written:
    """Read time, make and model of an AVI."""
    found = Written()
    _read_chunks(reach, 12, min(8 + (reach.number(4, 4, "<") or 0), reach.size), found, 0)
    return found


def riff_date(raw: bytes) -> bytes | None:
    """A time out of IDIT or ICRD as Exif writes it; None if it is none, or a day without a time."""
    text = raw.partition(b"\0")[0].decode("latin-1").strip()
    if match := _BY_NAME.fullmatch(text):
        month = match["month"].casefold()
        return _date(match["year"], _MONTHS.index(month) + 1, match) if month in _MONTHS else None
    if match := _BY_NUMBER.fullmatch(text):
        return _date(match["year"], int(match["month"]), match)
    return None


_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_TIME = r"(?P<hour>[0-9]{1,2}): ?(?P<minute>[0-9]{1,2})(: ?(?P<second>[0-9]{1,2}))?(\.[0-9]+)? ?(?P<half>[AP]M)?"
_BY_NAME = re.compile(
    r"[a-z]{3},? +(?P<month>[a-z]{3}) +(?P<day>[0-9]{1,2}) +" + _TIME + r" +(?P<year>[0-9]{4})", re.IGNORECASE
)
_BY_NUMBER = re.compile(
    r"(?P<year>[0-9]{4})[-:/] ?(?P<month>[0-9]{1,2})[-:/] ?(?P<day>[0-9]{1,2})/?[ T]+" + _TIME, re.IGNORECASE
)


def _date(year: str, month: int, match: re.Match[str]) -> bytes:
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


def _read_chunks(reach: Reach, at: int, end: int, found: Written, depth: int) -> None:
    for name, start, size in _chunks(reach, at, end):
        if name == b"LIST":
            kind = reach.piece(start, 4)
            if kind == b"ncdt":
                _read_nikon(reach, start + 4, start + size, found)
            elif depth < 2 and kind in (b"hdrl", b"strl", b"INFO", b"INF0"):
                _read_chunks(reach, start + 4, start + size, found, depth + 1)
        elif name == b"IDIT":
            found.date = riff_date(reach.piece(start, min(size, 64))) or found.date
        elif name == b"ICRD":
            found.date = found.date or riff_date(reach.piece(start, min(size, 64)))
        elif name == b"strd" and reach.piece(start, 4) == b"AVIF":
            found.directory = reach.piece(start + 8, min(size - 8, WINDOW))


def _read_nikon(reach: Reach, at: int, end: int, found: Written) -> None:
    for name, start, size in _chunks(reach, at, end):
        if name == b"nctg":
            avi_records(reach.piece(start, min(size, WINDOW)), found)


def _chunks(reach: Reach, at: int, end: int) -> Iterator[tuple[bytes, int, int]]:
    for _ in range(MOST_CHUNKS):
        head = reach.piece(at, 8) if at + 8 <= end else b""
        if len(head) < 8:
            return
        size = int.from_bytes(head[4:], "little")
        yield head[:4], at + 8, min(size, end - at - 8)
        at += 8 + size + size % 2
