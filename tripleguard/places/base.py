"""The interface between the jobs and the places that copies are read from and written to.

A job never knows what kind of place it works with. It begins a copy, writes buffers, flushes, publishes the copy
under a final name that must be free, makes the folders durable, and reads the copy back past the cache. Jobs get
their places from a `PlaceAccess`, which the job context carries; `local.LocalPlaces` is the one that opens
folders of this machine.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from tripleguard.model import Entry, FreeSpace, FsLimits, Medium, PlaceRecord, UncopyableEntry
from tripleguard.places.changes import FolderChanges
from tripleguard.places.disks import DiskSet
from tripleguard.places.fs_identity import FileSystemIdentity
from tripleguard.places.marker import Marker
from tripleguard.places.quarantine import QuarantineEntry


class CopyReader(Protocol):
    """One copy that is read from its beginning to its end."""

    @property
    def medium(self) -> Medium:
        """Return how far down the reading reaches. Final only once the first bytes were read."""

    def readinto(self, buffer: memoryview) -> int:
        """Fill buffer from where the last call ended; return the bytes read, 0 at the end. Raises OSError."""

    def close(self) -> None:
        """End the reading."""


class PositionalReader(Protocol):
    """A file that several threads may read at once."""

    def read_at(self, offset: int, buffer: memoryview) -> int:
        """Fill buffer from offset on; fewer bytes only at the end of the file. Raises OSError.

        Args:
            offset: in bytes, a multiple of `cache_bypass.BLOCK_BYTES`.
            buffer: aligned as `cache_bypass.allocate_aligned` does it.
        """


class PlaceReader(CopyReader, PositionalReader, Protocol):
    """A copy on a place, to be read either in order or by offset."""


class CopyWriter(Protocol):
    """One unfinished copy. Nothing of it has a final name before `publish`."""

    def write(self, buffer: memoryview) -> None:
        """Append buffer. Raises NoSpaceError, PlaceFailedError."""

    def flush(self, mtime_ns: int) -> None:
        """Set the modification time and force every byte to the medium. Raises NoSpaceError, PlaceFailedError."""

    def publish(self, path: str) -> Entry:
        """Give the flushed copy its final name, never replacing. Raises NameTakenError, PlaceFailedError."""

    def discard(self) -> None:
        """Remove the unfinished copy. Never raises."""

    def quarantine_partial(self, name: str, reason: str) -> None:
        """Move what was written so far to quarantine with a note; it may help a recovery."""


class ChangeWatch(Protocol):
    """Notices what is changed in the folders it watches, from the call of `watch` on."""

    @property
    def is_complete(self) -> bool:
        """Return whether every folder that was asked for is watched."""

    @property
    def is_supported(self) -> bool:
        """Return whether this system can report changes at all."""

    def watch(self, folder: str) -> None:
        """Watch a folder from now on."""

    def begin_reading(self, path: str) -> None:
        """Watch a file from now on: it is about to be read, so earlier changes no longer matter."""

    def may_have_changed(self, path: str) -> bool:
        """Return whether the file at path may have been changed until now."""

    def changes(self) -> FolderChanges:
        """Return what has been changed until now."""

    def close(self) -> None:
        """End the watching."""


class Readable(Protocol):
    """What a copy can be read from; all that a source has to be."""

    def open_reader(self, path: str) -> CopyReader:
        """Open a copy for reading. Raises FileNotFoundError if it is not there."""

    def is_connected(self) -> bool:
        """Return whether this very place still answers."""


@dataclass(frozen=True, slots=True)
class IgnoredEntry:
    """System litter that is left on the card."""

    path: str


CardItem = Entry | UncopyableEntry | IgnoredEntry
"""One item of a card's listing."""


@dataclass(slots=True)
class CardTotals:
    """What a card holds: files and bytes to copy, litter that is left, items that can't be copied."""

    files: int = 0
    total_bytes: int = 0
    ignored: int = 0
    uncopyable: int = 0


