"""A drive: a folder with a marker, held open for the length of a job.

Reading and looking is here; every change goes through `storing`.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path

from tripleguard.errors import NoRoom, PlaceFailed, PlaceTrouble, PlaceUnreadable
from tripleguard.model import Entry, Limits, Room
from tripleguard.names import shown
from tripleguard.places.aside import Lying, bare_folders, lies_aside
from tripleguard.places.changes import ChangeMonitor
from tripleguard.places.disks import Disks, disks_of
from tripleguard.places.held import HeldFolder
from tripleguard.places.incoming import DriveIncoming
from tripleguard.places.insertion import insertion_of
from tripleguard.places.marker import MARKER, Marker, encoded, read_marker
from tripleguard.places.media import MediumReading, aligned_buffer, depth_of, is_rotational
from tripleguard.places.own import OWN, SUPERSEDED
from tripleguard.places.probe import learn_limits
from tripleguard.places.storing import Storing
from tripleguard.places.telling import told


class Drive:
    """One connected drive; see `base.Place`. Use `open_drive` to get one."""

    def __init__(self, folder: HeldFolder, marker: Marker, reserve: int) -> None:
        self._folder = folder
        self._marker = marker
        self._reserve = reserve
        self._storing = Storing(folder, f"Drive {marker.name}")
        self._limits: Limits | None = None
        self.depth = depth_of(folder.root)
        self.turns = is_rotational(folder.root)
        self.insertion = insertion_of(folder.root, folder.fd)

    @property
    def uid(self) -> str:
        return self._marker.id

    @property
    def name(self) -> str:
        return self._marker.name

    @property
    def root(self) -> Path:
        return self._folder.root

    def change_monitor(self) -> ChangeMonitor:
        """Begin to notice what is changed on the drive; it watches nothing yet."""
        return ChangeMonitor(self._folder)

    @property
    def folder(self) -> HeldFolder:
        """The drive's folder, held open."""
        return self._folder

    def disks(self) -> Disks:
        """The physical disks that the drive is on; None: can't be told."""
        return disks_of(self._folder.root)

    @property
    def storing(self) -> Storing:
        return self._storing

    @property
    def limits(self) -> Limits:
        if self._limits is None:
            self._limits = learn_limits(self._folder, self._storing)
        return self._limits

    def close(self) -> None:
        self._folder.close()

    @property
    def read_only(self) -> bool:
        """Whether its medium can't be written to by anybody now; False where the system can't say."""
        if sys.platform == "win32" or self._folder.fd is None:
            return False
        try:
            return bool(os.fstatvfs(self._folder.fd).f_flag & os.ST_RDONLY)
        except OSError:
            return False

    def room(self) -> Room:
        with told(self._storing.place, "asking for free space"):
            return room_at(self._folder, self._reserve)

    def here(self) -> bool:
        """See `base.Place`. The marker comes from the medium: memory answers for a drive that is long dead."""
        if not self._folder.still_there():
            return False
        try:
            marker = read_marker(self._folder, self._read_from_medium)
        except PlaceTrouble:
            return False
        return marker is not None and marker.id == self.uid

    def look(self, path: str) -> Entry | None:
        with told(self._storing.place, f"looking at {shown(path)}"):
            return self._folder.look(path)

    def taken(self, path: str) -> bool:
        with told(self._storing.place, f"looking at {shown(path)}"):
            try:
                self._folder.status(path)
            except (FileNotFoundError, NotADirectoryError):
                return False
            return True

    def names(self, folder: str) -> list[tuple[str, os.stat_result | OSError]]:
        """What is in a folder, each name with its lstat or the error it gave. Raises OSError."""
        return self._folder.names(folder)

    def open_for_reading(self, path: str) -> int:
        """A descriptor for reading at any offset, not past the cache. Raises OSError."""
        return self._folder.open(path, os.O_RDONLY)

    def walk(self, folder: str) -> Iterator[Entry]:
        yield from self._folder.walk(folder, leave_out=frozenset({OWN}))

    def begin(self, size: int) -> DriveIncoming:
        if self.limits.largest and size > self.limits.largest:
            raise NoRoom(
                f"{self._storing.place} can't hold files over {self.limits.largest:,} bytes "
                f"({self.limits.file_system}).",
                safe="The file on the card is untouched.",
                do="Use a drive with exFAT or another file system that can hold it.",
            )
        room = self.room()
        if not room.holds(size):
            raise NoRoom(
                f"{self._storing.place} has no room for {size:,} bytes more: {room.free:,} are free and "
                f"{room.reserve:,} are kept in reserve.",
                safe="Copies that were finished stay.",
                do="Use another drive, then run `tripleguard topup`.",
            )
        return DriveIncoming(self._storing)

    def settle(self, folders: Iterable[str]) -> None:
        self._storing.settle(folders)

    def harden(self, *paths: str) -> None:
        self._storing.harden(*paths)

    def read(self, path: str) -> MediumReading:
        return MediumReading(self._folder, path, self.depth)

    def _read_from_medium(self, path: str, limit: int) -> bytes:
        buffer = aligned_buffer(limit)
        reading = self.read(path)
        try:
            return bytes(buffer[: reading.read_at(0, buffer)])
        finally:
            reading.close()

    def set_aside(self, path: str, why: str) -> str:
        return self._storing.set_aside(path, why)

    def lies_aside(self) -> list[Lying]:
        """Everything that lies in the aside folder. Raises PlaceFailed."""
        with told(self._storing.place, "looking at what lies aside"):
            return lies_aside(self._folder)

    def tidy_aside(self) -> None:
        """Remove folders in aside that the tool made and that are empty. Raises PlaceFailed."""
        with told(self._storing.place, "looking at what lies aside"):
            bare = bare_folders(self._folder)
        for path in bare:
            self._storing.fold_aside(path)

    def move(self, old: str, new: str) -> Entry:
        self._storing.move(old, new)
        entry = self.look(new)
        if entry is None:
            raise PlaceFailed(f"{self._storing.place}: {shown(new)} is not there after it was named.")
        return entry

    def write_own(self, path: str, content: Iterable[bytes], *, replaces: bytes | None = None) -> None:
        """See `base.Place`; replaces as in `Storing.write_own`."""
        self._storing.write_own(path, content, replaces=replaces)

    def is_certainly_own(self, path: str) -> bool:
        """Whether a plain file stands at path that the tool wrote; see `provenance`. Raises PlaceFailed."""
        with told(self._storing.place, f"looking at {shown(path)}"):
            return self._storing.is_certainly_own(path)

    def read_own(self, path: str, limit: int) -> bytes | None:
        """One of the tool's own files, None if it is not there. Raises PlaceFailed."""
        self._storing.restore_own(path)
        with told(self._storing.place, f"reading {shown(path)}"):
            try:
                return self._folder.read_small(path, limit)
            except (FileNotFoundError, NotADirectoryError):
                return None

    def look_into_own(self, path: str, limit: int) -> bytes | None:
        """As `read_own`, and nothing is put right on the way, so that it needs no lock. Raises PlaceFailed."""
        with told(self._storing.place, f"reading {shown(path)}"):
            # While it is written anew it lies under its other name; then it is under the first one again.
            for name in (path, path + SUPERSEDED, path):
                try:
                    return self._folder.read_small(name, limit)
                except (FileNotFoundError, NotADirectoryError):
                    continue
        return None

    def own_files(self, folder: str) -> list[Entry]:
        """The tool's own files right in one of its folders. Raises PlaceFailed."""
        with told(self._storing.place, f"listing {folder}"):
            return list(self._folder.walk(folder))

    def forget_own(self, path: str) -> None:
        """Remove a superseded file of the tool's own. Raises PlaceFailed."""
        self._storing.forget_own(path)


