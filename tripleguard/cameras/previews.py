"""Find the JPEG preview inside a camera's file, and scale it down to a small upright JPEG.

A file is fed as it is read, and no further than needed: most raws hold a large enough picture near their start.
The structure walks of `integrity` report where the pictures in a file are.

The bytes are untrusted, so our own parser reads the JPEG's header first, and a picture that would take too much
memory is never decoded. The result is a plain JPEG without metadata: no location, no name, no serial.
"""

from __future__ import annotations

import io
import warnings
from typing import TYPE_CHECKING

from tripleguard.cameras.image_info import read_image_info
from tripleguard.cameras.integrity.checker import IntegrityChecker
from tripleguard.cameras.kinds import kind_of
from tripleguard.model import FileKind

if TYPE_CHECKING:
    from PIL import Image

PREVIEW_LONG_SIDE = 480
"""Pixels of the longer side of a preview."""

MAX_JPEG_BYTES = 48 << 20
"""Bytes of the largest JPEG that is decoded."""

MAX_PIXELS = 160_000_000
"""Pixels of the largest picture that is decoded; more than any current camera has."""

MAX_COEFFICIENT_BYTES = 80 << 20
"""Bytes of coefficients held where the decoder needs the whole picture in memory.

Cameras don't write such files.
"""

MAX_DRAWN_PIXELS = 12_000_000
"""Pixels decoded of a picture; the decoder itself skips most of the others."""

MAX_SEGMENTS = 96
"""Segments of a JPEG that are skipped in search of its first scan."""

_QUALITY = 80
_MIN_SIDE = 16


def scale_jpeg(jpeg: bytes, orientation: int | None = None, long_side: int = PREVIEW_LONG_SIDE) -> bytes | None:
    """Scale a JPEG down to a small upright JPEG; return None if it can't be decoded or is too large to try.

    Args:
        jpeg: the whole picture.
        orientation: the Exif value, 1 to 8, where the enclosing file gives one; else the JPEG's own counts.
        long_side: pixels of the longer side of the result.
    """
    if not jpeg.startswith(b"\xff\xd8") or len(jpeg) > MAX_JPEG_BYTES:
        return None
    info = read_image_info(jpeg, "it.jpg")
    if info.width is None or info.height is None or not _is_within_limits(info.width, info.height):
        return None
    needed = measure_coefficient_memory(jpeg)
    if needed is None or needed > MAX_COEFFICIENT_BYTES:
        return None
    try:
        return _draw_scaled(jpeg, orientation or info.orientation or 1, long_side)
    except Exception:  # noqa: BLE001 - any decoder error means there is no preview
        return None


def measure_coefficient_memory(jpeg: bytes) -> int | None:
    """Return the bytes a decoder needs to hold a JPEG's coefficients; 0 if one scan lets it decode row by row.

    Return None if the first scan can't be found. A picture of several scans, progressive or one for each colour,
    is complete only with the last of them. ITU-T T.81, B.2.2 and B.2.3.
    """
    at, frame, code = 2, b"", 0
    for _ in range(MAX_SEGMENTS):
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
            return (
                0
                if frame and code in _SEQUENTIAL_FRAMES and colours == frame[5]
                else _count_coefficient_bytes(frame)
            )
        if 0xC0 <= marker <= 0xCF and marker not in _NON_FRAME_MARKERS:
            frame, code = jpeg[at + 4 : at + 2 + length], marker
        at += 2 + length
    return None