class SourceFolder(Readable, Protocol):
    """A card, or a folder that is read like one: listed and read, never changed.

    Attributes:
        is_physical_card: whether it counts when the user counts their cards.
    """

    is_physical_card: bool

    @property
    def root(self) -> Path:
        """Return where it is mounted."""

    def close(self) -> None:
        """Let go of it."""

    def entries(self) -> Iterator[CardItem]:
        """Yield everything on the card as it is now. Raises CardGoneError."""

    def read_insertion(self) -> str | None:
        """Return what tells this card, in this mounting, from every other one; None if that is unknown."""

    def start_change_monitor(self) -> ChangeWatch:
        """Begin to notice changes on the card; no folder is watched yet."""

    def open_reader(self, path: str) -> PlaceReader:
        """Open a file for one pass, past the cache. Raises OSError."""

    def open_second_reader(self, path: str) -> PlaceReader:
        """Open a file for a second pass, past the device's caches too. Raises OSError."""

    def read_at(self, path: str, offset: int, length: int) -> bytes:
        """Return a piece of a file. Raises OSError."""

    def entries_in(self, folder: str) -> list[Entry]:
        """Return the files right in a folder as they are now; none if it can't be listed."""

    def stat(self, path: str) -> Entry | None:
        """Return the file as it is now, None if it is not there or can't be asked for."""

    def is_unchanged(self, entry: Entry) -> bool:
        """Return whether the file is still as it was listed."""


class CopyTarget(Protocol):
    """What the copy engine writes to. Paths are relative to it. Every method may raise PlaceFailedError."""

    @property
    def name(self) -> str:
        """Return the name to show to the user."""

    @property
    def fs_limits(self) -> FsLimits:
        """Return what names and sizes its file system can hold."""

    def free_space(self) -> FreeSpace:
        """Return how much can be written, and what is kept in reserve."""

    def is_connected(self) -> bool:
        """Return whether this very place still answers: its marker is there and is its own."""

    def stat(self, path: str) -> Entry | None:
        """Return the plain file at path as it is now, or None."""

    def exists(self, path: str) -> bool:
        """Return whether anything at all is at path, by the place's own idea of equal names."""

    def begin_copy(self, size: int) -> CopyWriter:
        """Start a copy of size bytes. Raises NoSpaceError before a byte is written if it can't fit."""

    def fsync_dirs(self, folders: Iterable[str]) -> None:
        """Make the names in these folders durable."""

    def fsync_files(self, path: str, /) -> None:
        """Flush the bytes at path and its name to the medium, whatever program wrote them."""

    def open_reader(self, path: str) -> CopyReader:
        """Open a copy for reading back past the cache. Raises FileNotFoundError if it is not there."""

    def quarantine(self, path: str, reason: str) -> str:
        """Move a bad copy out of the way with a note, never deleting. Return where it is now."""


