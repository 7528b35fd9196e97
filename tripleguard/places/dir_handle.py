"""A folder held open by a descriptor, so that it stays the same folder.

A drive that is unmounted leaves an empty folder behind; a job that continued by path would write to the laptop's
own disk. All access goes through a descriptor of the folder: after the drive is gone the calls fail, and never
reach another volume. Links inside the folder are not followed.

On systems without such descriptors (Windows), paths are used, and links are rejected by a check before.
"""

from __future__ import annotations

import errno
import os
import stat
import sys
from collections.abc import Iterator
from pathlib import Path

from tripleguard.errors import PlaceError, PlaceUnreadableError
from tripleguard.model import Entry, FreeSpace
from tripleguard.names import is_safe_path
from tripleguard.places.probe import hangs


class DirHandle:
    """A folder and everything below it, by relative path. Close it when done: it keeps the drive busy.

    Args:
        no_atime: Where the system allows, reading leaves no trace, not even an access time.
        fd: An open descriptor of the folder, which this object takes over.
    """

    def __init__(self, root: Path, *, no_atime: bool = False, fd: int | None = None) -> None:
        self.root = root
        self.fd = fd
        self._no_atime = getattr(os, "O_NOATIME", 0) if no_atime else 0
        self._checked_dirs: set[str] = set()
        if fd is None and hangs(root):
            raise OSError(errno.ETIMEDOUT, "its device does not answer", str(root))
        if sys.platform != "win32" and fd is None:
            self.fd = os.open(root, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)

    def close(self) -> None:
        if self.fd is not None:
            os.close(self.fd)
            self.fd = None

    def open_subdir(self, folder: str) -> DirHandle:
        """Return a separate handle of a folder below this one; a link on the way is an error.

        Close it when done. Raises OSError.
        """
        self.syscall_path(folder)
        if sys.platform == "win32" or self.fd is None:
            self.clear_checked_dirs()
            self._reject_links(folder)
            return DirHandle(self.root / folder)
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
        return DirHandle(self.root / folder, fd=descriptor)

    def syscall_path(self, path: str) -> str:
        """Return the path to pass to a system call together with `dir_fd=folder.fd`."""
        if path and not is_safe_path(path):
            raise ValueError(f"{path!r} would leave its place")
        if self.fd is not None:
            return path or "."
        return str(self.root / path)

    def is_still_at_root(self) -> bool:
        """Return whether the path still leads to the open folder."""
        if self.fd is None:
            return self.root.is_dir()
        try:
            now, held = os.stat(self.root), os.fstat(self.fd)
        except OSError:
            return False
        return os.path.samestat(now, held)

    def lstat(self, path: str) -> os.stat_result:
        """Return the lstat of path. Raises OSError, NotADirectoryError if a folder on the way is a link."""
        self._reject_links(path.rpartition("/")[0])
        return os.stat(self.syscall_path(path), dir_fd=self.fd, follow_symlinks=False)

    def stat(self, path: str) -> Entry | None:
        """Return the regular file at path, or None."""
        try:
            status = self.lstat(path)
        except (FileNotFoundError, NotADirectoryError):
            return None
        except OSError as error:
            # Each driver has its own error for a name that the file system can't hold.
            if error.errno in (errno.EILSEQ, errno.ENAMETOOLONG, errno.EINVAL):
                return None
            raise
        return to_entry(path, status) if stat.S_ISREG(status.st_mode) else None

    def open(self, path: str, flags: int, mode: int = 0o644) -> int:
        """Open path without following links. Raises OSError."""
        self._reject_links(path.rpartition("/")[0])
        flags |= getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_BINARY", 0)
        return self._open_fd(path, flags, mode)

    def open_for_reading(self, path: str) -> int:
        """Return a descriptor for reading path at any offset, not past the cache. Raises OSError."""
        return self.open(path, os.O_RDONLY)

    def read_small(self, path: str, limit: int) -> bytes:
        """Return the content of a small file, at most limit bytes of it. Raises OSError."""
        descriptor = self.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0))
        try:
            with os.fdopen(descriptor, "rb", closefd=False) as file:
                return file.read(limit)
        finally:
            os.close(descriptor)

    def list_dir(self, folder: str) -> list[tuple[str, os.stat_result | OSError]]:
        """Return a folder's content, sorted by name, each with its lstat or its error."""
        self._reject_links(folder)
        if sys.platform == "win32" or self.fd is None:
            return sorted(
                ((item.name, _stat_or_error(item)) for item in os.scandir(self.syscall_path(folder))), key=_name_of
            )
        descriptor = self._open_fd(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC, 0)
        try:
            with os.scandir(descriptor) as items:
                return sorted(((item.name, _stat_or_error(item)) for item in items), key=_name_of)
        finally:
            os.close(descriptor)

    def iter_dir(self, folder: str) -> Iterator[tuple[str, os.stat_result | OSError]]:
        """Yield a folder's content in no order, however large it is. Raises OSError."""
        self._reject_links(folder)
        if sys.platform == "win32" or self.fd is None:
            with os.scandir(self.syscall_path(folder)) as items:
                yield from ((item.name, _stat_or_error(item)) for item in items)
            return
        descriptor = self._open_fd(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC, 0)
        try:
            with os.scandir(descriptor) as items:
                yield from ((item.name, _stat_or_error(item)) for item in items)
        finally:
            os.close(descriptor)

    def walk(self, folder: str, *, exclude: frozenset[str] = frozenset()) -> Iterator[Entry]:
        """Yield every regular file below folder in path order, without the folders named in exclude."""
        try:
            listed = self.list_dir(folder)
        except (FileNotFoundError, NotADirectoryError):
            return
        for name, status in listed:
            if name in exclude or isinstance(status, OSError):
                continue
            path = f"{folder}/{name}" if folder else name
            if stat.S_ISDIR(status.st_mode):
                yield from self.walk(path, exclude=exclude)
            elif stat.S_ISREG(status.st_mode):
                yield to_entry(path, status)

    def clear_checked_dirs(self) -> None:
        """Check every folder again, because another program may have changed them."""
        self._checked_dirs.clear()

    def _open_fd(self, path: str, flags: int, mode: int) -> int:
        if self._no_atime:
            try:
                return os.open(self.syscall_path(path), flags | self._no_atime, mode, dir_fd=self.fd)
            except PermissionError:
                # Only the owner may set the flag; read another user's card without it.
                self._no_atime = 0
        return os.open(self.syscall_path(path), flags, mode, dir_fd=self.fd)

    def _reject_links(self, folder: str) -> None:
        if not folder or folder in self._checked_dirs:
            return
        self._reject_links(folder.rpartition("/")[0])
        status = os.stat(self.syscall_path(folder), dir_fd=self.fd, follow_symlinks=False)
        if not stat.S_ISDIR(status.st_mode):
            raise NotADirectoryError(errno.ENOTDIR, "not a folder of this place", folder)
        self._checked_dirs.add(folder)


