"""Which insertion of a drive this is: what is new whenever it was plugged in or mounted again.

An ordinary user can't drop the cache under a user-space driver, and what was written through it may be read from
it. But that cache does not outlive the mounting: the kernel drops a block device's pages when its last user
closes it, and the driver's own go with its superblock (docs/decisions/022). So the first reading in an insertion
came from the device. All mount points of one superblock are one insertion.
"""

from __future__ import annotations

import ctypes
import os
import struct
import sys
from pathlib import Path

from tripleguard.places import blocks
from tripleguard.places.held import HeldFolder
from tripleguard.places.mounts import Mount, mount_held, mount_of

_BOOT = Path("/proc/sys/kernel/random/boot_id")
_CACHES = Path("/sys/class/bdi")


def insertion_of(root: Path, descriptor: int | None = None) -> str | None:
    """The insertion of the drive at root; None where it can't be told, or where it would prove nothing.

    descriptor: of the folder at root, where it is held open: what counts is the mounting that it belongs to.

    Only user-space drivers on a device are asked: elsewhere a reading goes past the cache, or nothing is known of
    what is below.
    """
    if not sys.platform.startswith("linux"):
        return None
    mount = mount_held(root, descriptor)
    if mount is None or not mount.kind.startswith("fuse") or not mount.source.startswith("/dev/"):
        return None
    block = blocks.block_of(mount)
    if block is None or any(blocks.image_is_cached(layer) for layer in blocks.layers(block)):
        # The cache of an image belongs to another file system, which stays mounted.
        return None
    boot = blocks.text_of(_BOOT)
    # The kernel counts up whenever a disk turns up, however it is called.
    disk = blocks.text_of(blocks.whole_disk(block) / "diskseq")
    # Whoever else holds the device open keeps its cache over an unmount; then only another insertion is told.
    mounting = "" if blocks.used_by(block) else _mounting(mount)
    return f"{boot}.{disk}.{mounting}" if boot and (disk or mounting) else None


def _mounting(mount: Mount) -> str:
    """The number of the kernel's cache record of this superblock, which is not used again; empty if unknown.

    The kernel makes one record (backing device info) for each connection to a user-space driver, named by the
    device, and numbers the entries of sysfs in a row.
    """
    for name in (f"{mount.device}-fuseblk", mount.device):
        try:
            return str(os.stat(_CACHES / name).st_ino)
        except OSError:
            continue
    return ""


def folder_insertion(folder: HeldFolder) -> str | None:
    """Return what tells this folder, in this mounting of this disk, from all others since the machine started.

    None where the system has no number for a mounting that is never used again: Linux before 6.8, other systems.
    """
    if not sys.platform.startswith("linux") or folder.fd is None:
        return None
    status = ctypes.create_string_buffer(256)
    libc = ctypes.CDLL(None, use_errno=True)
    if not hasattr(libc, "statx") or libc.statx(folder.fd, b"", _EMPTY_PATH, _WANTED, status) != 0:
        return None
    (given,) = struct.unpack_from("=I", status, 0)
    if not given & _UNIQUE_MOUNT:
        return None
    (inode,) = struct.unpack_from("=Q", status, 32)
    born = struct.unpack_from("=qI", status, 80) if given & _BORN else ("", "")
    device = struct.unpack_from("=II", status, 136)
    (mounting,) = struct.unpack_from("=Q", status, 144)
    mount = mount_of(folder.root)
    block = blocks.block_of(mount) if mount is not None else None
    disk = blocks.text_of(blocks.whole_disk(block) / "diskseq") if block is not None else ""
    boot = blocks.text_of(_BOOT)
    parts = (boot, disk.strip(), mounting, *device, inode, *born)
    return ".".join(map(str, parts)) if boot else None


_EMPTY_PATH = 0x1000  # AT_EMPTY_PATH of linux/fcntl.h
_BORN = 0x800  # STATX_BTIME of linux/stat.h
_UNIQUE_MOUNT = 0x4000  # STATX_MNT_ID_UNIQUE, since Linux 6.8
_WANTED = 0x7FF | _BORN | _UNIQUE_MOUNT
