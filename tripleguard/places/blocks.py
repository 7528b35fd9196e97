"""What lies under a mount on Linux: partitions, disks, images, and devices made of others, as sysfs has them.

An ordinary user may read all of it.
"""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Iterator
from pathlib import Path

from tripleguard.places.mounts import Mount

_SYS = Path("/sys")


def block_of(mount: Mount) -> Path | None:
    """The kernel's folder for the partition or disk under a mount: by its source first, by its number else."""
    if sys.platform == "win32":
        return None
    device = mount.device
    if mount.source.startswith("/dev/"):
        with contextlib.suppress(OSError):
            status = os.stat(mount.source)
            device = f"{os.major(status.st_rdev)}:{os.minor(status.st_rdev)}"
    folder = _SYS / "dev/block" / device
    return folder.resolve() if device and folder.exists() else None


def blocks_of(mount: Mount) -> list[Path]:
    """The folders of all partitions or disks that a mount is spread over; none where it is on none."""
    block = block_of(mount)
    if block is None or mount.kind != "btrfs":
        return [] if block is None else [block]
    for members in _SYS.glob("fs/btrfs/*/devices"):
        found = _linked(members)
        if block in found:
            return found
    return [block]


def whole_disk(block: Path) -> Path:
    """The folder of the disk that a partition is on; a disk is its own."""
    return block.parent if (block / "partition").exists() else block


def made_of(block: Path) -> list[Path]:
    """What a mapped, striped or mirrored device is made of; nothing for a plain one."""
    return _linked(whole_disk(block) / "slaves")


def used_by(block: Path) -> list[Path]:
    """Devices that are made of this one, and hold it open."""
    return _linked(block / "holders")


def image_of(block: Path) -> str | None:
    """The image file behind a loop device; None where it is none."""
    return text_of(whole_disk(block) / "loop/backing_file") or None


def image_is_cached(block: Path) -> bool:
    """Whether a loop device reads its image through the cache of the image's own file system."""
    return text_of(whole_disk(block) / "loop/dio") == "0"


def layers(block: Path) -> Iterator[Path]:
    """A device and all that it is made of, top first. Images are an end: what they lie on is another mount."""
    yield block
    for below in made_of(block):
        yield from layers(below)


def text_of(path: Path) -> str:
    """The one line in a file of sysfs; empty where there is none."""
    with contextlib.suppress(OSError, UnicodeDecodeError):
        return path.read_text(encoding="utf-8", errors="surrogateescape").rstrip("\n")
    return ""


def _linked(folder: Path) -> list[Path]:
    with contextlib.suppress(OSError):
        return sorted(link.resolve() for link in folder.iterdir())
    return []
