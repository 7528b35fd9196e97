"""Find the physical disks that a folder is on, and whether two copies share one and would be lost together.

None means that it can't be determined; callers then assume the same disk.
"""

from __future__ import annotations

import os
import re
import struct
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from tripleguard.places import block_devices
from tripleguard.places.mounts import Mount, find_mount
from tripleguard.places.probe import hangs
from tripleguard.rules import can_share_disk

DiskSet = frozenset[str] | None
"""The names of all disks that a file system spans; None if unknown."""

_IN_MEMORY = frozenset({"tmpfs", "ramfs"})
_UNTRACEABLE_DEVICES = ("nbd", "rbd", "drbd", "zram", "ram")
_MAX_NESTING = 8

_FIEMAP = 0xC020660B  # FS_IOC_FIEMAP of linux/fiemap.h
_SYNC_FIRST = 1
_LAST_EXTENT, _UNPLACED_EXTENT = 0x1, 0x2 | 0x4 | 0x200
"""Flags of an extent without a place of its own on the disk: unknown, not yet allocated, or inline."""
_EXTENTS_PER_CALL = 256
_MAX_EXTENTS = 1 << 20


def find_disks(root: Path) -> DiskSet:
    """Return the physical disks under root, following images, partitions and mapped devices."""
    if not sys.platform.startswith("linux"):
        from tripleguard.places.non_linux import find_disks_off_linux

        return find_disks_off_linux(root)
    return None if hangs(root) else _find_disks_of_mount(find_mount(root), _MAX_NESTING)


@dataclass(frozen=True, slots=True)
class SharedDisk:
    """Two named folders that share a disk; is_certain False: they may."""

    first: str
    second: str
    is_certain: bool


def find_shared_disks(roots: Sequence[tuple[str, Path]]) -> list[SharedDisk]:
    """Return the pairs of named folders that share a disk, or may."""
    known = [(name, find_disks(root)) for name, root in roots]
    return [
        SharedDisk(name, other, disks is not None and other_disks is not None)
        for index, (name, disks) in enumerate(known)
        for other, other_disks in known[index + 1 :]
        if can_share_disk(disks, other_disks)
    ]


class OpenableFolder(Protocol):
    """A folder whose files can be opened."""

    @property
    def root(self) -> Path:
        """Return where it is mounted."""

    def open_for_reading(self, path: str) -> int:
        """Return a descriptor for reading path. Raises OSError."""


def is_same_copy(first: OpenableFolder, path: str, second: OpenableFolder, second_path: str) -> bool:
    """Return whether two paths lead to the same bytes on one disk: see `CopyComparison`. Raises OSError."""
    return CopyComparison(first, second).is_same(path, second_path)


class CopyComparison:
    """Compares paths in two folders: hard links, bind mounts and shared extents lead to the same bytes.

    An open folder stays on its file system, so that is determined once for all paths.
    """

    def __init__(self, one: OpenableFolder, other: OpenableFolder) -> None:
        self._one, self._other = one, other
        self._may_share: bool | None = None

    def is_same(self, path: str, other_path: str) -> bool:
        """Return whether two paths, one in each folder, lead to the same bytes on one disk.

        Raises OSError if one of them can't be read; callers then assume that they do.
        """
        descriptor = self._one.open_for_reading(path)
        try:
            beside = self._other.open_for_reading(other_path)
            try:
                if os.path.samestat(os.fstat(descriptor), os.fstat(beside)):
                    return True
                return self._may_share_extents() and _have_common_extent(
                    _list_extents(descriptor), _list_extents(beside)
                )
            finally:
                os.close(beside)
        finally:
            os.close(descriptor)

    def _may_share_extents(self) -> bool:
        if self._may_share is None:
            linux = sys.platform.startswith("linux")
            self._may_share = linux and _can_share_extents(self._one.root, self._other.root)
        return self._may_share


def _find_disks_of_mount(mount: Mount | None, depth: int) -> DiskSet:
    if mount is None or depth == 0:
        return None
    if mount.fs_type in _IN_MEMORY:
        return frozenset({"memory"})
    found: set[str] = set()
    for block in block_devices.find_block_devices(mount):
        below = _find_disks_of_block(block, depth)
        if below is None:
            return None
        found |= below
    return frozenset(found) or None


def _find_disks_of_block(block: Path, depth: int) -> DiskSet:
    parts = block_devices.list_members(block)
    image = block_devices.find_backing_image(block)
    if parts:
        found: set[str] = set()
        for part in parts:
            below = _find_disks_of_block(part, depth - 1) if depth else None
            if below is None:
                return None
            found |= below
        return frozenset(found)
    if image is not None:
        # A path that does not exist was removed, or is in another mount namespace.
        return _find_disks_of_mount(find_mount(Path(image)), depth - 1) if os.path.exists(image) else None
    name = block_devices.find_whole_disk(block).name
    if name.startswith(("loop", "dm-", "md", *_UNTRACEABLE_DEVICES)):
        return None
    # Namespaces of one NVMe device are one device.
    namespace = re.fullmatch(r"(nvme\d+)n\d+", name)
    return frozenset({namespace[1] if namespace else name})


def _can_share_extents(first: Path, second: Path) -> bool:
    """Return whether both are on one file system; its subvolumes have device numbers of their own."""
    mount, beside = find_mount(first), find_mount(second)
    if mount is None or beside is None:
        return False
    block, block_beside = block_devices.find_block_devices(mount), block_devices.find_block_devices(beside)
    return bool(block) and block == block_beside


def _list_extents(descriptor: int) -> Iterator[tuple[int, int]]:
    """Yield the extents of a file as (first byte, end); nothing if the file system can't tell."""
    if sys.platform == "win32":
        return
    import fcntl

    start, reported = 0, 0
    while reported < _MAX_EXTENTS:
        request = struct.pack("=QQIIII", start, (1 << 64) - 1 - start, _SYNC_FIRST, 0, _EXTENTS_PER_CALL, 0)
        buffer = bytearray(request + bytes(56 * _EXTENTS_PER_CALL))
        try:
            fcntl.ioctl(descriptor, _FIEMAP, buffer, True)
        except OSError:
            # A driver without this call has no shared extents either.
            return
        (count,) = struct.unpack_from("=I", buffer, 20)
        for number in range(count):
            logical, physical, length, flags = struct.unpack_from("=QQQ16xI", buffer, 32 + 56 * number)
            if not flags & _UNPLACED_EXTENT and length:
                yield physical, physical + length
            start = logical + length
            if flags & _LAST_EXTENT:
                return
        reported += count
        if not count:
            return


def _have_common_extent(one: Iterator[tuple[int, int]], other: Iterator[tuple[int, int]]) -> bool:
    pieces = sorted([(*piece, 0) for piece in one] + [(*piece, 1) for piece in other])
    ends = [0, 0]
    for first, end, whose in pieces:
        if first < ends[1 - whose]:
            return True
        ends[whose] = max(ends[whose], end)
    return False
