"""Walk through raws that are neither TIFF nor boxes: RAF (Fujifilm), CRW (Canon), X3F (Foveon), MRW (Minolta).

The header of a RAF gives the position of its JPEG, directory and image data. A CRW is a heap with its directory at
its very end, so the last four bytes show whether the end exists at all; an X3F is built the same way.

RAF's header is not published; known from files. CRW: Canon's CIFF specification, version 1.0, revision 4 (1997),
as restated by those who read such files; X3F: Foveon's file format specification; both from memory. MRW is not
published; from memory, as those who read such files describe it.
"""

from __future__ import annotations

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
from tripleguard.cameras.integrity.walk_jpeg import walk_jpeg_stream

MAX_ENTRIES = 512
MAX_HEAPS = 32

RAF_START = b"FUJIFILMCCD-RAW "
X3F_START = b"FOVb"


def is_ciff(head: bytes) -> bool:
    """Return whether the first bytes of a file are those of a CRW."""
    return head[:2] in (b"II", b"MM") and head[6:14] == b"HEAPCCDR"


def walk_raf(structure: FileStructure, size: int) -> StructureWalk:
    """Walk through a RAF of `size` bytes."""
    header = yield from request_piece(0, 108)
    if header is None or len(header) < 108:
        structure.add_flaw("cut short", "it is cut short: not even its header is whole", is_grave=True)
        return
    jpeg_at, jpeg_bytes, fields_at, fields_bytes, image_at, image_bytes = struct.unpack_from(">6I", header, 84)
    structure.flag_if_cut("directory", fields_at + fields_bytes, size)
    if image_at and not structure.flag_if_cut("image data", image_at + image_bytes, size):
        structure.image_spans.append(ImageSpan(image_at, image_at + image_bytes))
    if jpeg_bytes and not structure.flag_if_cut("preview", jpeg_at + jpeg_bytes, size):
        stream = yield from walk_jpeg_stream(structure, jpeg_at, jpeg_at + jpeg_bytes, "preview", is_embedded=True)
        if stream.end is not None:
            structure.jpeg_spans.append((jpeg_at, stream.end))
    if not structure.image_spans and not structure.flaws:
        structure.unsure_reason = structure.unsure_reason or "it does not say where its image data lies"


