"""A folder held open, so that it stays the folder it was.

A drive that is unmounted leaves an empty folder behind; a job that went on by path would write to the
laptop's own disk. Everything here goes through a descriptor of the folder: after the drive is gone the
calls fail, they never land elsewhere. Links inside the folder are not followed.

Where the system has no such descriptors (Windows), paths are used and links refused by looking first.
"""

from __future__ import annotations

import errno
import os
import stat
import sys
from collections.abc import Iterator
from pathlib import Path

from tripleguard.model import Entry
from tripleguard.names import is_safe_path


class HeldFolder:
    """A folder and everything below it, by relative path. Close it when done: it keeps the drive busy.

    quiet: where the system allows, reading leaves no trace, not even a time of last access. fd: a descriptor of
    the folder that is open already, and belongs to this object now.
    """

    def __init__(self, root: Path, *, quiet: bool = False, fd: int | None = None) -> None:
        self.root = root
        self.fd = fd
        self._quiet = getattr(os, "O_NOATIME", 0) if quiet else 0
        self._real: set[str] = set()
        if sys.platform != "win32" and fd is None:
            self.fd = os.open(root, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)

    def close(self) -> None:
        if self.fd is not None:
            os.close(self.fd)
            self.fd = None

    def inner(self, folder: str) -> HeldFolder:
        """A folder below this one, held by itself, reached part by part: a link on the way is an error.

        Close it when done. Raises OSError.
        """
        self.where(folder)
        if sys.platform == "win32" or self.fd is None:
            self.forget_folders()
            self._refuse_links(folder)
            return HeldFolder(self.root / folder)
        flags = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC
        descriptor = os.open(".", flags, dir_fd=self.fd)
        try:
            for part in folder.split("/"):
                below = os.open(part, flags, dir_fd=descriptor)
                os.close(descriptor)
                descriptor = below
        except BaseException:
            os.close(descriptor)
            raise
        return HeldFolder(self.root / folder, fd=descriptor)

    def where(self, path: str) -> str:
        """What to hand to a system call for path, beside `dir_fd=folder.fd`."""
        if path and not is_safe_path(path):
            raise ValueError(f"{path!r} would leave its place")
        if self.fd is not None:
            return path or "."
        return str(self.root / path)

    def still_there(self) -> bool:
        """Whether the path still leads to the folder that is held."""
        if self.fd is None:
            return self.root.is_dir()
        try:
            now, held = os.stat(self.root), os.fstat(self.fd)
        except OSError:
            return False
        return os.path.samestat(now, held)

    def status(self, path: str) -> os.stat_result:
        """lstat of path. Raises OSError, NotADirectoryError if a folder on the way is a link."""
        self._refuse_links(path.rpartition("/")[0])
        return os.stat(self.where(path), dir_fd=self.fd, follow_symlinks=False)

    def look(self, path: str) -> Entry | None:
        """The plain file at path, or None if there is none."""
        try:
            status = self.status(path)
        except (FileNotFoundError, NotADirectoryError):
            return None
        except OSError as error:
            # Names that the file system can't hold are answered differently by each driver.
            if error.errno in (errno.EILSEQ, errno.ENAMETOOLONG, errno.EINVAL):
                return None
            raise
        return entry_of(path, status) if stat.S_ISREG(status.st_mode) else None

    def open(self, path: str, flags: int, mode: int = 0o644) -> int:
        """Open path without following links. Raises OSError."""
        self._refuse_links(path.rpartition("/")[0])
        flags |= getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_BINARY", 0)
        return self._opened(path, flags, mode)

    def read_small(self, path: str, limit: int) -> bytes:
        """The whole of a small file, at most limit bytes of it. Raises OSError."""
        descriptor = self.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0))
        try:
            with os.fdopen(descriptor, "rb", closefd=False) as file:
                return file.read(limit)
        finally:
            os.close(descriptor)

    def names(self, folder: str) -> list[tuple[str, os.stat_result | OSError]]:
        """What is in a folder, sorted by name, each with its lstat or the error that it gave."""
        self._refuse_links(folder)
        if sys.platform == "win32" or self.fd is None:
            return sorted(((item.name, _status(item)) for item in os.scandir(self.where(folder))), key=_first)
        descriptor = self._opened(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC, 0)
        try:
            with os.scandir(descriptor) as items:
                return sorted(((item.name, _status(item)) for item in items), key=_first)
        finally:
            os.close(descriptor)

    def each(self, folder: str) -> Iterator[tuple[str, os.stat_result | OSError]]:
        """What is in a folder, one by one and in no order, however many there are. Raises OSError."""
        self._refuse_links(folder)
        if sys.platform == "win32" or self.fd is None:
            with os.scandir(self.where(folder)) as items:
                yield from ((item.name, _status(item)) for item in items)
            return
        descriptor = self._opened(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC, 0)
        try:
            with os.scandir(descriptor) as items:
                yield from ((item.name, _status(item)) for item in items)
        finally:
            os.close(descriptor)

    def walk(self, folder: str, *, leave_out: frozenset[str] = frozenset()) -> Iterator[Entry]:
        """Every plain file below folder in path order; names in leave_out are not entered."""
        try:
            listed = self.names(folder)
        except (FileNotFoundError, NotADirectoryError):
            return
        for name, status in listed:
            if name in leave_out or isinstance(status, OSError):
                continue
            path = f"{folder}/{name}" if folder else name
            if stat.S_ISDIR(status.st_mode):
                yield from self.walk(path, leave_out=leave_out)
            elif stat.S_ISREG(status.st_mode):
                yield entry_of(path, status)

    def forget_folders(self) -> None:
        """Look at every folder anew: used when somebody else may have changed them."""
        self._real.clear()

    def _opened(self, path: str, flags: int, mode: int) -> int:
        if self._quiet:
            try:
                return os.open(self.where(path), flags | self._quiet, mode, dir_fd=self.fd)
            except PermissionError:
                # Only the owner may ask for it; somebody else's card is read all the same.
                self._quiet = 0
        return os.open(self.where(path), flags, mode, dir_fd=self.fd)

    def _refuse_links(self, folder: str) -> None:
        if not folder or folder in self._real:
            return
        self._refuse_links(folder.rpartition("/")[0])
        status = os.stat(self.where(folder), dir_fd=self.fd, follow_symlinks=False)
        if not stat.S_ISDIR(status.st_mode):
            raise NotADirectoryError(errno.ENOTDIR, "not a folder of this place", folder)
        self._real.add(folder)


def entry_of(path: str, status: os.stat_result) -> Entry:
    """The entry for a plain file's status."""
    writable = status.st_mode & (stat.S_IWUSR | stat.S_IWGRP | stat.S_IWOTH)
    # On Windows this is when the file was made, which says nothing about changes.
    ctime_ns = 0 if sys.platform == "win32" else status.st_ctime_ns
    return Entry(path, status.st_size, status.st_mtime_ns, protected=not writable, ctime_ns=ctime_ns)


def _status(item: os.DirEntry[str]) -> os.stat_result | OSError:
    try:
        return item.stat(follow_symlinks=False)
    except OSError as error:
        return error


def _first(pair: tuple[str, object]) -> str:
    return pair[0]
