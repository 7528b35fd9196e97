"""Walk through a JPEG stream: from marker to marker, through the coded picture, to its end.

Every segment says how long it is; the coded picture behind them does not, but in it every 0xFF is followed by a
zero or is a restart marker. Whatever else follows an 0xFF there is the end, the next scan, or damage. A JPEG may
hold further pictures behind the first (usually a larger preview); a segment says where.

ITU-T T.81, annex B (markers and segments; table B.1). Further pictures: CIPA DC-007 (Multi-Picture Format), 5.2.
"""

from __future__ import annotations

import struct
from collections.abc import Generator

from tripleguard.cameras.integrity.walk import (
    NO_MARKER,
    ByteRequest,
    ByteResponse,
    FileStructure,
    ImageSpan,
    StructureWalk,
    request_marker,
    request_piece,
)

MAX_SEGMENTS = 4096
"""Segments stepped through in one stream."""

MAX_FILL_BYTES = 2 << 10
"""Fill bytes in a row that are taken for such; erased memory reads the same."""

MAX_PICTURES = 16
"""Further pictures looked at in one file."""


def walk_jpeg(shape: FileStructure, size: int) -> StructureWalk:
    """A whole JPEG file of size bytes."""
    first = yield from walk_jpeg_stream(shape, 0, size, "picture")
    if first.end is None:
        return
    shape.jpeg_spans.append((0, first.end))
    if first.picture_index is not None:
        yield from _walk_further_pictures(shape, size, first.end, *first.picture_index)


def walk_jpeg_stream(
    shape: FileStructure, start: int, limit: int, label: str, *, is_embedded: bool = False
) -> Generator[ByteRequest, ByteResponse, JpegStream]:
    """One JPEG stream that begins at start and must end before limit.

    inside: it lies inside another file, whose maker may have a way of their own with it: what is odd makes that
    file suspicious and no more; whether it is broken, decoding tells.
    """
    stream = JpegStream(shape, start, limit, label, is_embedded)
    yield from stream.walk()
    return stream


