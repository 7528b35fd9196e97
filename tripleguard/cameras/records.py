"""Reads the records that Nikon adds to its films.

In an AVI a record is a number and a size of two bytes each; in a MOV a number of four bytes, then type and count
as in TIFF. Neither is published; known from files.
"""

from __future__ import annotations

from collections.abc import Iterator

from tripleguard.cameras.reach import Written
from tripleguard.cameras.tiff import TYPE_BYTES

MOST_RECORDS = 256
"""Records looked at in one box."""

_MOV = {0x01: "make", 0x02: "model", 0x11: "date", 0x12: "date", 0x0110A431: "serial"}
_AVI = {0x03: "make", 0x04: "model", 0x13: "date", 0x14: "date"}


def mov_records(raw: bytes, found: Written) -> None:
    """Take what is known out of the records of a MOV."""
    _take(_records_of_mov(raw), _MOV, found)


def avi_records(raw: bytes, found: Written) -> None:
    """Take what is known out of the records of an AVI."""
    _take(_records_of_avi(raw), _AVI, found)


def _take(records: Iterator[tuple[int, bytes]], names: dict[int, str], found: Written) -> None:
    for tag, value in records:
        name = names.get(tag)
        if name is not None:
            setattr(found, name, value.partition(b"\0")[0])
            found.zone_known |= name == "date"


def _records_of_mov(raw: bytes) -> Iterator[tuple[int, bytes]]:
    at = 0
    for _ in range(MOST_RECORDS):
        if at + 8 > len(raw):
            return
        size = TYPE_BYTES.get(int.from_bytes(raw[at + 4 : at + 6], "big"), 0) * int.from_bytes(
            raw[at + 6 : at + 8], "big"
        )
        yield int.from_bytes(raw[at : at + 4], "big"), raw[at + 8 : at + 8 + min(size, 64)]
        at += 8 + size


def _records_of_avi(raw: bytes) -> Iterator[tuple[int, bytes]]:
    at = 0
    for _ in range(MOST_RECORDS):
        if at + 4 > len(raw):
            return
        size = int.from_bytes(raw[at + 2 : at + 4], "little")
        yield int.from_bytes(raw[at : at + 2], "little"), raw[at + 4 : at + 4 + min(size, 64)]
        at += 4 + size
