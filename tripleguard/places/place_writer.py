"""The only module that may change what is on a drive.

A new copy is written under `.tripleguard/incoming`, flushed, and published under its final name, which must be
free: nothing is ever replaced. A bad copy is quarantined with a note. Only the tool's own files are ever removed,
and quarantined ones at a person's request; `tests/test_architecture.py` checks that.

Replacing by rename is not atomic on exFAT and NTFS, so it is not used. If the kernel can rename without replacing,
that is used; else a hard link claims the name; else the name is checked and then taken, under the place's lock.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import functools
import os
import secrets
import stat
import sys
import threading
from collections.abc import Callable, Iterable
from datetime import UTC, datetime

from tripleguard.errors import NameTakenError, NoSpaceError
from tripleguard.names import escape_text, is_safe_path
from tripleguard.places.cache_bypass import flush_to_medium
from tripleguard.places.dir_handle import DirHandle, list_parents
from tripleguard.places.os_errors import os_errors_explained
from tripleguard.places.quarantine import QuarantineEntry, build_note_name, format_note
from tripleguard.places.reserved import (
    INCOMING_DIR,
    MAX_LIST_BYTES,
    QUARANTINE_DIR,
    RESERVED_DIR,
    SUPERSEDED_SUFFIX,
    is_certainly_own,
    is_checklist_with_remarks,
    is_reserved,
    may_reach_reserved_dir,
    new_unfinished_name,
)

_UNSUPPORTED_ERRNOS = {errno.EINVAL, errno.ENOSYS, errno.ENOTSUP, errno.EOPNOTSUPP, errno.EPERM, errno.EMLINK}
_RENAME_NOREPLACE = 1  # Linux, include/uapi/linux/fs.h
_RENAME_EXCL = 4  # macOS, sys/stdio.h


class PlaceWriter:
    """Makes all changes below one open folder. place_name: the drive's name, for messages."""

    def __init__(self, folder: DirHandle, place_name: str) -> None:
        self.dir_handle = folder
        self.place_name = place_name
        self._known_dirs: set[str] = set()
        self._unsynced_dirs: set[str] = set()
        self._fsync_lock = threading.Lock()

    def new_incoming_path(self) -> str:
        """Return a free path for an unfinished copy; its folder is made. Raises NoSpaceError, PlaceFailedError."""
        self.make_dirs(INCOMING_DIR)
        return f"{INCOMING_DIR}/{new_unfinished_name('part')}"

    def open_incoming(self, path: str, flags: int = 0) -> int:
        """Return a descriptor for a new unfinished copy, opened with additional flags. Raises OSError."""
        if not path.startswith(f"{INCOMING_DIR}/"):
            raise ValueError(f"{path} is not an unfinished copy")
        return self.dir_handle.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | flags)

    def make_dirs(self, folder: str) -> None:
        """Create folder and its parents. Raises NameTakenError if a file or link is in the way."""
        if not folder or folder in self._known_dirs:
            return
        above = folder.rpartition("/")[0]
        self.make_dirs(above)
        with os_errors_explained(self.place_name, f"making the folder {escape_text(folder)}"):
            try:
                os.mkdir(self.dir_handle.syscall_path(folder), dir_fd=self.dir_handle.fd)
            except FileExistsError:
                if not stat.S_ISDIR(self.dir_handle.lstat(folder).st_mode):
                    raise NameTakenError(
                        f"{self.place_name}: {escape_text(folder)} is not a "
                        f"folder, so nothing can be put below it.",
                        safe="It was left as it is.",
                        do="Rename it on the drive, then run the command again.",
                    ) from None
        # Sync existing folders too: an interrupted run may have created one without syncing it.
        self._add_unsynced(above)
        self._known_dirs.add(folder)

    def fsync_dirs(self, folders: Iterable[str]) -> None:
        """Sync these folders, and those created since the last call. Raises PlaceFailedError."""
        # A second caller must not return before the folders that the first one is syncing are durable.
        with self._fsync_lock:
            todo = set(folders) | self._unsynced_dirs
            for folder in sorted(todo):
                self._fsync_dir(folder)
            self._unsynced_dirs -= todo

    def _add_unsynced(self, folder: str) -> None:
        with self._fsync_lock:
            self._unsynced_dirs.add(folder)

    def _fsync_dir(self, folder: str) -> None:
        if sys.platform == "win32":
            return
        with os_errors_explained(self.place_name, f"flushing the folder {escape_text(folder) or '/'}"):
            descriptor = self.dir_handle.open(folder, os.O_RDONLY | os.O_DIRECTORY)
            try:
                os.fsync(descriptor)
            except OSError as error:
                if error.errno not in (errno.EINVAL, errno.ENOTSUP):
                    raise
            finally:
                os.close(descriptor)

    def fsync_files(self, *paths: str) -> None:
        """Flush these files and the names on their paths to the medium. Raises PlaceFailedError."""
        for path in paths:
            self._fsync_file(path)
        self.fsync_dirs({folder for path in paths for folder in list_parents(path)})

    def _fsync_file(self, path: str) -> None:
        with os_errors_explained(self.place_name, f"flushing {escape_text(path)}"):
            # Windows flushes only what was opened for writing; nothing is written.
            descriptor = self.dir_handle.open(path, os.O_RDWR if sys.platform == "win32" else os.O_RDONLY)
            try:
                flush_to_medium(descriptor)
            finally:
                os.close(descriptor)

    def quarantine(self, path: str, reason: str, name: str = "") -> str:
        """Move the file at path to the quarantine folder with a note; return its new path.

        name: its name there, if another one. Raises NameTakenError, PlaceFailedError.
        """
        if not path.startswith(f"{INCOMING_DIR}/"):
            self._reject_reserved(path)
        return self._move_to_quarantine(path, reason, name)

    def _move_to_quarantine(self, path: str, reason: str, name: str = "") -> str:
        stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
        folder = f"{QUARANTINE_DIR}/{stamp}-{secrets.token_hex(4)}"
        self.make_dirs(folder)
        name = name or path.rpartition("/")[2]
        with os_errors_explained(self.place_name, f"moving {escape_text(name)} quarantine"):
            self._rename_if_free(path, f"{folder}/{name}")
        # Without space for the note the file is moved all the same, and the caller must know where it is.
        with contextlib.suppress(NoSpaceError):
            self._write_new(f"{folder}/{build_note_name(name)}", [format_note(path, reason, stamp)])
        self.fsync_dirs([folder, path.rpartition("/")[0]])
        return f"{folder}/{name}"

    def move(self, old: str, new: str) -> None:
        """Rename a file on the drive to a free name. Raises NameTakenError, PlaceFailedError."""
        self._reject_reserved(old, new)
        self.make_dirs(new.rpartition("/")[0])
        with os_errors_explained(self.place_name, f"naming {escape_text(new)}"):
            self._rename_if_free(old, new)
        self.fsync_dirs([old.rpartition("/")[0], new.rpartition("/")[0]])

    def write_own(self, path: str, content: Iterable[bytes], *, replaces: bytes | None = None) -> None:
        """Write one of the tool's own files at a reserved path, replacing an earlier one.

        Anything there that is not certainly the tool's own is quarantined, except the content in replaces, which
        the caller has merged. Raises NoSpaceError, PlaceFailedError.
        """
        if not is_reserved(path):
            raise ValueError(f"{path} is not one of the tool's own files")
        folder = path.rpartition("/")[0]
        self.make_dirs(folder)
        self.make_dirs(INCOMING_DIR)
        self.restore_own(path)
        incoming = f"{INCOMING_DIR}/{new_unfinished_name('own')}"
        self._write_new(incoming, content)
        with os_errors_explained(self.place_name, f"writing {escape_text(path)}"):
            for name in (path, path + SUPERSEDED_SUFFIX):
                if self.dir_handle.stat(name) is not None and not self._is_replaceable(name, replaces):
                    self._move_to_quarantine(name, "tripleguard did not write it, and needs its name")
            gives_way = self.dir_handle.stat(path) is not None
            if gives_way:
                self._rename_if_free(path, path + SUPERSEDED_SUFFIX)
            self._rename_if_free(incoming, path)
            self.fsync_dirs([folder, INCOMING_DIR])
            if gives_way:
                os.unlink(self.dir_handle.syscall_path(path + SUPERSEDED_SUFFIX), dir_fd=self.dir_handle.fd)

    def restore_own(self, path: str) -> None:
        """Restore one of the tool's own files after a power cut in the middle of its replacement."""
        with os_errors_explained(self.place_name, f"looking at {escape_text(path)}"):
            old = path + SUPERSEDED_SUFFIX
            if not is_reserved(path) or self.dir_handle.stat(old) is None:
                return
            content = None if self.is_certainly_own(old) else self.dir_handle.read_small(old, MAX_LIST_BYTES)
            if self.dir_handle.stat(path) is None:
                if content is None or is_checklist_with_remarks(content):
                    self._rename_if_free(old, path)
            elif content is None or self._contains_all_lines(path, content):
                os.unlink(self.dir_handle.syscall_path(old), dir_fd=self.dir_handle.fd)

    def _contains_all_lines(self, path: str, content: bytes) -> bool:
        """Return whether the list at path has every line of one to which someone added remarks."""
        lines = self.dir_handle.read_small(path, MAX_LIST_BYTES).split(b"\n")
        return is_checklist_with_remarks(content) and set(content.split(b"\n")) <= {*lines, b""}

    def is_certainly_own(self, path: str) -> bool:
        """Return whether the tool wrote the regular file at path; see `reserved`. Raises OSError."""
        if self.dir_handle.stat(path) is None:
            return False
        return is_certainly_own(path, lambda limit: self.dir_handle.read_small(path, limit))

    def _is_replaceable(self, path: str, replaces: bytes | None) -> bool:
        """Return whether the file at path is the tool's own, or has the content in replaces."""
        if self.is_certainly_own(path):
            return True
        return replaces is not None and self.dir_handle.read_small(path, MAX_LIST_BYTES) == replaces

    def delete_own(self, path: str) -> None:
        """Remove a superseded file of the tool's own in the reserved folder. Raises PlaceFailedError."""
        if not path.startswith(f"{RESERVED_DIR}/") or path.startswith(f"{QUARANTINE_DIR}/"):
            raise ValueError(f"{path} may not be removed")
        with (
            os_errors_explained(self.place_name, f"removing {escape_text(path)}"),
            contextlib.suppress(FileNotFoundError),
        ):
            if self.is_certainly_own(path):
                os.unlink(self.dir_handle.syscall_path(path), dir_fd=self.dir_handle.fd)

    def delete_unfinished(self) -> int:
        """Remove the unfinished files of interrupted jobs; return how many. The caller holds the lock.

        Files that the tool did not certainly begin stay; a rescan reports them.
        """
        with os_errors_explained(self.place_name, "looking for unfinished copies"):
            try:
                left = self.dir_handle.list_dir(INCOMING_DIR)
            except (FileNotFoundError, NotADirectoryError):
                return 0
            begun = [
                f"{INCOMING_DIR}/{name}" for name, _ in left if self.is_certainly_own(f"{INCOMING_DIR}/{name}")
            ]
        for path in begun:
            with os_errors_explained(self.place_name, "clearing unfinished copies"):
                os.unlink(self.dir_handle.syscall_path(path), dir_fd=self.dir_handle.fd)
        return len(begun)

    def delete_quarantined(self, entry: QuarantineEntry) -> bool:
        """Remove one quarantined file at a person's request; return False, and leave it, if it has changed.

        Only a regular file directly in one of the quarantine's folders, with a single name. No link is followed.
        The caller holds the place's lock and has checked the file. Raises PlaceFailedError.
        """
        above, _, name = entry.path.rpartition("/")
        if not is_safe_path(entry.path) or above.rpartition("/")[0] != QUARANTINE_DIR or entry.link_count != 1:
            raise ValueError(f"{entry.path!r} may not be removed")
        with os_errors_explained(self.place_name, f"removing {escape_text(name)}"):
            folder = self.dir_handle.open_subdir(above)
            try:
                if not entry.is_unchanged(folder.lstat(name)):
                    return False
                os.unlink(folder.syscall_path(name), dir_fd=folder.fd)
            except FileNotFoundError:
                return False
            finally:
                folder.close()
        self.fsync_dirs([above])
        return True

    def remove_empty_dir(self, path: str) -> None:
        """Remove a folder of the quarantine if it is empty; else leave it. Raises PlaceFailedError."""
        if not is_safe_path(path) or path.rpartition("/")[0] != QUARANTINE_DIR:
            raise ValueError(f"{path!r} may not be removed")
        with os_errors_explained(self.place_name, "tidying up"):
            folder = self.dir_handle.open_subdir(QUARANTINE_DIR)
            try:
                os.rmdir(folder.syscall_path(path.rpartition("/")[2]), dir_fd=folder.fd)
            except OSError as error:
                if error.errno not in (errno.ENOTEMPTY, errno.EEXIST, errno.ENOENT, errno.ENOTDIR):
                    raise
            finally:
                folder.close()

    def create_probe_file(self, path: str) -> None:
        """Create an empty file below incoming to probe the file system. Raises OSError."""
        if not path.startswith(f"{INCOMING_DIR}/"):
            raise ValueError(f"{path} is no place for a trial")
        os.close(self.dir_handle.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL))

    def open_lock(self) -> int:
        """Return a read-write descriptor on the place's lock file. Raises NoSpaceError, PlaceFailedError."""
        self.make_dirs(RESERVED_DIR)
        with os_errors_explained(self.place_name, "locking it"):
            return self.dir_handle.open(f"{RESERVED_DIR}/lock", os.O_RDWR | os.O_CREAT)

    def publish(self, incoming_path: str, path: str) -> None:
        """Rename a flushed incoming copy to its free, final name. Raises NameTakenError, PlaceFailedError."""
        self._reject_reserved(path)
        self.make_dirs(path.rpartition("/")[0])
        with os_errors_explained(self.place_name, f"naming {escape_text(path)}"):
            self._rename_if_free(incoming_path, path)
        # Sync both folders: else a power cut could leave the content under two names.
        self._add_unsynced(INCOMING_DIR)

    def delete_incoming(self, path: str) -> None:
        """Remove one unfinished copy. Never raises: the next job removes any rest."""
        if not path.startswith(f"{INCOMING_DIR}/"):
            raise ValueError(f"{path} is not an unfinished copy")
        with contextlib.suppress(OSError):
            os.unlink(self.dir_handle.syscall_path(path), dir_fd=self.dir_handle.fd)

    def _reject_reserved(self, *paths: str) -> None:
        """Raise if a picture would be moved into or out of the reserved folder, whatever a catalog says."""
        for path in paths:
            if may_reach_reserved_dir(path) and not path.startswith(f"{QUARANTINE_DIR}/"):
                raise NameTakenError(
                    f"{self.place_name}: {escape_text(path)} belongs to the folder "
                    f"that tripleguard keeps for itself.",
                    safe="What stands there was left as it is.",
                )

    def _rename_if_free(self, old: str, new: str) -> None:
        """Rename without replacing. Raises NameTakenError if new exists in any spelling, OSError."""
        try:
            self._rename_noreplace(old, new)
        except FileExistsError:
            raise NameTakenError(
                f"{self.place_name}: the name {escape_text(new)} is taken.",
                safe="What stands there was left as it is.",
            ) from None

    def _rename_noreplace(self, old: str, new: str) -> None:
        source, target, fd = (
            self.dir_handle.syscall_path(old),
            self.dir_handle.syscall_path(new),
            self.dir_handle.fd,
        )
        if sys.platform == "win32":
            os.rename(source, target)
            return
        code = _kernel_rename(fd if fd is not None else -1, os.fsencode(source), os.fsencode(target))
        if code == 0:
            return
        if code not in _UNSUPPORTED_ERRNOS:
            raise OSError(code, os.strerror(code), new)
        try:
            os.link(source, target, src_dir_fd=fd, dst_dir_fd=fd, follow_symlinks=False)
        except OSError as error:
            if error.errno not in _UNSUPPORTED_ERRNOS:
                raise
            if self._exists(new):
                raise FileExistsError(errno.EEXIST, "taken", new) from None
            os.rename(source, target, src_dir_fd=fd, dst_dir_fd=fd)
        else:
            os.unlink(source, dir_fd=fd)

    def _exists(self, path: str) -> bool:
        try:
            self.dir_handle.lstat(path)
        except FileNotFoundError:
            return False
        return True

    def _write_new(self, path: str, content: Iterable[bytes]) -> None:
        with os_errors_explained(self.place_name, f"writing {escape_text(path)}"):
            descriptor = self.dir_handle.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL)
            try:
                for piece in content:
                    view = memoryview(piece)
                    while view:
                        view = view[os.write(descriptor, view) :]
                flush_to_medium(descriptor)
            finally:
                os.close(descriptor)


def _kernel_rename(fd: int, source: bytes, target: bytes) -> int:
    """Rename without replacing; return 0 or the errno."""
    call, flag = _find_rename_call()
    if call is None or fd < 0:
        return errno.ENOSYS
    if call(fd, source, fd, target, flag) == 0:
        return 0
    return ctypes.get_errno()


@functools.cache
def _find_rename_call() -> tuple[Callable[[int, bytes, int, bytes, int], int] | None, int]:
    """Return the system's rename that can refuse to replace, and the flag that requests it."""
    name, flag = ("renameatx_np", _RENAME_EXCL) if sys.platform == "darwin" else ("renameat2", _RENAME_NOREPLACE)
    try:
        return getattr(ctypes.CDLL(None, use_errno=True), name), flag
    except (AttributeError, OSError):
        return None, flag
