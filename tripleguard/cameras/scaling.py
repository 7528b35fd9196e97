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

LARGEST = 64 << 20
"""Bytes of a JPEG that is looked at."""

MOST_PIXELS = 160_000_000
"""Of a picture that is decoded; more than any camera's of today."""

MOST_PROGRESSIVE = 40_000_000
"""The same where the decoder has to hold the whole picture in memory; cameras don't write such."""

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
    try:
        return _drawn(jpeg, orientation or traits.orientation or 1, long_side)
    except Exception:  # noqa: BLE001 - the decoder's outer edge: whatever it stumbles over, there is no picture
        return None


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
            if picture.info.get("progressive") and picture.width * picture.height > MOST_PROGRESSIVE:
                return None
            picture.draft("RGB", (long_side, long_side))
            small = picture.convert("RGB")
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
