"""Disks, volume ids and unbuffered reads on macOS and Windows.

macOS provides them through `diskutil`; its keys are from memory. On Windows CreateFileW with
FILE_FLAG_NO_BUFFERING makes every read go to the device; reads must be whole sectors into aligned buffers, as
`cache_bypass.allocate_aligned` returns them. Values are those of the Windows SDK's winnt.h, fileapi.h and
winioctl.h.
"""

from __future__ import annotations

import io
import os
import plistlib
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

from tripleguard.places.mounts import find_mount

_TIMEOUT_S = 10.0


def find_disks_off_linux(root: Path) -> frozenset[str] | None:
    """Return the physical disks under root; None if unknown."""
    if sys.platform == "win32":
        drive = os.path.splitdrive(os.path.realpath(root))[0]
        return frozenset(f"disk {number}" for number in query_disk_numbers(drive)) or None
    mount = find_mount(root)
    if sys.platform != "darwin" or mount is None or not mount.source.startswith("/dev/"):
        return None
    answer = _query_diskutil(mount.source)
    # An APFS container appears as a disk of its own; its stores are partitions of real ones.
    stores = [str(store.get("APFSPhysicalStore", "")) for store in answer.get("APFSPhysicalStores", [])]
    names = stores or [str(answer.get("ParentWholeDisk", ""))]
    wholes = [re.match(r"disk\d+", name) for name in names]
    return None if not all(wholes) else frozenset(whole[0] for whole in wholes if whole)


def read_volume_uuid(device: str) -> str:
    """Return the UUID of the volume on a macOS device; empty if it has none."""
    return str(_query_diskutil(device).get("VolumeUUID", ""))


def _query_diskutil(device: str) -> dict[str, Any]:
    try:
        answer = subprocess.run(
            ["/usr/sbin/diskutil", "info", "-plist", device], capture_output=True, timeout=_TIMEOUT_S, check=True
        )
        info: dict[str, Any] = plistlib.loads(answer.stdout)
    except (OSError, subprocess.SubprocessError, plistlib.InvalidFileException, ValueError):
        return {}
    return info


GENERIC_READ = 0x80000000
FILE_SHARE_READ = 0x00000001
FILE_SHARE_WRITE = 0x00000002
OPEN_EXISTING = 3
FILE_FLAG_NO_BUFFERING = 0x20000000
FILE_FLAG_SEQUENTIAL_SCAN = 0x08000000
FILE_FLAG_OPEN_REPARSE_POINT = 0x00200000
IOCTL_VOLUME_GET_VOLUME_DISK_EXTENTS = 0x00560000


def open_unbuffered(path: str) -> io.FileIO:
    """Return a read handle on path that bypasses the cache. Raises OSError."""
    if sys.platform != "win32":
        raise OSError("unbuffered handles exist on Windows only")
    import ctypes
    import msvcrt
    from ctypes import wintypes

    create = ctypes.WinDLL("kernel32", use_last_error=True).CreateFileW
    create.restype = wintypes.HANDLE
    create.argtypes = [
        wintypes.LPCWSTR,
        wintypes.DWORD,
        wintypes.DWORD,
        wintypes.LPVOID,
        wintypes.DWORD,
        wintypes.DWORD,
        wintypes.HANDLE,
    ]
    handle = create(
        path,
        GENERIC_READ,
        FILE_SHARE_READ,
        None,
        OPEN_EXISTING,
        FILE_FLAG_NO_BUFFERING | FILE_FLAG_SEQUENTIAL_SCAN | FILE_FLAG_OPEN_REPARSE_POINT,
        None,
    )
    if handle == wintypes.HANDLE(-1).value:
        raise ctypes.WinError(ctypes.get_last_error())
    return io.FileIO(msvcrt.open_osfhandle(handle, os.O_RDONLY), "r")


def query_disk_numbers(volume: str) -> list[int]:
    """Return the numbers of the disks of a volume such as `E:`; empty if unknown."""
    if sys.platform != "win32":
        return []
    import ctypes
    import struct
    from ctypes import wintypes

    kernel = ctypes.WinDLL("kernel32", use_last_error=True)
    kernel.CreateFileW.restype = wintypes.HANDLE
    # No access right is requested: none is needed for this query.
    shared = FILE_SHARE_READ | FILE_SHARE_WRITE
    handle = wintypes.HANDLE(kernel.CreateFileW(f"\\\\.\\{volume}", 0, shared, None, OPEN_EXISTING, 0, None))
    if handle.value == wintypes.HANDLE(-1).value:
        return []
    answer, returned_bytes = ctypes.create_string_buffer(1024), wintypes.DWORD()
    try:
        if not kernel.DeviceIoControl(
            handle, IOCTL_VOLUME_GET_VOLUME_DISK_EXTENTS, None, 0, answer, 1024, ctypes.byref(returned_bytes), None
        ):
            return []
    finally:
        kernel.CloseHandle(handle)
    # A count, then for each extent a disk's number, its offset and its length.
    (count,) = struct.unpack_from("<I", answer, 0)
    return [struct.unpack_from("<I", answer, 8 + 24 * number)[0] for number in range(min(count, 40))]
