"""Encode small JPEG pictures that really decode, with nothing but the standard library.

A picture here is a mosaic: every block of 8 x 8 pixels has one colour. So each block is only its mean (the DC
coefficient, as the difference from the block before) and the end-of-block code. Everything a decoder checks is
there: tables, lengths, stuffed bytes, start and end markers.

ITU-T T.81 (JPEG baseline): markers in annex B, construction of codes in annex C, coding of blocks in F.1.2,
typical Huffman tables in annex K.3.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

BLOCK_PIXELS = 8
"""Pixels along one side of a block."""


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
    if mosaic.columns != count_blocks(width) or len(mosaic.luma) != mosaic.columns * count_blocks(height):
        raise ValueError("the mosaic has other blocks than the picture")
    return b"".join(
        (
            b"\xff\xd8",
            segments,
            _encode_segment(0xDB, b"\0" + bytes([_QUANTIZATION_STEP]) * 64),
            _encode_segment(0xC0, struct.pack(">BHHB", 8, height, width, 3) + b"\1\x11\0\2\x11\0\3\x11\0"),
            *(_encode_segment(0xC4, bytes([place, *counts]) + symbols) for place, counts, symbols in _TABLES),
            _encode_segment(0xDA, b"\3\1\x00\2\x11\3\x11\0\x3f\0"),
            _encode_scan(mosaic),
            b"\xff\xd9",
        )
    )


# With a step of 8 the mean of a block is a whole grey level: its DC coefficient is that level minus 128.
_QUANTIZATION_STEP = 8


def _encode_segment(marker: int, content: bytes) -> bytes:
    return struct.pack(">BBH", 0xFF, marker, len(content) + 2) + content


def _encode_scan(mosaic: Mosaic) -> bytes:
    """Return the coded blocks, padded with ones to a whole byte; a zero byte follows every 0xFF."""
    parts: list[str] = []
    luma = blue = red = 128
    for next_luma, next_blue, next_red in zip(mosaic.luma, mosaic.blue, mosaic.red, strict=True):
        parts += (
            _LUMA_BLOCK[next_luma - luma],
            _CHROMA_BLOCK[next_blue - blue],
            _CHROMA_BLOCK[next_red - red],
        )
        luma, blue, red = next_luma, next_blue, next_red
    bits = "".join(parts)
    bits += "1" * (-len(bits) % 8)
    return int(bits, 2).to_bytes(len(bits) // 8, "big").replace(b"\xff", b"\xff\0")


# Tables K.3 to K.6: the number of codes of each length from 1 to 16, and the symbols in that order.
_DC_SYMBOLS = bytes(range(12))
_DC_LUMA = bytes.fromhex("00010501010101010100000000000000")
_DC_CHROMA = bytes.fromhex("00030101010101010101010000000000")
_AC_LUMA = bytes.fromhex("0002010303020403050504040000017d")
_AC_CHROMA = bytes.fromhex("00020102040403040705040400010277")
_AC_LUMA_SYMBOLS = bytes.fromhex(
    "01020300041105122131410613516107227114328191a1082342b1c11552d1f02433627282090a161718191a25262728292a3435"
    "363738393a434445464748494a535455565758595a636465666768696a737475767778797a838485868788898a92939495969798"
    "999aa2a3a4a5a6a7a8a9aab2b3b4b5b6b7b8b9bac2c3c4c5c6c7c8c9cad2d3d4d5d6d7d8d9dae1e2e3e4e5e6e7e8e9eaf1f2f3f4"
    "f5f6f7f8f9fa"
)
_AC_CHROMA_SYMBOLS = bytes.fromhex(
    "000102031104052131061241510761711322328108144291a1b1c109233352f0156272d10a162434e125f11718191a262728292a"
    "35363738393a434445464748494a535455565758595a636465666768696a737475767778797a82838485868788898a9293949596"
    "9798999aa2a3a4a5a6a7a8a9aab2b3b4b5b6b7b8b9bac2c3c4c5c6c7c8c9cad2d3d4d5d6d7d8d9dae2e3e4e5e6e7e8e9eaf2f3f4"
    "f5f6f7f8f9fa"
)
_TABLES = (
    (0x00, _DC_LUMA, _DC_SYMBOLS),
    (0x10, _AC_LUMA, _AC_LUMA_SYMBOLS),
    (0x01, _DC_CHROMA, _DC_SYMBOLS),
    (0x11, _AC_CHROMA, _AC_CHROMA_SYMBOLS),
)
_END_OF_BLOCK = 0x00


def _build_codes(counts: bytes, symbols: bytes) -> dict[int, str]:
    """Return the code of each symbol, as a string of bits (T.81 annex C)."""
    codes: dict[int, str] = {}
    code, following = 0, iter(symbols)
    for length, count in enumerate(counts, 1):
        for _ in range(count):
            codes[next(following)] = f"{code:0{length}b}"
            code += 1
        code <<= 1
    return codes


def _build_flat_blocks(dc: dict[int, str], ac: dict[int, str]) -> dict[int, str]:
    """Return the bits of an even block, by the difference of its mean from the one before (T.81 F.1.2)."""
    blocks = {0: dc[0] + ac[_END_OF_BLOCK]}
    for difference in range(1, 256):
        size = difference.bit_length()
        up, down = f"{difference:0{size}b}", f"{difference ^ (1 << size) - 1:0{size}b}"
        blocks[difference] = dc[size] + up + ac[_END_OF_BLOCK]
        blocks[-difference] = dc[size] + down + ac[_END_OF_BLOCK]
    return blocks


_LUMA_BLOCK = _build_flat_blocks(_build_codes(_DC_LUMA, _DC_SYMBOLS), _build_codes(_AC_LUMA, _AC_LUMA_SYMBOLS))
_CHROMA_BLOCK = _build_flat_blocks(
    _build_codes(_DC_CHROMA, _DC_SYMBOLS), _build_codes(_AC_CHROMA, _AC_CHROMA_SYMBOLS)
)
