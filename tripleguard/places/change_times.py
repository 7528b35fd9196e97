"""Which file systems keep a change time that no program can set (st_ctime in POSIX).

If it is kept, a copy that was rewritten and given its old size and time differs from the stamp recorded when it
was read back. FAT and exFAT have no field for it, and their drivers return another time instead: so it depends on
the type of the file system, not on the time itself. A user-space driver may serve any of them, and a server may
keep it or not: there it counts for nothing.
"""

from __future__ import annotations

import sys

_KEEPING = frozenset(
    {
        *("ext2", "ext3", "ext4", "xfs", "btrfs", "f2fs", "bcachefs", "zfs", "jfs", "nilfs2", "tmpfs"),
        # The top folder of an overlay must be on one of the types above (Linux, overlayfs.rst).
        "overlay",
        # NTFS keeps it as the time at which a file's record changed; this is the kernel's own driver.
        "ntfs3",
        *("apfs", "hfs", "hfsplus"),
    }
)


def keeps_change_times(file_system: str) -> bool:
    """Return whether a file's change time records every change on this type of file system."""
    return sys.platform != "win32" and file_system in _KEEPING


def makes_up_change_times(file_system: str) -> bool:
    """Return whether the driver returns a change time that is not on the disk and may vary by itself.

    The kernel's drivers return the real change time while they cache it, and later the modification time.
    """
    return file_system in ("exfat", "vfat", "msdos")
