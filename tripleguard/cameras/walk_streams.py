"""Walks through RIFF files (WAV, AVI, WebP), other films (ASF, Matroska), and streams of packets (MTS, M2TS).

A RIFF file says how long it is, and each chunk in it does; a sound over 4 GB says it in a chunk of its own. A
stream of packets has no end that it could be held to: it may have been cut between two packets, so it is never
called clean, but packets that are not where they must be are found. The pictures and sounds of an AVI are
chunks, too: they are followed one by one, and so is the index behind them.

RIFF: Multimedia Programming Interface and Data Specifications 1.0 (IBM, Microsoft, 1991); films over 1 GB: OpenDML
AVI 1.02 (1996); RF64: EBU Tech 3306; WebP: RFC 9649. Packets of 188 bytes: ISO/IEC 13818-1, 2.4.3.2;
192 with a time before each: as AVCHD cards and disks have them, from memory. ASF: Advanced Systems
Format specification (Microsoft), 2 and 5.
Matroska and WebM: RFC 8794 (EBML), 6, and RFC 9559, 5.1.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Generator

from tripleguard.cameras.asking import Answer, Ask, Shape, Span, Walk, piece

RIFFS = (b"RIFF", b"RF64", b"BW64")
PACKETS = frozenset({"mts", "m2ts", "m2t"})
"""Extensions of films that are streams of packets."""

MOST_CHUNKS = 1 << 16
MOST_FRAMES = 3 << 15
"""Chunks of pictures and sounds followed in one film; the rest is only looked at for blank runs."""

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
            shape.flaw("never finished", _UNFINISHED, grave=False, habit=True)
            return
        if shape.cut(_CONTENT.get(what, "content"), at + 8 + length, size):
            return
        if what == b"movi":
            shape.image.append(Span(at + 12, at + 8 + length, film=True))
            yield from _walk_frames(shape, at + 12, at + 8 + length)
        elif what == b"idx1":
            yield from _walk_index(shape, at + 8, at + 8 + length)
        elif what in _CODED_PICTURES:
            shape.image.append(Span(at + 8, at + 8 + length, coded=True, full=True))
        seen.add(what)
        at = yield from _behind(at + 8 + length, length)
    else:
        shape.unsure = "it has more parts than a recorder writes"
    if not seen & set(_CONTENT):
        shape.flaw("no content", "it has a beginning, and no sound or pictures", grave=True)


_SAID_ELSEWHERE = 0xFFFFFFFF
_CODED_PICTURES = frozenset({b"VP8 ", b"VP8L"})
_CONTENT = {
    b"data": "sound",
    b"movi": "film",
    b"VP8 ": "image data",
    b"VP8L": "image data",
    b"ANMF": "image data",
}


def _walk_frames(shape: Shape, at: int, end: int) -> Walk:
    """Follow the pictures and sounds of a film; their lists are entered, their content is stepped over."""
    for _ in range(MOST_FRAMES):
        if at + 8 > end:
            return
        header = yield from piece(at, 8)
        if header is None or len(header) < 8:
            shape.unsure = shape.unsure or "one of its parts was past before its place was known"
            return
        kind, length = struct.unpack("<4sI", header)
        if kind == b"LIST":
            at += 12
            continue
        if not all(0x20 <= char < 0x7F for char in kind):
            why = f"its pictures break off at byte {at:,}: what stands there is none, and no sound"
            shape.flaw("no picture or sound", why, grave=False, habit=True)
            return
        if at + 8 + length > end:
            why = f"a picture or sound at byte {at:,} should go on to byte {at + 8 + length:,}, behind the others"
            shape.flaw("picture outside", why, grave=False, habit=True)
            return
        at += 8 + length
        if length % 2 and _FRAME.match((yield from piece(at, 5)) or b"") is None:
            # An even place comes next, but for writers who forget that; what fills it up may be anything.
            at += 1


# Two digits of a stream and two letters, or what else may stand among them.
_FRAME = re.compile(rb"[0-9A-Fa-f]{2}[A-Za-z]{2}|ix[0-9A-Fa-f]{2}|LIST|JUNK")


def _walk_index(shape: Shape, at: int, end: int) -> Walk:
    """Look for blank blocks in the index of a film; no entry of it is zeros or ones."""
    while at < end:
        entries = yield from piece(at, min(_INDEX_PIECE, end - at))
        if not entries:
            return
        if _NO_ENTRY[0] in entries or _NO_ENTRY[1] in entries:
            shape.flaw("blank index", "its index holds blank blocks", grave=False, habit=True)
            return
        at += len(entries)


_INDEX_PIECE = 32 << 10
_NO_ENTRY = (bytes(512), b"\xff" * 512)


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


PACKETS_TOLD_BY = 3 * 192
"""Bytes from the start of a file that tell whether it is a stream of packets."""


def packet_layout(head: bytes) -> tuple[int, int] | None:
    """Return the bytes of a packet and where the first one begins, or None if the head is no stream of packets."""
    return next(((width, first) for width, first in ((188, 0), (192, 4)) if _in_step(head, width, first)), None)


def walk_packets(shape: Shape, size: int) -> Walk:
    """A film of size bytes that is a stream of packets."""
    if size < 3 * 192:
        shape.flaw("cut short", "it is cut short: a film has more than three packets", grave=True)
        return
    start = yield from piece(0, PACKETS_TOLD_BY)
    found = packet_layout(start or b"")
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


def walk_asf(shape: Shape, size: int) -> Walk:
    """A film of size bytes in the Advanced Systems Format: objects, each with a name and its length."""
    at = 0
    seen: set[bytes] = set()
    for _ in range(MOST_CHUNKS):
        if at == size:
            break
        header = yield from piece(at, 24)
        if header is None or len(header) < 24:
            shape.cut("film", at + 24, size)
            return
        name, (length,) = header[:16], struct.unpack("<Q", header[16:])
        if length < 24:
            if _ASF_DATA in seen:
                shape.flaw("no object", f"what stands at byte {at:,} is no part of it", grave=False, habit=True)
            else:
                shape.flaw("never finished", _UNFINISHED, grave=False, habit=True)
            return
        if shape.cut("film", at + length, size):
            return
        if name == _ASF_DATA:
            shape.image.append(Span(at + 50, at + length, film=True))
        seen.add(name)
        at += length
    if _ASF_DATA not in seen:
        shape.flaw("no content", "it has a beginning, and no sound or pictures", grave=True)


_UNFINISHED = "the recorder could not finish it: it does not say how long it is"
_ASF_DATA = bytes.fromhex("3626b2758e66cf11a6d900aa0062ce6c")


def walk_matroska(shape: Shape, size: int) -> Walk:
    """A film of size bytes in the form of Matroska or WebM: a head, and one segment that says how long it is."""
    at = 0
    for _ in range(_MOST_ELEMENTS):
        header = yield from piece(at, 12)
        if not header:
            break
        name = _element_name(header)
        length, width = _element_length(header[len(name) :])
        if not name or width == 0:
            shape.flaw("no element", f"what stands at byte {at:,} is no part of it", grave=False, habit=True)
            return
        start = at + len(name) + width
        if length is None:
            shape.unsure = "it does not say how long it is"
            return
        if shape.cut("film", start + length, size):
            return
        if name == _SEGMENT:
            shape.image.append(Span(start, start + length, film=True))
            return
        at = start + length
    shape.flaw("no content", "it has a beginning, and no sound or pictures", grave=True)


_SEGMENT = b"\x18\x53\x80\x67"
_MOST_ELEMENTS = 64


def _element_name(header: bytes) -> bytes:
    """Return the name of an element, whose first byte says how many it has; empty if it is none (RFC 8794, 5)."""
    width = 9 - header[0].bit_length()
    return header[:width] if width <= 4 else b""


def _element_length(packed: bytes) -> tuple[int | None, int]:
    """Return the length of an element, None if unknown, and its own width, 0 if it is none (RFC 8794, 4 and 6)."""
    width = 9 - packed[0].bit_length() if packed and packed[0] else 0
    if width == 0 or width > len(packed):
        return None, 0
    value = int.from_bytes(packed[:width], "big") & ((1 << 7 * width) - 1)
    return (None if value == (1 << 7 * width) - 1 else value), width
