"""Detect every change that a program on this machine makes in a few folders between two moments.

A file can be rewritten and given its old size and time again, and on FAT and exFAT its status then shows no
difference. The kernel reports each such change as it is made (inotify), for every file system and driver, and
queues the events until they are read: a check that reads for an hour learns at its end what was changed.

Other systems have no such queue; there only the status is compared.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import struct
import sys
from dataclasses import dataclass, field

from tripleguard.places.dir_handle import DirHandle

_CONTENT_EVENTS = 0x2 | 0x4 | 0x8 | 0x40 | 0x80 | 0x100 | 0x200
"""Written to, status changed, closed after writing, moved from or to, made, deleted (inotify(7))."""
_FOLDER_EVENTS = 0x400 | 0x800
"""The folder itself was deleted or moved."""
_LOST_EVENTS = 0x2000 | 0x4000 | 0x8000
"""Unmounted, the queue overflowed, or the watch ended: from then on nothing is known."""
_IN_ONLYDIR = 0x01000000
_O_DIRECTORY: int = getattr(os, "O_DIRECTORY", 0)
_INOTIFY_FLAGS = getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_CLOEXEC", 0)
_EVENT_HEADER = struct.Struct("iIII")


@dataclass(frozen=True, slots=True)
class FolderChanges:
    """What was changed since the watch began. folders: those in which anything may have changed.

    has_lost_track: the queue overflowed, so nothing is known to be unchanged.
    """

    paths: frozenset[str] = frozenset()
    folders: frozenset[str] = frozenset()
    has_lost_track: bool = False

    def may_include(self, path: str) -> bool:
        """Return whether the file at path may have been changed."""
        return self.has_lost_track or path in self.paths or path.rpartition("/")[0] in self.folders


@dataclass(slots=True)
class ChangeMonitor:
    """Watches folders of one place. Call `watch` before files are read, then `changes`.

    is_complete: every requested folder is watched; False if the system has no support or no memory for it.
    """

    dir_handle: DirHandle
    is_complete: bool = True
    _fd: int = -1
    _folders: dict[int, str] = field(default_factory=dict)
    _watched: set[str] = field(default_factory=set)
    _paths: set[str] = field(default_factory=set)
    _dirty_folders: set[str] = field(default_factory=set)
    _has_lost_track: bool = False

    def __post_init__(self) -> None:
        if sys.platform.startswith("linux"):
            self._fd = _load_libc().inotify_init1(_INOTIFY_FLAGS)
        self.is_complete = self._fd >= 0

    @property
    def is_supported(self) -> bool:
        """Return whether this system has such a queue."""
        return sys.platform.startswith("linux")

    def watch(self, folder: str) -> None:
        """Watch a folder of the place from now on; once is enough."""
        if folder in self._watched or self._fd < 0:
            return
        self._watched.add(folder)
        if len(self._watched) % 64 == 0:
            self._read_events()
        with contextlib.suppress(OSError):
            descriptor = os.open(
                self.dir_handle.syscall_path(folder), os.O_RDONLY | _O_DIRECTORY, dir_fd=self.dir_handle.fd
            )
            try:
                where = os.fsencode(f"/proc/self/fd/{descriptor}")
                number = _load_libc().inotify_add_watch(
                    self._fd, where, _CONTENT_EVENTS | _FOLDER_EVENTS | _IN_ONLYDIR
                )
            finally:
                os.close(descriptor)
            if number >= 0:
                self._folders[number] = folder
                return
        self.is_complete = False

    def changes(self) -> FolderChanges:
        """Return what has been changed until now."""
        self._read_events()
        return FolderChanges(frozenset(self._paths), frozenset(self._dirty_folders), self._has_lost_track)

    def may_have_changed(self, path: str) -> bool:
        """Return whether the file at path may have been changed until now."""
        self._read_events()
        return self._has_lost_track or path in self._paths or path.rpartition("/")[0] in self._dirty_folders

    def begin_reading(self, path: str) -> None:
        """Watch a file from now on: it is about to be read, so earlier changes do not matter."""
        self.watch(path.rpartition("/")[0])
        self._read_events()
        self._paths.discard(path)

    def close(self) -> None:
        """Stop watching."""
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1

    def _read_events(self) -> None:
        while self._fd >= 0:
            try:
                content = os.read(self._fd, 1 << 16)
            except BlockingIOError:
                return
            offset = 0
            while offset < len(content):
                number, mask, _, length = _EVENT_HEADER.unpack_from(content, offset)
                name = content[offset + _EVENT_HEADER.size : offset + _EVENT_HEADER.size + length].rstrip(b"\0")
                self._record_event(number, mask, os.fsdecode(name))
                offset += _EVENT_HEADER.size + length

    def _record_event(self, number: int, mask: int, name: str) -> None:
        folder = self._folders.get(number)
        if folder is None:
            self._has_lost_track = True
        elif mask & (_FOLDER_EVENTS | _LOST_EVENTS) or not name:
            # A change of a watched folder itself, not of its content, has no name.
            if mask & (_FOLDER_EVENTS | _LOST_EVENTS):
                self._dirty_folders.add(folder)
        else:
            self._paths.add(f"{folder}/{name}" if folder else name)


def _load_libc() -> ctypes.CDLL:
    return ctypes.CDLL(None, use_errno=True)
