"""Opening files past the cache on Windows, and which disks a volume is on.

CreateFileW with FILE_FLAG_NO_BUFFERING makes every read go to the device; reads must be whole sectors into
aligned buffers, which all buffers of `media.aligned_buffer` are. Values are those of the Windows SDK's
winnt.h, fileapi.h and winioctl.h.
"""

from __future__ import annotations

import io
import os
import sys

GENERIC_READ = 0x80000000
FILE_SHARE_READ = 0x00000001
FILE_SHARE_WRITE = 0x00000002
OPEN_EXISTING = 3
FILE_FLAG_NO_BUFFERING = 0x20000000
FILE_FLAG_SEQUENTIAL_SCAN = 0x08000000
FILE_FLAG_OPEN_REPARSE_POINT = 0x00200000
IOCTL_VOLUME_GET_VOLUME_DISK_EXTENTS = 0x00560000


def open_unbuffered(path: str) -> io.FileIO:
    """A reading handle on path that bypasses the cache. Raises OSError."""
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


def disk_numbers(volume: str) -> list[int]:
    """The numbers of the disks that a volume such as `E:` is on; none where it does not say."""
    if sys.platform != "win32":
        return []
    import ctypes
    import struct
    from ctypes import wintypes

    kernel = ctypes.WinDLL("kernel32", use_last_error=True)
    kernel.CreateFileW.restype = wintypes.HANDLE
    # No access is asked for: that is enough for a question, and needs no rights.
    shared = FILE_SHARE_READ | FILE_SHARE_WRITE
    handle = wintypes.HANDLE(kernel.CreateFileW(f"\\\\.\\{volume}", 0, shared, None, OPEN_EXISTING, 0, None))
    if handle.value == wintypes.HANDLE(-1).value:
        return []
    answer, told = ctypes.create_string_buffer(1024), wintypes.DWORD()
    try:
        if not kernel.DeviceIoControl(
            handle, IOCTL_VOLUME_GET_VOLUME_DISK_EXTENTS, None, 0, answer, 1024, ctypes.byref(told), None
        ):
            return []
    finally:
        kernel.CloseHandle(handle)
    # A count, then for each extent a disk's number, where it begins, and how long it is.
    (count,) = struct.unpack_from("<I", answer, 0)
    return [struct.unpack_from("<I", answer, 8 + 24 * number)[0] for number in range(min(count, 40))]
