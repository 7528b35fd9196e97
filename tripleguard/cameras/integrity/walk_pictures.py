"""Walk through the picture formats of phones and editors: PNG, GIF, JPEG 2000, JPEG XL.

A PNG has a checksum for each chunk, so any damage in it is found. A GIF is a chain of small blocks up to a
trailer. JPEG 2000 and JPEG XL are stored in boxes; a JPEG XL without boxes does not state where it ends.

PNG: W3C Portable Network Graphics, 5.3 (chunks) and 5.4 (CRC). GIF: GIF89a (CompuServe, 1990), 15 to 27. JPEG
2000: ITU-T T.800, I.4 (boxes) and A.4.4 (end of codestream). JPEG XL: ISO/IEC 18181-2, 9.9 (`jxlp`).
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Generator

from tripleguard.cameras.integrity.walk import (
    ByteRequest,
    ByteResponse,
    FileStructure,
    ImageSpan,
    StructureWalk,
    request_piece,
)

MAX_CHUNKS = 1 << 16
MAX_BLOCKS = 1 << 19
"""Small blocks in one GIF; of 255 bytes each they make 130 MB."""

CHUNK_PIECE_BYTES = 32 << 10
"""Bytes of a chunk requested at once; less than the tail that is kept."""


def walk_png(structure: FileStructure, size: int) -> StructureWalk:
    """Walk through a PNG of `size` bytes."""
    at = 8
    for _ in range(MAX_CHUNKS):
        header = yield from request_piece(at, 8)
        if header is None or len(header) < 8:
            structure.add_flaw("cut short", "it is cut short: its last chunk is missing", is_grave=True)
            return
        length, kind = struct.unpack(">I4s", header)
        if not kind.isalpha():
            structure.add_flaw(
                "no chunk",
                f"its structure breaks off at byte {at:,}: what stands there is no chunk",
                is_grave=True,
            )
            return
        if structure.flag_if_cut("chunk", at + 12 + length, size):
            return
        found = yield from _compute_crc(at + 4, 4 + length)
        stored = yield from request_piece(at + 8 + length, 4)
        if found is None or stored is None:
            structure.unsure_reason = "one of its chunks was past before it was looked at"
            return
        if found != int.from_bytes(stored, "big"):
            why = f"the check sum of its chunk at byte {at:,} is not that of its content"
            structure.add_flaw("wrong check sum", why, is_grave=True)
            return
        if kind == b"IEND":
            return
        at += 12 + length
    structure.unsure_reason = "it has more chunks than a picture has"


def _compute_crc(at: int, size: int) -> Generator[ByteRequest, ByteResponse, int | None]:
    """Return the CRC-32 of `size` bytes; None if some of them are gone."""
    crc, end = 0, at + size
    while at < end:
        some = yield from request_piece(at, min(CHUNK_PIECE_BYTES, end - at))
        if not some:
            return None
        crc, at = zlib.crc32(some, crc), at + len(some)
    return crc


def walk_gif(structure: FileStructure, size: int) -> StructureWalk:
    """Walk through a GIF of `size` bytes."""
    header = yield from request_piece(0, 13)
    if header is None or len(header) < 13:
        structure.add_flaw("cut short", "it is cut short: not even its header is whole", is_grave=True)
        return
    blocks = _GifBlockReader(13 + _get_colour_table_bytes(header[10]))
    shown = False
    for _ in range(MAX_CHUNKS):
        begin = yield from blocks.read(1)
        if begin == b"\x3b":
            if not shown:
                structure.add_flaw("no image data", "it has a beginning and an end, and no picture", is_grave=True)
            return
        if begin == b"\x2c":
            shown = True
            descriptor = yield from blocks.read(9)
            if len(descriptor) == 9:
                blocks.offset += _get_colour_table_bytes(descriptor[8]) + 1
        elif begin == b"\x21":
            blocks.offset += 1
        elif begin:
            why = f"its structure breaks off at byte {blocks.offset - 1:,}: what stands there is no block"
            structure.add_flaw("no block", why, is_grave=True)
            return
        ended = blocks.offset < size and (yield from blocks.skip_chain())
        if blocks.blocks_left == 0:
            break
        if not ended:
            structure.add_flaw("cut short", "it is cut short: its end is missing", is_grave=True)
            return
    structure.unsure_reason = "it has more parts than are followed"


def _get_colour_table_bytes(flags: int) -> int:
    """Return the bytes of a colour table, from the flags before it."""
    return 3 << (flags & 7) + 1 if flags & 0x80 else 0


class _GifBlockReader:
    """A reader of a chain of small blocks that requests larger pieces."""

    def __init__(self, at: int) -> None:
        self.offset = at
        self.blocks_left = MAX_BLOCKS
        self._buffer_start = 0
        self._buffer = b""

    def read(self, count: int) -> Generator[ByteRequest, ByteResponse, bytes]:
        """Return the next bytes; fewer at the end of the file."""
        if not self._buffer_start <= self.offset <= self._buffer_start + len(self._buffer) - count:
            self._buffer_start, self._buffer = (
                self.offset,
                (yield from request_piece(self.offset, CHUNK_PIECE_BYTES)) or b"",
            )
        begin = self.offset - self._buffer_start
        self.offset += count
        return self._buffer[begin : begin + count]

    def skip_chain(self) -> Generator[ByteRequest, ByteResponse, bool]:
        """Skip sub-blocks up to their terminator; return whether it was found."""
        while self.blocks_left:
            self.blocks_left -= 1
            length = yield from self.read(1)
            if not length:
                return False
            if length == b"\0":
                return True
            self.offset += length[0]
        return False


def walk_jp2(structure: FileStructure, size: int) -> StructureWalk:
    """Walk through a JPEG 2000 picture of `size` bytes, in boxes."""
    held = yield from _find_boxes(structure, size, frozenset({b"jp2c"}))
    if held is None:
        return
    for start, end, _ in held:
        last = yield from request_piece(end - 2, 2)
        if last != b"\xff\xd9":
            structure.add_flaw("has no end", "its picture is cut short: the end is missing", is_grave=end == size)
        structure.image_spans.append(ImageSpan(start, end, is_compressed=True, has_known_end=True))


def walk_jxl(structure: FileStructure, size: int) -> StructureWalk:
    """Walk through a JPEG XL picture of `size` bytes, in boxes; its last part is marked as the last one."""
    held = yield from _find_boxes(structure, size, frozenset({b"jxlc", b"jxlp"}))
    if held is None:
        return
    parts = [(start, end, number) for start, end, number in held if number is not None]
    if parts and not any(number >> 31 for _, _, number in parts):
        structure.add_flaw("cut short", "it is cut short: its last part is missing", is_grave=True)
    structure.image_spans += [
        ImageSpan(start, end, is_compressed=True, has_known_end=True) for start, end, _ in held
    ]


def _find_boxes(
    structure: FileStructure, size: int, kinds: frozenset[bytes]
) -> Generator[ByteRequest, ByteResponse, list[tuple[int, int, int | None]] | None]:
    """Skip boxes, and locate those of the wanted kinds.

    Returns:
        Start and end of the content of each wanted box, and the number that a partial one begins with; None if the
        boxes do not reach to the end of the file, which is then recorded as a flaw.
    """
    found: list[tuple[int, int, int | None]] = []
    at = 0
    for _ in range(MAX_CHUNKS):
        if at == size:
            break
        header = yield from request_piece(at, 20)
        if header is None or len(header) < 8:
            structure.flag_if_cut("part", at + 8, size)
            return None
        length, kind = struct.unpack(">I4s", header[:8])
        begin = at + 8
        if length == 1 and len(header) >= 16:
            length, begin = int.from_bytes(header[8:16], "big"), at + 16
        elif length == 0:
            length = size - at
            if kind == b"jxlc":
                structure.unsure_reason = "its last box does not say how long it is"
        if length < begin - at or not all(0x20 <= char < 0x7F for char in kind):
            why = f"its structure breaks off at byte {at:,}: what stands there is no box"
            structure.add_flaw("no box", why, is_grave=not found, is_possible_quirk=bool(found))
            return found or None
        if structure.flag_if_cut("image data" if kind in kinds else "part", at + length, size):
            return None
        if kind in kinds:
            number = header[begin - at : begin - at + 4] if kind == b"jxlp" else None
            found.append((begin, at + length, int.from_bytes(number, "big") if number is not None else None))
        at += length
    if not found:
        structure.add_flaw("no image data", "it holds no picture", is_grave=True)
        return None
    return found
