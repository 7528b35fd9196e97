"""Notice every change that a program on this machine makes in a few folders, from one moment to another.

A file can be rewritten and given its old size and time again, and on FAT and exFAT nothing in its status then
shows it. The kernel tells of each such change as it is made (inotify), for every file system and driver, and
queues what nobody has asked for yet: a question that reads for an hour learns at its end what was changed.

Elsewhere than on Linux there is no such queue that can be asked at a given moment; there only the status is
compared.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import struct
import sys
from dataclasses import dataclass, field

from tripleguard.places.held import HeldFolder

_CONTENT = 0x2 | 0x4 | 0x8 | 0x40 | 0x80 | 0x100 | 0x200
"""Written to, status changed, closed after writing, moved from or to, made, deleted (inotify(7))."""
_FOLDER = 0x400 | 0x800
"""The folder itself was deleted or moved."""
_LOST = 0x2000 | 0x4000 | 0x8000
"""Unmounted, the queue ran over, or the watch ended: from then on nothing is known."""
_ONLY_FOLDERS = 0x01000000
_DIRECTORY: int = getattr(os, "O_DIRECTORY", 0)
_FLAGS = getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_CLOEXEC", 0)
_HEADER = struct.Struct("iIII")


@dataclass(frozen=True, slots=True)
class Changes:
    """What was changed since the watching began. folders: those of which anything may have changed.

    everything: more happened than the system could remember, so that nothing is known to be unchanged.
    """

    paths: frozenset[str] = frozenset()
    folders: frozenset[str] = frozenset()
    everything: bool = False

    def may_include(self, path: str) -> bool:
        """Whether the file at path may have been changed."""
        return self.everything or path in self.paths or path.rpartition("/")[0] in self.folders


@dataclass(slots=True)
class ChangeMonitor:
    """Watches folders of one place. Use: `watch` folders before their files are read, then ask for `changes`.

    is_complete: every folder that was asked for is watched; False where the system has no way or no room.
    """

    place: HeldFolder
    is_complete: bool = True
    _fd: int = -1
    _folders: dict[int, str] = field(default_factory=dict)
    _watched: set[str] = field(default_factory=set)
    _paths: set[str] = field(default_factory=set)
    _dirty: set[str] = field(default_factory=set)
    _everything: bool = False

    def __post_init__(self) -> None:
        if sys.platform.startswith("linux"):
            self._fd = _libc().inotify_init1(_FLAGS)
        self.is_complete = self._fd >= 0

    @property
    def is_supported(self) -> bool:
        """Whether this system has such a queue."""
        return sys.platform.startswith("linux")

    def watch(self, folder: str) -> None:
        """Watch a folder of the place from now on; once is enough."""
        if folder in self._watched or self._fd < 0:
            return
        self._watched.add(folder)
        if len(self._watched) % 64 == 0:
            self._take()
        with contextlib.suppress(OSError):
            descriptor = os.open(self.place.where(folder), os.O_RDONLY | _DIRECTORY, dir_fd=self.place.fd)
            try:
                where = os.fsencode(f"/proc/self/fd/{descriptor}")
                number = _libc().inotify_add_watch(self._fd, where, _CONTENT | _FOLDER | _ONLY_FOLDERS)
            finally:
                os.close(descriptor)
            if number >= 0:
                self._folders[number] = folder
                return
        self.is_complete = False

    def changes(self) -> Changes:
        """What has been changed until now."""
        self._take()
        return Changes(frozenset(self._paths), frozenset(self._dirty), self._everything)

    def close(self) -> None:
        """End the watching."""
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1

    def _take(self) -> None:
        while self._fd >= 0:
            try:
                content = os.read(self._fd, 1 << 16)
            except BlockingIOError:
                return
            offset = 0
            while offset < len(content):
                number, mask, _, length = _HEADER.unpack_from(content, offset)
                name = content[offset + _HEADER.size : offset + _HEADER.size + length].rstrip(b"\0")
                self._note(number, mask, os.fsdecode(name))
                offset += _HEADER.size + length

    def _note(self, number: int, mask: int, name: str) -> None:
        folder = self._folders.get(number)
        if folder is None:
            self._everything = True
        elif mask & (_FOLDER | _LOST) or not name:
            # A folder whose own status changes, and nothing in it, tells so without a name.
            if mask & (_FOLDER | _LOST):
                self._dirty.add(folder)
        else:
            self._paths.add(f"{folder}/{name}" if folder else name)


def _libc() -> ctypes.CDLL:
    return ctypes.CDLL(None, use_errno=True)
