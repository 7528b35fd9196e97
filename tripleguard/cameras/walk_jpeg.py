"""Walks through a JPEG stream: from marker to marker, through the coded picture, to its end.

Every segment says how long it is; the coded picture behind them does not, but in it every 0xFF is followed by a
zero or is a restart marker, so that whatever else follows an 0xFF there is the end, the next scan, or damage. A
JPEG may hold further pictures behind the first (a larger preview, as a rule); their places stand in a segment.

ITU-T T.81, annex B (markers and segments; table B.1). Further pictures: CIPA DC-007 (Multi-Picture Format), 5.2.
"""

from __future__ import annotations

import struct
from collections.abc import Generator

from tripleguard.cameras.asking import LIMIT, Answer, Ask, Shape, Span, Walk, next_marker, piece

MOST_SEGMENTS = 4096
"""Segments stepped through in one stream."""

LONGEST_FILL = 2 << 10
"""Fill bytes in a row that are taken for such; erased memory reads the same."""

MOST_PICTURES = 16
"""Further pictures looked at in one file."""


def walk_jpeg(shape: Shape, size: int) -> Walk:
    """A whole JPEG file of size bytes."""
    first = yield from walk_stream(shape, 0, size, "picture")
    if first.end is None:
        return
    shape.pictures.append((0, first.end))
    if first.index is not None:
        yield from _walk_further(shape, size, first.end, *first.index)


def walk_stream(
    shape: Shape, start: int, limit: int, what: str, *, inside: bool = False
) -> Generator[Ask, Answer, Stream]:
    """One JPEG stream that begins at start and must end before limit.

    inside: it lies inside another file, whose maker may have a way of their own with it: what is odd makes that
    file suspicious and no more; whether it is broken, decoding tells.
    """
    stream = Stream(shape, start, limit, what, inside)
    yield from stream.walk()
    return stream


