"""Read and flush files past every cache, and report how far down a reading reached.

A read-back served from the page cache verifies nothing. On Linux files are opened with O_DIRECT; if a user-space
driver or a loop device keeps a second cache below, that one is flushed and dropped before each reading. macOS has
F_NOCACHE, Windows unbuffered handles. If nothing helps, the reading is marked `cached`, and so is the evidence.
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
from tripleguard.places.block_devices import (
    find_backing_image,
    find_block_device,
    find_whole_disk,
    is_image_cached,
    walk_layers,
)
from tripleguard.places.dir_handle import DirHandle
from tripleguard.places.mounts import Mount, find_mount

BLOCK_BYTES = 4096
"""Alignment, in bytes, of every direct transfer."""

_IN_MEMORY = frozenset({"tmpfs", "ramfs", "zram"})
_NETWORK_FS = frozenset({"nfs", "nfs4", "cifs", "smb3", "smbfs", "afpfs", "webdav", "9p", "virtiofs", "ceph"})
_O_DIRECT: int = getattr(os, "O_DIRECT", 0)


def allocate_aligned(size: int) -> memoryview:
    """Return a page-aligned buffer of size bytes, fit for direct transfers."""
    return memoryview(mmap.mmap(-1, size))


@dataclass(frozen=True, slots=True)
class CacheBypass:
    """How far down a reading on this place can reach; determined once per drive.

    Attributes:
        medium: The best medium of a reading.
        caches_below: Devices and images whose own cache must be dropped first.
        should_flush: Write their dirty pages first; else only clean pages are dropped.
    """

    medium: Medium
    file_system: str
    caches_below: tuple[str, ...] = field(default=())
    should_flush: bool = True

    def drop_caches(self) -> bool:
        """Drop the caches under the file system; return False if one of them is out of reach."""
        answers = [_drop_cache(path, flush=self.should_flush) for path in self.caches_below]
        return all(answers)


def detect_cache_bypass(root: Path) -> CacheBypass:
    """Return how far down readings under root can reach on this machine, as this user."""
    mount = find_mount(root)
    if mount is not None and mount.fs_type in _IN_MEMORY | _NETWORK_FS:
        # Another machine's cache can't be bypassed from here.
        return CacheBypass(Medium.CACHED, mount.fs_type)
    if not sys.platform.startswith("linux"):
        return CacheBypass(Medium.DIRECT, mount.fs_type if mount else "unknown")
    if mount is None:
        return CacheBypass(Medium.CACHED, "unknown")
    below = _find_caches_below(mount)
    if mount.fs_type.startswith("fuse"):
        reachable = bool(below) and all(os.access(path, os.R_OK) for path in below)
        return CacheBypass(
            Medium.DROPPED if reachable else Medium.CACHED, mount.fs_type, below if reachable else ()
        )
    if below and not all(os.access(path, os.R_OK) for path in below):
        return CacheBypass(Medium.CACHED, mount.fs_type)
    return CacheBypass(Medium.DROPPED if below else Medium.DIRECT, mount.fs_type, below)


def is_rotational(root: Path) -> bool:
    """Return whether the kernel says that root is on a real disk with moving heads.

    Virtual and loop devices often claim so wrongly, so they are ignored.
    """
    mount = find_mount(root)
    if mount is None or not sys.platform.startswith("linux"):
        return False
    block = _find_disk_folder(mount)
    if block is None or not block.name.startswith(("sd", "hd", "mmcblk")):
        return False
    with contextlib.suppress(OSError):
        return (block / "queue/rotational").read_text().strip() == "1"
    return False


def find_disk_id(root: Path) -> str | None:
    """Return the disk that root is on, the same for all its partitions; None if unknown."""
    mount = find_mount(root) if sys.platform.startswith("linux") else None
    block = _find_disk_folder(mount) if mount else None
    if block is not None:
        return block.name
    with contextlib.suppress(OSError):
        return f"device {os.stat(root).st_dev}"
    return None


def flush_to_medium(descriptor: int) -> None:
    """Force a file's bytes through the system and the device's own cache. Raises OSError."""
    if sys.platform == "darwin":
        import fcntl

        # fsync(2) on macOS only passes data to the drive; F_FULLFSYNC makes the drive write it.
        fcntl.fcntl(descriptor, fcntl.F_FULLFSYNC)
        return
    os.fsync(descriptor)


class MediumReader:
    """Reads one file in order, as far down as its place allows."""

    def __init__(self, folder: DirHandle, path: str, cache_bypass: CacheBypass) -> None:
        self._folder = folder
        self._path = path
        self._cache_bypass = cache_bypass
        self._is_direct = False
        self._position = 0
        self._seek_lock = threading.Lock()
        self._retired_files: list[io.FileIO] = []
        self._medium = cache_bypass.medium
        if cache_bypass.caches_below and not cache_bypass.drop_caches():
            self._medium = Medium.CACHED
        self._file = self._open(direct=True)

    @property
    def medium(self) -> Medium:
        return self._medium

    def readinto(self, buffer: memoryview) -> int:
        try:
            count = self._file.readinto(buffer)
        except OSError as error:
            # Some drivers pass the request to a file system below, with a buffer that may be unaligned.
            if error.errno != errno.EINVAL or not self._is_direct:
                raise
            self._file.close()
            self._file = self._open(direct=False)
            self._file.seek(self._position)
            count = self._file.readinto(buffer)
        self._position += count or 0
        return count or 0

    def read_at(self, offset: int, buffer: memoryview) -> int:
        """Fill buffer from offset on, a multiple of BLOCK_BYTES; fewer bytes only at the end. Raises OSError.

        Several threads may read at once. Do not mix it with `readinto` on one reading.
        """
        filled = 0
        while filled < len(buffer):
            count = self._read_some(offset + filled, buffer[filled:])
            filled += count
            # A direct transfer ends inside a block only at the end of the file.
            if count == 0 or filled % BLOCK_BYTES:
                break
        return filled

    def _read_some(self, offset: int, buffer: memoryview) -> int:
        file, direct = self._file, self._is_direct
        try:
            return self._pread(file, offset, buffer)
        except OSError as error:
            if error.errno != errno.EINVAL or not direct:
                raise
        with self._seek_lock:
            if self._is_direct:
                self._retired_files.append(self._file)
                self._file = self._open(direct=False)
        return self._pread(self._file, offset, buffer)

    def _pread(self, file: io.FileIO, offset: int, buffer: memoryview) -> int:
        if sys.platform == "win32":
            with self._seek_lock:
                file.seek(offset)
                return file.readinto(buffer) or 0
        return os.preadv(file.fileno(), [buffer], offset)

    def close(self) -> None:
        for file in (*self._retired_files, self._file):
            file.close()

    def _open(self, *, direct: bool) -> io.FileIO:
        if sys.platform == "win32":
            from tripleguard.places.non_linux import open_unbuffered

            return open_unbuffered(self._folder.syscall_path(self._path))
        flags = os.O_RDONLY
        if direct and _O_DIRECT:
            try:
                descriptor = self._folder.open(self._path, flags | _O_DIRECT)
            except OSError as error:
                if error.errno != errno.EINVAL:
                    raise
            else:
                self._is_direct = True
                return io.FileIO(descriptor, "r")
        return self._open_cached(flags)

    def _open_cached(self, flags: int) -> io.FileIO:
        self._is_direct = False
        descriptor = self._folder.open(self._path, flags)
        if sys.platform == "darwin":
            import fcntl

            fcntl.fcntl(descriptor, fcntl.F_NOCACHE, 1)
        elif sys.platform == "linux":
            # After a flush the kernel drops clean pages on request, but does not confirm it.
            os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
            if self._medium is Medium.DIRECT:
                self._medium = Medium.DROPPED
        else:
            self._medium = Medium.CACHED
        return io.FileIO(descriptor, "r")


def _find_caches_below(mount: Mount) -> tuple[str, ...]:
    """Return the devices and images under this mount that have a cache of their own, top first."""
    below: list[str] = []
    if mount.fs_type.startswith("fuse"):
        if not mount.source.startswith("/dev/"):
            return ()
        below.append(mount.source)
    block = find_block_device(mount)
    for layer in walk_layers(block) if block is not None else ():
        image = find_backing_image(layer)
        if image is not None and is_image_cached(layer):
            below.append(image)
    return tuple(below)


def _find_disk_folder(mount: Mount) -> Path | None:
    """Return the sysfs folder of the whole disk under a mount."""
    block = find_block_device(mount)
    return None if block is None else find_whole_disk(block)


def _drop_cache(path: str, *, flush: bool) -> bool:
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