def open_drive(root: Path, reserve: int = 0, *, quiet: bool = False) -> Drive:
    """The drive at root, by its marker. reserve: bytes kept free; quiet: see `HeldFolder`. Raises PlaceTrouble."""
    folder = held_root(root, quiet=quiet)
    try:
        marker = read_marker(folder)
        if marker is None:
            raise PlaceTrouble(
                f"{root} is not a drive that tripleguard knows.",
                safe="Nothing was changed.",
                do=f"Connect the right drive, or add this one with `tripleguard drives add NAME {root}`.",
            )
        return Drive(folder, marker, reserve)
    except BaseException:
        folder.close()
        raise


def mark_drive(root: Path, marker: Marker) -> None:
    """Write the marker of a new drive at root. Raises PlaceTrouble if it has one, NoRoom, PlaceFailed."""
    folder = held_root(root)
    try:
        if read_marker(folder) is not None:
            raise PlaceTrouble(f"{root} already is a drive with a marker.", safe="It was left as it is.")
        storing = Storing(folder, f"Drive {marker.name}")
        storing.write_own(MARKER, [encoded(marker)])
        storing.settle(["", OWN])
    finally:
        folder.close()


def provisional_drive(root: Path, marker: Marker) -> Drive:
    """The folder at root as the drive it may be, before its marker says so. Raises PlaceTrouble."""
    return Drive(held_root(root), marker, 0)


def rename_drive(drive: Drive, marker: Marker) -> None:
    """Write a drive's marker in place of one that is damaged or gone. Raises NoRoom, PlaceFailed."""
    drive.write_own(MARKER, [encoded(marker)])
    drive.settle(["", OWN])


def held_root(root: Path, *, quiet: bool = False) -> HeldFolder:
    """The folder at root, held open; quiet as in `HeldFolder`. Raises PlaceTrouble in plain words."""
    try:
        return HeldFolder(root, quiet=quiet)
    except FileNotFoundError:
        what = f"There is nothing at {root}."
    except NotADirectoryError:
        what = f"{root} is not a folder."
    except OSError as error:
        raise PlaceUnreadable(
            f"{root} can't be opened ({error.strerror}).",
            safe="Nothing was changed.",
            do="Unplug it, plug it in again; if it stays so, check its file system before you write to it.",
        ) from error
    raise PlaceTrouble(
        what, safe="Nothing was changed.", do="Check that the drive is connected and that the path is right."
    )


def room_at(folder: HeldFolder, reserve: int) -> Room:
    """Free and total bytes on the volume under folder. Raises OSError."""
    if hasattr(os, "fstatvfs") and folder.fd is not None:
        status = os.fstatvfs(folder.fd)
        return Room(status.f_bavail * status.f_frsize, status.f_blocks * status.f_frsize, reserve)
    import shutil

    usage = shutil.disk_usage(folder.root)
    return Room(usage.free, usage.total, reserve)
