"""Damages stored copies as stored data is damaged, seeded, and keeps what was done as the truth to hold tools to.

Shapes and proportions: Panzer-Steindel, Data integrity, CERN 2007: of the errors that were found 10 % single bits,
10 % of one sector (512 bytes), 80 % aligned regions of 64 KiB. Beside them what torn writing leaves: a tail of
zeros, a truncation, two blocks that changed places. Damage comes in clusters of neighbours, as
Bairavasundaram et al. found (An analysis of data corruption in the storage stack, FAST'08).
"""

from __future__ import annotations

import os
import random
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

SECTOR = 512
REGION = 64 << 10
BLOCK = 4096

STUDIED = {"bit": 10, "sector": 10, "region": 80}
"""Per cent of the errors in the study."""
TORN = ("zero tail", "truncated", "swapped")
TORN_SHARE = 15
"""Per cent of the faults injected here that are of a torn shape; the study gives none, so this is ours."""

_KEPT_TIME = 0.7
_CLUSTER = 6
"""Neighbours that are damaged together, on average."""

Found = tuple[str, str, str]
"""Kind of finding, drive, path."""


@dataclass(frozen=True)
class Fault:
    """One damaged copy. start, end: the bytes that were touched. good, bad: what it held before and after."""

    drive: str
    path: str
    shape: str
    kept_time: bool
    start: int
    end: int
    good: bytes
    bad: bytes

    @property
    def kind(self) -> str:
        """By DESIGN's words: corrupt with size and time as they were, else altered."""
        return "corrupt" if self.kept_time and len(self.bad) == len(self.good) else "altered"

    @property
    def found(self) -> Found:
        return (self.kind, self.drive, self.path)

    def sentence(self) -> str:
        """How a person should be told, worked out from the bytes alone and not as the program does it."""
        unlike = [at for at, (one, other) in enumerate(zip(self.bad, self.good, strict=False)) if one != other]
        match self.shape:
            case "bit":
                return f"one bit is flipped, at byte {self.start:,}"
            case "sector":
                return f"one sector of 512 bytes is different, at byte {unlike[0]:,}"
            case "region":
                span = unlike[-1] - unlike[0] + 1
                return f"a region of {span:,} bytes is different, from byte {unlike[0]:,} on"
            case "zero tail":
                return f"everything from byte {len(self.bad.rstrip(bytes(1))):,} on is zeros"
            case "truncated":
                return f"the last {len(self.good) - len(self.bad):,} bytes are missing"
            case "swapped":
                return f"blocks have changed places, between byte {unlike[0]:,} and {unlike[-1]:,}"
        raise AssertionError(f"no sentence for {self.shape}")


def shapes_of(number: int, chance: random.Random) -> list[str]:
    """That many shapes in the proportions above, in random order."""
    torn = round(number * TORN_SHARE / 100)
    shapes = [TORN[one % len(TORN)] for one in range(torn)]
    for shape in ("bit", "sector"):
        shapes += [shape] * round((number - torn) * STUDIED[shape] / 100)
    shapes += ["region"] * (number - len(shapes))
    chance.shuffle(shapes)
    return shapes


def clustered(
    on: Mapping[str, Sequence[str]], number: int, chance: random.Random
) -> tuple[list[tuple[str, str]], int]:
    """That many (drive, path), in runs of neighbours in one folder; and in how many runs. on: paths by drive.

    No path is taken on both drives.
    """
    folders: dict[tuple[str, str], list[str]] = {}
    for drive, paths in on.items():
        for path in sorted(paths):
            folders.setdefault((drive, path.rpartition("/")[0]), []).append(path)
    taken: dict[str, str] = {}
    runs = 0
    while len(taken) < number:
        assert runs < 100 * number, "so many files do not lie there"
        drive, folder = chance.choice(sorted(folders))
        paths = folders[drive, folder]
        first = chance.randrange(len(paths))
        length = min(1 + int(chance.expovariate(1 / (_CLUSTER - 1))), number - len(taken))
        new = [path for path in paths[first : first + length] if path not in taken]
        taken.update(dict.fromkeys(new, drive))
        runs += bool(new)
    return sorted((drive, path) for path, drive in taken.items()), runs


def damage(root: Path, drive: str, path: str, shape: str, chance: random.Random) -> Fault:
    """Damage one copy in that shape where it lies; in seven of ten its time stays as it was."""
    where = root / path
    good = where.read_bytes()
    bad, start, end = damaged(good, shape, chance)
    kept = chance.random() < _KEPT_TIME
    rewrite(where, bad, start, kept_time=kept)
    return Fault(drive, path, shape, kept, start, end, good, bad)


def rewrite(where: Path, content: bytes, start: int = 0, *, kept_time: bool = True) -> None:
    """Put other bytes into a file where it lies, from start on, with its time as it was or of now."""
    status = where.stat()
    with where.open("r+b") as file:
        file.seek(start)
        file.write(content[start:])
        file.truncate(len(content))
    if kept_time:
        os.utime(where, ns=(status.st_atime_ns, status.st_mtime_ns))


def damaged(good: bytes, shape: str, chance: random.Random) -> tuple[bytes, int, int]:
    """The bytes after damage of one shape; from where to where they were touched."""
    bad, size = bytearray(good), len(good)
    start, end = 0, size
    match shape:
        case "bit":
            start = chance.randrange(size)
            end = start + 1
            bad[start] ^= 1 << chance.randrange(8)
        case "sector":
            start, end = _place(size, SECTOR, chance)
            bad[start:end] = chance.randbytes(end - start)
        case "region":
            start, end = _place(size, REGION, chance)
            empty = bytes(end - start)
            # A region that was never written is zeros; one that belonged to something else is anything.
            zeros = end < size and chance.random() < 0.3 and any(good[end:]) and good[start:end] != empty
            bad[start:end] = empty if zeros else chance.randbytes(end - start)
        case "zero tail":
            start = chance.randrange(size - 2)
            bad[start:] = bytes(size - start)
        case "truncated":
            start = 0 if chance.random() < 0.1 else chance.randrange(1, size)
            del bad[start:]
        case "swapped":
            unit = chance.choice([BLOCK, BLOCK, 4 * BLOCK])
            one, other = sorted(chance.sample(range(size // unit), 2))
            start, end = one * unit, (other + 1) * unit
            bad[one * unit : (one + 1) * unit] = good[other * unit : (other + 1) * unit]
            bad[other * unit : (other + 1) * unit] = good[one * unit : (one + 1) * unit]
        case _:
            raise AssertionError(f"no such shape: {shape}")
    assert bytes(bad) != good, f"{shape} changed nothing"
    return bytes(bad), start, end


def _place(size: int, unit: int, chance: random.Random) -> tuple[int, int]:
    """One aligned unit that lies whole in the file."""
    start = chance.randrange(size // unit) * unit
    return start, start + unit
