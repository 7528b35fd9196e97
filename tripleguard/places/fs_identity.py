"""Identify the file system that a drive is on, because its marker is a file that can be copied.

What can be read depends on system, driver and user, so each part may be missing, and only parts known on both
sides are compared.
"""

from __future__ import annotations

import contextlib
import os
import struct
import sys
from pathlib import Path

import msgspec

from tripleguard.places import block_devices
from tripleguard.places.dir_handle import DirHandle
from tripleguard.places.mounts import Mount, find_mount_of_fd

_STABLE_INODE_FS = frozenset({"ext2", "ext3", "ext4", "xfs", "btrfs", "ntfs", "ntfs3", "apfs", "hfs"})
"""File systems whose kernel driver keeps a folder's inode number over mounts; a user-space driver may not."""
_BY_UUID = Path("/dev/disk/by-uuid")
_GET_GENERATION = 0x80087601  # FS_IOC_GETVERSION of linux/fs.h
_SUPERBLOCK_BYTES = 0x10000 + 4096


class FileSystemIdentity(msgspec.Struct, frozen=True, omit_defaults=True):
    """What identifies a file system and a folder on it; empty or 0 if unknown.

    Attributes:
        uuid: As `blkid` writes it.
        size: Bytes of its device.
        disk: The disk's own name from its maker.
        folder: The drive's folder: `inode:` if these are stable, else `path:` within the file system.
    """

    uuid: str = ""
    size: int = 0
    disk: str = ""
    folder: str = ""


def read_identity(folder: DirHandle) -> FileSystemIdentity:
    """Return what this user can read of the identity of a drive's file system."""
    mount = find_mount_of_fd(folder.root, folder.fd)
    if mount is None:
        return FileSystemIdentity()
    block = block_devices.find_block_device(mount) if sys.platform.startswith("linux") else None
    return FileSystemIdentity(
        uuid=_read_uuid(mount, folder),
        size=int(block_devices.read_sysfs_line(block / "size") or 0) * 512 if block else 0,
        disk=_read_disk_name(block) if block else "",
        folder=_identify_folder(mount, folder),
    )


def encode_identity(identity: FileSystemIdentity) -> str:
    """Return the identity as one line of text for the catalog."""
    return msgspec.json.encode(identity).decode("ascii", "replace")


def decode_identity(text: str) -> FileSystemIdentity:
    """Return the identity in a line of the catalog; an empty one if it can't be read."""
    try:
        return msgspec.json.decode(text, type=FileSystemIdentity)
    except msgspec.MsgspecError:
        return FileSystemIdentity()


def is_different_fs(recorded: FileSystemIdentity, now: FileSystemIdentity) -> bool:
    """Return whether a drive is on another file system or folder than recorded; in doubt it is.

    An empty record matches everything, so that a system which reports nothing raises no doubt each time.
    """
    if recorded == FileSystemIdentity():
        return False
    same_kind = recorded.folder.partition(":")[0] == now.folder.partition(":")[0]
    pairs: list[tuple[object, object]] = [
        (recorded.uuid, now.uuid),
        (recorded.size, now.size),
        (recorded.disk, now.disk),
        *([(recorded.folder, now.folder)] if same_kind else []),
    ]
    known = [(one, other) for one, other in pairs if one and other]
    if not known or any(one != other for one, other in known):
        return True
    # Many disks share a path and a size, but not a folder's inode number and generation.
    numbered = same_kind and now.folder.startswith("inode:")
    return bool(recorded.uuid) and not now.uuid and not numbered


def merge_identities(recorded: FileSystemIdentity, now: FileSystemIdentity) -> FileSystemIdentity:
    """Return the current identity, completed by parts that only an earlier reading had."""
    return FileSystemIdentity(
        uuid=now.uuid or recorded.uuid,
        size=now.size or recorded.size,
        disk=now.disk or recorded.disk,
        folder=now.folder or recorded.folder,
    )


