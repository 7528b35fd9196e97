"""Walks through sounds and films that are no boxes: RIFF (WAV, AVI), and streams of packets (MTS, M2TS).

A RIFF file says how long it is, and each chunk in it does; a sound over 4 GB says it in a chunk of its own. A
stream of packets has no end that it could be held to: it may have been cut between two packets, so it is never
called clean, but packets that are not where they must be are found.

RIFF: Multimedia Programming Interface and Data Specifications 1.0 (IBM, Microsoft, 1991); films over 1 GB: OpenDML
AVI 1.02 (1996); RF64: EBU Tech 3306. Packets of 188 bytes: ISO/IEC 13818-1, 2.4.3.2; 192 with a time before each:
as AVCHD cards and disks have them, from memory.
"""

from __future__ import annotations

import struct
from collections.abc import Generator

from tripleguard.cameras.asking import Answer, Ask, Shape, Walk, piece

RIFFS = (b"RIFF", b"RF64", b"BW64")
RIFF_FORMS = frozenset({b"WAVE", b"AVI "})
PACKETS = frozenset({"mts", "m2ts", "m2t"})
"""Extensions of films that are streams of packets."""

MOST_CHUNKS = 1 << 16
MOST_PACKETS = 1 << 17
"""Packets of one film that are looked at, evenly spread over it."""


def walk_riff(shape: Shape, size: int) -> Walk:
    """A sound or film of size bytes that begins with a RIFF header."""
    seen: set[bytes] = set()
    long: dict[bytes, int] = {}
    at = end = 0
    for _ in range(MOST_CHUNKS):
        if at + 8 > size:
            break
        header = yield from piece(at, 12)
        if header is None:
            shape.unsure = "one of its parts was past before its place was known"
            return
        kind, length = struct.unpack_from("<4sI", header)
        if kind in RIFFS:
            # What is inside counts; some writers count these eight bytes too.
            if at + length > size and length != _SAID_ELSEWHERE:
                shape.cut("content", at + 8 + length, size)
                return
            at, end = at + 12, at + 8 + length
            continue
        if seen & set(_CONTENT) and (at >= end > 12 or not header.strip(b"\0")):
            # What lies behind it is none of it; some recorders fill up their last block.
            break
        if not all(0x20 <= char < 0x7F for char in kind):
            why = f"its structure breaks off at byte {at:,}: what stands there is no part of it"
            shape.flaw("no chunk", why, grave=False, habit=True)
            return
        if kind == b"ds64":
            long = yield from _long_sizes(at)
        length = long.get(kind, length) if length == _SAID_ELSEWHERE else length
        what = header[8:12] if kind == b"LIST" else kind
        if length == _SAID_ELSEWHERE or (what in _CONTENT and length == 0 and at + 12 < size):
            why = "the recorder could not finish it: it does not say how long it is"
            shape.flaw("never finished", why, grave=False, habit=True)
            return
        if shape.cut(_CONTENT.get(what, "content"), at + 8 + length, size):
            return
        seen.add(what)
        at = yield from _behind(at + 8 + length, length)
    else:
        shape.unsure = "it has more parts than a recorder writes"
    if not seen & set(_CONTENT):
        shape.flaw("no content", "it has a beginning, and no sound or pictures", grave=True)


_SAID_ELSEWHERE = 0xFFFFFFFF
_CONTENT = {b"data": "sound", b"movi": "film"}


def _behind(end: int, length: int) -> Generator[Ask, Answer, int]:
    """Where the next chunk begins: at an even place, but for writers who forget that."""
    if length % 2:
        pad = yield from piece(end, 1)
        return end + 1 if pad == b"\0" else end
    return end


def _long_sizes(at: int) -> Generator[Ask, Answer, dict[bytes, int]]:
    """The length of the sound as the chunk of long lengths says it (EBU Tech 3306, 3)."""
    said = yield from piece(at + 8, 16)
    return {b"data": struct.unpack("<QQ", said)[1]} if said is not None and len(said) == 16 else {}


def walk_packets(shape: Shape, size: int) -> Walk:
    """A film of size bytes that is a stream of packets."""
    if size < 3 * 192:
        shape.flaw("cut short", "it is cut short: a film has more than three packets", grave=True)
        return
    start = yield from piece(0, 3 * 192)
    found = next(
        ((width, first) for width, first in ((188, 0), (192, 4)) if _in_step(start or b"", width, first)), None
    )
    if found is None:
        shape.flaw("begins wrongly", "it does not begin as a stream of packets does", grave=False, habit=True)
        return
    width, first = found
    if size % width:
        shape.flaw("cut short", f"it is cut short: {size % width} bytes of its last packet are there", grave=True)
    step = width * max(1, min(_NEAR // width, size // width // 64), size // width // MOST_PACKETS)
    for at in range(first, size - width + 1, step):
        mark = yield from piece(at, 1)
        if mark is not None and mark != _SYNC:
            why = f"its packets are not where they must be, from byte {at:,} on"
            shape.flaw("packets out of step", why, grave=False, habit=True)
            break
    shape.unsure = "where a film of this kind ends, nothing in it says"


_SYNC = b"\x47"
_NEAR = 16 << 10


def _in_step(start: bytes, width: int, first: int) -> bool:
    return len(start) >= 3 * width and all(
        start[first + n * width : first + n * width + 1] == _SYNC for n in range(3)
    )
