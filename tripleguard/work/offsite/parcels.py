"""What is on its way offsite: one file from one good copy, cut into parts whose sums are known before they go.

The copy is read once to know that it holds what the catalog says, and to know each part's SHA-256; what is read
again when a part's turn comes must have that very sum.
"""

from __future__ import annotations

import hashlib
import os
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

from tripleguard.catalog import questions
from tripleguard.catalog.offsite import Debt
from tripleguard.catalog.rows import KnownFile
from tripleguard.catalog.store import Catalog
from tripleguard.clock import SECOND
from tripleguard.digest import Hasher
from tripleguard.errors import SourceDiffers, Stopped
from tripleguard.model import Copy, CopyState, File, Kind
from tripleguard.names import shown
from tripleguard.places.bucket import MOST_PARTS, SMALLEST_PART
from tripleguard.rules import is_as_recorded
from tripleguard.work.kit import OpenDrive

_PIECE = 1024 * 1024


@dataclass(slots=True)
class Source:
    """An open file and what it holds. One descriptor for all threads that read from it."""

    descriptor: int
    mtime_ns: int
    size: int
    file: File
    part_bytes: int
    sums: list[bytes] = field(default_factory=list)
    lock: threading.Lock = field(default_factory=threading.Lock)

    @property
    def parts(self) -> int:
        return max(1, -(-self.size // self.part_bytes))

    def part(self, number: int) -> bytes:
        """The bytes of a part, counted from 1. Raises SourceDiffers, OSError."""
        offset = (number - 1) * self.part_bytes
        body = self._read(offset, min(self.part_bytes, self.size - offset))
        if hashlib.sha256(body).digest() != self.sums[number - 1]:
            raise changed("The copy changed while it was sent")
        return body

    def pieces(self) -> Iterator[bytes]:
        """All of it, in order. Raises OSError."""
        for offset in range(0, self.size, _PIECE):
            yield self._read(offset, min(_PIECE, self.size - offset))

    def close(self) -> None:
        os.close(self.descriptor)

    def _read(self, offset: int, length: int) -> bytes:
        pieces: list[bytes] = []
        with self.lock:
            os.lseek(self.descriptor, offset, os.SEEK_SET)
            while length > 0 and (piece := os.read(self.descriptor, length)):
                pieces.append(piece)
                length -= len(piece)
        return b"".join(pieces)


@dataclass(slots=True, eq=False)
class Parcel:
    """One file on its way. key: the one it gets. about: what stands beside it as metadata.

    aimed: its key was chosen. found: it lies there already. done: parts that arrived, number to tag and SHA-256.
    refused: keys under which something else was found.
    """

    debt: Debt
    source: Source
    key: str
    sealed: str
    about: dict[str, str]
    aimed: bool = False
    found: bool = False
    token: str = ""
    upload_id: int = 0
    done: dict[int, tuple[str, bytes]] = field(default_factory=dict)
    next_part: int = 1
    finishing: bool = False
    failed: bool = False
    refused: set[str] = field(default_factory=set)
    lock: threading.Lock = field(default_factory=threading.Lock)


def part_size(size: int) -> int:
    """The bytes of a part: as small as a server takes, as a cut line costs half of one."""
    least = -(-size // MOST_PARTS)
    return max(SMALLEST_PART, -(-least // _PIECE) * _PIECE)


def open_source(
    catalog: Catalog, drives: Sequence[OpenDrive], known: KnownFile, stopped: Callable[[], bool]
) -> Source | None:
    """A good copy of a file on a connected drive, read through and proved; None where there is none.

    Raises SourceDiffers where the only copies hold something else, Stopped.
    """
    differs: SourceDiffers | None = None
    for drive, copy in _copies(catalog, drives, known):
        try:
            return _proved(drive, copy, known, stopped)
        except SourceDiffers as error:
            differs = error
        except OSError:
            continue
    if differs is not None:
        raise differs
    return None


def summed(descriptor: int, mtime_ns: int, size: int, stopped: Callable[[], bool]) -> Source:
    """Read an open file through: its digest, and the sum of each part. Raises OSError, Stopped."""
    whole, part, sums, filled = Hasher(), hashlib.sha256(), [], 0
    part_bytes = part_size(size)
    os.lseek(descriptor, 0, os.SEEK_SET)
    while piece := os.read(descriptor, min(_PIECE, part_bytes - filled)):
        if stopped():
            raise Stopped("Stopped while a copy was read.", safe="What was sent before stays.")
        whole.update(piece)
        part.update(piece)
        filled += len(piece)
        if filled == part_bytes:
            sums.append(part.digest())
            part, filled = hashlib.sha256(), 0
    if filled or not sums:
        sums.append(part.digest())
    file = whole.file()
    return Source(descriptor, mtime_ns, file.size, file, part_bytes, sums)


def described(known: KnownFile, source: Source, sealed: str) -> dict[str, str]:
    """What stands beside an object, so that it explains itself. ASCII only, as headers are."""
    about = {
        "blake3": source.file.digest.hex(),
        "modified": f"{source.mtime_ns // SECOND}.{source.mtime_ns % SECOND:09d}",
    }
    if source.parts == 1:
        about["sha256"] = source.sums[0].hex()
    if sealed:
        about |= {"sealed": sealed}
    return about


def changed(what: str) -> SourceDiffers:
    return SourceDiffers(
        f"{what}.",
        safe="Nothing was made from it, and it was left as it is.",
        do="Run `tripleguard rescan`, or `selects learn` if it was edited.",
    )


def _copies(catalog: Catalog, drives: Sequence[OpenDrive], known: KnownFile) -> Iterator[tuple[OpenDrive, Copy]]:
    """Copies that lie on connected drives as recorded, verified ones first."""
    by_id = {drive.record.id: drive for drive in drives}
    copies = [copy for copy in questions.copies_of(catalog, known.id) if copy.state is CopyState.PRESENT]
    for copy in sorted(copies, key=lambda copy: copy.evidence.verified_at is None):
        drive = by_id.get(copy.place_id)
        if drive is None:
            continue
        seen = drive.seen(copy.path)
        if seen is None or seen.size != copy.size:
            continue
        if known.kind is Kind.COMPANION and not is_as_recorded(copy, seen):
            continue
        yield drive, copy


def _proved(drive: OpenDrive, copy: Copy, known: KnownFile, stopped: Callable[[], bool]) -> Source:
    descriptor = drive.place.open_for_reading(copy.path)
    try:
        source = summed(descriptor, copy.mtime_ns, copy.size, stopped)
        if source.file != known.file:
            raise changed(f"{shown(copy.path)} on drive {drive.record.name} does not hold what was recorded")
    except BaseException:
        os.close(descriptor)
        raise
    return source
