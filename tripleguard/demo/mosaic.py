"""A picture made of blocks of 8 x 8 pixels, each of one colour, and its JPEG."""

from __future__ import annotations

import io
from dataclasses import dataclass

from PIL import Image

BLOCK_PIXELS = 8
"""Pixels along one side of a block."""

_QUALITY = 90


@dataclass(frozen=True, slots=True)
class Mosaic:
    """One colour per block, row by row: luma and the two chroma values, each 0 to 255.

    columns is the number of blocks in a row. The planes have the same length, a multiple of it.
    """

    columns: int
    luma: bytes
    blue: bytes
    red: bytes


def count_blocks(pixels: int) -> int:
    """Return how many blocks cover a number of pixels."""
    return -(-pixels // BLOCK_PIXELS)


def encode_jpeg(mosaic: Mosaic, width: int, height: int, segments: bytes = b"") -> bytes:
    """Return a baseline JPEG of width x height pixels.

    Args:
        mosaic: the picture.
        width, height: pixels.
        segments: whole marker segments to put first, such as Exif.

    Raises:
        ValueError: the mosaic does not cover the picture exactly.
    """
    rows = count_blocks(height)
    if mosaic.columns != count_blocks(width) or len(mosaic.luma) != mosaic.columns * rows:
        raise ValueError("the mosaic has other blocks than the picture")
    planes = [
        Image.frombytes("L", (mosaic.columns, rows), plane) for plane in (mosaic.luma, mosaic.blue, mosaic.red)
    ]
    blocks = Image.merge("YCbCr", planes)
    size = (mosaic.columns * BLOCK_PIXELS, rows * BLOCK_PIXELS)
    picture = blocks.resize(size, Image.Resampling.NEAREST).crop((0, 0, width, height))
    file = io.BytesIO()
    picture.save(file, "JPEG", quality=_QUALITY, subsampling=0)
    encoded = file.getvalue()
    return encoded[:2] + segments + encoded[2:]
