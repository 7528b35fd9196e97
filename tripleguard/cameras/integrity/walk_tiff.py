"""Walk through a raw that is a TIFF file: its directories, and the image data that they refer to.

Most raws are TIFF files: NEF, CR2, ARW, DNG, PEF, ORF, RW2 and more. Directories are chained and nested; each may
refer to strips, tiles or a JPEG. Everything referred to must lie inside the file, and JPEG data, ordinary or
lossless, is walked from marker to marker.

Tags: TIFF 6.0 (Adobe, 1992), sections 8, 15 and 22; SubIFDs: TIFF technical note 1; Exif's directories: CIPA
DC-008, 4.6.3. Panasonic's raw offset and sensor size are not published; from memory.
"""

from __future__ import annotations

import heapq
import struct
from collections.abc import Generator
from dataclasses import dataclass

from tripleguard.cameras.integrity.walk import (
    MAX_PIECE_BYTES,
    ByteRequest,
    ByteResponse,
    FileStructure,
    ImageSpan,
    StructureWalk,
    request_piece,
)
from tripleguard.cameras.integrity.walk_jpeg import walk_jpeg_stream
from tripleguard.cameras.tiff import BYTE_ORDERS, TYPE_BYTES

MAX_DIRECTORIES = 64
MAX_ENTRIES = 1024
MAX_STREAMS = 4096
"""Strips, tiles and pictures walked as JPEG streams in one file."""

MAX_NUMBERS = 1 << 17
"""Numbers read from one file's directories: offsets and lengths of its strips and tiles."""


def walk_tiff(structure: FileStructure, size: int) -> StructureWalk:
    """Walk through a raw of `size` bytes that begins with a TIFF header."""
    head = yield from request_piece(0, 8)
    if head is None or len(head) < 8:
        structure.add_flaw("cut short", "it is cut short: not even its header is whole", is_grave=True)
        return
    order = BYTE_ORDERS[head[:4]]
    yield from _DirectoryWalk(structure, size, order, head.startswith(b"IIU")).walk(
        *struct.unpack(order + "I", head[4:])
    )
    if not structure.image_spans and not structure.flaws:
        structure.unsure_reason = structure.unsure_reason or "it does not say where its image data lies"


@dataclass(frozen=True, slots=True)
class _DirectoryEntry:
    """One field. offset: where its value begins; size: its bytes; struct_code: for whole numbers."""

    tag: int
    count: int
    offset: int
    size: int
    struct_code: str