class Place(CopyTarget, Protocol):
    """A drive: where copies are kept. Everything that jobs do with a drive is in here."""

    @property
    def uid(self) -> str:
        """Return the id in its marker."""

    @property
    def root(self) -> Path:
        """Return where it is mounted, for messages and to find it again."""

    @property
    def best_medium(self) -> Medium:
        """Return the furthest down that a reading can reach here."""

    @property
    def disk_id(self) -> str | None:
        """Return the disk it is on, the same for all partitions of the disk; None if that is unknown."""

    @property
    def is_rotational(self) -> bool:
        """Return whether a head has to move, so that reading and writing at once is slow."""

    @property
    def insertion(self) -> str | None:
        """Return an id of this mount; None if it is unknown, or would prove nothing."""

    @property
    def keeps_change_times(self) -> bool:
        """Return whether its file system keeps the time of each change, which no program can set back."""

    @property
    def makes_up_change_times(self) -> bool:
        """Return whether an unchanged file may show different change times."""

    @property
    def is_read_only(self) -> bool:
        """Return whether nobody can write to its medium now; False where the system can't say."""

    def close(self) -> None:
        """Let go of it."""

    def open_reader(self, path: str) -> PlaceReader:
        """Open a copy as in `CopyTarget`; it may be read by offset too."""

    def fsync_files(self, *paths: str) -> None:
        """Flush several files as in `CopyTarget`."""

    def read_identity(self) -> FileSystemIdentity:
        """Return what identifies the file system that it is on."""

    def find_disks(self) -> DiskSet:
        """Return the physical disks that it is on; None if that is unknown."""

    def start_change_monitor(self) -> ChangeWatch:
        """Begin to notice changes; no folder is watched yet."""

    def walk(self, folder: str) -> Iterator[Entry]:
        """Yield every plain file below folder, ours and strangers', without the tool's own folder."""

    def list_dir(self, folder: str) -> list[tuple[str, os.stat_result | OSError]]:
        """Return what is in a folder, each name with its lstat or the error it gave. Raises OSError."""

    def open_for_reading(self, path: str) -> int:
        """Return a descriptor for reading at any offset, not past the cache. Raises OSError."""

    def move(self, old: str, new: str) -> Entry:
        """Give a file another name that is free, never replacing. Raises NameTakenError."""

    def list_quarantine(self) -> list[QuarantineEntry]:
        """Return everything in quarantine."""

    def is_quarantine_unchanged(self, entry: QuarantineEntry) -> bool:
        """Return whether a quarantined file is the very same as it was listed. Raises OSError."""

    def delete_quarantined(self, entry: QuarantineEntry) -> bool:
        """Remove one quarantined file at a person's request; False: it has changed, and stays."""

    def remove_empty_dirs(self) -> None:
        """Remove empty folders of the quarantine that the tool made."""

    def write_own(self, path: str, content: Iterable[bytes], *, replaces: bytes | None = None) -> None:
        """Put one of the tool's own small files at path, in place of an earlier one of its own only.

        Args:
            path: one of the names that the tool keeps for itself.
            content: in pieces.
            replaces: what else it may replace: this content, which the caller has taken over.
        """

    def read_own(self, path: str, limit: int) -> bytes | None:
        """Return one of the tool's own files, None if it is not there. The caller holds the lock."""

    def read_own_unlocked(self, path: str, limit: int) -> bytes | None:
        """Return one of the tool's own files without repairing anything, so that no lock is needed."""

    def list_own_files(self, folder: str) -> list[Entry]:
        """Return the tool's own files right in one of its folders."""

    def is_certainly_own(self, path: str) -> bool:
        """Return whether a plain file is at path that the tool wrote."""

    def delete_own(self, path: str) -> None:
        """Remove a superseded file of the tool's own."""

    def delete_unfinished(self) -> int:
        """Remove what interrupted jobs left unfinished; return how many. The caller holds the lock."""

    def open_lock(self) -> int:
        """Return a read-write descriptor of the lock file. Raises NoSpaceError."""


class PlaceAccess(Protocol):
    """How jobs find and open places. Every method may raise PlaceError in plain words."""

    def find_connected(self, records: Iterable[PlaceRecord], extra_roots: Iterable[Path] = ()) -> dict[str, Path]:
        """Return where each connected drive is: id to path. Raises PlaceError for one id at two paths.

        Args:
            records: the drives to look for.
            extra_roots: folders to examine besides those where drives were and are mounted.
        """

    def open_drive(self, root: Path, *, reserve_bytes: int = 0, no_atime: bool = False) -> Place:
        """Open the drive at root by its marker.

        Args:
            root: where it is mounted.
            reserve_bytes: bytes to keep free, at most a twentieth of the drive.
            no_atime: leave no trace, not even a time of last access.
        """

    def open_unmarked_drive(self, root: Path, marker: Marker) -> Place:
        """Open the folder at root as the drive it may be, before its marker says so."""

    def open_source(self, root: Path) -> SourceFolder:
        """Open a folder to list and read it like a card, whatever it holds."""

    def check_not_on_card(self, root: Path, card_folders: Sequence[str]) -> None:
        """Raise UsageError if root is, or is on, a card. card_folders: the folders that make one."""

    def find_enclosing_drive(self, root: Path) -> Path | None:
        """Return the drive, of any catalog, that root lies in; None if it lies in none."""

    def read_marker(self, root: Path) -> Marker | None:
        """Return the marker at root, None if there is none."""

    def write_new_marker(self, root: Path, marker: Marker) -> None:
        """Write the marker of a new drive at root. Raises PlaceError if it has one."""

    def rewrite_marker(self, place: Place, marker: Marker) -> None:
        """Write a drive's marker in place of one that is damaged or gone."""

    def read_identity(self, root: Path) -> FileSystemIdentity | None:
        """Return what identifies the file system at root; None if it can't be opened."""

    def read_free_space(self, root: Path, reserve_bytes: int) -> FreeSpace | None:
        """Return the space at root; None if it can't say."""

    def read_evidence_reach(self, root: Path) -> tuple[Medium, str | None]:
        """Return the best medium of a reading at root, and the insertion of the drive there."""
