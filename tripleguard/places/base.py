"""The interface between the jobs and the places that hold copies.

A job never knows what kind of place it writes to. It begins a copy, writes buffers, flushes, publishes it under
a final name that must be free, makes the folders durable, and reads the copy back past the cache. A drive, an
object store and a simulated drive in a test all implement it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Protocol

from tripleguard.model import Entry, FreeSpace, FsLimits, Medium


class CopyReader(Protocol):
    """One copy being read, in order."""

    @property
    def medium(self) -> Medium:
        """How far down the reading reaches. Final only once the first bytes were read."""

    def readinto(self, buffer: memoryview) -> int:
        """Fill buffer from where the last call ended; bytes read, 0 at the end. Raises OSError."""

    def close(self) -> None: ...


class CopyWriter(Protocol):
    """One unfinished copy. Nothing of it stands under a final name before `publish`."""

    def write(self, buffer: memoryview) -> None:
        """Append buffer. Raises NoRoom or PlaceFailed."""

    def flush(self, mtime_ns: int) -> None:
        """Set the time and force every byte to the medium. Raises NoRoom or PlaceFailed."""

    def publish(self, path: str) -> Entry:
        """Give the flushed copy its final name, never replacing. Raises NameTaken, PlaceFailed."""

    def discard(self) -> None:
        """Forget an unfinished copy of our own making. Never raises."""

    def quarantine_partial(self, name: str, reason: str) -> None:
        """Move what was written so far aside under that name with a note: a recovery may want it."""


class Readable(Protocol):
    """What can be read from; all that a source has to be."""

    def open_reader(self, path: str) -> CopyReader:
        """Open a copy for reading. Raises FileNotFoundError if it is not there."""

    def is_connected(self) -> bool:
        """Whether this very place still answers."""


class Place(Protocol):
    """Where copies live. Paths are relative to the place. Everything here may raise PlaceFailed."""

    @property
    def uid(self) -> str: ...

    @property
    def name(self) -> str: ...

    @property
    def fs_limits(self) -> FsLimits: ...

    def free_space(self) -> FreeSpace: ...

    def is_connected(self) -> bool:
        """Whether this very place still answers: its marker is there and is its own."""

    def stat(self, path: str) -> Entry | None:
        """The plain file at path as it lies there now, or None."""

    def exists(self, path: str) -> bool:
        """Whether anything at all stands at path, by the place's own idea of equal names."""

    def walk(self, folder: str) -> Iterator[Entry]:
        """Every plain file below folder, ours and strangers', leaving out the tool's own folder."""

    def begin_copy(self, size: int) -> CopyWriter:
        """Start a copy of size bytes. Raises NoRoom before a byte is written if it can't fit."""

    def fsync_dirs(self, folders: Iterable[str]) -> None:
        """Make the names in these folders durable."""

    def fsync_files(self, path: str) -> None:
        """Force the bytes at path and their name to the medium, whoever wrote them."""

    def open_reader(self, path: str) -> CopyReader:
        """Open a copy for reading back past the cache. Raises FileNotFoundError if it is not there."""

    def quarantine(self, path: str, reason: str) -> str:
        """Move a bad copy out of the way with a note, never deleting. Returns where it lies now."""

    def move(self, old: str, new: str) -> Entry:
        """Give a file another name that is free, never replacing. Raises NameTaken, PlaceFailed."""

    def write_own(self, path: str, content: Iterable[bytes]) -> None:
        """Put one of the tool's own small files at path, giving way only to an earlier one of its own."""
