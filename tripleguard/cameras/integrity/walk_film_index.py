"""Walk through the index (`moov`) of a film: where its samples are, and whether the index itself is intact.

For each track the index lists the chunks that hold the samples and the length of each sample. These must lie
inside the file; a camera may pad behind the last chunk, but not before it. The index of a long film has millions
of entries, so its tables are read in small pieces and not kept.

ISO/IEC 14496-12, 8.5 (sample tables), 8.7.3 to 8.7.5 (`stsz`, `stsc`, `stco`, `co64`).
"""

from __future__ import annotations

import struct
import sys
from array import array
from collections.abc import Generator
from dataclasses import dataclass

from tripleguard.cameras.integrity.walk import (
    ByteRequest,
    ByteResponse,
    FileStructure,
    StructureWalk,
    request_piece,
)

MAX_BOXES = 4096
"""Boxes examined in one index."""

MAX_DEPTH = 8
"""Nesting levels that are entered; the tables of a track are on the fifth."""

MAX_LAST_SAMPLES = 1 << 16
"""Sample lengths kept from the end of a track, to compute the length of its last chunk."""

TABLE_PIECE_BYTES = 32 << 10
"""Bytes of a table requested at once; less than the tail that is kept."""


@dataclass(slots=True)
class FilmTrack:
    """What the tables of one track say. last_chunk_offset: start of the last chunk."""

    chunk_count: int = 0
    last_chunk_offset: int = 0
    samples_in_last_chunk: int = 0
    fixed_sample_size: int = 0
    last_sample_sizes: array[int] | None = None

    def get_samples_end(self) -> int:
        """Return where the samples of the last chunk end; its start if that can't be computed."""
        sizes = (
            self.last_sample_sizes[-self.samples_in_last_chunk :]
            if self.last_sample_sizes and self.samples_in_last_chunk
            else array("I")
        )
        return self.last_chunk_offset + (
            sum(sizes) if sizes else self.fixed_sample_size * self.samples_in_last_chunk
        )


class FilmIndex:
    """A walk through one `moov` box that collects where the samples of its tracks are."""

    def __init__(self, structure: FileStructure, size: int) -> None:
        self._structure = structure
        self._size = size
        self._box_count = 0
        self._tracks: list[FilmTrack] = []

    def get_samples_end(self) -> int:
        """Return the end of the last sample of all tracks; 0 if no track names any."""
        return max((track.get_samples_end() for track in self._tracks if track.chunk_count), default=0)

    def walk(self, start: int, end: int, depth: int = 0) -> StructureWalk:
        """Read the boxes from start to end, and enter those that lead to the tables."""
        at = start
        while at + 8 <= end:
            self._box_count += 1
            if self._box_count > MAX_BOXES or depth > MAX_DEPTH:
                self._structure.unsure_reason = (
                    self._structure.unsure_reason or "its index has more parts than a camera writes"
                )
                return
            header = yield from request_piece(at, 8)
            if header is None or len(header) < 8:
                self._structure.unsure_reason = (
                    self._structure.unsure_reason or "its index was past before its place was known"
                )
                return
            length, kind = struct.unpack(">I4s", header)
            if not 8 <= length <= end - at or not kind.strip(b"\0\xff"):
                if length or header[4:].strip(b"\0") or end - at > _TERMINATOR_BYTES:
                    self._flag_invalid(at)
                return
            if kind == b"trak":
                self._tracks.append(FilmTrack())
            if kind in _CONTAINER_BOXES:
                yield from self.walk(at + 8, at + length, depth + 1)
            elif kind in _TABLE_BOXES and self._tracks:
                yield from self._walk_table(kind, at + 8, at + length)
            at += length

    def _walk_table(self, kind: bytes, start: int, end: int) -> StructureWalk:
        track = self._tracks[-1]
        header = yield from request_piece(start, 12)
        if header is None or len(header) < 12 or end - start < 8:
            return
        if kind == b"stsz":
            same, count = struct.unpack_from(">II", header, 4)
            track.fixed_sample_size = same
            if not same:
                yield from self._walk_sizes(track, start + 12, min(end, start + 12 + 4 * count))
            return
        (count,) = struct.unpack_from(">I", header, 4)
        if kind == b"stsc":
            last = (
                (yield from request_piece(start + 8 + 12 * (count - 1), 12))
                if 0 < count <= (end - start) // 12
                else None
            )
            track.samples_in_last_chunk = (
                struct.unpack(">III", last)[1] if last is not None and len(last) == 12 else 0
            )
            return
        width = 8 if kind == b"co64" else 4
        yield from self._walk_chunks(
            track, start + 8, min(end, start + 8 + width * count), "Q" if width == 8 else "I"
        )

    def _walk_sizes(self, track: FilmTrack, at: int, end: int) -> StructureWalk:
        kept = array("I")
        while (numbers := (yield from self._read_numbers(at, end, "I"))) is not None:
            kept.extend(numbers)
            if len(kept) > 2 * MAX_LAST_SAMPLES:
                kept = kept[-MAX_LAST_SAMPLES:]
            at += 4 * len(numbers)
        track.last_sample_sizes = kept

    def _walk_chunks(self, track: FilmTrack, at: int, end: int, code: str) -> StructureWalk:
        while (numbers := (yield from self._read_numbers(at, end, code))) is not None:
            if min(numbers) < 8:
                self._flag_invalid(at)
                return
            track.chunk_count += len(numbers)
            track.last_chunk_offset = max(track.last_chunk_offset, max(numbers))
            at += numbers.itemsize * len(numbers)
        if track.last_chunk_offset >= self._size:
            self._structure.flag_if_cut("image data", track.last_chunk_offset + 1, self._size)

    def _read_numbers(
        self, at: int, end: int, code: str
    ) -> Generator[ByteRequest, ByteResponse, array[int] | None]:
        """Return the next numbers of a table, big-endian in the file; None at its end or if the bytes are gone."""
        numbers = array(code)
        assert numbers.itemsize in (4, 8)
        packed = yield from request_piece(at, min(TABLE_PIECE_BYTES, max(0, end - at)))
        if packed is None:
            self._structure.unsure_reason = (
                self._structure.unsure_reason or "its index was past before its place was known"
            )
            return None
        numbers.frombytes(packed[: len(packed) // numbers.itemsize * numbers.itemsize])
        if not numbers:
            return None
        if _BLANK_BLOCKS[0] in packed or _BLANK_BLOCKS[1] in packed:
            self._structure.add_flaw(
                "blank index", "its index holds blank blocks", is_grave=False, is_possible_quirk=True
            )
        if sys.byteorder == "little":
            numbers.byteswap()
        return numbers

    def _flag_invalid(self, at: int) -> None:
        why = f"its index makes no sense from byte {at:,} on"
        self._structure.add_flaw("senseless index", why, is_grave=False, is_possible_quirk=True)


_CONTAINER_BOXES = frozenset({b"trak", b"mdia", b"minf", b"stbl"})
_TABLE_BOXES = frozenset({b"stsz", b"stsc", b"stco", b"co64"})
_TERMINATOR_BYTES = 8
_BLANK_BLOCKS = (bytes(4096), b"\xff" * 4096)
