"""A tiny world at one place on the disk, put back in its prepared state before every schedule.

What a run changed is copied anew, whatever stayed is left alone: a file that still has the inode, size and times
of the last time is the same file.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import stat
from collections.abc import Iterator
from pathlib import Path

Mark = tuple[int, int, int, int]


class Kept:
    """A folder that can be brought back to what it was when it was kept. store: where its copy lies."""

    def __init__(self, live: Path, store: Path) -> None:
        self._live = live
        self._store = store
        self._files: dict[str, Mark] = {}
        self._folders: set[str] = set()

    def keep(self) -> None:
        """Keep what is there now."""
        shutil.rmtree(self._store, ignore_errors=True)
        shutil.copytree(self._live, self._store, symlinks=True)
        self._files.clear()
        self._folders.clear()
        for path, is_folder in _below(self._live):
            if is_folder:
                self._folders.add(path)
            else:
                self._files[path] = _mark(self._live / path)

    def restore(self) -> None:
        """Make the live folder what it was."""
        self._live.mkdir(exist_ok=True)
        there: set[str] = set()
        for path, is_folder in list(_below(self._live)):
            where = self._live / path
            if is_folder:
                if path not in self._folders:
                    shutil.rmtree(where, ignore_errors=True)
            elif path in self._files and _mark(where) == self._files[path]:
                there.add(path)
            else:
                with contextlib.suppress(FileNotFoundError):
                    where.unlink()
        for folder in sorted(self._folders):
            (self._live / folder).mkdir(exist_ok=True)
        for path in self._files.keys() - there:
            shutil.copy2(self._store / path, self._live / path)
            self._files[path] = _mark(self._live / path)


def tree(root: Path) -> dict[str, tuple[bytes, int]]:
    """Every plain file below root: relative path to its bytes and modification time, in ns."""
    found = {}
    for path, is_folder in _below(root):
        where = root / path
        if not is_folder and stat.S_ISREG(where.lstat().st_mode):
            found[path] = (where.read_bytes(), where.stat().st_mtime_ns)
    return found


def _mark(path: Path) -> Mark:
    status = path.lstat()
    return status.st_ino, status.st_size, status.st_mtime_ns, status.st_ctime_ns


def _below(root: Path, folder: str = "") -> Iterator[tuple[str, bool]]:
    """Everything below root: relative path, and whether it is a folder; a folder before what is in it."""
    try:
        entries = sorted(os.scandir(root / folder), key=lambda entry: entry.name)
    except FileNotFoundError:
        return
    for entry in entries:
        path = f"{folder}/{entry.name}" if folder else entry.name
        is_folder = entry.is_dir(follow_symlinks=False)
        yield path, is_folder
        if is_folder:
            yield from _below(root, path)
