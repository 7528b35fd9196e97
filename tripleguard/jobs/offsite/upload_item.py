"""One file to upload, read from one good copy and split into parts with known digests.

The copy is read once to verify it against the catalog and to hash each part (SHA-256); a part that is read again
to be sent must have that digest.
"""

from __future__ import annotations

import hashlib
import os
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

from tripleguard.catalog import file_queries
from tripleguard.catalog.offsite import MissingOffsiteCopy
from tripleguard.catalog.rows import KnownFile
from tripleguard.catalog.store import Catalog
from tripleguard.clock import SECOND
from tripleguard.digest import Hasher
from tripleguard.errors import SourceMismatchError, StoppedError
from tripleguard.jobs.drives import OpenDrive
from tripleguard.model import Copy, CopyState, File, FileKind
from tripleguard.names import escape_text
from tripleguard.places.s3.bucket import MAX_PARTS, MIN_PART_BYTES
from tripleguard.rules import is_as_recorded, is_good_copy

_CHUNK_BYTES = 1024 * 1024


@dataclass(slots=True)
class UploadSource:
    """An open file and its content. All threads that read from it share one descriptor."""

    descriptor: int
    mtime_ns: int
    size: int
    file: File
    part_bytes: int
    part_digests: list[bytes] = field(default_factory=list)
    lock: threading.Lock = field(default_factory=threading.Lock)

    @property
    def part_count(self) -> int:
        return max(1, -(-self.size // self.part_bytes))

    def read_part(self, number: int) -> bytes:
        """Return the bytes of a part, counted from 1. Raises SourceMismatchError, OSError."""
        offset = (number - 1) * self.part_bytes
        body = self._read(offset, min(self.part_bytes, self.size - offset))
        if hashlib.sha256(body).digest() != self.part_digests[number - 1]:
            raise build_changed_error("The copy changed while it was sent")
        return body

    def iter_chunks(self) -> Iterator[bytes]:
        """Yield the whole content, in order. Raises OSError."""
        for offset in range(0, self.size, _CHUNK_BYTES):
            yield self._read(offset, min(_CHUNK_BYTES, self.size - offset))

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
class UploadItem:
    """One file to upload.

    Attributes:
        metadata: What is stored with it as object metadata.
        is_key_chosen: `key` is final.
        is_already_there: The object is stored there already.
        sent_parts: Tag and SHA-256 of the parts that arrived, by number.
        taken_keys: Keys under which other content was found.
    """

    missing_copy: MissingOffsiteCopy
    source: UploadSource
    key: str
    encryption: str
    metadata: dict[str, str]
    is_key_chosen: bool = False
    is_already_there: bool = False
    upload_token: str = ""
    upload_id: int = 0
    sent_parts: dict[int, tuple[str, bytes]] = field(default_factory=dict)
    next_part: int = 1
    is_finishing: bool = False
    has_failed: bool = False
    taken_keys: set[str] = field(default_factory=set)
    lock: threading.Lock = field(default_factory=threading.Lock)


def choose_part_size(size: int) -> int:
    """Return the bytes per part: as small as servers allow, as a broken connection costs half of one."""
    least = -(-size // MAX_PARTS)
    return max(MIN_PART_BYTES, -(-least // _CHUNK_BYTES) * _CHUNK_BYTES)


def open_verified_source(
    catalog: Catalog, drives: Sequence[OpenDrive], known_file: KnownFile, should_stop: Callable[[], bool]
) -> UploadSource | None:
    """Return a good copy of a file on a connected drive, read and verified; None if there is none.

    Raises SourceMismatchError if the only copies hold something else, StoppedError.
    """
    differs: SourceMismatchError | None = None
    for drive, copy in _iter_candidate_copies(catalog, drives, known_file):
        try:
            return _open_verified(drive, copy, known_file, should_stop)
        except SourceMismatchError as error:
            differs = error
        except OSError:
            continue
    if differs is not None:
        raise differs
    return None


def hash_source(descriptor: int, mtime_ns: int, size: int, should_stop: Callable[[], bool]) -> UploadSource:
    """Hash an open file as a whole and by part. Raises OSError, StoppedError."""
    whole, part, sums, filled = Hasher(), hashlib.sha256(), [], 0
    part_bytes = choose_part_size(size)
    os.lseek(descriptor, 0, os.SEEK_SET)
    while piece := os.read(descriptor, min(_CHUNK_BYTES, part_bytes - filled)):
        if should_stop():
            raise StoppedError("Stopped while a copy was read.", safe="What was sent before stays.")
        whole.update(piece)
        part.update(piece)
        filled += len(piece)
        if filled == part_bytes:
            sums.append(part.digest())
            part, filled = hashlib.sha256(), 0
    if filled or not sums:
        sums.append(part.digest())
    file = whole.as_file()
    return UploadSource(descriptor, mtime_ns, file.size, file, part_bytes, sums)


def build_metadata(known_file: KnownFile, source: UploadSource, encryption: str) -> dict[str, str]:
    """Return an object's metadata, so that it describes itself. ASCII only, as in headers."""
    about = {
        "blake3": source.file.digest.hex(),
        "modified": f"{source.mtime_ns // SECOND}.{source.mtime_ns % SECOND:09d}",
    }
    if source.part_count == 1:
        about["sha256"] = source.part_digests[0].hex()
    if encryption:
        about |= {"sealed": encryption}
    return about


def build_changed_error(message: str) -> SourceMismatchError:
    return SourceMismatchError(
        f"{message}.",
        safe="Nothing was made from it, and it was left as it is.",
        do="Run `tripleguard rescan`, or `selects learn` if it was edited.",
    )


def _iter_candidate_copies(
    catalog: Catalog, drives: Sequence[OpenDrive], known_file: KnownFile
) -> Iterator[tuple[OpenDrive, Copy]]:
    """Yield the copies on connected drives that are as recorded, verified ones first."""
    by_id = {drive.record.id: drive for drive in drives}
    copies = [copy for copy in file_queries.list_copies(catalog, known_file.id) if copy.state is CopyState.PRESENT]
    for copy in sorted(copies, key=lambda copy: not is_good_copy(copy)):
        drive = by_id.get(copy.place_id)
        if drive is None:
            continue
        seen = drive.stat_or_none(copy.path)
        if seen is None or seen.size != copy.size:
            continue
        if known_file.kind is FileKind.COMPANION and not is_as_recorded(copy, seen):
            continue
        yield drive, copy


def _open_verified(
    drive: OpenDrive, copy: Copy, known_file: KnownFile, should_stop: Callable[[], bool]
) -> UploadSource:
    descriptor = drive.place.open_for_reading(copy.path)
    try:
        source = hash_source(descriptor, copy.mtime_ns, copy.size, should_stop)
        if source.file != known_file.file:
            raise build_changed_error(
                f"{escape_text(copy.path)} on drive {drive.record.name} does not hold what was recorded"
            )
    except BaseException:
        os.close(descriptor)
        raise
    return source
