"""A drive: a folder with a marker, held open for the length of a job.

This module reads and lists; every change goes through `place_writer`.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path

from tripleguard.errors import NoSpaceError, PlaceError, PlaceFailedError
from tripleguard.model import Entry, FreeSpace, FsLimits, Medium
from tripleguard.names import escape_text
from tripleguard.places.cache_bypass import (
    MediumReader,
    allocate_aligned,
    detect_cache_bypass,
    find_disk_id,
    is_rotational,
)
from tripleguard.places.change_times import keeps_change_times, makes_up_change_times
from tripleguard.places.changes import ChangeMonitor
from tripleguard.places.copy_writer import DriveCopyWriter
from tripleguard.places.dir_handle import DirHandle, open_root, read_free_space
from tripleguard.places.disks import DiskSet, find_disks
from tripleguard.places.fs_identity import FileSystemIdentity, read_identity
from tripleguard.places.fs_limits import probe_fs_limits
from tripleguard.places.insertion import read_drive_insertion
from tripleguard.places.marker import MARKER_PATH, Marker, encode_marker, read_marker
from tripleguard.places.os_errors import os_errors_explained
from tripleguard.places.place_writer import PlaceWriter
from tripleguard.places.quarantine import QuarantineEntry, list_empty_dirs, list_quarantine
from tripleguard.places.reserved import RESERVED_DIR, SUPERSEDED_SUFFIX


class Drive:
    """One connected drive; a `base.Place`. Use `open_drive` to get one."""

    def __init__(self, folder: DirHandle, marker: Marker, reserve_bytes: int) -> None:
        self._folder = folder
        self._marker = marker
        self._reserve_bytes = reserve_bytes
        self._writer = PlaceWriter(folder, f"Drive {marker.name}")
        self._fs_limits: FsLimits | None = None
        self.cache_bypass = detect_cache_bypass(folder.root)
        self.is_rotational = is_rotational(folder.root)
        self.insertion = read_drive_insertion(folder.root, folder.fd)

    @property
    def uid(self) -> str:
        return self._marker.id

    @property
    def name(self) -> str:
        return self._marker.name

    @property
    def root(self) -> Path:
        return self._folder.root

    def start_change_monitor(self) -> ChangeMonitor:
        return ChangeMonitor(self._folder)

    def read_identity(self) -> FileSystemIdentity:
        return read_identity(self._folder)

    @property
    def keeps_change_times(self) -> bool:
        return keeps_change_times(self.cache_bypass.file_system)

    @property
    def makes_up_change_times(self) -> bool:
        return makes_up_change_times(self.cache_bypass.file_system)

    @property
    def best_medium(self) -> Medium:
        return self.cache_bypass.medium

    @property
    def disk_id(self) -> str | None:
        return find_disk_id(self._folder.root)

    def find_disks(self) -> DiskSet:
        return find_disks(self._folder.root)

    @property
    def writer(self) -> PlaceWriter:
        return self._writer

    @property
    def fs_limits(self) -> FsLimits:
        if self._fs_limits is None:
            self._fs_limits = probe_fs_limits(self._folder, self._writer)
        return self._fs_limits

    def close(self) -> None:
        self._folder.close()

    @property
    def is_read_only(self) -> bool:
        if sys.platform == "win32" or self._folder.fd is None:
            return False
        try:
            return bool(os.fstatvfs(self._folder.fd).f_flag & os.ST_RDONLY)
        except OSError:
            return False

    def free_space(self) -> FreeSpace:
        with os_errors_explained(self._writer.place_name, "asking for free space"):
            return read_free_space(self._folder, self._reserve_bytes)

    def is_connected(self) -> bool:
        """Return whether the drive responds; reads the marker past the cache, which outlives a dead drive."""
        if not self._folder.is_still_at_root():
            return False
        try:
            marker = read_marker(self._folder, self._read_from_medium)
        except PlaceError:
            return False
        return marker is not None and marker.id == self.uid

    def stat(self, path: str) -> Entry | None:
        with os_errors_explained(self._writer.place_name, f"looking at {escape_text(path)}"):
            return self._folder.stat(path)

    def exists(self, path: str) -> bool:
        with os_errors_explained(self._writer.place_name, f"looking at {escape_text(path)}"):
            try:
                self._folder.lstat(path)
            except (FileNotFoundError, NotADirectoryError):
                return False
            return True

    def list_dir(self, folder: str) -> list[tuple[str, os.stat_result | OSError]]:
        return self._folder.list_dir(folder)

    def open_for_reading(self, path: str) -> int:
        return self._folder.open_for_reading(path)

    def walk(self, folder: str) -> Iterator[Entry]:
        yield from self._folder.walk(folder, exclude=frozenset({RESERVED_DIR}))

    def begin_copy(self, size: int) -> DriveCopyWriter:
        if self.fs_limits.max_file_bytes and size > self.fs_limits.max_file_bytes:
            raise NoSpaceError(
                f"{self._writer.place_name} can't hold files over {self.fs_limits.max_file_bytes:,} bytes "
                f"({self.fs_limits.file_system}).",
                safe="The file on the card is untouched.",
                do="Use a drive with exFAT or another file system that can hold it.",
            )
        room = self.free_space()
        if not room.can_hold(size):
            raise NoSpaceError(
                f"{self._writer.place_name} has no room for {size:,} bytes more: {room.free:,} are free and "
                f"{room.reserve:,} are kept in reserve.",
                safe="Copies that were finished stay.",
                do="Use another drive, then run `tripleguard topup`.",
            )
        return DriveCopyWriter(self._writer)

    def fsync_dirs(self, folders: Iterable[str]) -> None:
        self._writer.fsync_dirs(folders)

    def fsync_files(self, *paths: str) -> None:
        self._writer.fsync_files(*paths)

    def open_reader(self, path: str) -> MediumReader:
        return MediumReader(self._folder, path, self.cache_bypass)

    def _read_from_medium(self, path: str, limit: int) -> bytes:
        buffer = allocate_aligned(limit)
        reading = self.open_reader(path)
        try:
            return bytes(buffer[: reading.read_at(0, buffer)])
        finally:
            reading.close()

    def quarantine(self, path: str, reason: str) -> str:
        return self._writer.quarantine(path, reason)

    def list_quarantine(self) -> list[QuarantineEntry]:
        with os_errors_explained(self._writer.place_name, "looking at what is in quarantine"):
            return list_quarantine(self._folder, made_up=self.makes_up_change_times)

    def is_quarantine_unchanged(self, entry: QuarantineEntry) -> bool:
        return entry.is_unchanged(self._folder.lstat(entry.path))

    def remove_empty_dirs(self) -> None:
        with os_errors_explained(self._writer.place_name, "looking at what is in quarantine"):
            bare = list_empty_dirs(self._folder)
        for path in bare:
            self._writer.remove_empty_dir(path)

    def move(self, old: str, new: str) -> Entry:
        self._writer.move(old, new)
        entry = self.stat(new)
        if entry is None:
            raise PlaceFailedError(
                f"{self._writer.place_name}: {escape_text(new)} is not there after it was named."
            )
        return entry

    def write_own(self, path: str, content: Iterable[bytes], *, replaces: bytes | None = None) -> None:
        self._writer.write_own(path, content, replaces=replaces)

    def is_certainly_own(self, path: str) -> bool:
        with os_errors_explained(self._writer.place_name, f"looking at {escape_text(path)}"):
            return self._writer.is_certainly_own(path)

    def read_own(self, path: str, limit: int) -> bytes | None:
        self._writer.restore_own(path)
        with os_errors_explained(self._writer.place_name, f"reading {escape_text(path)}"):
            try:
                return self._folder.read_small(path, limit)
            except (FileNotFoundError, NotADirectoryError):
                return None

    def read_own_unlocked(self, path: str, limit: int) -> bytes | None:
        with os_errors_explained(self._writer.place_name, f"reading {escape_text(path)}"):
            # While it is rewritten it has its other name, and afterwards the first one again.
            for name in (path, path + SUPERSEDED_SUFFIX, path):
                try:
                    return self._folder.read_small(name, limit)
                except (FileNotFoundError, NotADirectoryError):
                    continue
        return None

    def list_own_files(self, folder: str) -> list[Entry]:
        with os_errors_explained(self._writer.place_name, f"listing {folder}"):
            return list(self._folder.walk(folder))

    def delete_own(self, path: str) -> None:
        self._writer.delete_own(path)

    def delete_unfinished(self) -> int:
        return self._writer.delete_unfinished()

    def delete_quarantined(self, entry: QuarantineEntry) -> bool:
        return self._writer.delete_quarantined(entry)

    def open_lock(self) -> int:
        return self._writer.open_lock()


def open_drive(root: Path, reserve: int = 0, *, no_atime: bool = False) -> Drive:
    """Open the drive at root by its marker. Raises PlaceError.

    Args:
        root: where it is mounted.
        reserve: bytes to keep free.
        no_atime: see `DirHandle`.
    """
    folder = open_root(root, no_atime=no_atime)
    try:
        marker = read_marker(folder)
        if marker is None:
            raise PlaceError(
                f"{root} is not a drive that tripleguard knows.",
                safe="Nothing was changed.",
                do=f"Connect the right drive, or add this one with `tripleguard drives add NAME {root}`.",
            )
        return Drive(folder, marker, reserve)
    except BaseException:
        folder.close()
        raise


def write_new_marker(root: Path, marker: Marker) -> None:
    """Write the marker of a new drive at root. Raises PlaceError if it has one, NoSpaceError, PlaceFailedError."""
    folder = open_root(root)
    try:
        if read_marker(folder) is not None:
            raise PlaceError(f"{root} already is a drive with a marker.", safe="It was left as it is.")
        storing = PlaceWriter(folder, f"Drive {marker.name}")
        storing.write_own(MARKER_PATH, [encode_marker(marker)])
        storing.fsync_dirs(["", RESERVED_DIR])
    finally:
        folder.close()


def open_unmarked_drive(root: Path, marker: Marker) -> Drive:
    """Open the folder at root as the drive it may be, before its marker says so. Raises PlaceError."""
    return Drive(open_root(root), marker, 0)