def _read_uuid(mount: Mount, folder: DirHandle) -> str:
    if sys.platform == "win32":
        # On Windows the device number is the volume's serial number.
        return f"{os.stat(folder.root).st_dev:X}"
    if not mount.source.startswith("/dev/"):
        return ""
    if sys.platform == "darwin":
        from tripleguard.places.non_linux import read_volume_uuid

        return read_volume_uuid(mount.source)
    with contextlib.suppress(OSError):
        device = os.stat(mount.source).st_rdev
        for link in sorted(_BY_UUID.iterdir() if _BY_UUID.exists() else []):
            with contextlib.suppress(OSError):
                if link.stat().st_rdev == device:
                    return link.name
    try:
        with open(mount.source, "rb", buffering=0) as file:
            return parse_fs_uuid(file.read(_SUPERBLOCK_BYTES))
    except OSError:
        return ""


def parse_fs_uuid(head: bytes) -> str:
    """Return the UUID or serial number in the first 68 KiB of a file system, as `blkid` writes it.

    Empty if unknown. Offsets from linux/fs/ext4/ext4.h, xfs_format.h and btrfs_tree.h; exFAT specification 1.00,
    section 3.1; FAT specification 1.03; NTFS's boot sector from memory.
    """
    if head[0x438:0x43A] == b"\x53\xef":
        return _format_uuid(head[0x468:0x478])
    if head[:4] == b"XFSB":
        return _format_uuid(head[0x20:0x30])
    if head[0x10040:0x10048] == b"_BHRfS_M":
        return _format_uuid(head[0x10020:0x10030])
    if head[3:11] == b"NTFS    ":
        return f"{int.from_bytes(head[0x48:0x50], 'little'):016X}"
    for mark, at, serial in ((b"EXFAT   ", 3, 0x64), (b"FAT32   ", 0x52, 0x43), (b"FAT", 0x36, 0x27)):
        if head[at : at + len(mark)] == mark:
            number = int.from_bytes(head[serial : serial + 4], "little")
            return f"{number >> 16:04X}-{number & 0xFFFF:04X}"
    return ""


def _format_uuid(raw: bytes) -> str:
    text = raw.hex()
    return "-".join((text[:8], text[8:12], text[12:16], text[16:20], text[20:]))


def _read_disk_name(block: Path) -> str:
    """Return the name of the disk under a device; empty if it has none."""
    disk = block_devices.find_whole_disk(block)
    names = (block_devices.read_sysfs_line(disk / name).strip() for name in ("wwid", "device/wwid", "device/cid"))
    return next(filter(None, names), "")


def _identify_folder(mount: Mount, folder: DirHandle) -> str:
    try:
        status = os.stat(folder.root) if folder.fd is None else os.fstat(folder.fd)
    except OSError:
        return ""
    if mount.fs_type in _STABLE_INODE_FS:
        return f"inode:{status.st_ino}{_read_folder_generation(mount, folder, status)}"
    inside = os.path.relpath(os.path.realpath(folder.root), mount.point)
    within = os.path.normpath(os.path.join(mount.root, inside)).replace(os.sep, "/")
    return f"path:{os.fsencode(within).decode('utf-8', 'backslashreplace')}"


def _read_folder_generation(mount: Mount, folder: DirHandle, status: os.stat_result) -> str:
    """Return what distinguishes two folders that had one inode number in turn; empty if unknown."""
    if sys.platform == "win32" or folder.fd is None:
        return f".{status.st_ctime_ns}"
    if sys.platform == "darwin":
        return f".{status.st_birthtime}"
    parts = []
    with contextlib.suppress(OSError):
        import fcntl

        raw = fcntl.ioctl(folder.fd, _GET_GENERATION, bytes(8))
        parts.append(f".{struct.unpack('=I', raw[:4])[0]}")
    if mount.fs_type == "btrfs":
        # Each subvolume numbers its own inodes, and a snapshot keeps the numbers of its source.
        with contextlib.suppress(OSError):
            parts.append(f".{os.fstatvfs(folder.fd).f_fsid}")
    return "".join(parts)
