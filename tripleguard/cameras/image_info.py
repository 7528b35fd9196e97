"""Read the size, orientation and rating of a picture from its first bytes, and a rating stored further back.

A raw holds several pictures; the largest one that is not marked as a reduced version of another counts. What can't
be read is None. The head nearly always holds the rating; some raws keep their XMP at the end of the file, and the
head gives its offset.

Tags: TIFF 6.0, section 8 (ImageWidth, ImageLength, Orientation, NewSubfileType), technical note 1 (SubIFDs); Exif
(CIPA DC-008), 4.6.3 (PixelXDimension, PixelYDimension). Rating (0x4746) is a vendor's tag and not in the standard.
JPEG's frame: ITU-T T.81, B.2.2. Location of XMP: XMP specification part 3, 1.1.3 and 1.1.5 (from memory).
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import replace

from tripleguard.cameras.boxes import find_canon_blocks, find_canon_xmp, find_exif_item, is_box_file
from tripleguard.cameras.capture import find_exif_in_jpeg
from tripleguard.cameras.kinds import kind_of
from tripleguard.cameras.rating import MAX_XMP_BYTES, parse_packet_rating
from tripleguard.cameras.tiff import TiffBlock, TiffDirectory, find_block, read_directory, read_uint
from tripleguard.model import FileKind, ImageInfo

MAX_SEGMENTS = 96
"""Segments of a JPEG that are skipped in search of its frame header."""

MAX_SUBDIRECTORIES = 8
"""Directories below the main one that are read."""

MAX_PACKET_BYTES = 1 << 16
"""Bytes of the largest XMP packet that is parsed."""

MAX_SIDE_PIXELS = 1 << 17
"""Largest plausible side of a picture, in pixels."""


def read_image_info(head: bytes, name: str) -> ImageInfo:
    """Read what the first bytes of a picture say about it. Films, sounds and sidecars are not read.

    Never raises.
    """
    if kind_of(name) not in (FileKind.RAW, FileKind.PICTURE):
        return ImageInfo()
    if head.startswith(b"\xff\xd8"):
        return _read_jpeg(head, 0)
    if head.startswith(b"FUJIFILMCCD-RAW "):
        return _read_jpeg(head, int.from_bytes(head[84:88], "big")) if len(head) >= 88 else ImageInfo()
    if is_box_file(head):
        return _read_boxes(head)
    block = find_block(head)
    return _read_tiff(block) if block else ImageInfo()


_SUBFILE, _WIDTH, _HEIGHT, _ORIENTATION = 0x00FE, 0x0100, 0x0101, 0x0112
_SUB_IFDS, _XMP, _RATING, _EXIF = 0x014A, 0x02BC, 0x4746, 0x8769
_EXIF_WIDTH, _EXIF_HEIGHT = 0xA002, 0xA003
_MAIN_TAGS = frozenset({_SUBFILE, _WIDTH, _HEIGHT, _ORIENTATION, _SUB_IFDS, _XMP, _RATING, _EXIF})
_EXIF_SIZE_TAGS = frozenset({_EXIF_WIDTH, _EXIF_HEIGHT})
_SIZE_TAGS = frozenset({_SUBFILE, _WIDTH, _HEIGHT})


def _read_tiff(block: TiffBlock) -> ImageInfo:
    main = read_directory(block, block.first_directory, _MAIN_TAGS)
    width, height = _find_largest(block, main)
    return ImageInfo(width, height, _read_orientation(block, main), _read_rating(block, main))


def _read_jpeg(head: bytes, start: int) -> ImageInfo:
    block = find_exif_in_jpeg(head, start)
    main = read_directory(block, block.first_directory, _MAIN_TAGS) if block else {}
    frame, packet = _find_frame_and_packet(head, start)
    width, height = frame or (_read_exif_size(block, main) if block else (None, None))
    rating = parse_packet_rating(packet) if packet else None
    if block is None:
        return ImageInfo(width, height, None, rating)
    return ImageInfo(
        width, height, _read_orientation(block, main), rating if rating is not None else _read_rating(block, main)
    )


def _read_boxes(head: bytes) -> ImageInfo:
    spans = find_canon_blocks(head)
    if b"CMT1" in spans:
        block = find_block(head, *spans[b"CMT1"])
        info = _read_tiff(block) if block else ImageInfo()
        return replace(info, rating=parse_packet_rating(find_canon_xmp(head)[:MAX_PACKET_BYTES]))
    span = find_exif_item(head)
    block = find_block(head, *span) if span else None
    if block is None:
        return ImageInfo()
    main = read_directory(block, block.first_directory, _MAIN_TAGS)
    # The boxes of a HEIF picture define its orientation; the Exif value is informative only.
    return ImageInfo(*_read_exif_size(block, main), None, _read_rating(block, main))


def _find_largest(block: TiffBlock, main: TiffDirectory) -> tuple[int | None, int | None]:
    sizes = [
        _read_size(block, main),
        *(_read_size(block, subdirectory) for subdirectory in _read_subdirectories(block, main)),
    ]
    found = [size for size in sizes if size is not None]
    return max(found, key=lambda size: size[0] * size[1]) if found else _read_exif_size(block, main)


def _read_subdirectories(block: TiffBlock, main: TiffDirectory) -> list[TiffDirectory]:
    field = main.get(_SUB_IFDS)
    if field is None or field.type not in (4, 13):
        return []
    count = min(field.count, MAX_SUBDIRECTORIES, (block.end - field.offset) // 4)
    offsets = struct.unpack_from(f"{block.order}{count}I", block.head, field.offset) if count > 0 else ()
    return [read_directory(block, offset, _SIZE_TAGS) for offset in offsets]


def _read_size(block: TiffBlock, directory: TiffDirectory) -> tuple[int, int] | None:
    small = (read_uint(block, directory.get(_SUBFILE)) or 0) & 1
    return (
        None
        if small
        else _validate_sides(read_uint(block, directory.get(_WIDTH)), read_uint(block, directory.get(_HEIGHT)))
    )


def _read_exif_size(block: TiffBlock, main: TiffDirectory) -> tuple[int | None, int | None]:
    exif = read_directory(block, read_uint(block, main.get(_EXIF)) or 0, _EXIF_SIZE_TAGS)
    return _validate_sides(read_uint(block, exif.get(_EXIF_WIDTH)), read_uint(block, exif.get(_EXIF_HEIGHT))) or (
        None,
        None,
    )


def _validate_sides(width: int | None, height: int | None) -> tuple[int, int] | None:
    if not width or not height or max(width, height) > MAX_SIDE_PIXELS:
        return None
    return width, height


def _read_orientation(block: TiffBlock, main: TiffDirectory) -> int | None:
    value = read_uint(block, main.get(_ORIENTATION))
    return value if value is not None and 1 <= value <= 8 else None


def _read_rating(block: TiffBlock, main: TiffDirectory) -> float | None:
    packet = main.get(_XMP)
    if packet is not None and packet.size <= MAX_PACKET_BYTES:
        rating = parse_packet_rating(block.head[packet.offset : min(packet.offset + packet.size, block.end)])
        if rating is not None:
            return rating
    value = read_uint(block, main.get(_RATING))
    return float(value) if value is not None and value <= 5 else None


def _find_frame_and_packet(head: bytes, start: int) -> tuple[tuple[int, int] | None, bytes]:
    """Return width and height from the frame header of the JPEG that begins at `start`, and its XMP packet."""
    packet, at = b"", start + 2
    for _ in range(MAX_SEGMENTS):
        if at + 9 > len(head) or head[at] != 0xFF:
            break
        marker, length = head[at + 1], int.from_bytes(head[at + 2 : at + 4], "big")
        if marker == 0xFF:
            at += 1
            continue
        if marker in (0xD8, 0xD9, 0xDA) or length < 2:
            break
        if marker == 0xE1 and not packet and head.startswith(_XMP_MARK, at + 4):
            packet = head[at + 4 + len(_XMP_MARK) : at + 2 + length]
        elif 0xC0 <= marker <= 0xCF and marker not in _NON_FRAME_MARKERS:
            height, width = struct.unpack_from(">HH", head, at + 5)
            return _validate_sides(width, height), packet
        at += 2 + length
    return None, packet


_XMP_MARK = b"http://ns.adobe.com/xap/1.0/\0"
# DHT, JPG and DAC lie in the SOFn marker range but do not start a frame.
_NON_FRAME_MARKERS = frozenset({0xC4, 0xC8, 0xCC})


ReadAt = Callable[[int, int], bytes]


def read_embedded_rating(head: bytes, name: str, read_at: ReadAt | None = None) -> float | None:
    """Return the rating that a picture contains, -1 or 0 to 5; None if it has none.

    Args:
        head: the first bytes of the file, usually 256 KiB.
        read_at: takes offset and length and reads from the rest of the file. Its errors are passed on; others
            don't occur.
    """
    packet = _find_far_packet(head) if read_at is not None else None
    if packet is not None and read_at is not None:
        rating = parse_packet_rating(read_at(*packet))
        if rating is not None:
            return rating
    return read_image_info(head, name).rating


_XMP_TAG = 0x02BC


def _find_far_packet(head: bytes) -> tuple[int, int] | None:
    """Return offset and size of the XMP packet of a TIFF raw if it ends beyond the head."""
    block = find_block(head)
    if block is None or block.base:
        return None
    try:
        packet = read_directory(replace(block, end=1 << 32), block.first_directory, {_XMP_TAG}).get(_XMP_TAG)
    except struct.error:
        return None
    if packet is None or packet.type not in (1, 7) or packet.offset + packet.size <= len(head):
        return None
    return (packet.offset, packet.size) if packet.size <= MAX_XMP_BYTES else None