class _DirectoryWalk:
    """A walk through the directories and JPEG streams of one file, each once, in file order."""

    def __init__(self, structure: FileStructure, size: int, order: str, is_panasonic: bool) -> None:
        self._structure = structure
        self._size = size
        self._order = order
        self._is_panasonic = is_panasonic
        self._queue: list[tuple[int, int, str]] = []
        self._directory_offsets: set[int] = set()
        self._stream_starts: set[int] = set()
        self._streams_end = 0
        self._numbers_left = MAX_NUMBERS

    def walk(self, first: int) -> StructureWalk:
        if not 8 <= first < self._size:
            self._structure.add_flaw("no directory", "its first directory lies outside the file", is_grave=True)
            return
        self._enqueue_directory(first, _CHAINED)
        while self._queue:
            at, end, what = heapq.heappop(self._queue)
            if what in (_CHAINED, _NESTED):
                yield from self._walk_directory(at, is_chained=what == _CHAINED)
            else:
                yield from self._walk_stream(at, end, what)

    def _enqueue_directory(self, offset: int, how: str) -> None:
        """Queue a directory to be read when its offset is reached."""
        if offset == 0 or offset in self._directory_offsets:
            return
        if not 8 <= offset < self._size:
            why = f"a directory should begin at byte {offset:,}, outside the file"
            self._structure.add_flaw("directory outside", why, is_grave=False, is_possible_quirk=True)
        elif len(self._directory_offsets) == MAX_DIRECTORIES:
            self._structure.unsure_reason = (
                self._structure.unsure_reason or "it has more directories than a camera writes"
            )
        else:
            self._directory_offsets.add(offset)
            heapq.heappush(self._queue, (offset, 0, how))

    def _walk_stream(self, start: int, end: int, what: str) -> StructureWalk:
        if start < self._streams_end:
            return
        self._streams_end = end
        stream = yield from walk_jpeg_stream(self._structure, start, end, what, is_embedded=True)
        if stream.end is None:
            # The data can't be followed, but zeros in it still count.
            self._structure.image_spans.append(ImageSpan(start, end, is_compressed=True))
        elif not stream.is_lossless:
            self._structure.jpeg_spans.append((start, stream.end))

    def _walk_directory(self, at: int, *, is_chained: bool) -> StructureWalk:
        """Read one directory, and queue or record what it refers to."""
        counted = yield from request_piece(at, 2)
        if counted is None:
            self._set_unsure()
            return
        count = int.from_bytes(counted, "little" if self._order == "<" else "big")
        end = at + 2 + 12 * count + 4
        if len(counted) < 2 or (0 < count <= MAX_ENTRIES and end > self._size):
            self._structure.flag_if_cut("directory", end, self._size)
            return
        if not 0 < count <= MAX_ENTRIES:
            why = f"the directory at byte {at:,} makes no sense ({count:,} entries)"
            self._structure.add_flaw("senseless directory", why, is_grave=False, is_possible_quirk=True)
            return
        packed = yield from request_piece(at + 2, 12 * count + 4)
        if packed is None:
            self._set_unsure()
            return
        self._structure.extend_known_end(end)
        entries = self._parse_entries(packed, at + 2, count)
        values = yield from self._read_values(entries)
        self._note_image_parts(values)
        for tag in _SUBDIRECTORY_TAGS:
            for offset in values.get(tag, ()):
                self._enqueue_directory(offset, _NESTED)
        if is_chained:
            self._enqueue_directory(struct.unpack(self._order + "I", packed[12 * count :])[0], _CHAINED)

    def _parse_entries(self, packed: bytes, at: int, count: int) -> dict[int, _DirectoryEntry]:
        found: dict[int, _DirectoryEntry] = {}
        for number in range(count):
            tag, type_, values, where = struct.unpack_from(self._order + "HHII", packed, 12 * number)
            width = TYPE_BYTES.get(type_)
            if width is None or tag in found:
                continue
            size = width * values
            start = at + 12 * number + 8 if size <= 4 else where
            if start + size > self._size:
                self._flag_outside(tag, start + size)
            else:
                self._structure.extend_known_end(start + size)
            found[tag] = _DirectoryEntry(tag, values, start, size, _STRUCT_CODES.get(type_, ""))
        return found

    def _flag_outside(self, tag: int, end: int) -> None:
        if self._is_panasonic and tag == _STRIPS:
            return
        if tag in _WANTED_TAGS:
            self._structure.flag_if_cut("directory", end, self._size)
            return
        why = f"a value (tag {tag:#06x}) should go on to byte {end:,}, behind the end of the file"
        self._structure.add_flaw(f"value {tag:04X} outside", why, is_grave=False, is_possible_quirk=True)

    def _read_values(
        self, entries: dict[int, _DirectoryEntry]
    ) -> Generator[ByteRequest, ByteResponse, dict[int, tuple[int, ...]]]:
        """Read the whole-number fields that matter here, requested in file order."""
        tags = _WANTED_TAGS | _PANASONIC_SIZE_TAGS if self._is_panasonic else _WANTED_TAGS
        wanted = sorted((one for tag, one in entries.items() if tag in tags), key=lambda one: one.offset)
        found: dict[int, tuple[int, ...]] = {}
        for one in wanted:
            if not one.struct_code or one.count == 0:
                continue
            count = min(one.count, self._numbers_left, MAX_PIECE_BYTES // 4)
            if count < one.count:
                self._structure.unsure_reason = (
                    self._structure.unsure_reason or "it has more strips than a camera writes"
                )
            if count == 0:
                continue
            self._numbers_left -= count
            width = struct.calcsize("<" + one.struct_code)
            packed = yield from request_piece(one.offset, count * width)
            if packed is None:
                self._set_unsure()
                continue
            numbers = struct.unpack_from(f"{self._order}{len(packed) // width}{one.struct_code}", packed)
            if numbers:
                found[one.tag] = numbers
        return found

    def _note_image_parts(self, values: dict[int, tuple[int, ...]]) -> None:
        """Record the image data that one directory refers to."""
        compression = values.get(_COMPRESSION, (1,))[0]
        for starts, lengths in (_STRIP_TAGS, _TILE_TAGS):
            if starts in values and lengths in values:
                self._note_strips(values[starts], values[lengths], compression, values)
        if _JPEG_AT in values and values.get(_JPEG_BYTES, (0,))[0]:
            start, length = values[_JPEG_AT][0], values[_JPEG_BYTES][0]
            if not self._structure.flag_if_cut("preview", start + length, self._size):
                self._enqueue_stream(start, start + length, "preview")
        if self._is_panasonic and _PANASONIC_RAW in values:
            start = values[_PANASONIC_RAW][0]
            if not self._structure.flag_if_cut(
                "image data", start + max(1, _get_min_panasonic_bytes(values)), self._size
            ):
                self._structure.image_spans.append(ImageSpan(start, self._size))
                self._structure.unsure_reason = (
                    self._structure.unsure_reason or "it does not say where its image data ends"
                )

    def _note_strips(
        self,
        starts: tuple[int, ...],
        lengths: tuple[int, ...],
        compression: int,
        values: dict[int, tuple[int, ...]],
    ) -> None:
        if self._is_panasonic:
            return
        if len(starts) != len(lengths):
            why = f"it names {len(starts):,} strips and {len(lengths):,} lengths"
            self._structure.add_flaw("strips without lengths", why, is_grave=False, is_possible_quirk=True)
        small = values.get(_SUBFILE, (0,))[0] & 1
        jpeg = compression in _JPEG_COMPRESSIONS and sum(lengths) != _get_uncompressed_bytes(values)
        # Some raws declare compression but have none: uncompressed pixels may be all ones in overexposed areas.
        coded = compression != 1 and sum(lengths) < _get_uncompressed_bytes(values)
        # In the pixels of a finished picture black is zeros; sensor values have an offset above zero.
        flat = compression == 1 and values.get(_SAMPLES, (1,))[0] >= 3
        # A reduced picture that is not JPEG has uncompressed pixels, and its corners may be black.
        what = "preview" if small else "image data"
        for start, length in zip(starts, lengths, strict=False):
            if length == 0:
                continue
            if self._structure.flag_if_cut(what, start + length, self._size):
                continue
            if jpeg:
                self._enqueue_stream(start, start + length, what)
            elif not small:
                self._structure.image_spans.append(ImageSpan(start, start + length, coded, can_be_flat=flat))

    def _enqueue_stream(self, start: int, end: int, what: str) -> None:
        """Queue a JPEG stream to be walked when its offset is reached, at most once for each offset."""
        if start in self._stream_starts:
            return
        if len(self._stream_starts) == MAX_STREAMS:
            self._structure.unsure_reason = (
                self._structure.unsure_reason or f"it has more than {MAX_STREAMS:,} tiles"
            )
            return
        self._stream_starts.add(start)
        heapq.heappush(self._queue, (start, end, what))

    def _set_unsure(self) -> None:
        self._structure.unsure_reason = (
            self._structure.unsure_reason or "one of its directories was past before its place was known"
        )


def _get_uncompressed_bytes(values: dict[int, tuple[int, ...]]) -> int:
    """Return the bytes of the picture without compression; some raws declare JPEG but have exactly this size."""
    width, height = (values.get(tag, (0,))[0] for tag in (_WIDTH, _HEIGHT))
    bits, samples = values.get(_BITS, (1,)), values.get(_SAMPLES, (1,))[0]
    return width * height * max(samples, len(bits)) * max(bits) // 8


def _get_min_panasonic_bytes(values: dict[int, tuple[int, ...]]) -> int:
    """Return the minimum bytes of image data: all but the newest codings use one or more per pixel."""
    width, height, coding = (values.get(tag, (0,))[0] for tag in (_SENSOR_WIDTH, _SENSOR_HEIGHT, _RAW_FORMAT))
    return width * height if 2 <= coding <= 7 else 0


_SUBFILE, _COMPRESSION = 0x00FE, 0x0103
_WIDTH, _HEIGHT, _BITS, _SAMPLES = 0x0100, 0x0101, 0x0102, 0x0115
_STRIPS = 0x0111
_STRIP_TAGS, _TILE_TAGS = (_STRIPS, 0x0117), (0x0144, 0x0145)
_JPEG_AT, _JPEG_BYTES = 0x0201, 0x0202
_PANASONIC_RAW = 0x0118
_SENSOR_WIDTH, _SENSOR_HEIGHT, _RAW_FORMAT = 0x0002, 0x0003, 0x002D
_PANASONIC_SIZE_TAGS = frozenset({_SENSOR_WIDTH, _SENSOR_HEIGHT, _RAW_FORMAT})
_SUB_IFDS, _EXIF_IFD, _GPS_IFD, _INTEROP_IFD = 0x014A, 0x8769, 0x8825, 0xA005
_SUBDIRECTORY_TAGS = (_SUB_IFDS, _EXIF_IFD, _GPS_IFD, _INTEROP_IFD)
_WANTED_TAGS = frozenset(
    {_SUBFILE, _COMPRESSION, _WIDTH, _HEIGHT, _BITS, _SAMPLES, *_STRIP_TAGS, *_TILE_TAGS}
    | {_JPEG_AT, _JPEG_BYTES, _PANASONIC_RAW, *_SUBDIRECTORY_TAGS}
)
# TIFF 6.0: 6 is the old JPEG; technical note 2: 7 is the new one, including lossless; DNG 1.4: 34892 is lossy.
_JPEG_COMPRESSIONS = frozenset({6, 7, 34892})
_CHAINED, _NESTED = "a directory in the chain", "a directory below another"
_STRUCT_CODES = {1: "B", 3: "H", 4: "I", 13: "I"}