def open_root(root: Path, *, no_atime: bool = False) -> DirHandle:
    """Open the folder at root; `no_atime` as in `DirHandle`. Raises PlaceError in plain words."""
    try:
        return DirHandle(root, no_atime=no_atime)
    except FileNotFoundError:
        what = f"There is nothing at {root}."
    except NotADirectoryError:
        what = f"{root} is not a folder."
    except OSError as error:
        raise PlaceUnreadableError(
            f"{root} can't be opened ({error.strerror}).",
            safe="Nothing was changed.",
            do="Unplug it, plug it in again; if it stays so, check its file system before you write to it.",
        ) from error
    raise PlaceError(
        what, safe="Nothing was changed.", do="Check that the drive is connected and that the path is right."
    )


def read_free_space(folder: DirHandle, reserve: int) -> FreeSpace:
    """Return the free and total bytes of the volume under folder. Raises OSError."""
    if hasattr(os, "fstatvfs") and folder.fd is not None:
        status = os.fstatvfs(folder.fd)
        return FreeSpace(status.f_bavail * status.f_frsize, status.f_blocks * status.f_frsize, reserve)
    import shutil

    usage = shutil.disk_usage(folder.root)
    return FreeSpace(usage.free, usage.total, reserve)


def list_parents(path: str) -> list[str]:
    """Return the parent folders of a path, the top one first."""
    parts = path.split("/")[:-1]
    return ["/".join(parts[:depth]) for depth in range(len(parts) + 1)]


def to_entry(path: str, status: os.stat_result) -> Entry:
    """Return the entry for a regular file's status."""
    writable = status.st_mode & (stat.S_IWUSR | stat.S_IWGRP | stat.S_IWOTH)
    ctime_ns = change_time_of(status)
    return Entry(path, status.st_size, modification_time_of(status), is_protected=not writable, ctime_ns=ctime_ns)


def modification_time_of(status: os.stat_result) -> int:
    """Return a file's modification time in ns, limited to what 64 bits hold: the years 1677 to 2262."""
    return _limit_to_64_bits(status.st_mtime_ns)


def change_time_of(status: os.stat_result) -> int:
    """Return a file's change time in ns; 0 on Windows, where that field is the creation time."""
    return 0 if sys.platform == "win32" else _limit_to_64_bits(status.st_ctime_ns)


def _limit_to_64_bits(ns: int) -> int:
    return max(-(1 << 63), min(ns, (1 << 63) - 1))


def _stat_or_error(item: os.DirEntry[str]) -> os.stat_result | OSError:
    try:
        return item.stat(follow_symlinks=False)
    except OSError as error:
        return error


def _name_of(pair: tuple[str, object]) -> str:
    return pair[0]
