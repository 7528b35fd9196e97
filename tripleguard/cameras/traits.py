"""Reads from the first bytes of a picture how large it is, which way up it was held, and how it was rated.

The same head that tells who and when (`capture`) tells this. A raw has several pictures inside; the largest that
is not marked as a small version of another is the one that counts. What can't be read is None.

Tags: TIFF 6.0, section 8 (ImageWidth, ImageLength, Orientation, NewSubfileType), technical note 1 (SubIFDs); Exif
(CIPA DC-008), 4.6.3 (PixelXDimension, PixelYDimension). Rating (0x4746) is a vendor's tag and not in the standard.
JPEG's frame: ITU-T T.81, B.2.2. Where XMP lies: XMP specification part 3, 1.1.3 and 1.1.5 (from memory).
"""

from __future__ import annotations

import struct
from dataclasses import replace

from tripleguard.cameras.boxes import canon_blocks, canon_packet, exif_item, is_boxes
from tripleguard.cameras.capture import exif_of_jpeg
from tripleguard.cameras.kinds import kind_of
from tripleguard.cameras.rating import rating_of
from tripleguard.cameras.tiff import Block, Directory, find_block, number, read_directory
from tripleguard.model import Kind, Traits

MOST_SEGMENTS = 96
"""Segments of a JPEG that are stepped over in search of its frame."""

MOST_PICTURES = 8
"""Directories below the main one that are looked at."""

LARGEST_PACKET = 1 << 16
"""Bytes of an XMP packet that is looked into."""

LARGEST_SIDE = 1 << 17
"""Pixels believed of one side."""


def read_traits(head: bytes, name: str) -> Traits:
    """What the first bytes of a picture tell. Of a film, a sound or a sidecar nothing is read. Never raises."""
    if kind_of(name) not in (Kind.RAW, Kind.PICTURE):
        return Traits()
    if head.startswith(b"\xff\xd8"):
        return _of_jpeg(head, 0)
    if head.startswith(b"FUJIFILMCCD-RAW "):
        return _of_jpeg(head, int.from_bytes(head[84:88], "big")) if len(head) >= 88 else Traits()
    if is_boxes(head):
        return _of_boxes(head)
    block = find_block(head)
    return _of_tiff(block) if block else Traits()


_SUBFILE, _WIDTH, _HEIGHT, _ORIENTATION = 0x00FE, 0x0100, 0x0101, 0x0112
_SUB_IFDS, _XMP, _RATING, _EXIF = 0x014A, 0x02BC, 0x4746, 0x8769
_EXIF_WIDTH, _EXIF_HEIGHT = 0xA002, 0xA003
_MAIN = frozenset({_SUBFILE, _WIDTH, _HEIGHT, _ORIENTATION, _SUB_IFDS, _XMP, _RATING, _EXIF})
_EXIF_SIZE = frozenset({_EXIF_WIDTH, _EXIF_HEIGHT})
_SIZE = frozenset({_SUBFILE, _WIDTH, _HEIGHT})


def _of_tiff(block: Block) -> Traits:
    main = read_directory(block, block.first, _MAIN)
    width, height = _largest(block, main)
    return Traits(width, height, _orientation(block, main), _rating(block, main))


def _of_jpeg(head: bytes, start: int) -> Traits:
    block = exif_of_jpeg(head, start)
    main = read_directory(block, block.first, _MAIN) if block else {}
    frame, packet = _frame_and_packet(head, start)
    width, height = frame or (_exif_size(block, main) if block else (None, None))
    rating = rating_of(packet) if packet else None
    if block is None:
        return Traits(width, height, None, rating)
    return Traits(width, height, _orientation(block, main), rating if rating is not None else _rating(block, main))


def _of_boxes(head: bytes) -> Traits:
    spans = canon_blocks(head)
    if b"CMT1" in spans:
        block = find_block(head, *spans[b"CMT1"])
        traits = _of_tiff(block) if block else Traits()
        return replace(traits, rating=rating_of(canon_packet(head)[:LARGEST_PACKET]))
    span = exif_item(head)
    block = find_block(head, *span) if span else None
    if block is None:
        return Traits()
    main = read_directory(block, block.first, _MAIN)
    # How a HEIF picture is turned is said by its boxes; its Exif orientation is for the curious.
    return Traits(*_exif_size(block, main), None, _rating(block, main))


def _largest(block: Block, main: Directory) -> tuple[int | None, int | None]:
    sizes = [_size(block, main), *(_size(block, below) for below in _below(block, main))]
    found = [size for size in sizes if size is not None]
    return max(found, key=lambda size: size[0] * size[1]) if found else _exif_size(block, main)


def _below(block: Block, main: Directory) -> list[Directory]:
    field = main.get(_SUB_IFDS)
    if field is None or field.type not in (4, 13):
        return []
    count = min(field.count, MOST_PICTURES, (block.end - field.at) // 4)
    offsets = struct.unpack_from(f"{block.order}{count}I", block.head, field.at) if count > 0 else ()
    return [read_directory(block, offset, _SIZE) for offset in offsets]


def _size(block: Block, directory: Directory) -> tuple[int, int] | None:
    small = (number(block, directory.get(_SUBFILE)) or 0) & 1
    return None if small else _sides(number(block, directory.get(_WIDTH)), number(block, directory.get(_HEIGHT)))


def _exif_size(block: Block, main: Directory) -> tuple[int | None, int | None]:
    exif = read_directory(block, number(block, main.get(_EXIF)) or 0, _EXIF_SIZE)
    return _sides(number(block, exif.get(_EXIF_WIDTH)), number(block, exif.get(_EXIF_HEIGHT))) or (None, None)


def _sides(width: int | None, height: int | None) -> tuple[int, int] | None:
    if not width or not height or max(width, height) > LARGEST_SIDE:
        return None
    return width, height


def _orientation(block: Block, main: Directory) -> int | None:
    value = number(block, main.get(_ORIENTATION))
    return value if value is not None and 1 <= value <= 8 else None


def _rating(block: Block, main: Directory) -> float | None:
    packet = main.get(_XMP)
    if packet is not None and packet.size <= LARGEST_PACKET:
        rating = rating_of(block.head[packet.at : min(packet.at + packet.size, block.end)])
        if rating is not None:
            return rating
    value = number(block, main.get(_RATING))
    return float(value) if value is not None and value <= 5 else None


def _frame_and_packet(head: bytes, start: int) -> tuple[tuple[int, int] | None, bytes]:
    """Width and height from the frame of the JPEG that begins at start, and its XMP packet."""
    packet, at = b"", start + 2
    for _ in range(MOST_SEGMENTS):
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
        elif 0xC0 <= marker <= 0xCF and marker not in _NO_FRAME:
            height, width = struct.unpack_from(">HH", head, at + 5)
            return _sides(width, height), packet
        at += 2 + length
    return None, packet


_XMP_MARK = b"http://ns.adobe.com/xap/1.0/\0"
# DHT, JPG, DAC: between the frames, and none.
_NO_FRAME = frozenset({0xC4, 0xC8, 0xCC})