class JpegStream:
    """One JPEG stream and what was met in it.

    end: behind its last marker; None if that was not reached. index: where the segment of further pictures begins,
    and its bytes. lossless: it is the image data of a raw and no picture to show.
    """

    def __init__(self, shape: FileStructure, start: int, limit: int, label: str, is_embedded: bool) -> None:
        self.end: int | None = None
        self.picture_index: tuple[int, bytes] | None = None
        self.is_lossless = False
        self._shape = shape
        self._start = start
        self._limit = limit
        self._label = label
        self._is_embedded = is_embedded
        self._scan_start: int | None = None
        self._has_one_scan = False
        self._is_progressive = False
        self._has_frame = False
        self._first_codes: set[int] = set()

    def walk(self) -> StructureWalk:
        begin = yield from request_piece(self._start, 2)
        if begin is None:
            self._set_unsure("was past before its place was known")
            return
        if begin != b"\xff\xd8":
            self._add_flaw("begins wrongly", "does not begin as a JPEG picture does")
            return
        at = self._start + 2
        for _ in range(MAX_SEGMENTS):
            at = yield from self._step(at)
            if at == _DONE:
                return
        self._set_unsure(f"has more than {MAX_SEGMENTS:,} segments")

    def _step(self, at: int) -> Generator[ByteRequest, ByteResponse, int]:
        """Step over what begins here; where the next marker stands, or _DONE at the end, good or bad."""
        marker = yield from request_piece(at, 4)
        if marker is None:
            return self._set_unsure("could not be followed to its end")
        if len(marker) < 2 or at + 2 > self._limit:
            return self._flag_early_end()
        if marker[0] != 0xFF:
            why = f"in its {self._label}, at byte {at:,}, something stands between two segments"
            self._shape.add_flaw(f"{self._label} has bytes between segments", why, grave=False, habit=True)
            return (yield from self._find_next_marker(at))
        code = marker[1]
        if code == 0xFF:
            return (yield from self._skip_fill(at))
        if code == 0xD9:
            return self._finish(at)
        if code in _STANDALONE_MARKERS:
            return at + 2
        if not self._is_allowed_here(code) and not (yield from self._is_program_note(at, code, marker)):
            return self._add_flaw("is interrupted", f"is interrupted at byte {at:,} by what can't stand there")
        return (yield from self._read_segment(at, code, marker))

    def _skip_fill(self, at: int) -> Generator[ByteRequest, ByteResponse, int]:
        """Step over fill bytes (ITU-T T.81, B.1.1.2); where their last one stands, which begins a marker."""
        begin, size = at, _FIRST_FILL
        while at < self._limit:
            some = yield from request_piece(at, min(size, self._limit - at))
            if some is None:
                return self._set_unsure("could not be followed to its end")
            filled = len(some) - len(some.lstrip(b"\xff"))
            at, size = at + filled, _FILL_PIECE
            if filled < len(some) or not some:
                break
        if at - begin > MAX_FILL_BYTES:
            sign, why = "has a long run of ones", f"has nothing but ones from byte {begin:,} to byte {at:,}"
            self._shape.add_flaw(f"{self._label} {sign}", f"its {self._label} {why}", grave=False, habit=True)
        return at - 1 if at < self._limit else self._flag_early_end()

    def _read_segment(self, at: int, code: int, marker: bytes) -> Generator[ByteRequest, ByteResponse, int]:
        length = int.from_bytes(marker[2:4], "big")
        if len(marker) < 4 or at + 2 + length > self._limit:
            return self._flag_early_end()
        if length < 2:
            return self._add_flaw("has a senseless segment", f"has a segment of no sensible length at byte {at:,}")
        if code == 0xDA and not self._has_frame:
            return self._add_flaw(
                "has no frame", f"is interrupted at byte {at:,} by a scan that belongs to no frame"
            )
        self._has_frame = self._has_frame or (0xC0 <= code <= 0xCF and code not in _NON_FRAME_MARKERS)
        self.is_lossless = self.is_lossless or code in _LOSSLESS_FRAMES
        self._is_progressive = self._is_progressive or code in _PROGRESSIVE_FRAMES
        if code == 0xC4:
            self._first_codes |= _read_first_codes(
                (yield from request_piece(at + 4, min(length - 2, _MAX_TABLE_BYTES))) or b""
            )
        if code == 0xE2 and self.picture_index is None and self._scan_start is None:
            index = yield from request_piece(at + 4, min(length - 2, _MAX_INDEX_BYTES))
            if index is not None and index.startswith(b"MPF\0"):
                self.picture_index = (at + 8, index[4:])
        if code != 0xDA:
            return at + 2 + length
        yield from self._read_scan_header(at)
        if self._scan_start is None:
            self._scan_start = at + 2 + length
        return (yield from self._find_next_marker(at + 2 + length))

    def _find_next_marker(self, at: int) -> Generator[ByteRequest, ByteResponse, int]:
        found = yield from request_marker(at, self._limit)
        if found is None:
            return self._set_unsure("could not be followed to its end")
        return self._flag_early_end() if found == NO_MARKER else found

    def _is_allowed_here(self, code: int) -> bool:
        """Whether a segment with this marker may stand here. In a picture of one scan nothing comes after it."""
        if code in (0x00, 0xD8) or 0x02 <= code <= 0xBF or (0xF0 <= code <= 0xFD and code != 0xF7):
            return False
        if self._scan_start is None:
            return True
        frame = 0xC0 <= code <= 0xCF and code not in _NON_FRAME_MARKERS
        return not frame and (not self._has_one_scan or code == 0xDC)

    def _is_program_note(self, at: int, code: int, marker: bytes) -> Generator[ByteRequest, ByteResponse, bool]:
        """Whether a program's note stands here, behind the picture, and behind it another one or the end.

        In damage no marker follows just there.
        """
        if code not in _NOTE_MARKERS or len(marker) < 4:
            return False
        behind = yield from request_piece(at + 2 + int.from_bytes(marker[2:4], "big"), 2)
        return (
            behind is not None and len(behind) == 2 and behind[0] == 0xFF and behind[1] in _NOTE_MARKERS | {0xD9}
        )

    @property
    def _can_be_flat(self) -> bool:
        """Whether zeros may be picture: all codes of zeros say that nothing changes. Cameras have other tables."""
        return self._is_progressive or self._first_codes == {0}

    def _read_scan_header(self, at: int) -> StructureWalk:
        """Whether this scan holds the whole picture: all components, not one step of a progressive one."""
        header = yield from request_piece(at + 4, 1 + 2 * 4 + 3)
        if header is None or self._scan_start is not None or len(header) < 12:
            return
        components = header[0]
        if 1 <= components <= 4:
            first, last, bits = header[1 + 2 * components : 4 + 2 * components]
            # Sequential DCT: 0, 63, 0 and all three colours at once. Progressive ones and single colours go on.
            self._has_one_scan = components >= 3 and (first, last, bits) == (0, 63, 0)

    def _finish(self, at: int) -> int:
        self.end = at + 2
        self._shape.extend_known_end(self.end)
        if self._scan_start is not None:
            self._shape.image_spans.append(
                ImageSpan(self._scan_start, at, is_compressed=True, can_be_flat=self._can_be_flat)
            )
        return _DONE

    def _flag_early_end(self) -> int:
        self._shape.extend_known_end(self._limit)
        return self._add_flaw("has no end", "is cut short: the end is missing")

    def _add_flaw(self, sign: str, why: str) -> int:
        what, grave = self._label, not self._is_embedded
        self._shape.add_flaw(f"{what} {sign}", f"its {what} {why}", grave=grave, habit=self._is_embedded)
        return _DONE

    def _set_unsure(self, reason: str) -> int:
        self._shape.unsure_reason = self._shape.unsure_reason or f"its {self._label} {reason}"
        return _DONE


