"""Walks through a raw that is a TIFF file: its directories, and what each says of where the image data lies.

Most raws are TIFF files: NEF, CR2, ARW, DNG, PEF, ORF, RW2 and more. Directories hang on one another in a chain
and below one another; each may name strips, tiles or a JPEG. Whatever is named must lie inside the file, and what
is said to be JPEG, an ordinary picture or a lossless one, is walked from marker to marker.

Tags: TIFF 6.0 (Adobe, 1992), sections 8, 15 and 22; SubIFDs: TIFF technical note 1; Exif's directories: CIPA
DC-008, 4.6.3. Panasonic's raw offset and sensor size are not published; from memory.
"""

from __future__ import annotations

import heapq
import struct
from collections.abc import Generator
from dataclasses import dataclass

from tripleguard.cameras.asking import LONGEST_PIECE, Answer, Ask, Shape, Span, Walk, piece
from tripleguard.cameras.tiff import ORDERS, TYPE_BYTES
from tripleguard.cameras.walk_jpeg import walk_stream

MOST_DIRECTORIES = 64
MOST_ENTRIES = 1024
MOST_STREAMS = 4096
"""Strips, tiles and pictures that are walked as JPEG streams in one file."""

MOST_NUMBERS = 1 << 17
"""Numbers read of one file's directories: where its strips and tiles begin, and how long they are."""


def walk_tiff(shape: Shape, size: int) -> Walk:
    """A raw of size bytes that begins with a TIFF header."""
    head = yield from piece(0, 8)
    if head is None or len(head) < 8:
        shape.flaw("cut short", "it is cut short: not even its header is whole", grave=True)
        return
    order = ORDERS[head[:4]]
    yield from _Directories(shape, size, order, head.startswith(b"IIU")).walk(
        *struct.unpack(order + "I", head[4:])
    )
    if not shape.image and not shape.flaws:
        shape.unsure = shape.unsure or "it does not say where its image data lies"


@dataclass(frozen=True, slots=True)
class _Entry:
    """One field. at: where its value begins; size: its bytes; code: for `struct`, of a whole number."""

    tag: int
    count: int
    at: int
    size: int
    code: str


