"""Opening files past the cache on Windows.

CreateFileW with FILE_FLAG_NO_BUFFERING makes every read go to the device; reads must be whole sectors into
aligned buffers, which all buffers of `media.aligned_buffer` are. Values are those of the Windows SDK's
winnt.h and fileapi.h.
"""

from __future__ import annotations

import io
import os
import sys

GENERIC_READ = 0x80000000
FILE_SHARE_READ = 0x00000001
OPEN_EXISTING = 3
FILE_FLAG_NO_BUFFERING = 0x20000000
FILE_FLAG_SEQUENTIAL_SCAN = 0x08000000
FILE_FLAG_OPEN_REPARSE_POINT = 0x00200000


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
