"""Walk through a file made of boxes: Canon's CR3, HEIF pictures, films.

At the top level boxes follow one another to the end of the file, and each states its length, so a truncated copy
ends inside one. A film that the camera could not finish has sound and pictures but no index (`moov`) to find them
by. Whatever else a CR3 or a HEIF picture names in its index must lie inside the file, too.

Boxes: ISO/IEC 14496-12, 4.2; sample tables: 8.7; items: 8.11. QuickTime's own: QuickTime File Format (Apple). The
brand of Canon's raw is not published; known from files.
"""

from __future__ import annotations

import itertools
import struct
from collections.abc import Iterator

from tripleguard.cameras.integrity.walk import (
    MAX_PIECE_BYTES,
    FileStructure,
    ImageSpan,
    StructureWalk,
    request_piece,
)
from tripleguard.cameras.integrity.walk_film_index import FilmIndex
from tripleguard.cameras.integrity.walk_jpeg import walk_jpeg_stream

MAX_BOXES = 1 << 16
"""Boxes at the top level; a fragmented film has two for each fragment."""

MAX_PARTS = 4096
"""Samples or items examined in one picture's index."""

MAX_INDEXES = 4
"""Indexes examined in one picture; cameras write one or two."""

CR3_BRAND = b"crx "
HEIF_BRANDS = frozenset({b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1", b"avif"})


def is_box_file_start(head: bytes) -> bool:
    """Return whether the first bytes of a file are those of a file made of boxes.

    Old QuickTime films lack `ftyp`.
    """
    return head[4:8] in _FIRST_BOXES


def walk_boxes(structure: FileStructure, size: int) -> StructureWalk:
    """Walk through a file of `size` bytes that is made of boxes."""
    seen: set[bytes] = set()
    brand = b""
    index: bytes | None = None
    film = FilmIndex(structure, size)
    films: list[tuple[int, int]] = []
    indexes = at = 0
    for _ in range(MAX_BOXES):
        if at == size:
            break
        header = yield from request_piece(at, 16)
        if header is None:
            structure.unsure_reason = "one of its boxes was past before its place was known"
            return
        if len(header) < 8:
            _flag_trailing_bytes(structure, header, at)
            break
        length, kind = struct.unpack(">I4s", header[:8])
        if length == 1 and len(header) == 16:
            (length,) = struct.unpack(">Q", header[8:])
        elif length == 0 and kind != bytes(4):
            # The box extends to the end of the file, so truncation can't be detected.
            length = size - at
            structure.unsure_reason = "its last box does not say how long it is"
        is_unexpected = at + length > size and kind not in _TOP_BOXES and _INDEX_BOXES & seen and b"mdat" in seen
        if not _is_box_type(kind) or length < 8 or is_unexpected:
            end = yield from request_piece(size - len(_MAKER_TRAILER), len(_MAKER_TRAILER))
            if end != _MAKER_TRAILER:
                _flag_invalid_box(structure, header, at, seen)
            break
        if structure.flag_if_cut(_get_part_name(kind), at + length, size):
            break
        if kind == b"ftyp" and at == 0:
            brand = header[8:12]
        if kind in _INDEX_BOXES and brand in _PICTURES:
            indexes += 1
            if length > MAX_PIECE_BYTES or indexes > MAX_INDEXES:
                structure.unsure_reason = "its index is larger than a camera's"
            else:
                index = yield from request_piece(at, length)
        if kind == b"mdat" and index is not None:
            # Check the index now, before the data that it refers to is read.
            yield from _walk_index(structure, size, brand, index)
            index = None
        if kind == b"mdat" and brand not in _PICTURES:
            films.append((at + (16 if header[:4] == b"\0\0\0\1" else 8), at + length))
        if kind == b"moov" and brand not in _PICTURES:
            yield from film.walk(at + 8, at + length)
        seen.add(kind)
        at += length
    else:
        structure.unsure_reason = f"it has more than {MAX_BOXES:,} boxes"
    if index is not None:
        yield from _walk_index(structure, size, brand, index)
    structure.image_spans += [_get_film_span(start, end, film.get_samples_end()) for start, end in films]
    if not any(flaw.is_grave for flaw in structure.flaws):
        _flag_missing_parts(structure, seen, brand)


def _get_film_span(start: int, end: int, samples_end: int) -> ImageSpan:
    """Return the part of a film's data that holds samples; cameras may pad it behind the last sample."""
    if start < samples_end <= end:
        return ImageSpan(start, samples_end, is_film=True, has_known_end=True)
    return ImageSpan(start, end, is_film=True, has_known_end=samples_end > end)


_MAKER_TRAILER = b"8db42d694ccc418790edff439fe026bf"
"""The end of the trailer that one maker of 360-degree cameras adds to its films; not published, from memory."""

_FIRST_BOXES = frozenset({b"ftyp", b"moov", b"mdat", b"wide", b"skip", b"free", b"pnot"})
_INDEX_BOXES = frozenset({b"moov", b"moof", b"meta"})
_TOP_BOXES = _FIRST_BOXES | _INDEX_BOXES | {b"uuid", b"udta", b"mfra", b"styp", b"sidx", b"emsg", b"mpvd"}
_PICTURES = HEIF_BRANDS | {CR3_BRAND}
_PART_NAMES = {b"mdat": "image data", b"moov": "index", b"meta": "index", b"moof": "index"}


def _get_part_name(kind: bytes) -> str:
    return _PART_NAMES.get(kind, f"part {kind.decode('latin-1')!r}")


def _is_box_type(kind: bytes) -> bool:
    return all(0x20 <= char < 0x7F or char == 0xA9 for char in kind)


def _flag_trailing_bytes(structure: FileStructure, rest: bytes, at: int) -> None:
    if rest.strip(b"\0"):
        why = f"{len(rest)} bytes at its end, at byte {at:,}, belong to nothing"
        structure.add_flaw("bytes behind the last box", why, is_grave=False, is_possible_quirk=True)


def _flag_invalid_box(structure: FileStructure, header: bytes, at: int, kinds: set[bytes]) -> None:
    """Record that no valid box begins where one should."""
    whole_film = b"moov" in kinds and b"mdat" in kinds and b"moof" not in kinds
    if whole_film and not header.strip(b"\0"):
        # Zeros at the end are space that the camera reserved on the card and did not use.
        return
    if not kinds & _INDEX_BOXES or b"mdat" not in kinds:
        why = f"its structure breaks off at byte {at:,}: what stands there is no box"
        structure.add_flaw("no box", why, is_grave=True, is_possible_quirk=True)
    else:
        # The picture is complete; some writers append data of their own.
        what = "something" if header.strip(b"\0") else "zeros"
        why = f"behind its last box, at byte {at:,}, stands {what} that is no box"
        structure.add_flaw(f"{what} behind the last box", why, is_grave=False, is_possible_quirk=True)


def _flag_missing_parts(structure: FileStructure, kinds: set[bytes], brand: bytes) -> None:
    """Record if a part is missing without which nothing can be shown."""
    if not kinds & _INDEX_BOXES:
        why = "its index is missing: the camera could not finish it, or it was cut"
        structure.add_flaw("no index", why, is_grave=True)
    elif b"mdat" not in kinds and brand not in HEIF_BRANDS:
        structure.add_flaw(
            "no image data",
            "it holds an index and nothing that it could point to",
            is_grave=True,
            is_possible_quirk=True,
        )


def _walk_index(structure: FileStructure, size: int, brand: bytes, content: bytes) -> StructureWalk:
    """Check that everything the index of a picture refers to lies inside the file."""
    places = _iter_samples(content) if brand == CR3_BRAND else _iter_items(content)
    for start, length, holds in sorted(set(itertools.islice(places, MAX_PARTS))):
        if length == 0 or structure.flag_if_cut("image data", start + length, size):
            continue
        if holds == _JPEG:
            stream = yield from walk_jpeg_stream(structure, start, start + length, "preview", is_embedded=True)
            if stream.end is not None:
                structure.jpeg_spans.append((start, stream.end))
        elif holds == _IMAGE:
            structure.image_spans.append(
                ImageSpan(start, start + length, is_compressed=True, has_known_end=brand != CR3_BRAND)
            )


def _iter_boxes(content: bytes, start: int, end: int) -> Iterator[tuple[bytes, int, int]]:
    """Yield kind, content start and content end of each box in a piece of a file."""
    at = start
    for _ in range(MAX_PARTS):
        if at + 8 > end:
            return
        length, kind = struct.unpack_from(">I4s", content, at)
        if length < 8 or at + length > end:
            return
        yield kind, at + 8, at + length
        at += length


_IMAGE, _JPEG, _OTHER = "image", "jpeg", "else"


def _iter_samples(moov: bytes) -> Iterator[tuple[int, int, str]]:
    """Yield offset, size and description of what each track of a Canon raw holds.

    A track has one sample: the JPEG, the reduced raw, the raw, or data about the shot.
    """
    for track in _iter_children(moov, 8, len(moov), b"trak"):
        for media in _iter_children(moov, *track, b"mdia"):
            image = any(moov[at + 8 : at + 12] == b"vide" for at, _ in _iter_children(moov, *media, b"hdlr"))
            for info in _iter_children(moov, *media, b"minf"):
                for table in _iter_children(moov, *info, b"stbl"):
                    descriptions = (moov[at:end] for at, end in _iter_children(moov, *table, b"stsd"))
                    holds = _JPEG if any(b"JPEG" in one for one in descriptions) else _IMAGE if image else _OTHER
                    yield from ((at, length, holds) for at, length in _iter_sample_table(moov, *table))


def _iter_children(content: bytes, start: int, end: int, kind: bytes) -> Iterator[tuple[int, int]]:
    for found, at, stop in _iter_boxes(content, start, end):
        if found == kind:
            yield at, stop


def _iter_sample_table(moov: bytes, start: int, end: int) -> Iterator[tuple[int, int]]:
    """Yield offset and size of the sample of each chunk that has exactly one."""
    offsets: list[int] = []
    sizes: list[int] = []
    for kind, at, stop in _iter_boxes(moov, start, end):
        if kind in (b"co64", b"stco") and at + 8 <= stop:
            width, code = (8, ">Q") if kind == b"co64" else (4, ">I")
            count = min(int.from_bytes(moov[at + 4 : at + 8], "big"), MAX_PARTS, (stop - at - 8) // width)
            offsets = [struct.unpack_from(code, moov, at + 8 + width * n)[0] for n in range(count)]
        elif kind == b"stsz" and at + 12 <= stop:
            same, count = struct.unpack_from(">II", moov, at + 4)
            listed = min(count, MAX_PARTS, (stop - at - 12) // 4)
            sizes = (
                [same] * min(count, MAX_PARTS)
                if same
                else [struct.unpack_from(">I", moov, at + 12 + 4 * n)[0] for n in range(listed)]
            )
    if len(offsets) == len(sizes):
        yield from zip(offsets, sizes, strict=True)


def _iter_items(meta: bytes) -> Iterator[tuple[int, int, str]]:
    """Yield offset and length of every item stored in the file itself (`iloc`, construction method 0)."""
    for at, end in _iter_children(meta, 12, len(meta), b"iloc"):
        yield from ((start, length, _IMAGE) for start, length in _iter_item_spans(meta[at:end]))


def _iter_item_spans(iloc: bytes) -> Iterator[tuple[int, int]]:
    if len(iloc) < 8 or iloc[0] > 2:
        return
    version = iloc[0]
    offset_size, length_size, base_size, index_size = iloc[4] >> 4, iloc[4] & 15, iloc[5] >> 4, iloc[5] & 15
    number_size = 4 if version == 2 else 2
    reader = _BoxNumberReader(iloc, 6)
    count = reader.read_number(number_size)
    for _ in range(min(count, MAX_PARTS)):
        if reader.is_past_end:
            return
        reader.read_number(number_size)
        method = reader.read_number(2) & 15 if version else 0
        reader.read_number(2)
        base, extents = reader.read_number(base_size), reader.read_number(2)
        for _ in range(min(extents, MAX_PARTS)):
            if version:
                reader.read_number(index_size)
            offset, length = reader.read_number(offset_size), reader.read_number(length_size)
            if reader.is_past_end:
                return
            # Items stored elsewhere are yielded with length 0, so that the caller counts all parts.
            yield base + offset, length if method == 0 else 0


class _BoxNumberReader:
    """A reader of consecutive numbers; it returns 0 behind the end."""

    def __init__(self, content: bytes, at: int) -> None:
        self._content = content
        self._offset = at

    @property
    def is_past_end(self) -> bool:
        return self._offset > len(self._content)

    def read_number(self, size: int) -> int:
        start, self._offset = self._offset, self._offset + size
        return int.from_bytes(self._content[start : self._offset], "big") if not self.is_past_end else 0
