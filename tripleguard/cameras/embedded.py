"""How a picture rates itself: what a camera's own button, or an editor, wrote inside it.

The head tells nearly always (`traits`); some raws keep their XMP at the end of the file, and say where.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import replace

from tripleguard.cameras.rating import LARGEST, rating_of
from tripleguard.cameras.tiff import find_block, read_directory
from tripleguard.cameras.traits import read_traits

ReadAt = Callable[[int, int], bytes]


def embedded_rating(head: bytes, name: str, read_at: ReadAt | None = None) -> float | None:
    """What a picture says of itself, -1 or 0 to 5; None where it says nothing.

    head: the first bytes of the file, usually 256 KiB. read_at(offset, length) reads more of it. Raises what
    read_at does, and nothing else.
    """
    far = _far_packet(head) if read_at is not None else None
    if far is not None and read_at is not None:
        said = rating_of(read_at(*far))
        if said is not None:
            return said
    return read_traits(head, name).rating


_XMP = 0x02BC


def _far_packet(head: bytes) -> tuple[int, int] | None:
    """Offset and size of the XMP packet of a TIFF raw that ends beyond its head."""
    block = find_block(head)
    if block is None or block.base:
        return None
    try:
        packet = read_directory(replace(block, end=1 << 32), block.first, {_XMP}).get(_XMP)
    except struct.error:
        return None
    if packet is None or packet.type not in (1, 7) or packet.at + packet.size <= len(head):
        return None
    return (packet.at, packet.size) if packet.size <= LARGEST else None