def _count_coefficient_bytes(frame: bytes) -> int | None:
    if len(frame) < 6 or len(frame) < 6 + 3 * frame[5]:
        return None
    height, width = int.from_bytes(frame[1:3], "big"), int.from_bytes(frame[3:5], "big")
    samplings = [divmod(frame[7 + 3 * number], 16) for number in range(frame[5])]
    across, down = (max((sampling[axis] for sampling in samplings), default=0) for axis in (0, 1))
    if not across or not down:
        return None
    return sum(2 * width * height * horizontal * vertical // (across * down) for horizontal, vertical in samplings)


# DHT, JPG and DAC lie in the SOFn marker range but do not start a frame.
_NON_FRAME_MARKERS = frozenset({0xC4, 0xC8, 0xCC})
# Baseline and extended sequential, with Huffman and with arithmetic coding.
_SEQUENTIAL_FRAMES = frozenset({0xC0, 0xC1, 0xC9})


def _is_within_limits(width: int, height: int) -> bool:
    return min(width, height) >= _MIN_SIDE and width * height <= MAX_PIXELS


def _draw_scaled(jpeg: bytes, orientation: int, long_side: int) -> bytes | None:
    from PIL import Image

    with warnings.catch_warnings():
        # Pillow warns about large pictures and about metadata that is not used here.
        warnings.simplefilter("ignore")
        with Image.open(io.BytesIO(jpeg), formats=["JPEG"]) as picture:
            if not _is_within_limits(*picture.size):
                return None
            picture.draft("RGB", (long_side, long_side))
            if picture.width * picture.height > MAX_DRAWN_PIXELS:
                return None
            picture.load()
            small = picture if picture.mode == "RGB" else picture.convert("RGB")
            small.thumbnail((long_side, long_side))
        transposition = _get_transpositions().get(orientation)
        upright = small if transposition is None else small.transpose(transposition)
        out = io.BytesIO()
        upright.save(out, "JPEG", quality=_QUALITY, optimize=True)
        return out.getvalue()


def _get_transpositions() -> dict[int, Image.Transpose]:
    """Return the transposition that brings a picture upright, by its Exif orientation (CIPA DC-008, 4.6.4)."""
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


MAX_READ_BYTES = 64 << 20
"""Bytes of one file that are read and kept in search of a picture."""

MAX_PICTURES = 64
"""Pictures examined in one file; raws hold up to four."""

_HEAD_BYTES = 1 << 18


class PreviewFinder:
    """A search for the preview in one file.

    Call `feed` with the bytes in order until `has_enough`, then `get_best`. Never raises because of the content.

    Args:
        name: the file's name.
        size: bytes of the whole file.
        long_side: pixels of the longer side that are enough.
    """

    def __init__(self, name: str, size: int, long_side: int = PREVIEW_LONG_SIDE) -> None:
        self._checker = IntegrityChecker(name, size)
        self._name = name
        self._size = size
        self._min_long_side = long_side
        self._content = bytearray()
        self._long_sides: dict[tuple[int, int], int] = {}

    @property
    def has_enough(self) -> bool:
        """Whether no more bytes are needed: a preview was found, or the limit was reached."""
        if len(self._content) >= min(self._size, MAX_READ_BYTES):
            return True
        # The preview of a JPEG is the whole file; smaller pictures in it are thumbnails.
        return not self._is_jpeg() and any(side >= self._min_long_side for side in self._find_pictures().values())

    @property
    def orientation(self) -> int | None:
        """The Exif orientation of the picture; None if the file has none."""
        return read_image_info(bytes(self._content[: 1 << 20]), self._name).orientation

    def feed(self, view: memoryview | bytes) -> None:
        """Take the next bytes of the file."""
        if len(self._content) < MAX_READ_BYTES:
            self._content += view
            self._checker.feed(view)

    def get_best(self) -> bytes | None:
        """Return the smallest picture that is large enough, else the largest; None if there is none."""
        if self._is_jpeg():
            return bytes(self._content) if len(self._content) == self._size <= MAX_JPEG_BYTES else None
        found = sorted((side, span) for span, side in self._find_pictures().items())
        if not found:
            return None
        _, (start, end) = next((entry for entry in found if entry[0] >= self._min_long_side), found[-1])
        return bytes(self._content[start:end])

    def _is_jpeg(self) -> bool:
        return self._content.startswith(b"\xff\xd8")

    def _find_pictures(self) -> dict[tuple[int, int], int]:
        """Return the span of each picture that was read whole, with its longer side in pixels."""
        for span in self._checker.structure.jpeg_spans[:MAX_PICTURES]:
            start, end = span
            if span not in self._long_sides and end <= len(self._content) and end - start <= MAX_JPEG_BYTES:
                info = read_image_info(bytes(self._content[start : min(end, start + _HEAD_BYTES)]), "it.jpg")
                self._long_sides[span] = max(info.width or 0, info.height or 0)
        return self._long_sides


def can_have_preview(name: str) -> bool:
    """Return whether a file of this name can contain a picture."""
    return kind_of(name) in (FileKind.RAW, FileKind.PICTURE)
