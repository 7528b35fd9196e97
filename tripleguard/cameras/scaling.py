"""A small picture out of a camera's JPEG: turned upright, shrunk, and nothing in it but what is to be seen.

The bytes came from outside, so their header is read first, by a parser of our own, and a picture that would take
too much memory is not decoded at all. What comes out is a plain JPEG: no metadata, no place, no name, no serial.
"""

from __future__ import annotations

import io
import warnings
from typing import TYPE_CHECKING

from tripleguard.cameras.traits import read_traits

if TYPE_CHECKING:
    from PIL import Image

LONG_SIDE = 480
"""Pixels of the longer side of a small picture."""

LARGEST = 48 << 20
"""Bytes of a JPEG that is looked at."""

MOST_PIXELS = 160_000_000
"""Of a picture that is decoded; more than any camera's of today."""

MOST_HELD = 80 << 20
"""Bytes of coefficients, where the decoder has to hold the whole picture in memory; cameras don't write such."""

MOST_DRAWN = 12_000_000
"""Pixels that are drawn of a picture; the decoder leaves out most of the others by itself."""

MOST_SEGMENTS = 96
"""Segments of a JPEG that are stepped over in search of its first scan."""

_QUALITY = 80
_SMALLEST_SIDE = 16


def scaled(jpeg: bytes, orientation: int | None = None, long_side: int = LONG_SIDE) -> bytes | None:
    """The JPEG as a small upright JPEG; None if it can't be decoded or is too large to try.

    orientation: as Exif counts, 1 to 8, where the file around the JPEG tells it; else the JPEG's own.
    """
    if not jpeg.startswith(b"\xff\xd8") or len(jpeg) > LARGEST:
        return None
    traits = read_traits(jpeg, "it.jpg")
    if traits.width is None or traits.height is None or not _is_bearable(traits.width, traits.height):
        return None
    held = held_whole(jpeg)
    if held is None or held > MOST_HELD:
        return None
    try:
        return _drawn(jpeg, orientation or traits.orientation or 1, long_side)
    except Exception:  # noqa: BLE001 - the decoder's outer edge: whatever it stumbles over, there is no picture
        return None


def held_whole(jpeg: bytes) -> int | None:
    """Bytes that a decoder needs to hold a JPEG's coefficients; 0 where it comes in one scan, row by row.

    None if its first scan can't be found. A picture of several scans, progressive or one for each colour, is
    complete only with the last of them. ITU-T T.81, B.2.2 and B.2.3.
    """
    at, frame, code = 2, b"", 0
    for _ in range(MOST_SEGMENTS):
        if at + 4 > len(jpeg) or jpeg[at] != 0xFF:
            return None
        marker, length = jpeg[at + 1], int.from_bytes(jpeg[at + 2 : at + 4], "big")
        if marker == 0xFF:
            at += 1
            continue
        if length < 2:
            return None
        if marker == 0xDA:
            colours = jpeg[at + 4]
            return 0 if frame and code in _ROW_BY_ROW and colours == frame[5] else _coefficients(frame)
        if 0xC0 <= marker <= 0xCF and marker not in _NO_FRAME:
            frame, code = jpeg[at + 4 : at + 2 + length], marker
        at += 2 + length
    return None


def _coefficients(frame: bytes) -> int | None:
    if len(frame) < 6 or len(frame) < 6 + 3 * frame[5]:
        return None
    height, width = int.from_bytes(frame[1:3], "big"), int.from_bytes(frame[3:5], "big")
    samplings = [divmod(frame[7 + 3 * number], 16) for number in range(frame[5])]
    across, down = (max((one[axis] for one in samplings), default=0) for axis in (0, 1))
    if not across or not down:
        return None
    return sum(2 * width * height * one * other // (across * down) for one, other in samplings)


# DHT, JPG, DAC: between the frames, and none.
_NO_FRAME = frozenset({0xC4, 0xC8, 0xCC})
# Baseline and extended sequential, by Huffman and by arithmetic coding.
_ROW_BY_ROW = frozenset({0xC0, 0xC1, 0xC9})


def _is_bearable(width: int, height: int) -> bool:
    return min(width, height) >= _SMALLEST_SIDE and width * height <= MOST_PIXELS


def _drawn(jpeg: bytes, orientation: int, long_side: int) -> bytes | None:
    from PIL import Image

    with warnings.catch_warnings():
        # It warns of large pictures, and of metadata that nobody here asks for.
        warnings.simplefilter("ignore")
        with Image.open(io.BytesIO(jpeg), formats=["JPEG"]) as picture:
            if not _is_bearable(*picture.size):
                return None
            picture.draft("RGB", (long_side, long_side))
            if picture.width * picture.height > MOST_DRAWN:
                return None
            picture.load()
            small = picture if picture.mode == "RGB" else picture.convert("RGB")
            small.thumbnail((long_side, long_side))
        turn = _turns().get(orientation)
        upright = small if turn is None else small.transpose(turn)
        out = io.BytesIO()
        upright.save(out, "JPEG", quality=_QUALITY, optimize=True)
        return out.getvalue()


def _turns() -> dict[int, Image.Transpose]:
    """What brings a picture upright, by its Exif orientation (CIPA DC-008, 4.6.4)."""
    from PIL.Image import Transpose

    return {
        2: Transpose.FLIP_LEFT_RIGHT,
        3: Transpose.ROTATE_180,
        4: Transpose.FLIP_TOP_BOTTOM,
        5: Transpose.TRANSPOSE,
        6: Transpose.ROTATE_270,
        7: Transpose.TRANSVERSE,
        8: Transpose.ROTATE_90,
    }
