"""Walks through the index (`moov`) of a film: where its samples lie, and whether the index itself is whole.

The index lists, for each track, the chunks in which the samples lie and how long each sample is. What it names
must lie inside the file, and behind the last chunk a camera may leave room, but in front of it there is none. An
index of a long film has millions of entries, so its tables pass in small pieces and are not kept.

ISO/IEC 14496-12, 8.5 (sample tables), 8.7.3 to 8.7.5 (`stsz`, `stsc`, `stco`, `co64`).
"""

from __future__ import annotations

import struct
import sys
from array import array
from collections.abc import Generator
from dataclasses import dataclass

from tripleguard.cameras.asking import Answer, Ask, Shape, Walk, piece

MOST_BOXES = 4096
"""Boxes looked at in one index."""

MOST_DEPTH = 8
"""Levels of boxes that are entered; the tables of a track lie on the fifth."""

MOST_LAST_SAMPLES = 1 << 16
"""Samples whose lengths are kept at the end of a track, to see how long its last chunk is."""

PIECE = 32 << 10
"""Bytes of a table that are looked at together; less than what a stream keeps of what has passed."""


@dataclass(slots=True)
class Track:
    """What one track's tables say. last_chunk: where its last chunk begins; in_last: samples in it."""

    chunks: int = 0
    last_chunk: int = 0
    in_last: int = 0
    same_size: int = 0
    last_sizes: array[int] | None = None

    def end(self) -> int:
        """Return where the samples of the last chunk end; where it begins if that can't be told."""
        sizes = self.last_sizes[-self.in_last :] if self.last_sizes and self.in_last else array("I")
        return self.last_chunk + (sum(sizes) if sizes else self.same_size * self.in_last)


class FilmIndex:
    """Follows one `moov` box and collects where the samples of its tracks lie."""

    def __init__(self, shape: Shape, size: int) -> None:
        self._shape = shape
        self._size = size
        self._boxes = 0
        self._tracks: list[Track] = []

    def samples_end(self) -> int:
        """Return the end of the last sample of all tracks; 0 if no track names any."""
        return max((track.end() for track in self._tracks if track.chunks), default=0)

    def walk(self, start: int, end: int, depth: int = 0) -> Walk:
        """Look at the boxes from start to end, and enter those that lead to the tables."""
        at = start
        while at + 8 <= end:
            self._boxes += 1
            if self._boxes > MOST_BOXES or depth > MOST_DEPTH:
                self._shape.unsure = self._shape.unsure or "its index has more parts than a camera writes"
                return
            header = yield from piece(at, 8)
            if header is None or len(header) < 8:
                self._shape.unsure = self._shape.unsure or "its index was past before its place was known"
                return
            length, kind = struct.unpack(">I4s", header)
            if not 8 <= length <= end - at or not kind.strip(b"\0\xff"):
                if length or header[4:].strip(b"\0") or end - at > _TERMINATOR:
                    self._senseless(at)
                return
            if kind == b"trak":
                self._tracks.append(Track())
            if kind in _ENTERED:
                yield from self.walk(at + 8, at + length, depth + 1)
            elif kind in _TABLES and self._tracks:
                yield from self._table(kind, at + 8, at + length)
            at += length

    def _table(self, kind: bytes, start: int, end: int) -> Walk:
        track = self._tracks[-1]
        header = yield from piece(start, 12)
        if header is None or len(header) < 12 or end - start < 8:
            return
        if kind == b"stsz":
            same, count = struct.unpack_from(">II", header, 4)
            track.same_size = same
            if not same:
                yield from self._sizes(track, start + 12, min(end, start + 12 + 4 * count))
            return
        (count,) = struct.unpack_from(">I", header, 4)
        if kind == b"stsc":
            last = (
                (yield from piece(start + 8 + 12 * (count - 1), 12)) if 0 < count <= (end - start) // 12 else None
            )
            track.in_last = struct.unpack(">III", last)[1] if last is not None and len(last) == 12 else 0
            return
        width = 8 if kind == b"co64" else 4
        yield from self._chunks(track, start + 8, min(end, start + 8 + width * count), "Q" if width == 8 else "I")

    def _sizes(self, track: Track, at: int, end: int) -> Walk:
        kept = array("I")
        while (numbers := (yield from self._numbers(at, end, "I"))) is not None:
            kept.extend(numbers)
            if len(kept) > 2 * MOST_LAST_SAMPLES:
                kept = kept[-MOST_LAST_SAMPLES:]
            at += 4 * len(numbers)
        track.last_sizes = kept

    def _chunks(self, track: Track, at: int, end: int, code: str) -> Walk:
        while (numbers := (yield from self._numbers(at, end, code))) is not None:
            if min(numbers) < 8:
                self._senseless(at)
                return
            track.chunks += len(numbers)
            track.last_chunk = max(track.last_chunk, max(numbers))
            at += numbers.itemsize * len(numbers)
        if track.last_chunk >= self._size:
            self._shape.cut("image data", track.last_chunk + 1, self._size)

    def _numbers(self, at: int, end: int, code: str) -> Generator[Ask, Answer, array[int] | None]:
        """Return the next numbers of a table, big-endian in the file; None at its end or where it is past."""
        numbers = array(code)
        assert numbers.itemsize in (4, 8)
        packed = yield from piece(at, min(PIECE, max(0, end - at)))
        if packed is None:
            self._shape.unsure = self._shape.unsure or "its index was past before its place was known"
            return None
        numbers.frombytes(packed[: len(packed) // numbers.itemsize * numbers.itemsize])
        if not numbers:
            return None
        if _BLANK[0] in packed or _BLANK[1] in packed:
            self._shape.flaw("blank index", "its index holds blank blocks", grave=False, habit=True)
        if sys.byteorder == "little":
            numbers.byteswap()
        return numbers

    def _senseless(self, at: int) -> None:
        why = f"its index makes no sense from byte {at:,} on"
        self._shape.flaw("senseless index", why, grave=False, habit=True)


_ENTERED = frozenset({b"trak", b"mdia", b"minf", b"stbl"})
_TABLES = frozenset({b"stsz", b"stsc", b"stco", b"co64"})
_TERMINATOR = 8
_BLANK = (bytes(4096), b"\xff" * 4096)
