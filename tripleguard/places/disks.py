"""On which physical disks a folder is, and whether two copies are one: two copies on one disk die with it.

What can't be told is None, and whoever counts takes it for the same disk.
"""

from __future__ import annotations

import os
import re
import struct
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from tripleguard.places import blocks
from tripleguard.places.held import HeldFolder
from tripleguard.places.mounts import Mount, mount_of
from tripleguard.rules import may_share_a_disk

Disks = frozenset[str] | None
"""The names of all disks that a file system is spread over; None: can't be told."""

_IN_MEMORY = frozenset({"tmpfs", "ramfs"})
_SERVED = ("nbd", "rbd", "drbd", "zram", "ram")
_NESTED = 8

_FIEMAP = 0xC020660B  # FS_IOC_FIEMAP of linux/fiemap.h
_SYNC_FIRST = 1
_LAST, _NO_PLACE = 0x1, 0x2 | 0x4 | 0x200
"""Flags of an extent: the last one; unknown, not yet placed, or inline: it has no place of its own on the disk."""
_EXTENTS = 256
_MOST_EXTENTS = 1 << 20


def disks_of(root: Path) -> Disks:
    """The physical disks that the folder at root is on. Images, partitions and mapped devices are followed."""
    if not sys.platform.startswith("linux"):
        from tripleguard.places.disks_elsewhere import disks_there

        return disks_there(root)
    return _under(mount_of(root), _NESTED)


@dataclass(frozen=True, slots=True)
class Sharing:
    """Two named folders that are on one disk; sure False: it can't be told, so they may be."""

    one: str
    other: str
    sure: bool


def sharing(roots: Sequence[tuple[str, Path]]) -> list[Sharing]:
    """The pairs of named folders that are on one disk, or may be."""
    known = [(name, disks_of(root)) for name, root in roots]
    return [
        Sharing(name, other, disks is not None and other_disks is not None)
        for index, (name, disks) in enumerate(known)
        for other, other_disks in known[index + 1 :]
        if may_share_a_disk(disks, other_disks)
    ]


def is_same_copy(one: HeldFolder, path: str, other: HeldFolder, other_path: str) -> bool:
    """Whether two paths lead to the same bytes on one disk: hard links, bind mounts, or clones that share extents.

    Raises OSError if one of them can't be looked at; whoever counts then takes them for the same.
    """
    descriptor = one.open(path, os.O_RDONLY)
    try:
        beside = other.open(other_path, os.O_RDONLY)
        try:
            if os.path.samestat(os.fstat(descriptor), os.fstat(beside)):
                return True
            if not sys.platform.startswith("linux") or not _may_share_extents(one.root, other.root):
                return False
            return _share_a_piece(_pieces(descriptor), _pieces(beside))
        finally:
            os.close(beside)
    finally:
        os.close(descriptor)


def _under(mount: Mount | None, depth: int) -> Disks:
    if mount is None or depth == 0:
        return None
    if mount.kind in _IN_MEMORY:
        return frozenset({"memory"})
    found: set[str] = set()
    for block in blocks.blocks_of(mount):
        below = _below(block, depth)
        if below is None:
            return None
        found |= below
    return frozenset(found) or None


def _below(block: Path, depth: int) -> Disks:
    parts = blocks.made_of(block)
    image = blocks.image_of(block)
    if parts:
        found: set[str] = set()
        for part in parts:
            below = _below(part, depth - 1) if depth else None
            if below is None:
                return None
            found |= below
        return frozenset(found)
    if image is not None:
        # A path that leads nowhere now was removed, or lies in another view of the mounts.
        return _under(mount_of(Path(image)), depth - 1) if os.path.exists(image) else None
    name = blocks.whole_disk(block).name
    if name.startswith(("loop", "dm-", "md", *_SERVED)):
        return None
    # Namespaces of one NVMe device are one device.
    namespace = re.fullmatch(r"(nvme\d+)n\d+", name)
    return frozenset({namespace[1] if namespace else name})


def _may_share_extents(one: Path, other: Path) -> bool:
    """Whether both lie on one file system; each subvolume of one has a device number of its own."""
    mount, beside = mount_of(one), mount_of(other)
    if mount is None or beside is None:
        return False
    block, block_beside = blocks.blocks_of(mount), blocks.blocks_of(beside)
    return bool(block) and block == block_beside


def _pieces(descriptor: int) -> Iterator[tuple[int, int]]:
    """Where the pieces of a file lie on its file system, as (first byte, end); nothing where it can't say."""
    if sys.platform == "win32":
        return
    import fcntl

    start, told = 0, 0
    while told < _MOST_EXTENTS:
        request = struct.pack("=QQIIII", start, (1 << 64) - 1 - start, _SYNC_FIRST, 0, _EXTENTS, 0)
        buffer = bytearray(request + bytes(56 * _EXTENTS))
        try:
            fcntl.ioctl(descriptor, _FIEMAP, buffer, True)
        except OSError:
            # A driver without this call has no clones either.
            return
        (count,) = struct.unpack_from("=I", buffer, 20)
        for number in range(count):
            logical, physical, length, flags = struct.unpack_from("=QQQ16xI", buffer, 32 + 56 * number)
            if not flags & _NO_PLACE and length:
                yield physical, physical + length
            start = logical + length
            if flags & _LAST:
                return
        told += count
        if not count:
            return


def _share_a_piece(one: Iterator[tuple[int, int]], other: Iterator[tuple[int, int]]) -> bool:
    pieces = sorted([(*piece, 0) for piece in one] + [(*piece, 1) for piece in other])
    ends = [0, 0]
    for first, end, whose in pieces:
        if first < ends[1 - whose]:
            return True
        ends[whose] = max(ends[whose], end)
    return False
