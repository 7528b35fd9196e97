"""Reading what the medium holds, not what memory remembers.

A read-back served from the page cache proves nothing. On Linux files are opened with O_DIRECT; where a
user-space driver or a loop device keeps a second cache below, that one is flushed and dropped before each
reading. macOS has F_NOCACHE, Windows unbuffered handles. Where nothing helps, the reading says `cached`,
and that word goes into the evidence.
"""

from __future__ import annotations

import contextlib
import errno
import io
import mmap
import os
import sys
import threading
from dataclasses import dataclass, field
from pathlib import Path

from tripleguard.model import Medium
from tripleguard.places.blocks import block_of, image_is_cached, image_of, layers, whole_disk
from tripleguard.places.held import HeldFolder
from tripleguard.places.mounts import Mount, mount_of

BLOCK = 4096
"""Alignment, in bytes, that every direct transfer keeps."""

_IN_MEMORY = frozenset({"tmpfs", "ramfs", "zram"})
_REMOTE = frozenset({"nfs", "nfs4", "cifs", "smb3", "smbfs", "afpfs", "webdav", "9p", "virtiofs", "ceph"})
_O_DIRECT: int = getattr(os, "O_DIRECT", 0)


def aligned_buffer(size: int) -> memoryview:
    """A page-aligned buffer of size bytes, fit for direct transfers."""
    return memoryview(mmap.mmap(-1, size))


@dataclass(frozen=True, slots=True)
class Depth:
    """How far down a reading on this place can reach, worked out once per drive.

    medium: the best this place can do. below: devices and images whose own cache has to be dropped first.
    flush: what waits in them is written first; without it only what is clean is dropped.
    """

    medium: Medium
    file_system: str
    below: tuple[str, ...] = field(default=())
    flush: bool = True

    def drop_below(self) -> bool:
        """Drop the caches under the file system; False if one of them could not be reached."""
        answers = [_dropped(path, flush=self.flush) for path in self.below]
        return all(answers)


def depth_of(root: Path) -> Depth:
    """How far down readings under root can reach on this machine, as this user."""
    mount = mount_of(root)
    if mount is not None and mount.kind in _IN_MEMORY | _REMOTE:
        # Another machine's cache can't be seen past from here.
        return Depth(Medium.CACHED, mount.kind)
    if not sys.platform.startswith("linux"):
        return Depth(Medium.DIRECT, mount.kind if mount else "unknown")
    if mount is None:
        return Depth(Medium.CACHED, "unknown")
    below = _caches_below(mount)
    if mount.kind.startswith("fuse"):
        reachable = bool(below) and all(os.access(path, os.R_OK) for path in below)
        return Depth(Medium.DROPPED if reachable else Medium.CACHED, mount.kind, below if reachable else ())
    if below and not all(os.access(path, os.R_OK) for path in below):
        return Depth(Medium.CACHED, mount.kind)
    return Depth(Medium.DROPPED if below else Medium.DIRECT, mount.kind, below)


def is_rotational(root: Path) -> bool:
    """Whether the kernel says that root lies on a real disk with a head that has to move.

    Virtual and loop devices often claim so without being so; they are not believed.
    """
    mount = mount_of(root)
    if mount is None or not sys.platform.startswith("linux"):
        return False
    block = _block_folder(mount)
    if block is None or not block.name.startswith(("sd", "hd", "mmcblk")):
        return False
    with contextlib.suppress(OSError):
        return (block / "queue/rotational").read_text().strip() == "1"
    return False


def disk_of(root: Path) -> str | None:
    """The disk that root lies on, the same for all its partitions; None if it can't be told."""
    mount = mount_of(root) if sys.platform.startswith("linux") else None
    block = _block_folder(mount) if mount else None
    if block is not None:
        return block.name
    with contextlib.suppress(OSError):
        return f"device {os.stat(root).st_dev}"
    return None


def flush_to_medium(descriptor: int) -> None:
    """Force a file's bytes through the system and the device's own cache. Raises OSError."""
    if sys.platform == "darwin":
        import fcntl

        # fsync(2) on macOS hands data to the drive only; F_FULLFSYNC asks the drive to write it down.
        fcntl.fcntl(descriptor, fcntl.F_FULLFSYNC)
        return
    os.fsync(descriptor)


