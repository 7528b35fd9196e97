"""Which file systems keep a time of change that no program can set back (POSIX calls it st_ctime).

Where it is kept, a copy that was rewritten and given its old size and time differs from what was noted of it when
it was read back. FAT and exFAT have no field for it, and their drivers show another time in its place: so it is
asked of the type of the file system, and not of the time itself. A driver in user space may serve any of them, and
a server may keep it or not: there it counts for nothing.
"""

from __future__ import annotations

import sys

_KEEPING = frozenset(
    {
        *("ext2", "ext3", "ext4", "xfs", "btrfs", "f2fs", "bcachefs", "zfs", "jfs", "nilfs2", "tmpfs"),
        # The folder on top of an overlay has to be on one of those above (Linux, overlayfs.rst).
        "overlay",
        # NTFS keeps it as the time at which the record of a file changed; this is the kernel's own driver.
        "ntfs3",
        *("apfs", "hfs", "hfsplus"),
    }
)


def keeps_change_times(file_system: str) -> bool:
    """Whether a file's time of change tells every change on this type of file system, as this system shows it."""
    return sys.platform != "win32" and file_system in _KEEPING


def makes_up_change_times(file_system: str) -> bool:
    """Return whether the driver shows a time of change that the disk does not hold, and that may differ by itself.

    The kernel's drivers show when a file was changed as long as they remember it, and the modification time later.
    """
    return file_system in ("exfat", "vfat", "msdos")