class Stream:
    """One JPEG stream and what was met in it.

    end: behind its last marker; None if that was not reached. index: where the segment of further pictures begins,
    and its bytes. lossless: it is the image data of a raw and no picture to show.
    """

    def __init__(self, shape: Shape, start: int, limit: int, what: str, inside: bool) -> None:
        self.end: int | None = None
        self.index: tuple[int, bytes] | None = None
        self.lossless = False
        self._shape = shape
        self._start = start
        self._limit = limit
        self._what = what
        self._inside = inside
        self._coded: int | None = None
        self._one_scan = False
        self._progressive = False
        self._framed = False
        self._first_codes: set[int] = set()

    def walk(self) -> Walk:
        begin = yield from piece(self._start, 2)
        if begin is None:
            self._unsure("was past before its place was known")
            return
        if begin != b"\xff\xd8":
            self._flaw("begins wrongly", "does not begin as a JPEG picture does")
            return
        at = self._start + 2
        for _ in range(MOST_SEGMENTS):
            at = yield from self._step(at)
            if at == _DONE:
                return
        self._unsure(f"has more than {MOST_SEGMENTS:,} segments")

    def _step(self, at: int) -> Generator[Ask, Answer, int]:
        """Step over what begins here; where the next marker stands, or _DONE at the end, good or bad."""
        marker = yield from piece(at, 4)
        if marker is None:
            return self._unsure("could not be followed to its end")
        if len(marker) < 2 or at + 2 > self._limit:
            return self._ends_early()
        if marker[0] != 0xFF:
            why = f"in its {self._what}, at byte {at:,}, something stands between two segments"
            self._shape.flaw(f"{self._what} has bytes between segments", why, grave=False, habit=True)
            return (yield from self._next_marker(at))
        code = marker[1]
        if code == 0xFF:
            return (yield from self._fill(at))
        if code == 0xD9:
            return self._ends(at)
        if code in _ALONE:
            return at + 2
        if not self._may_stand(code) and not (yield from self._is_note(at, code, marker)):
            return self._flaw("is interrupted", f"is interrupted at byte {at:,} by what can't stand there")
        return (yield from self._segment(at, code, marker))

    def _fill(self, at: int) -> Generator[Ask, Answer, int]:
        """Step over fill bytes (ITU-T T.81, B.1.1.2); where their last one stands, which begins a marker."""
        begin, size = at, _FIRST_FILL
        while at < self._limit:
            some = yield from piece(at, min(size, self._limit - at))
            if some is None:
                return self._unsure("could not be followed to its end")
            filled = len(some) - len(some.lstrip(b"\xff"))
            at, size = at + filled, _FILL_PIECE
            if filled < len(some) or not some:
                break
        if at - begin > LONGEST_FILL:
            sign, why = "has a long run of ones", f"has nothing but ones from byte {begin:,} to byte {at:,}"
            self._shape.flaw(f"{self._what} {sign}", f"its {self._what} {why}", grave=False, habit=True)
        return at - 1 if at < self._limit else self._ends_early()

    def _segment(self, at: int, code: int, marker: bytes) -> Generator[Ask, Answer, int]:
        length = int.from_bytes(marker[2:4], "big")
        if len(marker) < 4 or at + 2 + length > self._limit:
            return self._ends_early()
        if length < 2:
            return self._flaw("has a senseless segment", f"has a segment of no sensible length at byte {at:,}")
        if code == 0xDA and not self._framed:
            return self._flaw("has no frame", f"is interrupted at byte {at:,} by a scan that belongs to no frame")
        self._framed = self._framed or (0xC0 <= code <= 0xCF and code not in _NO_FRAME)
        self.lossless = self.lossless or code in _LOSSLESS
        self._progressive = self._progressive or code in _PROGRESSIVE
        if code == 0xC4:
            self._first_codes |= _first_codes((yield from piece(at + 4, min(length - 2, _LONGEST_TABLES))) or b"")
        if code == 0xE2 and self.index is None and self._coded is None:
            index = yield from piece(at + 4, min(length - 2, _LONGEST_INDEX))
            if index is not None and index.startswith(b"MPF\0"):
                self.index = (at + 8, index[4:])
        if code != 0xDA:
            return at + 2 + length
        yield from self._note_scan(at)
        if self._coded is None:
            self._coded = at + 2 + length
        return (yield from self._next_marker(at + 2 + length))

    def _next_marker(self, at: int) -> Generator[Ask, Answer, int]:
        found = yield from next_marker(at, self._limit)
        if found is None:
            return self._unsure("could not be followed to its end")
        return self._ends_early() if found == LIMIT else found

    def _may_stand(self, code: int) -> bool:
        """Whether a segment with this marker may stand here. In a picture of one scan nothing comes after it."""
        if code in (0x00, 0xD8) or 0x02 <= code <= 0xBF or (0xF0 <= code <= 0xFD and code != 0xF7):
            return False
        if self._coded is None:
            return True
        frame = 0xC0 <= code <= 0xCF and code not in _NO_FRAME
        return not frame and (not self._one_scan or code == 0xDC)

    def _is_note(self, at: int, code: int, marker: bytes) -> Generator[Ask, Answer, bool]:
        """Whether a program's note stands here, behind the picture, and behind it another one or the end.

        In damage no marker follows just there.
        """
        if code not in _NOTES or len(marker) < 4:
            return False
        behind = yield from piece(at + 2 + int.from_bytes(marker[2:4], "big"), 2)
        return behind is not None and len(behind) == 2 and behind[0] == 0xFF and behind[1] in _NOTES | {0xD9}

    @property
    def _flat(self) -> bool:
        """Whether zeros may be picture: all codes of zeros say that nothing changes. Cameras have other tables."""
        return self._progressive or self._first_codes == {0}

    def _note_scan(self, at: int) -> Walk:
        """Whether this scan holds the whole picture: all components, not one step of a progressive one."""
        header = yield from piece(at + 4, 1 + 2 * 4 + 3)
        if header is None or self._coded is not None or len(header) < 12:
            return
        components = header[0]
        if 1 <= components <= 4:
            first, last, bits = header[1 + 2 * components : 4 + 2 * components]
            # Sequential DCT: 0, 63, 0 and all three colours at once. Progressive ones and single colours go on.
            self._one_scan = components >= 3 and (first, last, bits) == (0, 63, 0)

    def _ends(self, at: int) -> int:
        self.end = at + 2
        self._shape.covers(self.end)
        if self._coded is not None:
            self._shape.image.append(Span(self._coded, at, coded=True, flat=self._flat))
        return _DONE

    def _ends_early(self) -> int:
        self._shape.covers(self._limit)
        return self._flaw("has no end", "is cut short: the end is missing")

    def _flaw(self, sign: str, why: str) -> int:
        what, grave = self._what, not self._inside
        self._shape.flaw(f"{what} {sign}", f"its {what} {why}", grave=grave, habit=self._inside)
        return _DONE

    def _unsure(self, why: str) -> int:
        self._shape.unsure = self._shape.unsure or f"its {self._what} {why}"
        return _DONE


