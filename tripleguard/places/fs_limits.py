"""Probe what a drive's file system can hold: name lengths, characters, case, time steps.

File systems differ between systems, drivers and mount options, so nothing is assumed from a name: a few small
files are created in the tool's own folder, examined, and removed again.
"""

from __future__ import annotations

import errno
import os
from pathlib import Path

from tripleguard.model import FsLimits
from tripleguard.names import EXFAT_FORBIDDEN
from tripleguard.places.dir_handle import DirHandle
from tripleguard.places.mounts import find_mount
from tripleguard.places.os_errors import os_errors_explained
from tripleguard.places.place_writer import PlaceWriter
from tripleguard.places.reserved import INCOMING_DIR, new_probe_prefix

FAT32_MAX_FILE_BYTES = 2**32 - 1
"""The largest file of FAT32 (general reference; a directory entry holds the size in 32 bits)."""

_DEVICE_ERRNOS = frozenset(
    [
        errno.EROFS,
        errno.EIO,
        errno.ENOSPC,
        errno.EDQUOT,
        errno.EMFILE,
        errno.ENFILE,
        errno.ENODEV,
        errno.ENXIO,
        errno.ENOTCONN,
        errno.ECONNABORTED,
        errno.ESTALE,
    ]
)
"""Errors that say nothing about a name, but that the drive or the system is failing."""

_FAT_TYPES = frozenset({"vfat", "msdos", "fat", "fat32", "fuse.fusefat"})
_SAMPLE_TIME_NS = 1_700_000_001_234_567_891


def probe_fs_limits(folder: DirHandle, writer: PlaceWriter) -> FsLimits:
    """Return what the file system under folder can hold. Raises NoSpaceError, PlaceFailedError."""
    writer.make_dirs(INCOMING_DIR)
    trial = _NameProbe(folder, writer)
    with os_errors_explained(writer.place_name, "trying what names it can hold"):
        trial.check_plain_name()
        name_bytes, name_units = trial.find_longest_name()
        return FsLimits(
            is_case_insensitive=trial.is_same_file("Probe", "pROBE"),
            is_normalization_insensitive=trial.is_same_file("n\u00fa\u00f1ez", "nu\u0301n\u0303ez"),
            forbidden_chars=trial.find_forbidden_chars(),
            is_utf8_only=not trial.can_create(os.fsdecode(b"p\xff\xfe")),
            max_name_bytes=name_bytes,
            max_name_units=name_units,
            max_file_bytes=FAT32_MAX_FILE_BYTES if _get_fs_type(folder.root) in _FAT_TYPES else 0,
            mtime_step_ns=trial.find_mtime_step(),
            file_system=_get_fs_type(folder.root),
        )


class _NameProbe:
    """Creates, examines and removes small files with awkward names."""

    def __init__(self, folder: DirHandle, writer: PlaceWriter) -> None:
        self._folder = folder
        self._writer = writer
        self._prefix = new_probe_prefix()

    def check_plain_name(self) -> None:
        """Create and remove a file with a plain name. Raises OSError if not even that works."""
        path = f"{INCOMING_DIR}/{self._prefix}plain"
        self._writer.create_probe_file(path)
        self._writer.delete_incoming(path)

    def can_create(self, name: str) -> bool:
        """Return whether a file of that name can be created and is then found under it."""
        path = f"{INCOMING_DIR}/{self._prefix}{name}"
        if not self._create(path):
            return False
        found = f"{self._prefix}{name}" in [known for known, _ in self._folder.list_dir(INCOMING_DIR)]
        self._writer.delete_incoming(path)
        return found

    def is_same_file(self, name: str, twin: str) -> bool:
        """Return whether the file system treats two spellings as one name."""
        path = f"{INCOMING_DIR}/{self._prefix}{name}"
        if not self._create(path):
            return False
        answer = self._folder.stat(f"{INCOMING_DIR}/{self._prefix}{twin}") is not None
        self._writer.delete_incoming(path)
        return answer

    def find_forbidden_chars(self) -> str:
        """Return the characters that names can't contain here."""
        candidates = [char for char in EXFAT_FORBIDDEN if char not in "/\0"]
        # Most file systems accept them all, and one file shows it.
        if self.can_create(f"a{''.join(candidates)}b"):
            return ""
        bad = [char for char in candidates if not self.can_create(f"a{char}b")]
        return "".join(bad)

    def find_longest_name(self) -> tuple[int, int]:
        """Return the longest name in bytes and in UTF-16 units; 0 if that measure is not the limit."""
        units = 255 - len(self._prefix)
        if self.can_create("\u00e9" * units):
            return 0, 255
        return 255, 0

    def find_mtime_step(self) -> int:
        """Return the resolution of modification times in ns: 1, 100, 1000, 10 ms, 1 s or 2 s."""
        path = f"{INCOMING_DIR}/{self._prefix}time"
        if not self._create(path):
            return 2_000_000_000
        os.utime(self._folder.syscall_path(path), ns=(_SAMPLE_TIME_NS, _SAMPLE_TIME_NS), dir_fd=self._folder.fd)
        kept = self._folder.lstat(path).st_mtime_ns
        self._writer.delete_incoming(path)
        for step in (1, 100, 1_000, 1_000_000, 10_000_000, 1_000_000_000):
            if kept == _SAMPLE_TIME_NS // step * step:
                return step
        return 2_000_000_000

    def _create(self, path: str) -> bool:
        try:
            self._writer.create_probe_file(path)
        except OSError as error:
            # Each driver has its own error for a name that it can't hold; these errors have other causes.
            if error.errno in _DEVICE_ERRNOS:
                raise
            return False
        return True


def _get_fs_type(root: Path) -> str:
    mount = find_mount(root)
    return mount.fs_type if mount else "unknown"
