"""Look up block devices in sysfs on Linux: partitions, disks, loop images, and devices made of others.

An ordinary user may read all of it.
"""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Iterator
from pathlib import Path

from tripleguard.places.mounts import Mount

_SYSFS = Path("/sys")


def find_block_device(mount: Mount) -> Path | None:
    """Return the sysfs folder of the partition or disk under a mount, by its source, else by its number."""
    if sys.platform == "win32":
        return None
    device = mount.device
    if mount.source.startswith("/dev/"):
        with contextlib.suppress(OSError):
            status = os.stat(mount.source)
            device = f"{os.major(status.st_rdev)}:{os.minor(status.st_rdev)}"
    folder = _SYSFS / "dev/block" / device
    return folder.resolve() if device and folder.exists() else None


def find_block_devices(mount: Mount) -> list[Path]:
    """Return the folders of all partitions or disks that a mount spans; empty if none."""
    block = find_block_device(mount)
    if block is None or mount.fs_type != "btrfs":
        return [] if block is None else [block]
    for members in _SYSFS.glob("fs/btrfs/*/devices"):
        found = _resolve_links(members)
        if block in found:
            return found
    return [block]


def find_whole_disk(block: Path) -> Path:
    """Return the folder of the disk that a partition is on; a disk is its own."""
    return block.parent if (block / "partition").exists() else block


def list_members(block: Path) -> list[Path]:
    """Return the members of a mapped, striped or mirrored device; empty for a plain one."""
    return _resolve_links(find_whole_disk(block) / "slaves")


def list_holders(block: Path) -> list[Path]:
    """Return the devices that are made of this one, and hold it open."""
    return _resolve_links(block / "holders")


def find_backing_image(block: Path) -> str | None:
    """Return the image file behind a loop device; None if there is none."""
    return read_sysfs_line(find_whole_disk(block) / "loop/backing_file") or None


def is_image_cached(block: Path) -> bool:
    """Return whether a loop device reads its image through the cache of the image's own file system."""
    return read_sysfs_line(find_whole_disk(block) / "loop/dio") == "0"


def walk_layers(block: Path) -> Iterator[Path]:
    """Yield a device and all its members, top first. It ends at images, whose file is on another mount."""
    yield block
    for below in list_members(block):
        yield from walk_layers(below)


def read_sysfs_line(path: Path) -> str:
    """Return the only line of a sysfs file; empty if there is none."""
    with contextlib.suppress(OSError, UnicodeDecodeError):
        return path.read_text(encoding="utf-8", errors="surrogateescape").rstrip("\n")
    return ""


def _resolve_links(folder: Path) -> list[Path]:
    with contextlib.suppress(OSError):
        return sorted(link.resolve() for link in folder.iterdir())
    return []
