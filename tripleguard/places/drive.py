"""A drive: a folder with a marker, held open for the length of a job.

This module reads and lists; every change goes through `place_writer`.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path

from tripleguard.errors import NoSpaceError, PlaceError, PlaceFailedError, PlaceUnreadableError
from tripleguard.model import Entry, FreeSpace, FsLimits
from tripleguard.names import escape_text
from tripleguard.places.cache_bypass import MediumReader, allocate_aligned, detect_cache_bypass, is_rotational
from tripleguard.places.change_times import keeps_change_times, makes_up_change_times
from tripleguard.places.changes import ChangeMonitor
from tripleguard.places.copy_writer import DriveCopyWriter
from tripleguard.places.dir_handle import DirHandle
from tripleguard.places.disks import DiskSet, find_disks
from tripleguard.places.fs_limits import probe_fs_limits
from tripleguard.places.insertion import read_drive_insertion
from tripleguard.places.marker import MARKER_PATH, Marker, encode_marker, read_marker
from tripleguard.places.os_errors import os_errors_explained
from tripleguard.places.place_writer import PlaceWriter
from tripleguard.places.quarantine import QuarantineEntry, list_empty_dirs, list_quarantine
from tripleguard.places.reserved import RESERVED_DIR, SUPERSEDED_SUFFIX


class Drive:
    """One connected drive; see `scan_base.ItemSpan`. Use `open_drive` to get one."""

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
        """Begin to notice what is changed on the drive; it watches nothing yet."""
        return ChangeMonitor(self._folder)

    @property
    def keeps_change_times(self) -> bool:
        """Whether its file system keeps times of change; see `change_times`."""
        return keeps_change_times(self.cache_bypass.file_system)

    @property
    def makes_up_change_times(self) -> bool:
        """Whether two looks at an untouched file may show two times of change; see `change_times`."""
        return makes_up_change_times(self.cache_bypass.file_system)

    @property
    def dir_handle(self) -> DirHandle:
        """The drive's folder, held open."""
        return self._folder

    def find_disks(self) -> DiskSet:
        """The physical disks that the drive is on; None: can't be told."""
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
        """Whether its medium can't be written to by anybody now; False where the system can't say."""
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
        """See `scan_base.ItemSpan`. The marker comes from the medium: memory answers for a drive that is long
        dead."""
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
        """What is in a folder, each name with its lstat or the error it gave. Raises OSError."""
        return self._folder.list_dir(folder)

    def open_for_reading(self, path: str) -> int:
        """A descriptor for reading at any offset, not past the cache. Raises OSError."""
        return self._folder.open(path, os.O_RDONLY)

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
        """Everything that lies in the aside folder. Raises PlaceFailed."""
        with os_errors_explained(self._writer.place_name, "looking at what lies aside"):
            return list_quarantine(self._folder, made_up=self.makes_up_change_times)

    def remove_empty_dirs(self) -> None:
        """Remove folders in aside that the tool made and that are empty. Raises PlaceFailed."""
        with os_errors_explained(self._writer.place_name, "looking at what lies aside"):
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
        """See `scan_base.ItemSpan`; replaces as in `PlaceWriter.write_own`."""
        self._writer.write_own(path, content, replaces=replaces)

    def is_certainly_own(self, path: str) -> bool:
        """Whether a plain file stands at path that the tool wrote; see `provenance`. Raises PlaceFailed."""
        with os_errors_explained(self._writer.place_name, f"looking at {escape_text(path)}"):
            return self._writer.is_certainly_own(path)

    def read_own(self, path: str, limit: int) -> bytes | None:
        """One of the tool's own files, None if it is not there. Raises PlaceFailed."""
        self._writer.restore_own(path)
        with os_errors_explained(self._writer.place_name, f"reading {escape_text(path)}"):
            try:
                return self._folder.read_small(path, limit)
            except (FileNotFoundError, NotADirectoryError):
                return None

    def read_own_unlocked(self, path: str, limit: int) -> bytes | None:
        """As `read_own`, and nothing is put right on the way, so that it needs no lock. Raises PlaceFailed."""
        with os_errors_explained(self._writer.place_name, f"reading {escape_text(path)}"):
            # While it is written anew it lies under its other name; then it is under the first one again.
            for name in (path, path + SUPERSEDED_SUFFIX, path):
                try:
                    return self._folder.read_small(name, limit)
                except (FileNotFoundError, NotADirectoryError):
                    continue
        return None

    def list_own_files(self, folder: str) -> list[Entry]:
        """The tool's own files right in one of its folders. Raises PlaceFailed."""
        with os_errors_explained(self._writer.place_name, f"listing {folder}"):
            return list(self._folder.walk(folder))

    def delete_own(self, path: str) -> None:
        """Remove a superseded file of the tool's own. Raises PlaceFailed."""
        self._writer.delete_own(path)


def open_drive(root: Path, reserve: int = 0, *, no_atime: bool = False) -> Drive:
    """The drive at root, by its marker. reserve: bytes kept free; quiet: see `DirHandle`. Raises PlaceTrouble."""
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
    """Write the marker of a new drive at root. Raises PlaceTrouble if it has one, NoRoom, PlaceFailed."""
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
    """The folder at root as the drive it may be, before its marker says so. Raises PlaceTrouble."""
    return Drive(open_root(root), marker, 0)


def rewrite_marker(drive: Drive, marker: Marker) -> None:
    """Write a drive's marker in place of one that is damaged or gone. Raises NoRoom, PlaceFailed."""
    drive.write_own(MARKER_PATH, [encode_marker(marker)])
    drive.fsync_dirs(["", RESERVED_DIR])


def open_root(root: Path, *, no_atime: bool = False) -> DirHandle:
    """The folder at root, held open; quiet as in `DirHandle`. Raises PlaceTrouble in plain words."""
    try:
        return DirHandle(root, no_atime=no_atime)
    except FileNotFoundError:
        what = f"There is nothing at {root}."
    except NotADirectoryError:
        what = f"{root} is not a folder."
    except OSError as error:
        raise PlaceUnreadableError(
            f"{root} can't be opened ({error.strerror}).",
            safe="Nothing was changed.",
            do="Unplug it, plug it in again; if it stays so, check its file system before you write to it.",
        ) from error
    raise PlaceError(
        what, safe="Nothing was changed.", do="Check that the drive is connected and that the path is right."
    )


def read_free_space(folder: DirHandle, reserve: int) -> FreeSpace:
    """Free and total bytes on the volume under folder. Raises OSError."""
    if hasattr(os, "fstatvfs") and folder.fd is not None:
        status = os.fstatvfs(folder.fd)
        return FreeSpace(status.f_bavail * status.f_frsize, status.f_blocks * status.f_frsize, reserve)
    import shutil

    usage = shutil.disk_usage(folder.root)
    return FreeSpace(usage.free, usage.total, reserve)
