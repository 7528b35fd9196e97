"""The requests a structure walk makes while its file streams past, and the structure it collects.

A walk never sees the file. It is a generator that requests a piece of it, or the next marker of a JPEG stream, and
gets the answer when those bytes pass. So it does not matter whether the file is in memory or is a 60 GB film that
is read only once. A request for bytes that have passed and were not kept is answered with None: the walk then
reports that it does not know, never that all is well.

The result of a walk is a `FileStructure`: where the image data and the pictures lie, and what does not hold
together.
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass, field

from tripleguard.model import IntegrityFlaw

MAX_PIECE_BYTES = 1 << 20
"""Bytes of the largest piece a walk may ask for."""

MAKER_TOLERANCE_BYTES = 64
"""A part that ends so few bytes late may be how its maker counts; the end of a copy is missed by more."""


@dataclass(frozen=True, slots=True)
class PieceRequest:
    """Asks for size bytes from an offset of the file; fewer are given at its end, None if they are past."""

    offset: int
    size: int


@dataclass(frozen=True, slots=True)
class MarkerRequest:
    """Asks where, from an offset and before a limit, the next JPEG marker stands that is no restart marker.

    The answer is its offset; LIMIT if there is none before the limit or the file's end; None if it is past.
    """

    offset: int
    limit: int


NO_MARKER = -1

ByteRequest = PieceRequest | MarkerRequest
ByteResponse = bytes | int | None


@dataclass(frozen=True, slots=True)
class ImageSpan:
    """Image data from start to end; zeros in it are no padding.

    coded: it is compressed, so that ones, as erased memory reads, can't be picture either. film: silence may stand
    in it, which is zeros. flat: an even colour in it may be zeros, if not most of the picture. full: it is
    known where it ends, so that nothing is filled up there.
    """

    start: int
    end: int
    is_compressed: bool = False
    is_film: bool = False
    can_be_flat: bool = False
    has_known_end: bool = False


@dataclass(slots=True)
class FileStructure:
    """What a walk learnt of one file.

    image: where image data lies. pictures: JPEG pictures in it, as (start, end). reach: the furthest byte that
    belongs to something known. unsure: why it can't be said to be whole, though nothing was found.
    """

    flaws: list[IntegrityFlaw] = field(default_factory=list)
    image_spans: list[ImageSpan] = field(default_factory=list)
    jpeg_spans: list[tuple[int, int]] = field(default_factory=list)
    known_end: int = 0
    unsure_reason: str = ""

    def extend_known_end(self, end: int) -> None:
        """Something known ends here."""
        self.known_end = max(self.known_end, end)

    def add_flaw(self, sign: str, why: str, *, grave: bool, habit: bool = False) -> None:
        """Note that something does not hold together; of more than a few, the first and the grave stay."""
        one = IntegrityFlaw(is_grave=grave, sign=sign, explanation=why, is_possible_quirk=habit)
        if any(known.sign == sign and known.is_grave == grave for known in self.flaws):
            return
        if len(self.flaws) >= MAX_FLAWS:
            mild = next((known for known in self.flaws if not known.is_grave), None)
            if not grave or mild is None:
                return
            self.flaws.remove(mild)
        self.flaws.append(one)

    def flag_if_cut(self, part: str, end: int, size: int) -> bool:
        """Note that a part that ends at an offset lies partly behind the end of the file; whether it does."""
        self.extend_known_end(end)
        if end <= size:
            return False
        late = end - size
        if late <= MAKER_TOLERANCE_BYTES:
            why = f"its {part} should end {late:,} bytes behind the end of the file"
            self.add_flaw(f"{part} ends {late} bytes late", why, grave=True, habit=True)
        else:
            why = f"it is cut short: its {part} goes on to byte {end:,}, the file ends at {size:,}"
            self.add_flaw("cut short", why, grave=True)
        return True


MAX_FLAWS = 8

StructureWalk = Generator[ByteRequest, ByteResponse, None]
"""A walk; it fills in the `FileStructure` it was given."""


def request_piece(offset: int, size: int) -> Generator[ByteRequest, ByteResponse, bytes | None]:
    """Ask for one piece. `data = yield from piece(0, 8)`."""
    answer = yield PieceRequest(offset, size)
    return answer if isinstance(answer, bytes) else None


def request_marker(offset: int, limit: int) -> Generator[ByteRequest, ByteResponse, int | None]:
    """Ask for the next marker."""
    answer = yield MarkerRequest(offset, limit)
    return answer if isinstance(answer, int) else None
