"""Walk through a JPEG stream: from marker to marker, through the coded picture, to its end.

Every segment states its length. The coded picture behind them does not, but in it a zero or a restart marker
follows every 0xFF. Any other byte after 0xFF means the end, the next scan, or damage. A JPEG may hold further
pictures behind the first (usually a larger preview); a segment gives their positions.

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
"""Segments in one stream."""

MAX_FILL_BYTES = 2 << 10
"""Consecutive bytes of ones accepted as fill bytes; erased memory reads the same."""

MAX_PICTURES = 16
"""Further pictures examined in one file."""


def walk_jpeg(structure: FileStructure, size: int) -> StructureWalk:
    """Walk through a whole JPEG file of `size` bytes."""
    first = yield from walk_jpeg_stream(structure, 0, size, "picture")
    if first.end is None:
        return
    structure.jpeg_spans.append((0, first.end))
    if first.picture_index is not None:
        yield from _walk_further_pictures(structure, size, first.end, *first.picture_index)


def walk_jpeg_stream(
    structure: FileStructure, start: int, limit: int, label: str, *, is_embedded: bool = False
) -> Generator[ByteRequest, ByteResponse, JpegStream]:
    """Walk through a JPEG stream that begins at `start` and must end before `limit`.

    Args:
        structure: the structure to fill in.
        start, limit: offsets in the file.
        label: what the stream is, for texts.
        is_embedded: it lies inside another file, whose maker may use variants of its own, so that flaws make the
            file suspicious and no more; decoding decides whether it is broken.
    """
    stream = JpegStream(structure, start, limit, label, is_embedded)
    yield from stream.walk()
    return stream


class JpegStream:
    """One JPEG stream and what was found in it.

    Attributes:
        end: the offset behind its last marker; None if that was not reached.
        picture_index: start and bytes of the segment that lists further pictures.
        is_lossless: it is the image data of a raw and not a viewable picture.
    """

    def __init__(self, structure: FileStructure, start: int, limit: int, label: str, is_embedded: bool) -> None:
        self.end: int | None = None
        self.picture_index: tuple[int, bytes] | None = None
        self.is_lossless = False
        self._structure = structure
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
        """Skip the segment at `at`; return the offset of the next marker, or _DONE when the walk is over."""
        marker = yield from request_piece(at, 4)
        if marker is None:
            return self._set_unsure("could not be followed to its end")
        if len(marker) < 2 or at + 2 > self._limit:
            return self._flag_early_end()
        if marker[0] != 0xFF:
            why = f"in its {self._label}, at byte {at:,}, something stands between two segments"
            self._structure.add_flaw(
                f"{self._label} has bytes between segments", why, is_grave=False, is_possible_quirk=True
            )
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
        """Skip fill bytes (ITU-T T.81, B.1.1.2); return the offset of the last one, which begins a marker."""
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
            self._structure.add_flaw(
                f"{self._label} {sign}", f"its {self._label} {why}", is_grave=False, is_possible_quirk=True
            )
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
        """Return whether a segment with this marker is allowed here.

        Nothing follows the only scan of a picture.
        """
        if code in (0x00, 0xD8) or 0x02 <= code <= 0xBF or (0xF0 <= code <= 0xFD and code != 0xF7):
            return False
        if self._scan_start is None:
            return True
        frame = 0xC0 <= code <= 0xCF and code not in _NON_FRAME_MARKERS
        return not frame and (not self._has_one_scan or code == 0xDC)

    def _is_program_note(self, at: int, code: int, marker: bytes) -> Generator[ByteRequest, ByteResponse, bool]:
        """Return whether a program's note follows the picture, and another note or the end marker follows that.

        In damaged data no marker follows in exactly that position.
        """
        if code not in _NOTE_MARKERS or len(marker) < 4:
            return False
        behind = yield from request_piece(at + 2 + int.from_bytes(marker[2:4], "big"), 2)
        return (
            behind is not None and len(behind) == 2 and behind[0] == 0xFF and behind[1] in _NOTE_MARKERS | {0xD9}
        )

    @property
    def _can_be_flat(self) -> bool:
        """Whether zeros may be image data: the code of all zeros means no change. Cameras use other tables."""
        return self._is_progressive or self._first_codes == {0}

    def _read_scan_header(self, at: int) -> StructureWalk:
        """Note whether this scan holds all components, completely: it is no step of a progressive picture."""
        header = yield from request_piece(at + 4, 1 + 2 * 4 + 3)
        if header is None or self._scan_start is not None or len(header) < 12:
            return
        components = header[0]
        if 1 <= components <= 4:
            first, last, bits = header[1 + 2 * components : 4 + 2 * components]
            # Sequential DCT: 0, 63, 0 and all three colours at once. Progressive and single-colour scans are
            # followed by more.
            self._has_one_scan = components >= 3 and (first, last, bits) == (0, 63, 0)

    def _finish(self, at: int) -> int:
        self.end = at + 2
        self._structure.extend_known_end(self.end)
        if self._scan_start is not None:
            self._structure.image_spans.append(
                ImageSpan(self._scan_start, at, is_compressed=True, can_be_flat=self._can_be_flat)
            )
        return _DONE

    def _flag_early_end(self) -> int:
        self._structure.extend_known_end(self._limit)
        return self._add_flaw("has no end", "is cut short: the end is missing")

    def _add_flaw(self, sign: str, why: str) -> int:
        what, grave = self._label, not self._is_embedded
        self._structure.add_flaw(
            f"{what} {sign}", f"its {what} {why}", is_grave=grave, is_possible_quirk=self._is_embedded
        )
        return _DONE

    def _set_unsure(self, reason: str) -> int:
        self._structure.unsure_reason = self._structure.unsure_reason or f"its {self._label} {reason}"
        return _DONE


_DONE = -1
# TEM, RST0 to RST7: markers without a segment.
_STANDALONE_MARKERS = frozenset({0x01, *range(0xD0, 0xD8)})
# SOF3, 7, 11, 15: lossless frames, as in raws.
_LOSSLESS_FRAMES = frozenset({0xC3, 0xC7, 0xCB, 0xCF})
# DHT, JPG and DAC lie in the SOFn marker range but do not start a frame.
_NON_FRAME_MARKERS = frozenset({0xC4, 0xC8, 0xCC})
_MAX_INDEX_BYTES = 8192
_FIRST_FILL, _FILL_PIECE = 64, 32 << 10
_PROGRESSIVE_FRAMES = frozenset({0xC2, 0xC6, 0xCA, 0xCE})
_NOTE_MARKERS = frozenset({*range(0xE0, 0xF0), 0xFE})
_MAX_TABLE_BYTES = 2048


def _read_first_codes(tables: bytes) -> set[int]:
    """Return the symbol of the all-zero code in each Huffman table (ITU-T T.81, B.2.4.2, C.2)."""
    found, at = set(), 0
    while at + 17 < len(tables):
        count = sum(tables[at + 1 : at + 17])
        if count:
            found.add(tables[at + 17])
        at += 17 + count
    return found


def _walk_further_pictures(
    structure: FileStructure, size: int, first_end: int, base: int, index: bytes
) -> StructureWalk:
    """Walk through the pictures behind the first, at the offsets that the index gives."""
    places = _parse_picture_index(index)
    if not places:
        return
    # An editor that changed the first picture's length left an index with wrong offsets.
    is_index_valid = places[0][0] == 0 and places[0][1] in (first_end, first_end - 2)
    for offset, length in sorted(places[1:])[:MAX_PICTURES]:
        start, end = base + offset, base + offset + length
        if offset == 0 or length == 0 or start < first_end:
            continue
        if end > size and (not is_index_valid or first_end == size):
            why = "a further picture should lie behind the end of the file"
            structure.add_flaw("further picture outside", why, is_grave=False, is_possible_quirk=True)
            continue
        if start >= size:
            structure.flag_if_cut("further picture", end, size)
            continue
        further = FileStructure()
        stream = yield from walk_jpeg_stream(further, start, min(end, size), "further picture", is_embedded=True)
        structure.image_spans += further.image_spans
        if stream.end is None and structure.flag_if_cut("further picture", end, size):
            continue
        # Some writers state a wrong length for the last picture.
        structure.extend_known_end(min(end, size))
        for flaw in further.flaws:
            structure.add_flaw(flaw.sign, flaw.explanation, is_grave=False, is_possible_quirk=True)
        if stream.end is not None:
            structure.jpeg_spans.append((start, stream.end))


def _parse_picture_index(index: bytes) -> list[tuple[int, int]]:
    """Return offset (from the start of the index) and length of each picture; the first has offset 0."""
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