_DONE = -1
# TEM, RST0 to RST7: a marker and nothing more.
_STANDALONE_MARKERS = frozenset({0x01, *range(0xD0, 0xD8)})
# SOF3, 7, 11, 15: lossless frames, as raws have them.
_LOSSLESS_FRAMES = frozenset({0xC3, 0xC7, 0xCB, 0xCF})
# DHT, JPG and DAC stand among the frames and are none.
_NON_FRAME_MARKERS = frozenset({0xC4, 0xC8, 0xCC})
_MAX_INDEX_BYTES = 8192
_FIRST_FILL, _FILL_PIECE = 64, 32 << 10
_PROGRESSIVE_FRAMES = frozenset({0xC2, 0xC6, 0xCA, 0xCE})
_NOTE_MARKERS = frozenset({*range(0xE0, 0xF0), 0xFE})
_MAX_TABLE_BYTES = 2048


def _read_first_codes(tables: bytes) -> set[int]:
    """The symbols that Huffman tables give their first codes, which are all zeros (ITU-T T.81, B.2.4.2, C.2)."""
    found, at = set(), 0
    while at + 17 < len(tables):
        count = sum(tables[at + 1 : at + 17])
        if count:
            found.add(tables[at + 17])
        at += 17 + count
    return found


def _walk_further_pictures(
    shape: FileStructure, size: int, first_end: int, base: int, index: bytes
) -> StructureWalk:
    """The pictures behind the first, from where the index says they are."""
    places = _parse_picture_index(index)
    if not places:
        return
    # An editor that changed the first picture's length left an index that can't be believed.
    believed = places[0][0] == 0 and places[0][1] in (first_end, first_end - 2)
    for offset, length in sorted(places[1:])[:MAX_PICTURES]:
        start, end = base + offset, base + offset + length
        if offset == 0 or length == 0 or start < first_end:
            continue
        if end > size and (not believed or first_end == size):
            why = "a further picture should lie behind the end of the file"
            shape.add_flaw("further picture outside", why, grave=False, habit=True)
            continue
        if start >= size:
            shape.flag_if_cut("further picture", end, size)
            continue
        further = FileStructure()
        stream = yield from walk_jpeg_stream(further, start, min(end, size), "further picture", is_embedded=True)
        shape.image_spans += further.image_spans
        if stream.end is None and shape.flag_if_cut("further picture", end, size):
            continue
        # Some writers get the length of the last one wrong.
        shape.extend_known_end(min(end, size))
        for flaw in further.flaws:
            shape.add_flaw(flaw.sign, flaw.explanation, grave=False, habit=True)
        if stream.end is not None:
            shape.jpeg_spans.append((start, stream.end))


def _parse_picture_index(index: bytes) -> list[tuple[int, int]]:
    """Offset (from the index's own start) and length of each picture; the first has offset 0."""
    order = {b"II*\0": "<", b"MM\0*": ">"}.get(index[:4])
    if order is None or len(index) < 8:
        return []
    (first,) = struct.unpack_from(order + "I", index, 4)
    if first + 2 > len(index):
        return []
    (count,) = struct.unpack_from(order + "H", index, first)
    for entry in range(first + 2, first + 2 + 12 * min(count, 64), 12):
        if entry + 12 > len(index):
            return []
        tag, _, length, at = struct.unpack_from(order + "HHII", index, entry)
        if tag != _MP_ENTRY:
            continue
        found = []
        for place in range(at, at + min(length, 16 * MAX_PICTURES), 16):
            if place + 16 > len(index):
                break
            _, size, offset = struct.unpack_from(order + "III", index, place)
            found.append((offset, size))
        return found
    return []


_MP_ENTRY = 0xB002