def walk_x3f(structure: FileStructure, size: int) -> StructureWalk:
    """Walk through an X3F of `size` bytes, whose last four give the offset of the directory right before them."""
    pointer = yield from request_piece(size - 4, 4)
    at = int.from_bytes(pointer or b"", "little")
    head = (yield from request_piece(at, 12)) if 40 <= at <= size - 16 else b""
    if pointer is None or head is None:
        structure.unsure_reason = "its directory was past before its place was known"
        return
    if head[:4] != b"SECd":
        why = "its directory is not at its end: it is cut short, or its end is overwritten"
        structure.add_flaw("no directory at the end", why, is_grave=True)
        return
    count = min(int.from_bytes(head[8:12], "little"), MAX_ENTRIES)
    packed = yield from request_piece(at + 12, 12 * count)
    for start, length, kind in struct.iter_unpack("<II4s", (packed or b"")[: len(packed or b"") // 12 * 12]):
        if start + length > at:
            why = f"a part should go on to byte {start + length:,}, behind its directory"
            structure.add_flaw("part outside", why, is_grave=False, is_possible_quirk=True)
        elif kind == b"IMA2":
            structure.image_spans.append(ImageSpan(start, start + length))
    structure.extend_known_end(size)


def walk_mrw(structure: FileStructure, size: int) -> StructureWalk:
    """Walk through an MRW of `size` bytes: blocks, one with the sensor's size, then the image data to the end."""
    header = yield from request_piece(0, 8)
    if header is None or len(header) < 8:
        structure.add_flaw("cut short", "it is cut short: not even its header is whole", is_grave=True)
        return
    start, at = 8 + int.from_bytes(header[4:], "big"), 8
    if structure.flag_if_cut("header", start, size):
        return
    for _ in range(MAX_ENTRIES):
        block = (yield from request_piece(at, 32)) if at + 8 <= start else b""
        if block is None or len(block) < 32:
            break
        if block[:4] == b"\0PRD":
            height, width = struct.unpack_from(">HH", block, 16)
            end = start + height * width * block[24] // 8
            if end == start:
                break
            if not structure.flag_if_cut("image data", end, size):
                structure.image_spans.append(ImageSpan(start, end))
            return
        at += 8 + int.from_bytes(block[4:8], "big")
    structure.add_flaw(
        "no sensor size",
        "its header does not say how large its picture is",
        is_grave=False,
        is_possible_quirk=True,
    )


def walk_ciff(structure: FileStructure, size: int) -> StructureWalk:
    """Walk through a CRW of `size` bytes."""
    header = yield from request_piece(0, 6)
    order = "<" if header is not None and header[:2] == b"II" else ">"
    if header is None or len(header) < 6:
        structure.add_flaw("cut short", "it is cut short: not even its header is whole", is_grave=True)
        return
    (start,) = struct.unpack(order + "I", header[2:])
    heaps = [(start, size)]
    structure.extend_known_end(size)
    for _ in range(MAX_HEAPS):
        if not heaps:
            break
        # The root's directory is at the very end of the file, the others right before it.
        heap_start, heap_end = heaps.pop(0)
        heaps += yield from _walk_heap(structure, order, heap_start, heap_end, is_root=heap_end == size)


def _walk_heap(
    structure: FileStructure, order: str, start: int, end: int, *, is_root: bool
) -> Generator[ByteRequest, ByteResponse, list[tuple[int, int]]]:
    """Check the directory of one heap; return the heaps inside it."""
    entries, ends_at_heap_end = yield from _read_directory(order, start, end)
    if entries is None:
        structure.unsure_reason = (
            structure.unsure_reason or "one of its directories was past before its place was known"
        )
        return []
    if not entries:
        what = "its directory is not at its end: it is cut short, or its end is overwritten"
        if is_root:
            structure.add_flaw("no directory at the end", what, is_grave=True)
        else:
            structure.add_flaw(
                "senseless heap", "a part of its directory makes no sense", is_grave=False, is_possible_quirk=True
            )
        return []
    if not ends_at_heap_end:
        why = "its directory does not reach to its end: it is cut short, or its end is overwritten"
        structure.add_flaw("directory not at the end", why, is_grave=is_root, is_possible_quirk=True)
    inside = []
    for tag, length, offset in entries:
        if tag & _INLINE:
            continue
        if start + offset + length > end:
            why = f"a part (tag {tag:#06x}) should go on to byte {start + offset + length:,}, outside its heap"
            structure.add_flaw("part outside", why, is_grave=is_root, is_possible_quirk=True)
        elif tag == _RAW_IMAGE:
            structure.image_spans.append(ImageSpan(start + offset, start + offset + length, is_compressed=True))
        elif tag == _JPEG:
            structure.jpeg_spans.append((start + offset, start + offset + length))
            # The stream was read before its position is known, so only large blank runs in it can count.
            structure.image_spans.append(
                ImageSpan(start + offset, start + offset + length, is_compressed=True, can_be_flat=True)
            )
        elif tag & _TYPE in _HEAPS and length >= 6:
            inside.append((start + offset, start + offset + length))
    return inside


def _read_directory(
    order: str, start: int, end: int
) -> Generator[ByteRequest, ByteResponse, tuple[list[_HeapEntry] | None, bool]]:
    """Read the directory of a heap, whose offset is in the heap's last four bytes.

    Returns:
        The entries, empty if they make no sense, None if the bytes are gone; and whether they end right before the
        last four bytes.
    """
    pointer = yield from request_piece(end - 4, 4)
    if pointer is None:
        return None, False
    if end - start < 6 or len(pointer) < 4:
        return [], False
    at = start + struct.unpack(order + "I", pointer)[0]
    if at + 2 > end - 4:
        return [], False
    counted = yield from request_piece(at, 2)
    if counted is None:
        return None, False
    (count,) = struct.unpack(order + "H", counted)
    if not 0 < count <= MAX_ENTRIES or at + 2 + 10 * count > end - 4:
        return [], False
    packed = yield from request_piece(at + 2, 10 * count)
    if packed is None:
        return None, False
    return list(struct.iter_unpack(order + "HII", packed)), at + 2 + 10 * count == end - 4


_HeapEntry = tuple[int, int, int]
"""Tag, length, and offset in the heap."""


_RAW_IMAGE, _JPEG = 0x2005, 0x2007
_INLINE = 0x4000
_TYPE, _HEAPS = 0x3800, (0x2800, 0x3000)
