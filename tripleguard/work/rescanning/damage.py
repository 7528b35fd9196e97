"""What became of a bad copy, told by laying it beside a good one.

The shapes are those that studies of stored data found (Panzer-Steindel, Data integrity, CERN 2007: single bits,
512-byte sectors, 64 KiB regions), and those of interrupted or torn writing: a truncated tail, zeros from some
point on, blocks that changed places.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass

SECTOR = 512
REGION = 65536
_MOST_SECTORS = 16384
"""Differing sectors (8 MiB) of which it is remembered what they hold, to tell whether they only changed places."""


@dataclass(frozen=True, slots=True)
class Damage:
    """How a copy differs. shape: a word; bytes in all that differ, from first to last offset (0 without any).

    words: the sentence for a person.
    """

    shape: str
    differing: int
    first: int
    last: int
    words: str


class Comparison:
    """Takes a bad and a good copy piece by piece, in order, and says what is different."""

    def __init__(self) -> None:
        self._offset = 0
        self._differing = 0
        self._bits = 0
        self._first: int | None = None
        self._last = 0
        self._bad_size = 0
        self._good_size = 0
        self._zeros_since: int | None = None
        # Each sector's content once more in the bad copy, once less in the good one: all even if none was lost.
        self._sectors: Counter[int] = Counter()
        self._differing_sectors = 0

    def feed(self, bad: bytes, good: bytes) -> None:
        """The next piece of both, whole sectors but for the last; either may be shorter at its end."""
        self._bad_size += len(bad)
        self._good_size += len(good)
        self._watch_zeros(bad)
        common = min(len(bad), len(good))
        for start, one, other in _unequal_sectors(bad[:common], good[:common]):
            self._differs(self._offset + start, one, other)
        self._offset += common

    def damage(self) -> Damage:
        """The verdict once both copies were fed whole."""
        first = self._first if self._first is not None else 0
        if self._bad_size < self._good_size and self._differing == 0:
            missing = self._good_size - self._bad_size
            return self._said("truncated", f"the last {missing:,} bytes are missing", first)
        if self._bad_size > self._good_size and self._differing == 0:
            more = self._bad_size - self._good_size
            return self._said("grown", f"{more:,} bytes were added at the end", first)
        if self._differing == 0:
            return self._said("none", "no difference was found this time", first)
        if self._bits == 1:
            return self._said("bit", f"one bit is flipped, at byte {first:,}", first)
        zeros = self._zeros_since
        if zeros is not None and self._first is not None and zeros <= self._first:
            return self._said("zero tail", f"everything from byte {zeros:,} on is zeros", first)
        if self._only_moved():
            return self._said(
                "swapped", f"blocks have changed places, between byte {first:,} and {self._last:,}", first
            )
        span = self._last - first + 1
        if span <= SECTOR and first // SECTOR == self._last // SECTOR:
            return self._said("sector", f"one sector of {SECTOR} bytes is different, at byte {first:,}", first)
        if span <= REGION:
            return self._said("region", f"a region of {span:,} bytes is different, from byte {first:,} on", first)
        return self._said(
            "scattered",
            f"{self._differing:,} bytes are different, between byte {first:,} and {self._last:,}",
            first,
        )

    def _said(self, shape: str, words: str, first: int) -> Damage:
        return Damage(shape, self._differing, first, self._last, words)

    def _differs(self, start: int, bad: bytes, good: bytes) -> None:
        """Count one differing sector of both, at start."""
        unlike = (int.from_bytes(bad) ^ int.from_bytes(good)).to_bytes(len(bad))
        self._first = start + len(unlike) - len(unlike.lstrip(b"\0")) if self._first is None else self._first
        self._last = start + len(unlike.rstrip(b"\0")) - 1
        self._differing += len(unlike) - unlike.count(0)
        self._bits += int.from_bytes(unlike).bit_count()
        self._differing_sectors += 1
        if self._differing_sectors <= _MOST_SECTORS:
            self._sectors[hash(bad)] += 1
            self._sectors[hash(good)] -= 1

    def _only_moved(self) -> bool:
        """Whether every differing sector of the good copy is in the bad one, at another place."""
        same_size = self._bad_size == self._good_size
        return same_size and 1 < self._differing_sectors <= _MOST_SECTORS and not any(self._sectors.values())

    def _watch_zeros(self, bad: bytes) -> None:
        start = self._bad_size - len(bad)
        stripped = bad.rstrip(b"\0")
        if stripped:
            self._zeros_since = start + len(stripped) if len(stripped) < len(bad) else None
        elif self._zeros_since is None and bad:
            self._zeros_since = start


def _unequal_sectors(bad: bytes, good: bytes) -> Iterator[tuple[int, bytes, bytes]]:
    if bad == good:
        return
    for start in range(0, len(bad), SECTOR):
        one, other = bad[start : start + SECTOR], good[start : start + SECTOR]
        if one != other:
            yield start, one, other
