"""How a walk through a file asks for the few bytes it needs, while the file streams past.

A walk never sees the file. It is a generator that asks for a piece, or for the next marker of a JPEG stream, and
is given the answer when those bytes come by; so it does not matter whether the file lies in memory or is 60 GB
of film that nobody will read twice. What lies behind it already, and is not kept any more, is answered with
None: then the walk says that it does not know, and never that all is well.

What a walk learns is a `Shape`: where the image data and the pictures lie, and what does not hold together.
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass, field

from tripleguard.model import Flaw

LONGEST_PIECE = 1 << 20
"""Bytes of the largest piece a walk may ask for."""

HABIT_BYTES = 64
"""A part that ends so few bytes late may be how its maker counts; the end of a copy is missed by more."""


@dataclass(frozen=True, slots=True)
class Piece:
    """Asks for size bytes from an offset of the file; fewer are given at its end, None if they are past."""

    at: int
    size: int


@dataclass(frozen=True, slots=True)
class NextMarker:
    """Asks where, from an offset and before a limit, the next JPEG marker stands that is no restart marker.

    The answer is its offset; LIMIT if there is none before the limit or the file's end; None if it is past.
    """

    at: int
    limit: int


LIMIT = -1

Ask = Piece | NextMarker
Answer = bytes | int | None


@dataclass(frozen=True, slots=True)
class Span:
    """Image data from start to end; zeros in it are no padding.

    coded: it is compressed, so that ones, as erased memory reads, can't be picture either. film: silence may stand
    in it, which is zeros. flat: an even colour in it may be zeros, if not most of the picture. full: it is
    known where it ends, so that nothing is filled up there.
    """

    start: int
    end: int
    coded: bool = False
    film: bool = False
    flat: bool = False
    full: bool = False


@dataclass(slots=True)
class Shape:
    """What a walk learnt of one file.

    image: where image data lies. pictures: JPEG pictures in it, as (start, end). reach: the furthest byte that
    belongs to something known. unsure: why it can't be said to be whole, though nothing was found.
    """

    flaws: list[Flaw] = field(default_factory=list)
    image: list[Span] = field(default_factory=list)
    pictures: list[tuple[int, int]] = field(default_factory=list)
    reach: int = 0
    unsure: str = ""

    def covers(self, end: int) -> None:
        """Something known ends here."""
        self.reach = max(self.reach, end)

    def flaw(self, sign: str, why: str, *, grave: bool, habit: bool = False) -> None:
        """Note that something does not hold together; of more than a few, the first and the grave stay."""
        one = Flaw(grave=grave, sign=sign, why=why, habit=habit)
        if any(known.sign == sign and known.grave == grave for known in self.flaws):
            return
        if len(self.flaws) >= MOST_FLAWS:
            mild = next((known for known in self.flaws if not known.grave), None)
            if not grave or mild is None:
                return
            self.flaws.remove(mild)
        self.flaws.append(one)

    def cut(self, what: str, end: int, size: int) -> bool:
        """Note that a part that ends at an offset lies partly behind the end of the file; whether it does."""
        self.covers(end)
        if end <= size:
            return False
        late = end - size
        if late <= HABIT_BYTES:
            why = f"its {what} should end {late:,} bytes behind the end of the file"
            self.flaw(f"{what} ends {late} bytes late", why, grave=True, habit=True)
        else:
            why = f"it is cut short: its {what} goes on to byte {end:,}, the file ends at {size:,}"
            self.flaw("cut short", why, grave=True)
        return True


MOST_FLAWS = 8

Walk = Generator[Ask, Answer, None]
"""A walk; it fills in the `Shape` it was given."""


def piece(at: int, size: int) -> Generator[Ask, Answer, bytes | None]:
    """Ask for one piece. `data = yield from piece(0, 8)`."""
    answer = yield Piece(at, size)
    return answer if isinstance(answer, bytes) else None


def next_marker(at: int, limit: int) -> Generator[Ask, Answer, int | None]:
    """Ask for the next marker."""
    answer = yield NextMarker(at, limit)
    return answer if isinstance(answer, int) else None
