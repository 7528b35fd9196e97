"""Finds the picture that a camera's file shows of itself: the JPEG inside a raw, or the JPEG that it is.

The file is fed as it is read, and no more of it than is needed: most raws hold a picture that is large enough near
their beginning. The walks that tell whether a file is whole (`wholeness`) also say where its pictures lie.
"""

from __future__ import annotations

from tripleguard.cameras.kinds import kind_of
from tripleguard.cameras.scaling import LARGEST, LONG_SIDE
from tripleguard.cameras.traits import read_traits
from tripleguard.cameras.wholeness import Look
from tripleguard.model import Kind

MOST_READ = 64 << 20
"""Bytes of one file that are read and kept in search of a picture."""

MOST_PICTURES = 64
"""Pictures of one file that are looked at; raws hold up to four."""

_HEAD = 1 << 18


class Seeker:
    """One search through one file. `feed` its bytes in order until it `has_enough`, then ask for the `best`.

    size: of the whole file. long_side: pixels of the longer side that are enough. Never raises on what bytes are.
    """

    def __init__(self, name: str, size: int, long_side: int = LONG_SIDE) -> None:
        self._look = Look(name, size)
        self._name = name
        self._size = size
        self._enough = long_side
        self._seen = bytearray()
        self._sides: dict[tuple[int, int], int] = {}

    @property
    def has_enough(self) -> bool:
        """Whether nothing more need be read: it was found, or is not worth more."""
        if len(self._seen) >= min(self._size, MOST_READ):
            return True
        # Of a JPEG the whole is the picture; anything smaller is its thumbnail.
        return not self._is_jpeg() and any(side >= self._enough for side in self._found().values())

    @property
    def orientation(self) -> int | None:
        """Which way up it was held, as Exif counts; None where the file does not say."""
        return read_traits(bytes(self._seen[: 1 << 20]), self._name).orientation

    def feed(self, view: memoryview | bytes) -> None:
        """The next bytes of the file."""
        if len(self._seen) < MOST_READ:
            self._seen += view
            self._look.feed(view)

    def best(self) -> bytes | None:
        """The smallest picture that is large enough, else the largest; None if there is none."""
        if self._is_jpeg():
            return bytes(self._seen) if len(self._seen) == self._size <= LARGEST else None
        found = sorted((side, span) for span, side in self._found().items())
        if not found:
            return None
        _, (start, end) = next((one for one in found if one[0] >= self._enough), found[-1])
        return bytes(self._seen[start:end])

    def _is_jpeg(self) -> bool:
        return self._seen.startswith(b"\xff\xd8")

    def _found(self) -> dict[tuple[int, int], int]:
        """Pictures seen whole, each with its longer side."""
        for span in self._look.shape.pictures[:MOST_PICTURES]:
            start, end = span
            if span not in self._sides and end <= len(self._seen) and end - start <= LARGEST:
                traits = read_traits(bytes(self._seen[start : min(end, start + _HEAD)]), "it.jpg")
                self._sides[span] = max(traits.width or 0, traits.height or 0)
        return self._sides


def shows_itself(name: str) -> bool:
    """Whether a file of this name can hold a picture."""
    return kind_of(name) in (Kind.RAW, Kind.PICTURE)
