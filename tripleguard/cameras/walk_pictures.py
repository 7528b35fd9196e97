"""Walks through pictures that phones and editors write: PNG, GIF, JPEG 2000, JPEG XL.

A PNG carries a check sum for each chunk, so that any damage in it is found. A GIF is a chain of small blocks up to
a trailer. JPEG 2000 and JPEG XL lie in boxes; a JPEG XL without boxes does not say where it ends.

PNG: W3C Portable Network Graphics, 5.3 (chunks) and 5.4 (CRC). GIF: GIF89a (CompuServe, 1990), 15 to 27. JPEG
2000: ITU-T T.800, I.4 (boxes) and A.4.4 (end of codestream). JPEG XL: ISO/IEC 18181-2, 9.9 (`jxlp`).
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Generator

from tripleguard.cameras.asking import Answer, Ask, Shape, Span, Walk, piece

MOST_CHUNKS = 1 << 16
MOST_BLOCKS = 1 << 19
"""Small blocks of one GIF that are stepped over; of 255 bytes each they make 130 MB."""

PIECE = 32 << 10
"""Bytes of a chunk that are looked at together; less than what a stream keeps of what has passed."""


def walk_png(shape: Shape, size: int) -> Walk:
    """A PNG of size bytes."""
    at = 8
    for _ in range(MOST_CHUNKS):
        header = yield from piece(at, 8)
        if header is None or len(header) < 8:
            shape.flaw("cut short", "it is cut short: its last chunk is missing", grave=True)
            return
        length, kind = struct.unpack(">I4s", header)
        if not kind.isalpha():
            shape.flaw(
                "no chunk", f"its structure breaks off at byte {at:,}: what stands there is no chunk", grave=True
            )
            return
        if shape.cut("chunk", at + 12 + length, size):
            return
        found = yield from _crc(at + 4, 4 + length)
        said = yield from piece(at + 8 + length, 4)
        if found is None or said is None:
            shape.unsure = "one of its chunks was past before it was looked at"
            return
        if found != int.from_bytes(said, "big"):
            why = f"the check sum of its chunk at byte {at:,} is not that of its content"
            shape.flaw("wrong check sum", why, grave=True)
            return
        if kind == b"IEND":
            return
        at += 12 + length
    shape.unsure = "it has more chunks than a picture has"


def _crc(at: int, size: int) -> Generator[Ask, Answer, int | None]:
    """Return the CRC-32 of so many bytes; None if some of them are past."""
    crc, end = 0, at + size
    while at < end:
        some = yield from piece(at, min(PIECE, end - at))
        if not some:
            return None
        crc, at = zlib.crc32(some, crc), at + len(some)
    return crc


def walk_gif(shape: Shape, size: int) -> Walk:
    """A GIF of size bytes."""
    header = yield from piece(0, 13)
    if header is None or len(header) < 13:
        shape.flaw("cut short", "it is cut short: not even its header is whole", grave=True)
        return
    blocks = _Blocks(13 + _colours(header[10]))
    shown = False
    for _ in range(MOST_CHUNKS):
        begin = yield from blocks.take(1)
        if begin == b"\x3b":
            if not shown:
                shape.flaw("no image data", "it has a beginning and an end, and no picture", grave=True)
            return
        if begin == b"\x2c":
            shown = True
            descriptor = yield from blocks.take(9)
            if len(descriptor) == 9:
                blocks.at += _colours(descriptor[8]) + 1
        elif begin == b"\x21":
            blocks.at += 1
        elif begin:
            why = f"its structure breaks off at byte {blocks.at - 1:,}: what stands there is no block"
            shape.flaw("no block", why, grave=True)
            return
        ended = blocks.at < size and (yield from blocks.skip_chain())
        if blocks.left == 0:
            break
        if not ended:
            shape.flaw("cut short", "it is cut short: its end is missing", grave=True)
            return
    shape.unsure = "it has more parts than are followed"


def _colours(flags: int) -> int:
    """Return the bytes of a colour table, by the flags in front of it."""
    return 3 << (flags & 7) + 1 if flags & 0x80 else 0


class _Blocks:
    """Reads a chain of small blocks through pieces of a useful size."""

    def __init__(self, at: int) -> None:
        self.at = at
        self.left = MOST_BLOCKS
        self._start = 0
        self._held = b""

    def take(self, count: int) -> Generator[Ask, Answer, bytes]:
        """Return the next bytes, fewer at the end of the file."""
        if not self._start <= self.at <= self._start + len(self._held) - count:
            self._start, self._held = self.at, (yield from piece(self.at, PIECE)) or b""
        begin = self.at - self._start
        self.at += count
        return self._held[begin : begin + count]

    def skip_chain(self) -> Generator[Ask, Answer, bool]:
        """Step over sub-blocks up to their terminator; return whether it was there."""
        while self.left:
            self.left -= 1
            length = yield from self.take(1)
            if not length:
                return False
            if length == b"\0":
                return True
            self.at += length[0]
        return False


def walk_jp2(shape: Shape, size: int) -> Walk:
    """A JPEG 2000 picture of size bytes, in boxes."""
    held = yield from _walk_boxes(shape, size, frozenset({b"jp2c"}))
    if held is None:
        return
    for start, end, _ in held:
        last = yield from piece(end - 2, 2)
        if last != b"\xff\xd9":
            shape.flaw("has no end", "its picture is cut short: the end is missing", grave=end == size)
        shape.image.append(Span(start, end, coded=True, full=True))


def walk_jxl(shape: Shape, size: int) -> Walk:
    """A JPEG XL picture of size bytes, in boxes; its last part says that it is the last one."""
    held = yield from _walk_boxes(shape, size, frozenset({b"jxlc", b"jxlp"}))
    if held is None:
        return
    parts = [(start, end, number) for start, end, number in held if number is not None]
    if parts and not any(number >> 31 for _, _, number in parts):
        shape.flaw("cut short", "it is cut short: its last part is missing", grave=True)
    shape.image += [Span(start, end, coded=True, full=True) for start, end, _ in held]


def _walk_boxes(
    shape: Shape, size: int, wanted: frozenset[bytes]
) -> Generator[Ask, Answer, list[tuple[int, int, int | None]] | None]:
    """Step over boxes; where the content of the wanted ones lies, and the number that a partial one begins with.

    Returns:
        None if the boxes do not reach to the end of the file, which is then noted as a flaw.
    """
    found: list[tuple[int, int, int | None]] = []
    at = 0
    for _ in range(MOST_CHUNKS):
        if at == size:
            break
        header = yield from piece(at, 20)
        if header is None or len(header) < 8:
            shape.cut("part", at + 8, size)
            return None
        length, kind = struct.unpack(">I4s", header[:8])
        begin = at + 8
        if length == 1 and len(header) >= 16:
            length, begin = int.from_bytes(header[8:16], "big"), at + 16
        elif length == 0:
            length = size - at
            if kind == b"jxlc":
                shape.unsure = "its last box does not say how long it is"
        if length < begin - at or not all(0x20 <= char < 0x7F for char in kind):
            why = f"its structure breaks off at byte {at:,}: what stands there is no box"
            shape.flaw("no box", why, grave=not found, habit=bool(found))
            return found or None
        if shape.cut("image data" if kind in wanted else "part", at + length, size):
            return None
        if kind in wanted:
            number = header[begin - at : begin - at + 4] if kind == b"jxlp" else None
            found.append((begin, at + length, int.from_bytes(number, "big") if number is not None else None))
        at += length
    if not found:
        shape.flaw("no image data", "it holds no picture", grave=True)
        return None
    return found
