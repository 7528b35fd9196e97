"""Which files any program opens, as the kernel tells it (inotify(7)): what a run really read, not what it says."""

from __future__ import annotations

import contextlib
import ctypes
import os
import select
import struct
from collections.abc import Iterator
from pathlib import Path

_IN_OPEN = 0x20
_IN_Q_OVERFLOW = 0x4000
_IN_ISDIR = 0x40000000
_EVENT = struct.Struct("iIII")


class Opened:
    """Plain files opened in these folders, in order; of those below them, none."""

    def __init__(self, descriptor: int, folders: dict[int, Path]) -> None:
        self._descriptor = descriptor
        self._folders = folders
        self._seen: list[Path] = []

    def wait(self, seconds: float) -> bool:
        """Whether anything is opened within so many seconds."""
        self.so_far()
        return bool(self._seen) or bool(select.select([self._descriptor], [], [], seconds)[0])

    def so_far(self) -> list[Path]:
        """What was opened since the last `take`."""
        while select.select([self._descriptor], [], [], 0)[0]:
            content = os.read(self._descriptor, 1 << 16)
            offset = 0
            while offset < len(content):
                watch, mask, _, length = _EVENT.unpack_from(content, offset)
                name = content[offset + _EVENT.size : offset + _EVENT.size + length].rstrip(b"\0")
                offset += _EVENT.size + length
                assert not mask & _IN_Q_OVERFLOW, "too much was opened to be told"
                if name and not mask & _IN_ISDIR:
                    self._seen.append(self._folders[watch] / os.fsdecode(name))
        return self._seen

    def take(self) -> list[Path]:
        """What was opened since the last time; the list starts anew."""
        found = self.so_far()
        self._seen = []
        return found


@contextlib.contextmanager
def watched(*folders: Path) -> Iterator[Opened]:
    """Watch these folders for the length of the block."""
    libc = ctypes.CDLL(None, use_errno=True)
    descriptor = libc.inotify_init1(os.O_CLOEXEC)
    assert descriptor >= 0, os.strerror(ctypes.get_errno())
    try:
        watches = {libc.inotify_add_watch(descriptor, os.fsencode(path), _IN_OPEN): path for path in folders}
        assert -1 not in watches, os.strerror(ctypes.get_errno())
        yield Opened(descriptor, watches)
    finally:
        os.close(descriptor)