class MediumReading:
    """One file read in order, as far down as its place allows."""

    def __init__(self, folder: HeldFolder, path: str, depth: Depth) -> None:
        self._folder = folder
        self._path = path
        self._depth = depth
        self._direct = False
        self._position = 0
        self._turn = threading.Lock()
        self._former: list[io.FileIO] = []
        self._medium = depth.medium
        if depth.below and not depth.drop_below():
            self._medium = Medium.CACHED
        self._file = self._open(direct=True)

    @property
    def medium(self) -> Medium:
        return self._medium

    def readinto(self, buffer: memoryview) -> int:
        try:
            count = self._file.readinto(buffer)
        except OSError as error:
            # Some drivers hand the request on to a file system below, with whatever buffer they have just then.
            if error.errno != errno.EINVAL or not self._direct:
                raise
            self._file.close()
            self._file = self._open(direct=False)
            self._file.seek(self._position)
            count = self._file.readinto(buffer)
        self._position += count or 0
        return count or 0

    def read_at(self, offset: int, buffer: memoryview) -> int:
        """Fill buffer from offset on, a multiple of BLOCK; fewer bytes only at the end. Raises OSError.

        Several threads may read at once. It does not go with `readinto` on one reading.
        """
        filled = 0
        while filled < len(buffer):
            count = self._read_some(offset + filled, buffer[filled:])
            filled += count
            # A direct transfer stops off the block's edge only where the file ends.
            if count == 0 or filled % BLOCK:
                break
        return filled

    def _read_some(self, offset: int, buffer: memoryview) -> int:
        file, direct = self._file, self._direct
        try:
            return self._pread(file, offset, buffer)
        except OSError as error:
            if error.errno != errno.EINVAL or not direct:
                raise
        with self._turn:
            if self._direct:
                self._former.append(self._file)
                self._file = self._open(direct=False)
        return self._pread(self._file, offset, buffer)

    def _pread(self, file: io.FileIO, offset: int, buffer: memoryview) -> int:
        if sys.platform == "win32":
            with self._turn:
                file.seek(offset)
                return file.readinto(buffer) or 0
        return os.preadv(file.fileno(), [buffer], offset)

    def close(self) -> None:
        for file in (*self._former, self._file):
            file.close()

    def _open(self, *, direct: bool) -> io.FileIO:
        if sys.platform == "win32":
            from tripleguard.places.windows import open_unbuffered

            return open_unbuffered(self._folder.where(self._path))
        flags = os.O_RDONLY
        if direct and _O_DIRECT:
            try:
                descriptor = self._folder.open(self._path, flags | _O_DIRECT)
            except OSError as error:
                if error.errno != errno.EINVAL:
                    raise
            else:
                self._direct = True
                return io.FileIO(descriptor, "r")
        return self._open_cached(flags)

    def _open_cached(self, flags: int) -> io.FileIO:
        self._direct = False
        descriptor = self._folder.open(self._path, flags)
        if sys.platform == "darwin":
            import fcntl

            fcntl.fcntl(descriptor, fcntl.F_NOCACHE, 1)
        elif sys.platform == "linux":
            # After a flush the kernel drops clean pages on request; it does not confirm that it did.
            os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
            if self._medium is Medium.DIRECT:
                self._medium = Medium.DROPPED
        else:
            self._medium = Medium.CACHED
        return io.FileIO(descriptor, "r")


def _caches_below(mount: Mount) -> tuple[str, ...]:
    """Devices and images under this mount that keep a cache of their own, top first."""
    below: list[str] = []
    if mount.kind.startswith("fuse"):
        if not mount.source.startswith("/dev/"):
            return ()
        below.append(mount.source)
    block = block_of(mount)
    for layer in layers(block) if block is not None else ():
        image = image_of(layer)
        if image is not None and image_is_cached(layer):
            below.append(image)
    return tuple(below)


def _block_folder(mount: Mount) -> Path | None:
    """The kernel's folder for the whole disk under a mount."""
    block = block_of(mount)
    return None if block is None else whole_disk(block)


def _dropped(path: str, *, flush: bool) -> bool:
    if sys.platform != "linux":
        return False
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return False
    try:
        if flush:
            os.fsync(descriptor)
        os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
    except OSError:
        return False
    finally:
        os.close(descriptor)
    return True