_DONE = -1
# TEM, RST0 to RST7: a marker and nothing more.
_ALONE = frozenset({0x01, *range(0xD0, 0xD8)})
# SOF3, 7, 11, 15: lossless frames, as raws have them.
_LOSSLESS = frozenset({0xC3, 0xC7, 0xCB, 0xCF})
# DHT, JPG and DAC stand among the frames and are none.
_NO_FRAME = frozenset({0xC4, 0xC8, 0xCC})
_LONGEST_INDEX = 8192
_FIRST_FILL, _FILL_PIECE = 64, 32 << 10
_PROGRESSIVE = frozenset({0xC2, 0xC6, 0xCA, 0xCE})
_NOTES = frozenset({*range(0xE0, 0xF0), 0xFE})
_LONGEST_TABLES = 2048


def _first_codes(tables: bytes) -> set[int]:
    """The symbols that Huffman tables give their first codes, which are all zeros (ITU-T T.81, B.2.4.2, C.2)."""
    found, at = set(), 0
    while at + 17 < len(tables):
        count = sum(tables[at + 1 : at + 17])
        if count:
            found.add(tables[at + 17])
        at += 17 + count
    return found


def _walk_further(shape: Shape, size: int, first_end: int, base: int, index: bytes) -> Walk:
    """The pictures behind the first, from where the index says they are."""
    places = _places(index)
    if not places:
        return
    # An editor that changed the first picture's length left an index that can't be believed.
    believed = places[0][0] == 0 and places[0][1] in (first_end, first_end - 2)
    for offset, length in sorted(places[1:])[:MOST_PICTURES]:
        start, end = base + offset, base + offset + length
        if offset == 0 or length == 0 or start < first_end:
            continue
        if end > size and (not believed or first_end == size):
            why = "a further picture should lie behind the end of the file"
            shape.flaw("further picture outside", why, grave=False, habit=True)
            continue
        if start >= size:
            shape.cut("further picture", end, size)
            continue
        further = Shape()
        stream = yield from walk_stream(further, start, min(end, size), "further picture", inside=True)
        shape.image += further.image
        if stream.end is None and shape.cut("further picture", end, size):
            continue
        # Some writers get the length of the last one wrong.
        shape.covers(min(end, size))
        for flaw in further.flaws:
            shape.flaw(flaw.sign, flaw.why, grave=False, habit=True)
        if stream.end is not None:
            shape.pictures.append((start, stream.end))


def _places(index: bytes) -> list[tuple[int, int]]:
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
        for place in range(at, at + min(length, 16 * MOST_PICTURES), 16):
            if place + 16 > len(index):
                break
            _, size, offset = struct.unpack_from(order + "III", index, place)
            found.append((offset, size))
        return found
    return []


_MP_ENTRY = 0xB002
