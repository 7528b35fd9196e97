"""Learning by trying what a drive's file system can hold.

File systems differ between systems, drivers and mount options, so nothing is assumed from a name: a few
small files are made in the tool's own folder, looked at, and removed again.
"""

from __future__ import annotations

import errno
import os
from pathlib import Path

from tripleguard.model import Limits
from tripleguard.names import EXFAT_FORBIDDEN
from tripleguard.places.held import HeldFolder
from tripleguard.places.mounts import mount_of
from tripleguard.places.own import INCOMING
from tripleguard.places.provenance import trial_prefix
from tripleguard.places.storing import Storing
from tripleguard.places.telling import told

FAT32_LARGEST = 2**32 - 1
"""The largest file of FAT32 (general reference; a directory entry holds the size in 32 bits)."""

_TROUBLE = frozenset(
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
"""What says nothing about a name, but that the drive or the system is in trouble."""

_FAT = frozenset({"vfat", "msdos", "fat", "fat32", "fuse.fusefat"})
_SAMPLE_TIME_NS = 1_700_000_001_234_567_891


def learn_limits(folder: HeldFolder, storing: Storing) -> Limits:
    """What the file system under folder can hold. Raises NoRoom, PlaceFailed."""
    storing.make_folder(INCOMING)
    trial = _Trial(folder, storing)
    with told(storing.place, "trying what names it can hold"):
        trial.plain()
        name_bytes, name_units = trial.longest()
        return Limits(
            folds_case=trial.same_file("Probe", "pROBE"),
            folds_form=trial.same_file("n\u00fa\u00f1ez", "nu\u0301n\u0303ez"),
            forbidden=trial.forbidden(),
            utf8_only=not trial.can_make(os.fsdecode(b"p\xff\xfe")),
            name_bytes=name_bytes,
            name_units=name_units,
            largest=FAT32_LARGEST if _file_system(folder.root) in _FAT else 0,
            mtime_step_ns=trial.time_step(),
            file_system=_file_system(folder.root),
        )


class _Trial:
    """Makes, looks at and removes small files with awkward names."""

    def __init__(self, folder: HeldFolder, storing: Storing) -> None:
        self._folder = folder
        self._storing = storing
        self._salt = trial_prefix()

    def plain(self) -> None:
        """Make and remove a file with a name that every drive can hold. Raises OSError if not even that works."""
        path = f"{INCOMING}/{self._salt}plain"
        self._storing.make_trial(path)
        self._storing.unlink_incoming(path)

    def can_make(self, name: str) -> bool:
        """Whether a file of that name can be made and is then found under it."""
        path = f"{INCOMING}/{self._salt}{name}"
        if not self._make(path):
            return False
        found = f"{self._salt}{name}" in [known for known, _ in self._folder.names(INCOMING)]
        self._storing.unlink_incoming(path)
        return found

    def same_file(self, name: str, twin: str) -> bool:
        """Whether the file system takes two spellings for one name."""
        path = f"{INCOMING}/{self._salt}{name}"
        if not self._make(path):
            return False
        answer = self._folder.look(f"{INCOMING}/{self._salt}{twin}") is not None
        self._storing.unlink_incoming(path)
        return answer

    def forbidden(self) -> str:
        """Characters that no name may hold here."""
        candidates = [char for char in EXFAT_FORBIDDEN if char not in "/\0"]
        bad = [char for char in candidates if not self.can_make(f"a{char}b")]
        return "".join(bad)

    def longest(self) -> tuple[int, int]:
        """Longest name in bytes and in UTF-16 units; 0 where that measure is not the limit."""
        units = 255 - len(self._salt)
        if self.can_make("\u00e9" * units):
            return 0, 255
        return 255, 0

    def time_step(self) -> int:
        """How finely a modification time is kept, in ns: 1, 100, 1000, 10 ms, 1 s or 2 s."""
        path = f"{INCOMING}/{self._salt}time"
        if not self._make(path):
            return 2_000_000_000
        os.utime(self._folder.where(path), ns=(_SAMPLE_TIME_NS, _SAMPLE_TIME_NS), dir_fd=self._folder.fd)
        kept = self._folder.status(path).st_mtime_ns
        self._storing.unlink_incoming(path)
        for step in (1, 100, 1_000, 1_000_000, 10_000_000, 1_000_000_000):
            if kept == _SAMPLE_TIME_NS // step * step:
                return step
        return 2_000_000_000

    def _make(self, path: str) -> bool:
        try:
            self._storing.make_trial(path)
        except OSError as error:
            # Each driver has its own answer to a name that it can't hold; these are no answers to a name.
            if error.errno in _TROUBLE:
                raise
            return False
        return True


def _file_system(root: Path) -> str:
    mount = mount_of(root)
    return mount.kind if mount else "unknown"
