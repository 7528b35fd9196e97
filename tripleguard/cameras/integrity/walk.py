"""The requests that a structure walk makes while its file is read, and the structure it collects.

A walk has no access to the file. It is a generator that requests a piece of the file, or the next marker of a JPEG
stream, and gets the answer when those bytes are read. So it makes no difference whether the file is in memory or
is a 60 GB film that is read only once. A request for bytes that were read earlier and not kept is answered with
None: the walk then reports that it does not know, never that the file is intact.

The result of a walk is a `FileStructure`: where the image data and the pictures are, and what is inconsistent.
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass, field

from tripleguard.model import IntegrityFlaw

MAX_PIECE_BYTES = 1 << 20
"""Bytes of the largest piece that a walk may request."""

MAKER_TOLERANCE_BYTES = 64
"""Bytes by which a part may exceed the file because of how its maker counts; a truncated copy lacks more."""


@dataclass(frozen=True, slots=True)
class PieceRequest:
    """A request for `size` bytes from an offset.

    The answer is shorter at the end of the file, None if the bytes are gone.
    """

    offset: int
    size: int


@dataclass(frozen=True, slots=True)
class MarkerRequest:
    """A request for the next JPEG marker from an offset and before a limit, restart markers excluded.

    The answer is its offset; NO_MARKER if there is none before the limit or the end of the file; None if the bytes
    are gone.
    """

    offset: int
    limit: int


NO_MARKER = -1

ByteRequest = PieceRequest | MarkerRequest
ByteResponse = bytes | int | None


@dataclass(frozen=True, slots=True)
class ImageSpan:
    """Image data from start to end; zeros in it are not padding.

    Attributes:
        is_compressed: ones, as erased memory reads, can't be image data.
        is_film: may contain silence, which is zeros.
        can_be_flat: an even colour in it may be zeros, though not in most of the picture.
        has_known_end: the end is known exactly, so there is no padding before it.
    """

    start: int
    end: int
    is_compressed: bool = False
    is_film: bool = False
    can_be_flat: bool = False
    has_known_end: bool = False


@dataclass(slots=True)
class FileStructure:
    """What a walk found in one file.

    Attributes:
        flaws: what is inconsistent.
        image_spans: where image data is.
        jpeg_spans: JPEG pictures in the file, as (start, end).
        known_end: end of the furthest part of the file that was identified.
        unsure_reason: why the file can't be called intact although no flaw was found.
    """

    flaws: list[IntegrityFlaw] = field(default_factory=list)
    image_spans: list[ImageSpan] = field(default_factory=list)
    jpeg_spans: list[tuple[int, int]] = field(default_factory=list)
    known_end: int = 0
    unsure_reason: str = ""

    def extend_known_end(self, end: int) -> None:
        """Record that an identified part ends at this offset."""
        self.known_end = max(self.known_end, end)

    def add_flaw(self, sign: str, explanation: str, *, is_grave: bool, is_possible_quirk: bool = False) -> None:
        """Record an inconsistency. Beyond MAX_FLAWS only a grave one is kept, in place of one that is not."""
        flaw = IntegrityFlaw(is_grave, sign, explanation, is_possible_quirk)
        if any(known.sign == sign and known.is_grave == is_grave for known in self.flaws):
            return
        if len(self.flaws) >= MAX_FLAWS:
            mild = next((known for known in self.flaws if not known.is_grave), None)
            if not is_grave or mild is None:
                return
            self.flaws.remove(mild)
        self.flaws.append(flaw)

    def flag_if_cut(self, part: str, end: int, size: int) -> bool:
        """Record a flaw if a part ends behind the end of the file; return whether it does."""
        self.extend_known_end(end)
        if end <= size:
            return False
        late = end - size
        if late <= MAKER_TOLERANCE_BYTES:
            why = f"its {part} should end {late:,} bytes behind the end of the file"
            self.add_flaw(f"{part} ends {late} bytes late", why, is_grave=True, is_possible_quirk=True)
        else:
            why = f"it is cut short: its {part} goes on to byte {end:,}, the file ends at {size:,}"
            self.add_flaw("cut short", why, is_grave=True)
        return True


MAX_FLAWS = 8

StructureWalk = Generator[ByteRequest, ByteResponse, None]
"""A walk; it fills in the `FileStructure` that it was given."""


def request_piece(offset: int, size: int) -> Generator[ByteRequest, ByteResponse, bytes | None]:
    """Request one piece: `data = yield from request_piece(0, 8)`. Return None if it is gone."""
    answer = yield PieceRequest(offset, size)
    return answer if isinstance(answer, bytes) else None


def request_marker(offset: int, limit: int) -> Generator[ByteRequest, ByteResponse, int | None]:
    """Request the next marker. Return None if the bytes are gone."""
    answer = yield MarkerRequest(offset, limit)
    return answer if isinstance(answer, int) else None
