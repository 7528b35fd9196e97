"""List the mounted file systems, and find the one that a path is on.

A mount point says where a drive happens to be, never which one it is. Linux reads /proc/self/mountinfo; elsewhere
psutil lists the volumes.
"""

from __future__ import annotations

import functools
import os
import re
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

_ESCAPE = re.compile(rb"\\([0-7]{3})")
_NON_STORAGE_FS = frozenset(
    [
        "autofs",
        "binfmt_misc",
        "bpf",
        "cgroup",
        "cgroup2",
        "configfs",
        "debugfs",
        "devpts",
        "devtmpfs",
        "efivarfs",
        "fusectl",
        "hugetlbfs",
        "mqueue",
        "nsfs",
        "proc",
        "pstore",
        "ramfs",
        "rpc_pipefs",
        "securityfs",
        "selinuxfs",
        "squashfs",
        "sysfs",
        "tracefs",
    ]
)


@dataclass(frozen=True, slots=True)
class Mount:
    """One mounted file system.

    Attributes:
        device: The kernel's `major:minor`; '' if unknown.
        mount_id: The kernel's number of this mount, reused after an unmount.
        root: The folder of the file system that is mounted at the point.
    """

    point: str
    fs_type: str
    source: str
    device: str
    is_read_only: bool
    mount_id: int = 0
    root: str = "/"


def list_mounts() -> list[Mount]:
    """Return all mounted file systems that can contain files, in mount order."""
    return [mount for mount in _list_all_mounts() if mount.fs_type not in _NON_STORAGE_FS]


def find_mount(path: Path) -> Mount | None:
    """Return the mount of a path: the last one mounted whose point is its longest prefix."""
    real = os.path.realpath(path)
    best: Mount | None = None
    for mount in _list_all_mounts():
        inside = real == mount.point or real.startswith(mount.point.rstrip("/\\") + os.sep)
        if inside and (best is None or len(mount.point) >= len(best.point)):
            best = mount
    return best


def find_mount_of_fd(root: Path, descriptor: int | None) -> Mount | None:
    """Return the mount of an open folder, whatever is mounted at its path now; None if it is gone.

    If the system has no such descriptors, or does not tell, return the mount of root.
    """
    if descriptor is None or not sys.platform.startswith("linux"):
        return find_mount(root)
    told = Path(f"/proc/self/fdinfo/{descriptor}").read_text(encoding="ascii")
    number = re.search(r"^mnt_id:\s*(\d+)$", told, re.MULTILINE)
    return next((mount for mount in _list_all_mounts() if number and mount.mount_id == int(number[1])), None)


def _list_all_mounts() -> Sequence[Mount]:
    """Return every mount, even those without pictures: a folder on one is not on the surrounding one."""
    if sys.platform.startswith("linux"):
        return _parse_mountinfo(Path("/proc/self/mountinfo").read_bytes())
    return _list_psutil_mounts()


# The table is read each time; only parsing the same table again is avoided.
@functools.lru_cache(maxsize=1)
def _parse_mountinfo(table: bytes) -> Sequence[Mount]:
    found = []
    for line in table.splitlines():
        left, _, right = line.partition(b" - ")
        fields, rest = left.split(b" "), right.split(b" ")
        if len(fields) < 6 or len(rest) < 2:
            continue
        kind = os.fsdecode(rest[0])
        options = fields[5].split(b",")
        found.append(
            Mount(
                _unescape_octal(fields[4]),
                kind,
                _unescape_octal(rest[1]),
                os.fsdecode(fields[2]),
                b"ro" in options,
                int(fields[0]),
                _unescape_octal(fields[3]),
            )
        )
    return tuple(found)


def _unescape_octal(field: bytes) -> str:
    return os.fsdecode(_ESCAPE.sub(lambda match: bytes([int(match[1], 8)]), field))


def _list_psutil_mounts() -> list[Mount]:
    import psutil

    return [
        Mount(part.mountpoint, part.fstype.lower(), part.device, "", "ro" in part.opts.split(","))
        for part in psutil.disk_partitions(all=False)
    ]
