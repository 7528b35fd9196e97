"""The only room in the house that may change what lies on a drive.

An incoming copy is written under `.tripleguard/incoming`, flushed, and then given its final name, which must
be free: nothing is ever replaced. A bad copy is moved aside with a note. The few calls that remove something
remove only what this tool made itself: unfinished copies, probes, and superseded versions of its own small
files; and, by a person's word alone, what lies aside. `tests/test_house.py` holds every other module to that,
and every function here that removes something to its reason.

Replacing by rename is not atomic on exFAT and NTFS, so it is not used at all. Where the kernel can rename
without replacing, that is asked for; else a hard link claims the name; else the name is looked up and then
taken, under the place's lock.
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

from tripleguard.errors import NameTaken, NoRoom
from tripleguard.names import is_safe_path, shown
from tripleguard.places.aside import Lying, note_name, note_text
from tripleguard.places.held import HeldFolder
from tripleguard.places.media import flush_to_medium
from tripleguard.places.own import ASIDE, INCOMING, OWN, SUPERSEDED, is_own, reaches_own
from tripleguard.places.provenance import LIST_LIMIT, is_certainly_own, is_remarked_list, unfinished_name
from tripleguard.places.telling import told

_NO_SUCH_CALL = {errno.EINVAL, errno.ENOSYS, errno.ENOTSUP, errno.EOPNOTSUPP, errno.EPERM, errno.EMLINK}
_RENAME_NOREPLACE = 1  # Linux, include/uapi/linux/fs.h
_RENAME_EXCL = 4  # macOS, sys/stdio.h


class Storing:
    """Changes below one held folder. place is the drive's name for messages."""

    def __init__(self, folder: HeldFolder, place: str) -> None:
        self.folder = folder
        self.place = place
        self._made: set[str] = set()
        self._unsettled: set[str] = set()
        self._settling = threading.Lock()

    def new_incoming(self) -> str:
        """A free path for an unfinished copy; its folder is made. Raises NoRoom, PlaceFailed."""
        self.make_folder(INCOMING)
        return f"{INCOMING}/{unfinished_name('part')}"

    def open_incoming(self, path: str, flags: int = 0) -> int:
        """A descriptor for writing a new unfinished copy. flags: besides those that make it. Raises OSError."""
        if not path.startswith(f"{INCOMING}/"):
            raise ValueError(f"{path} is not an unfinished copy")
        return self.folder.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | flags)

    def make_folder(self, folder: str) -> None:
        """Make folder and those above it. Raises NameTaken if a file or link stands in the way."""
        if not folder or folder in self._made:
            return
        above = folder.rpartition("/")[0]
        self.make_folder(above)
        with told(self.place, f"making the folder {shown(folder)}"):
            try:
                os.mkdir(self.folder.where(folder), dir_fd=self.folder.fd)
            except FileExistsError:
                if not stat.S_ISDIR(self.folder.status(folder).st_mode):
                    raise NameTaken(
                        f"{self.place}: {shown(folder)} is not a folder, so nothing can be put below it.",
                        safe="It was left as it is.",
                        do="Rename it on the drive, then run the command again.",
                    ) from None
        # Also one that was there: a run that was cut off may have made it and not come to settle it.
        self._to_settle(above)
        self._made.add(folder)

    def settle(self, folders: Iterable[str]) -> None:
        """Make names in folders, and of folders made since the last call, durable. Raises PlaceFailed."""
        # Whoever comes second must not be told that all is durable while the first one is still at it.
        with self._settling:
            todo = set(folders) | self._unsettled
            for folder in sorted(todo):
                self._flush_folder(folder)
            self._unsettled -= todo

    def _to_settle(self, folder: str) -> None:
        with self._settling:
            self._unsettled.add(folder)

    def _flush_folder(self, folder: str) -> None:
        if sys.platform == "win32":
            return
        with told(self.place, f"flushing the folder {shown(folder) or '/'}"):
            descriptor = self.folder.open(folder, os.O_RDONLY | os.O_DIRECTORY)
            try:
                os.fsync(descriptor)
            except OSError as error:
                if error.errno not in (errno.EINVAL, errno.ENOTSUP):
                    raise
            finally:
                os.close(descriptor)

    def harden(self, *paths: str) -> None:
        """Force files that stand at these paths, and every name on the way to them, to the medium.

        Raises PlaceFailed, also where one of them is not there any more.
        """
        for path in paths:
            self._flush_file(path)
        self.settle({folder for path in paths for folder in _on_the_way(path)})

    def _flush_file(self, path: str) -> None:
        with told(self.place, f"flushing {shown(path)}"):
            # Windows flushes only what was opened for writing; nothing is written.
            descriptor = self.folder.open(path, os.O_RDWR if sys.platform == "win32" else os.O_RDONLY)
            try:
                flush_to_medium(descriptor)
            finally:
                os.close(descriptor)

    def set_aside(self, path: str, why: str, name: str = "") -> str:
        """Move the file at path to the aside folder, with a note; returns where it lies now.

        name: what to call it there, else as it is called. Raises NameTaken, PlaceFailed.
        """
        if not path.startswith(f"{INCOMING}/"):
            self._refuse_own(path)
        return self._moved_aside(path, why, name)

    def _moved_aside(self, path: str, why: str, name: str = "") -> str:
        stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
        folder = f"{ASIDE}/{stamp}-{secrets.token_hex(4)}"
        self.make_folder(folder)
        name = name or path.rpartition("/")[2]
        with told(self.place, f"moving {shown(name)} aside"):
            self._claim(path, f"{folder}/{name}")
        # On a drive without room for the note the file is moved all the same, and who asked must know of it.
        with contextlib.suppress(NoRoom):
            self._write_new(f"{folder}/{note_name(name)}", [note_text(path, why, stamp)])
        self.settle([folder, path.rpartition("/")[0]])
        return f"{folder}/{name}"

    def move(self, old: str, new: str) -> None:
        """Give a file another name on the same drive, which must be free. Raises NameTaken, PlaceFailed."""
        self._refuse_own(old, new)
        self.make_folder(new.rpartition("/")[0])
        with told(self.place, f"naming {shown(new)}"):
            self._claim(old, new)
        self.settle([old.rpartition("/")[0], new.rpartition("/")[0]])

    def write_own(self, path: str, content: Iterable[bytes], *, replaces: bytes | None = None) -> None:
        """Put one of the tool's own files at path, piece by piece; an earlier one of its own gives way.

        Only names that the tool keeps for itself are accepted. What stands there and is not certainly the tool's
        own is moved aside, but for what the caller has taken over: replaces is that, as it was read there. Raises
        NoRoom, PlaceFailed.
        """
        if not is_own(path):
            raise ValueError(f"{path} is not one of the tool's own files")
        folder = path.rpartition("/")[0]
        self.make_folder(folder)
        self.make_folder(INCOMING)
        self.restore_own(path)
        incoming = f"{INCOMING}/{unfinished_name('own')}"
        self._write_new(incoming, content)
        with told(self.place, f"writing {shown(path)}"):
            for name in (path, path + SUPERSEDED):
                if self.folder.look(name) is not None and not self._gives_way(name, replaces):
                    self._moved_aside(name, "tripleguard did not write it, and needs its name")
            gives_way = self.folder.look(path) is not None
            if gives_way:
                self._claim(path, path + SUPERSEDED)
            self._claim(incoming, path)
            self.settle([folder, INCOMING])
            if gives_way:
                os.unlink(self.folder.where(path + SUPERSEDED), dir_fd=self.folder.fd)

    def restore_own(self, path: str) -> None:
        """Put back one of the tool's own files that a power cut caught between two names."""
        with told(self.place, f"looking at {shown(path)}"):
            old = path + SUPERSEDED
            if not is_own(path) or self.folder.look(old) is None:
                return
            content = None if self.is_certainly_own(old) else self.folder.read_small(old, LIST_LIMIT)
            if self.folder.look(path) is None:
                if content is None or is_remarked_list(content):
                    self._claim(old, path)
            elif content is None or self._took_over(path, content):
                os.unlink(self.folder.where(old), dir_fd=self.folder.fd)

    def _took_over(self, path: str, content: bytes) -> bool:
        """Whether the list at path has every line of one that somebody added remarks to."""
        lines = self.folder.read_small(path, LIST_LIMIT).split(b"\n")
        return is_remarked_list(content) and set(content.split(b"\n")) <= {*lines, b""}

    def is_certainly_own(self, path: str) -> bool:
        """Whether a plain file stands at path that the tool wrote; see `provenance`. Raises OSError."""
        if self.folder.look(path) is None:
            return False
        return is_certainly_own(path, lambda limit: self.folder.read_small(path, limit))

    def _gives_way(self, path: str, replaces: bytes | None) -> bool:
        """Whether what stands at path is the tool's own, or was taken over as it is."""
        if self.is_certainly_own(path):
            return True
        return replaces is not None and self.folder.read_small(path, LIST_LIMIT) == replaces

    def forget_own(self, path: str) -> None:
        """Remove a superseded file of the tool's own below its own folder; no other goes. Raises PlaceFailed."""
        if not path.startswith(f"{OWN}/") or path.startswith(f"{ASIDE}/"):
            raise ValueError(f"{path} may not be removed")
        with told(self.place, f"removing {shown(path)}"), contextlib.suppress(FileNotFoundError):
            if self.is_certainly_own(path):
                os.unlink(self.folder.where(path), dir_fd=self.folder.fd)

    def clear_incoming(self) -> int:
        """Remove what interrupted jobs left unfinished; how many. The caller holds the place's lock.

        What the tool did not certainly begin stays, whatever it is: a rescan tells of it.
        """
        with told(self.place, "looking for unfinished copies"):
            try:
                left = self.folder.names(INCOMING)
            except (FileNotFoundError, NotADirectoryError):
                return 0
            begun = [f"{INCOMING}/{name}" for name, _ in left if self.is_certainly_own(f"{INCOMING}/{name}")]
        for path in begun:
            with told(self.place, "clearing unfinished copies"):
                os.unlink(self.folder.where(path), dir_fd=self.folder.fd)
        return len(begun)

    def remove_aside(self, lying: Lying) -> bool:
        """Remove one file that lies aside, by a person's word; False: it is not what was looked at, and stays.

        Only a plain file right in one of the folders in aside, with this one name, and untouched since it was
        looked at. The folder is reached part by part from the held drive, so that no link is followed. The caller
        holds the place's lock and has judged the file. Raises PlaceFailed.
        """
        above, _, name = lying.path.rpartition("/")
        if not is_safe_path(lying.path) or above.rpartition("/")[0] != ASIDE or lying.links != 1:
            raise ValueError(f"{lying.path!r} may not be removed")
        with told(self.place, f"removing {shown(name)}"):
            folder = self.folder.inner(above)
            try:
                if not lying.is_still(folder.status(name)):
                    return False
                os.unlink(folder.where(name), dir_fd=folder.fd)
            except FileNotFoundError:
                return False
            finally:
                folder.close()
        self.settle([above])
        return True

    def fold_aside(self, path: str) -> None:
        """Remove a folder in aside if nothing is in it; else it stays. Raises PlaceFailed."""
        if not is_safe_path(path) or path.rpartition("/")[0] != ASIDE:
            raise ValueError(f"{path!r} may not be removed")
        with told(self.place, "tidying up"):
            folder = self.folder.inner(ASIDE)
            try:
                os.rmdir(folder.where(path.rpartition("/")[2]), dir_fd=folder.fd)
            except OSError as error:
                if error.errno not in (errno.ENOTEMPTY, errno.EEXIST, errno.ENOENT, errno.ENOTDIR):
                    raise
            finally:
                folder.close()

    def make_trial(self, path: str) -> None:
        """Make an empty file below incoming, to learn what the file system holds. Raises OSError."""
        if not path.startswith(f"{INCOMING}/"):
            raise ValueError(f"{path} is no place for a trial")
        os.close(self.folder.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL))

    def open_lock(self) -> int:
        """A read-write descriptor on the place's lock file. Raises NoRoom, PlaceFailed."""
        self.make_folder(OWN)
        with told(self.place, "locking it"):
            return self.folder.open(f"{OWN}/lock", os.O_RDWR | os.O_CREAT)

    def publish(self, incoming: str, path: str) -> None:
        """Move a flushed incoming copy to its final name, which must be free. Raises NameTaken, PlaceFailed."""
        self._refuse_own(path)
        self.make_folder(path.rpartition("/")[0])
        with told(self.place, f"naming {shown(path)}"):
            self._claim(incoming, path)
        # A move is durable when both of its folders are: else one content could come back under two names.
        self._to_settle(INCOMING)

    def unlink_incoming(self, path: str) -> None:
        """Remove one unfinished copy of our own. Never raises: what stays is cleared by the next job."""
        if not path.startswith(f"{INCOMING}/"):
            raise ValueError(f"{path} is not an unfinished copy")
        with contextlib.suppress(OSError):
            os.unlink(self.folder.where(path), dir_fd=self.folder.fd)

    def _refuse_own(self, *paths: str) -> None:
        """Whatever a catalog says, no picture is put into or taken out of the tool's own folder."""
        for path in paths:
            if reaches_own(path) and not path.startswith(f"{ASIDE}/"):
                raise NameTaken(
                    f"{self.place}: {shown(path)} belongs to the folder that tripleguard keeps for itself.",
                    safe="What stands there was left as it is.",
                )

    def _claim(self, old: str, new: str) -> None:
        """Rename without replacing. Raises NameTaken if new is there in any form, OSError."""
        try:
            self._rename_to_free_name(old, new)
        except FileExistsError:
            raise NameTaken(
                f"{self.place}: the name {shown(new)} is taken.",
                safe="What stands there was left as it is.",
            ) from None

    def _rename_to_free_name(self, old: str, new: str) -> None:
        source, target, fd = self.folder.where(old), self.folder.where(new), self.folder.fd
        if sys.platform == "win32":
            os.rename(source, target)
            return
        code = _kernel_rename(fd if fd is not None else -1, os.fsencode(source), os.fsencode(target))
        if code == 0:
            return
        if code not in _NO_SUCH_CALL:
            raise OSError(code, os.strerror(code), new)
        try:
            os.link(source, target, src_dir_fd=fd, dst_dir_fd=fd, follow_symlinks=False)
        except OSError as error:
            if error.errno not in _NO_SUCH_CALL:
                raise
            if self._exists(new):
                raise FileExistsError(errno.EEXIST, "taken", new) from None
            os.rename(source, target, src_dir_fd=fd, dst_dir_fd=fd)
        else:
            os.unlink(source, dir_fd=fd)

    def _exists(self, path: str) -> bool:
        try:
            self.folder.status(path)
        except FileNotFoundError:
            return False
        return True

    def _write_new(self, path: str, content: Iterable[bytes]) -> None:
        with told(self.place, f"writing {shown(path)}"):
            descriptor = self.folder.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL)
            try:
                for piece in content:
                    view = memoryview(piece)
                    while view:
                        view = view[os.write(descriptor, view) :]
                flush_to_medium(descriptor)
            finally:
                os.close(descriptor)


def _on_the_way(path: str) -> list[str]:
    """The folders that the names on the way to path stand in."""
    parts = path.split("/")[:-1]
    return ["/".join(parts[:depth]) for depth in range(len(parts) + 1)]


def _kernel_rename(fd: int, source: bytes, target: bytes) -> int:
    """0, or the errno of a rename that refuses to replace."""
    call, flag = _rename_call()
    if call is None or fd < 0:
        return errno.ENOSYS
    if call(fd, source, fd, target, flag) == 0:
        return 0
    return ctypes.get_errno()


@functools.cache
def _rename_call() -> tuple[Callable[[int, bytes, int, bytes, int], int] | None, int]:
    """The system's rename that refuses to replace, and the flag that asks for it."""
    name, flag = ("renameatx_np", _RENAME_EXCL) if sys.platform == "darwin" else ("renameat2", _RENAME_NOREPLACE)
    try:
        return getattr(ctypes.CDLL(None, use_errno=True), name), flag
    except (AttributeError, OSError):
        return None, flag
