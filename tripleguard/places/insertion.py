"""Identify one insertion of a drive or card: a new value whenever it is plugged in or mounted again.

An ordinary user can't drop the cache under a user-space driver, and what was written through it may be read from
it. But that cache does not outlive the mount: the kernel drops a block device's pages when its last user closes
it, and the driver's own go with its superblock (docs/decisions/022). So the first reading in an insertion came
from the device. All mount points of one superblock are one insertion.
"""

from __future__ import annotations

import ctypes
import os
import struct
import sys
from pathlib import Path

from tripleguard.places import block_devices
from tripleguard.places.dir_handle import DirHandle
from tripleguard.places.mounts import Mount, find_mount, find_mount_of_fd

_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")
_BACKING_DEVICES = Path("/sys/class/bdi")


def read_drive_insertion(root: Path, descriptor: int | None = None) -> str | None:
    """Return the insertion of the drive at root; None if it is unknown or would prove nothing.

    Only user-space drivers on a device need one: elsewhere a reading bypasses the cache, or nothing is known of
    what is below.

    descriptor: of the open folder at root; its mount is the one that counts.
    """
    if not sys.platform.startswith("linux"):
        return None
    mount = find_mount_of_fd(root, descriptor)
    if mount is None or not mount.fs_type.startswith("fuse") or not mount.source.startswith("/dev/"):
        return None
    block = block_devices.find_block_device(mount)
    if block is None or any(block_devices.is_image_cached(layer) for layer in block_devices.walk_layers(block)):
        # The cache of an image belongs to another file system, which stays mounted.
        return None
    boot = block_devices.read_sysfs_line(_BOOT_ID)
    # The kernel increments it whenever a disk appears, whatever its name.
    disk = block_devices.read_sysfs_line(block_devices.find_whole_disk(block) / "diskseq")
    # Another holder of the device keeps its cache over an unmount; then only a new insertion counts.
    mounting = "" if block_devices.list_holders(block) else _read_backing_device_number(mount)
    return f"{boot}.{disk}.{mounting}" if boot and (disk or mounting) else None


def _read_backing_device_number(mount: Mount) -> str:
    """Return the number of the superblock's backing device info, which is never reused; empty if unknown.

    The kernel creates one for each connection to a user-space driver, named by the device, and numbers the sysfs
    entries in sequence.
    """
    for name in (f"{mount.device}-fuseblk", mount.device):
        try:
            return str(os.stat(_BACKING_DEVICES / name).st_ino)
        except OSError:
            continue
    return ""


def read_folder_insertion(folder: DirHandle) -> str | None:
    """Return an id of this folder, in this mount of this disk, unique since the machine started.

    None if the system has no mount number that is never reused: Linux before 6.8, other systems.
    """
    if not sys.platform.startswith("linux") or folder.fd is None:
        return None
    status = ctypes.create_string_buffer(256)
    libc = ctypes.CDLL(None, use_errno=True)
    if not hasattr(libc, "statx") or libc.statx(folder.fd, b"", _AT_EMPTY_PATH, _STATX_MASK, status) != 0:
        return None
    (given,) = struct.unpack_from("=I", status, 0)
    if not given & _STATX_MNT_ID_UNIQUE:
        return None
    (inode,) = struct.unpack_from("=Q", status, 32)
    born = struct.unpack_from("=qI", status, 80) if given & _STATX_BTIME else ("", "")
    device = struct.unpack_from("=II", status, 136)
    (mounting,) = struct.unpack_from("=Q", status, 144)
    mount = find_mount(folder.root)
    block = block_devices.find_block_device(mount) if mount is not None else None
    disk = (
        block_devices.read_sysfs_line(block_devices.find_whole_disk(block) / "diskseq")
        if block is not None
        else ""
    )
    boot = block_devices.read_sysfs_line(_BOOT_ID)
    parts = (boot, disk.strip(), mounting, *device, inode, *born)
    return ".".join(map(str, parts)) if boot else None


_AT_EMPTY_PATH = 0x1000  # AT_EMPTY_PATH of linux/fcntl.h
_STATX_BTIME = 0x800  # STATX_BTIME of linux/stat.h
_STATX_MNT_ID_UNIQUE = 0x4000  # STATX_MNT_ID_UNIQUE, since Linux 6.8
_STATX_MASK = 0x7FF | _STATX_BTIME | _STATX_MNT_ID_UNIQUE
