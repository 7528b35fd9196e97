"""Walk through RIFF files (WAV, AVI, WebP), other films (ASF, Matroska), and streams of packets (MTS, M2TS).

A RIFF file states its length, and so does each chunk in it; a sound over 4 GB states it in a separate chunk. A
stream of packets has no end to check against: it may have been cut between two packets, so it is never called
clean, but packets out of step are found. The pictures and sounds of an AVI are chunks, too: they are followed one
by one, and so is the index behind them.

RIFF: Multimedia Programming Interface and Data Specifications 1.0 (IBM, Microsoft, 1991); films over 1 GB: OpenDML
AVI 1.02 (1996); RF64: EBU Tech 3306; WebP: RFC 9649. Packets of 188 bytes: ISO/IEC 13818-1, 2.4.3.2; 192 with a
timestamp before each: as on AVCHD cards and disks, from memory. ASF: Advanced Systems Format specification
(Microsoft), 2 and 5. Matroska and WebM: RFC 8794 (EBML), 6, and RFC 9559, 5.1.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Generator

from tripleguard.cameras.integrity.walk import (
    ByteRequest,
    ByteResponse,
    FileStructure,
    ImageSpan,
    StructureWalk,
    request_piece,
)

RIFF_MAGICS = (b"RIFF", b"RF64", b"BW64")
PACKET_EXTENSIONS = frozenset({"mts", "m2ts", "m2t"})
"""Extensions of films that are streams of packets."""

MAX_CHUNKS = 1 << 16
MAX_FRAMES = 3 << 15
"""Chunks of pictures and sounds followed in one film; the rest is only checked for blank runs."""

MAX_PACKETS = 1 << 17
"""Packets examined in one film, evenly spread over it."""


def walk_riff(structure: FileStructure, size: int) -> StructureWalk:
    """Walk through a sound or film of `size` bytes that begins with a RIFF header."""
    seen: set[bytes] = set()
    long: dict[bytes, int] = {}
    at = end = 0
    for _ in range(MAX_CHUNKS):
        if at + 8 > size:
            break
        header = yield from request_piece(at, 12)
        if header is None:
            structure.unsure_reason = "one of its parts was past before its place was known"
            return
        kind, length = struct.unpack_from("<4sI", header)
        if kind in RIFF_MAGICS:
            # The chunks inside decide; some writers count these eight bytes too.
            if at + length > size and length != _LENGTH_ELSEWHERE:
                structure.flag_if_cut("content", at + 8 + length, size)
                return
            at, end = at + 12, at + 8 + length
            continue
        if seen & set(_CONTENT_NAMES) and (at >= end > 12 or not header.strip(b"\0")):
            # Data behind the RIFF chunk does not belong to it; some recorders pad their last block.
            break
        if not all(0x20 <= char < 0x7F for char in kind):
            why = f"its structure breaks off at byte {at:,}: what stands there is no part of it"
            structure.add_flaw("no chunk", why, is_grave=False, is_possible_quirk=True)
            return
        if kind == b"ds64":
            long = yield from _read_long_sizes(at)
        length = long.get(kind, length) if length == _LENGTH_ELSEWHERE else length
        what = header[8:12] if kind == b"LIST" else kind
        if length == _LENGTH_ELSEWHERE or (what in _CONTENT_NAMES and length == 0 and at + 12 < size):
            structure.add_flaw("never finished", _UNFINISHED_TEXT, is_grave=False, is_possible_quirk=True)
            return
        if structure.flag_if_cut(_CONTENT_NAMES.get(what, "content"), at + 8 + length, size):
            return
        if what == b"movi":
            structure.image_spans.append(ImageSpan(at + 12, at + 8 + length, is_film=True))
            yield from _walk_avi_frames(structure, at + 12, at + 8 + length)
        elif what == b"idx1":
            yield from _check_avi_index(structure, at + 8, at + 8 + length)
        elif what in _CODED_PICTURES:
            structure.image_spans.append(
                ImageSpan(at + 8, at + 8 + length, is_compressed=True, has_known_end=True)
            )
        seen.add(what)
        at = yield from _find_next_chunk(at + 8 + length, length)
    else:
        structure.unsure_reason = "it has more parts than a recorder writes"
    if not seen & set(_CONTENT_NAMES):
        structure.add_flaw("no content", "it has a beginning, and no sound or pictures", is_grave=True)


_LENGTH_ELSEWHERE = 0xFFFFFFFF
_CODED_PICTURES = frozenset({b"VP8 ", b"VP8L"})
_CONTENT_NAMES = {
    b"data": "sound",
    b"movi": "film",
    b"VP8 ": "image data",
    b"VP8L": "image data",
    b"ANMF": "image data",
}


def _walk_avi_frames(structure: FileStructure, at: int, end: int) -> StructureWalk:
    """Follow the pictures and sounds of a film: enter their lists, skip their content."""
    for _ in range(MAX_FRAMES):
        if at + 8 > end:
            return
        header = yield from request_piece(at, 8)
        if header is None or len(header) < 8:
            structure.unsure_reason = (
                structure.unsure_reason or "one of its parts was past before its place was known"
            )
            return
        kind, length = struct.unpack("<4sI", header)
        if kind == b"LIST":
            at += 12
            continue
        if not all(0x20 <= char < 0x7F for char in kind):
            why = f"its pictures break off at byte {at:,}: what stands there is none, and no sound"
            structure.add_flaw("no picture or sound", why, is_grave=False, is_possible_quirk=True)
            return
        if at + 8 + length > end:
            why = f"a picture or sound at byte {at:,} should go on to byte {at + 8 + length:,}, behind the others"
            structure.add_flaw("picture outside", why, is_grave=False, is_possible_quirk=True)
            return
        at += 8 + length
        if length % 2 and _FRAME_HEADER_PATTERN.match((yield from request_piece(at, 5)) or b"") is None:
            # Chunks begin at even offsets, except from some writers; the padding may be anything.
            at += 1


# Two digits for the stream and two letters, or one of the other chunks allowed among them.
_FRAME_HEADER_PATTERN = re.compile(rb"[0-9A-Fa-f]{2}[A-Za-z]{2}|ix[0-9A-Fa-f]{2}|LIST|JUNK")


def _check_avi_index(structure: FileStructure, at: int, end: int) -> StructureWalk:
    """Check the index of a film for blank blocks; none of its entries is zeros or ones."""
    while at < end:
        entries = yield from request_piece(at, min(_INDEX_PIECE_BYTES, end - at))
        if not entries:
            return
        if _BLANK_BLOCKS[0] in entries or _BLANK_BLOCKS[1] in entries:
            structure.add_flaw(
                "blank index", "its index holds blank blocks", is_grave=False, is_possible_quirk=True
            )
            return
        at += len(entries)


_INDEX_PIECE_BYTES = 32 << 10
_BLANK_BLOCKS = (bytes(512), b"\xff" * 512)


def _find_next_chunk(end: int, length: int) -> Generator[ByteRequest, ByteResponse, int]:
    """Return where the next chunk begins: at an even offset, except from some writers."""
    if length % 2:
        pad = yield from request_piece(end, 1)
        return end + 1 if pad == b"\0" else end
    return end


def _read_long_sizes(at: int) -> Generator[ByteRequest, ByteResponse, dict[bytes, int]]:
    """Return the chunk lengths stated in the chunk of long lengths (EBU Tech 3306, 3)."""
    sizes = yield from request_piece(at + 8, 16)
    return {b"data": struct.unpack("<QQ", sizes)[1]} if sizes is not None and len(sizes) == 16 else {}


PACKET_PROBE_BYTES = 3 * 192
"""Bytes from the start of a file that show whether it is a stream of packets."""


def detect_packet_layout(head: bytes) -> tuple[int, int] | None:
    """Return the bytes of a packet and the offset of the first one; None if the head is no stream of packets."""
    return next(((width, first) for width, first in ((188, 0), (192, 4)) if _is_in_step(head, width, first)), None)


def walk_packets(structure: FileStructure, size: int) -> StructureWalk:
    """Walk through a film of `size` bytes that is a stream of packets."""
    if size < 3 * 192:
        structure.add_flaw("cut short", "it is cut short: a film has more than three packets", is_grave=True)
        return
    start = yield from request_piece(0, PACKET_PROBE_BYTES)
    found = detect_packet_layout(start or b"")
    if found is None:
        structure.add_flaw(
            "begins wrongly",
            "it does not begin as a stream of packets does",
            is_grave=False,
            is_possible_quirk=True,
        )
        return
    width, first = found
    if size % width:
        structure.add_flaw(
            "cut short", f"it is cut short: {size % width} bytes of its last packet are there", is_grave=True
        )
    step = width * max(1, min(_MAX_PACKET_STEP // width, size // width // 64), size // width // MAX_PACKETS)
    for at in range(first, size - width + 1, step):
        mark = yield from request_piece(at, 1)
        if mark is not None and mark != _SYNC_BYTE:
            why = f"its packets are not where they must be, from byte {at:,} on"
            structure.add_flaw("packets out of step", why, is_grave=False, is_possible_quirk=True)
            break
    structure.unsure_reason = "where a film of this kind ends, nothing in it says"


_SYNC_BYTE = b"\x47"
_MAX_PACKET_STEP = 16 << 10


def _is_in_step(start: bytes, width: int, first: int) -> bool:
    return len(start) >= 3 * width and all(
        start[first + n * width : first + n * width + 1] == _SYNC_BYTE for n in range(3)
    )


def walk_asf(structure: FileStructure, size: int) -> StructureWalk:
    """Walk through an ASF film of `size` bytes: objects, each with an identifier and a length."""
    at = 0
    seen: set[bytes] = set()
    for _ in range(MAX_CHUNKS):
        if at == size:
            break
        header = yield from request_piece(at, 24)
        if header is None or len(header) < 24:
            structure.flag_if_cut("film", at + 24, size)
            return
        name, (length,) = header[:16], struct.unpack("<Q", header[16:])
        if length < 24:
            if _ASF_DATA in seen:
                structure.add_flaw(
                    "no object",
                    f"what stands at byte {at:,} is no part of it",
                    is_grave=False,
                    is_possible_quirk=True,
                )
            else:
                structure.add_flaw("never finished", _UNFINISHED_TEXT, is_grave=False, is_possible_quirk=True)
            return
        if structure.flag_if_cut("film", at + length, size):
            return
        if name == _ASF_DATA:
            structure.image_spans.append(ImageSpan(at + 50, at + length, is_film=True))
        seen.add(name)
        at += length
    if _ASF_DATA not in seen:
        structure.add_flaw("no content", "it has a beginning, and no sound or pictures", is_grave=True)


_UNFINISHED_TEXT = "the recorder could not finish it: it does not say how long it is"
_ASF_DATA = bytes.fromhex("3626b2758e66cf11a6d900aa0062ce6c")


def walk_matroska(structure: FileStructure, size: int) -> StructureWalk:
    """Walk through a Matroska or WebM film of `size` bytes: a head, and one segment that states its length."""
    at = 0
    for _ in range(_MAX_ELEMENTS):
        header = yield from request_piece(at, 12)
        if not header:
            break
        name = _read_element_name(header)
        length, width = _read_element_length(header[len(name) :])
        if not name or width == 0:
            structure.add_flaw(
                "no element",
                f"what stands at byte {at:,} is no part of it",
                is_grave=False,
                is_possible_quirk=True,
            )
            return
        start = at + len(name) + width
        if length is None:
            structure.unsure_reason = "it does not say how long it is"
            return
        if structure.flag_if_cut("film", start + length, size):
            return
        if name == _SEGMENT:
            structure.image_spans.append(ImageSpan(start, start + length, is_film=True))
            return
        at = start + length
    structure.add_flaw("no content", "it has a beginning, and no sound or pictures", is_grave=True)


_SEGMENT = b"\x18\x53\x80\x67"
_MAX_ELEMENTS = 64


def _read_element_name(header: bytes) -> bytes:
    """Return the identifier of an element, whose first byte gives its length; empty if invalid (RFC 8794, 5)."""
    width = 9 - header[0].bit_length()
    return header[:width] if width <= 4 else b""


def _read_element_length(packed: bytes) -> tuple[int | None, int]:
    """Return the length of an element (None if unknown) and its own width (0 if invalid) (RFC 8794, 4 and 6)."""
    width = 9 - packed[0].bit_length() if packed and packed[0] else 0
    if width == 0 or width > len(packed):
        return None, 0
    value = int.from_bytes(packed[:width], "big") & ((1 << 7 * width) - 1)
    return (None if value == (1 << 7 * width) - 1 else value), width