class _Directories:
    """Follows the directories and the JPEG streams of one file, each once, in the order in which they pass by."""

    def __init__(self, shape: Shape, size: int, order: str, panasonic: bool) -> None:
        self._shape = shape
        self._size = size
        self._order = order
        self._panasonic = panasonic
        self._ahead: list[tuple[int, int, str]] = []
        self._directories: set[int] = set()
        self._streams: set[int] = set()
        self._behind = 0
        self._numbers = MOST_NUMBERS

    def walk(self, first: int) -> Walk:
        if not 8 <= first < self._size:
            self._shape.flaw("no directory", "its first directory lies outside the file", grave=True)
            return
        self._follow(first, _CHAINED)
        while self._ahead:
            at, end, what = heapq.heappop(self._ahead)
            if what in (_CHAINED, _BELOW):
                yield from self._directory(at, chained=what == _CHAINED)
            else:
                yield from self._stream(at, end, what)

    def _follow(self, offset: int, how: str) -> None:
        """Look at a directory when it passes by."""
        if offset == 0 or offset in self._directories:
            return
        if not 8 <= offset < self._size:
            why = f"a directory should begin at byte {offset:,}, outside the file"
            self._shape.flaw("directory outside", why, grave=False, habit=True)
        elif len(self._directories) == MOST_DIRECTORIES:
            self._shape.unsure = self._shape.unsure or "it has more directories than a camera writes"
        else:
            self._directories.add(offset)
            heapq.heappush(self._ahead, (offset, 0, how))

    def _stream(self, start: int, end: int, what: str) -> Walk:
        if start < self._behind:
            return
        self._behind = end
        stream = yield from walk_stream(self._shape, start, end, what, inside=True)
        if stream.end is None:
            # Where it can't be followed its zeros still count.
            self._shape.image.append(Span(start, end, coded=True))
        elif not stream.lossless:
            self._shape.pictures.append((start, stream.end))

    def _directory(self, at: int, *, chained: bool) -> Walk:
        """Look at one directory, and note what it names."""
        counted = yield from piece(at, 2)
        if counted is None:
            self._passed()
            return
        count = int.from_bytes(counted, "little" if self._order == "<" else "big")
        end = at + 2 + 12 * count + 4
        if len(counted) < 2 or (0 < count <= MOST_ENTRIES and end > self._size):
            self._shape.cut("directory", end, self._size)
            return
        if not 0 < count <= MOST_ENTRIES:
            why = f"the directory at byte {at:,} makes no sense ({count:,} entries)"
            self._shape.flaw("senseless directory", why, grave=False, habit=True)
            return
        packed = yield from piece(at + 2, 12 * count + 4)
        if packed is None:
            self._passed()
            return
        self._shape.covers(end)
        entries = self._entries(packed, at + 2, count)
        values = yield from self._values(entries)
        self._parts(values)
        for tag in _BELOW_TAGS:
            for offset in values.get(tag, ()):
                self._follow(offset, _BELOW)
        if chained:
            self._follow(struct.unpack(self._order + "I", packed[12 * count :])[0], _CHAINED)

    def _entries(self, packed: bytes, at: int, count: int) -> dict[int, _Entry]:
        found: dict[int, _Entry] = {}
        for number in range(count):
            tag, type_, values, where = struct.unpack_from(self._order + "HHII", packed, 12 * number)
            width = TYPE_BYTES.get(type_)
            if width is None or tag in found:
                continue
            size = width * values
            start = at + 12 * number + 8 if size <= 4 else where
            if start + size > self._size:
                self._outside(tag, start + size)
            else:
                self._shape.covers(start + size)
            found[tag] = _Entry(tag, values, start, size, _CODES.get(type_, ""))
        return found

    def _outside(self, tag: int, end: int) -> None:
        if self._panasonic and tag == _STRIPS:
            return
        if tag in _WANTED:
            self._shape.cut("directory", end, self._size)
            return
        why = f"a value (tag {tag:#06x}) should go on to byte {end:,}, behind the end of the file"
        self._shape.flaw(f"value {tag:04X} outside", why, grave=False, habit=True)

    def _values(self, entries: dict[int, _Entry]) -> Generator[Ask, Answer, dict[int, tuple[int, ...]]]:
        """The whole numbers of the fields that matter here, asked for in the order in which they lie."""
        tags = _WANTED | _PANASONIC_SIZE if self._panasonic else _WANTED
        wanted = sorted((one for tag, one in entries.items() if tag in tags), key=lambda one: one.at)
        found: dict[int, tuple[int, ...]] = {}
        for one in wanted:
            if not one.code or one.count == 0:
                continue
            count = min(one.count, self._numbers, LONGEST_PIECE // 4)
            if count < one.count:
                self._shape.unsure = self._shape.unsure or "it has more strips than a camera writes"
            if count == 0:
                continue
            self._numbers -= count
            width = struct.calcsize("<" + one.code)
            packed = yield from piece(one.at, count * width)
            if packed is None:
                self._passed()
                continue
            numbers = struct.unpack_from(f"{self._order}{len(packed) // width}{one.code}", packed)
            if numbers:
                found[one.tag] = numbers
        return found

    def _parts(self, values: dict[int, tuple[int, ...]]) -> None:
        """Note what one directory says of image data."""
        compression = values.get(_COMPRESSION, (1,))[0]
        for starts, lengths in (_STRIP_TAGS, _TILE_TAGS):
            if starts in values and lengths in values:
                self._pieces(values[starts], values[lengths], compression, values)
        if _JPEG_AT in values and values.get(_JPEG_BYTES, (0,))[0]:
            start, length = values[_JPEG_AT][0], values[_JPEG_BYTES][0]
            if not self._shape.cut("preview", start + length, self._size):
                self._ahead_of(start, start + length, "preview")
        if self._panasonic and _PANASONIC_RAW in values:
            start = values[_PANASONIC_RAW][0]
            if not self._shape.cut("image data", start + max(1, _least_panasonic(values)), self._size):
                self._shape.image.append(Span(start, self._size))
                self._shape.unsure = self._shape.unsure or "it does not say where its image data ends"

    def _pieces(
        self,
        starts: tuple[int, ...],
        lengths: tuple[int, ...],
        compression: int,
        values: dict[int, tuple[int, ...]],
    ) -> None:
        if self._panasonic:
            return
        if len(starts) != len(lengths):
            why = f"it names {len(starts):,} strips and {len(lengths):,} lengths"
            self._shape.flaw("strips without lengths", why, grave=False, habit=True)
        small = values.get(_SUBFILE, (0,))[0] & 1
        jpeg = compression in _JPEG_KINDS and sum(lengths) != _bare_size(values)
        # Some say that they are compressed and are not: bare pixels may well be all ones, in the sun.
        coded = compression != 1 and sum(lengths) < _bare_size(values)
        # In bare pixels of a finished picture black is zeros; the values of a sensor lie above them.
        flat = compression == 1 and values.get(_SAMPLES, (1,))[0] >= 3
        # A small picture that is no JPEG is bare pixels, and its corners may well be black.
        what = "preview" if small else "image data"
        for start, length in zip(starts, lengths, strict=False):
            if length == 0:
                continue
            if self._shape.cut(what, start + length, self._size):
                continue
            if jpeg:
                self._ahead_of(start, start + length, what)
            elif not small:
                self._shape.image.append(Span(start, start + length, coded, flat=flat))

    def _ahead_of(self, start: int, end: int, what: str) -> None:
        """Walk a JPEG stream when it passes by; a second one in the same place is the same."""
        if start in self._streams:
            return
        if len(self._streams) == MOST_STREAMS:
            self._shape.unsure = self._shape.unsure or f"it has more than {MOST_STREAMS:,} tiles"
            return
        self._streams.add(start)
        heapq.heappush(self._ahead, (start, end, what))

    def _passed(self) -> None:
        self._shape.unsure = self._shape.unsure or "one of its directories was past before its place was known"


def _bare_size(values: dict[int, tuple[int, ...]]) -> int:
    """Bytes of the picture without any compression; some raws call a picture JPEG that has just so many."""
    width, height = (values.get(tag, (0,))[0] for tag in (_WIDTH, _HEIGHT))
    bits, samples = values.get(_BITS, (1,)), values.get(_SAMPLES, (1,))[0]
    return width * height * max(samples, len(bits)) * max(bits) // 8


def _least_panasonic(values: dict[int, tuple[int, ...]]) -> int:
    """Return how many bytes image data has at least: all but the newest codings take one or more for a pixel."""
    width, height, coding = (values.get(tag, (0,))[0] for tag in (_SENSOR_WIDTH, _SENSOR_HEIGHT, _RAW_FORMAT))
    return width * height if 2 <= coding <= 7 else 0


_SUBFILE, _COMPRESSION = 0x00FE, 0x0103
_WIDTH, _HEIGHT, _BITS, _SAMPLES = 0x0100, 0x0101, 0x0102, 0x0115
_STRIPS = 0x0111
_STRIP_TAGS, _TILE_TAGS = (_STRIPS, 0x0117), (0x0144, 0x0145)
_JPEG_AT, _JPEG_BYTES = 0x0201, 0x0202
_PANASONIC_RAW = 0x0118
_SENSOR_WIDTH, _SENSOR_HEIGHT, _RAW_FORMAT = 0x0002, 0x0003, 0x002D
_PANASONIC_SIZE = frozenset({_SENSOR_WIDTH, _SENSOR_HEIGHT, _RAW_FORMAT})
_SUB_IFDS, _EXIF_IFD, _GPS_IFD, _INTEROP_IFD = 0x014A, 0x8769, 0x8825, 0xA005
_BELOW_TAGS = (_SUB_IFDS, _EXIF_IFD, _GPS_IFD, _INTEROP_IFD)
_WANTED = frozenset(
    {_SUBFILE, _COMPRESSION, _WIDTH, _HEIGHT, _BITS, _SAMPLES, *_STRIP_TAGS, *_TILE_TAGS}
    | {_JPEG_AT, _JPEG_BYTES, _PANASONIC_RAW, *_BELOW_TAGS}
)
# TIFF 6.0: 6 the old JPEG; technical note 2: 7 the new one, lossless ones too; DNG 1.4: 34892, lossy.
_JPEG_KINDS = frozenset({6, 7, 34892})
_CHAINED, _BELOW = "a directory in the chain", "a directory below another"
_CODES = {1: "B", 3: "H", 4: "I", 13: "I"}
