"""The process behind `fault_file_system`: it passes every call on to a backing folder, or fails as it is asked to.

Run as `fault_file_system_driver.py BACKING POINT [--volatile]`. It writes `ready` to its standard output when
POINT is mounted. Each line on its standard input is one command in JSON, answered by `done` once it holds:
`{"faults": [...]}` replaces all faults, `{"cut": true}` cuts the power and ends the process.
"""

from __future__ import annotations

import errno
import json
import os
import stat
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import mfusepy
from fault_rules import Fault, FaultRules
from volatile_medium import VolatileMedium

_LIBFUSE = (mfusepy.fuse_version_major, mfusepy.fuse_version_minor)
_STATUS = (
    "st_mode", "st_ino", "st_nlink", "st_uid", "st_gid", "st_size", "st_blocks", "st_blksize", "st_rdev",
)  # fmt: skip
_CAPACITY = (
    "f_bsize", "f_frsize", "f_blocks", "f_bfree", "f_bavail",
    "f_files", "f_ffree", "f_favail", "f_flag", "f_namemax",
)  # fmt: skip


class Driver:
    """The calls of libfuse, passed on to the backing folder."""

    use_ns = True

    def __init__(self, root: str, rules: FaultRules, medium: VolatileMedium | None) -> None:
        self._root, self._rules, self._medium = root, rules, medium
        self._lock = medium.lock if medium else threading.RLock()

    def init(self, path: str) -> None:
        _say("ready")

    # Files

    def open(self, path: str, flags: int) -> int:
        self._rules.apply("open", path)
        with self._lock:
            if flags & os.O_TRUNC and self._medium:
                self._medium.changing(self._real(path))
            # Direct transfers end at the kernel: the memory of this process lies as it likes.
            return os.open(self._real(path), flags & ~(os.O_DIRECT | os.O_NOFOLLOW | os.O_APPEND))

    def create(self, path: str, mode: int, flags: int) -> int:
        self._rules.apply("create", path)
        with self._lock:
            existed = os.path.lexists(self._real(path))
            if existed and flags & os.O_TRUNC and self._medium:
                self._medium.changing(self._real(path))
            handle = os.open(self._real(path), flags & ~(os.O_DIRECT | os.O_APPEND) | os.O_CREAT, mode)
            if self._medium and not existed:
                self._medium.created(self._real(path))
            return handle

    def read(self, path: str, size: int, offset: int, handle: int) -> bytes:
        self._rules.apply("read", path, offset, size)
        return os.pread(handle, size, offset)

    def write(self, path: str, data: bytes, offset: int, handle: int) -> int:
        self._rules.apply("write", path, offset, len(data))
        with self._lock:
            if self._medium:
                self._medium.changing(self._real(path))
            return os.pwrite(handle, data, offset)

    def truncate(self, path: str, length: int, handle: int | None = None) -> None:
        with self._lock:
            if self._medium:
                self._medium.changing(self._real(path))
            os.truncate(self._real(path) if handle is None else handle, length)

    def fsync(self, path: str, datasync: int, handle: int) -> None:
        self._rules.apply("fsync", path)
        with self._lock:
            if self._medium:
                self._medium.sync_file(self._real(path))

    def release(self, path: str, handle: int) -> None:
        os.close(handle)

    # Names

    def mkdir(self, path: str, mode: int) -> None:
        with self._lock:
            os.mkdir(self._real(path), mode)
            if self._medium:
                self._medium.created(self._real(path))

    def symlink(self, path: str, target: str) -> None:
        with self._lock:
            os.symlink(target, self._real(path))
            if self._medium:
                self._medium.created(self._real(path))

    def link(self, path: str, existing: str) -> None:
        with self._lock:
            os.link(self._real(existing), self._real(path), follow_symlinks=False)

    def unlink(self, path: str) -> None:
        self._rules.apply("unlink", path)
        with self._lock:
            if self._medium:
                self._medium.removing(self._real(path))
            os.unlink(self._real(path))

    def rmdir(self, path: str) -> None:
        with self._lock:
            os.rmdir(self._real(path))

    def rename(self, old: str, new: str) -> None:
        self._rules.apply("rename", old)
        source, target = self._real(old), self._real(new)
        with self._lock:
            if self._medium and os.path.lexists(target):
                self._medium.removing(target)
            os.rename(source, target)
            if self._medium:
                self._medium.renamed(source, target)

    def opendir(self, path: str) -> int:
        return 0

    def releasedir(self, path: str, handle: int) -> None:
        pass

    def readdir(self, path: str, handle: int) -> Iterator[tuple[str, dict[str, int], int]]:
        for name in (".", ".."):
            yield name, {"st_ino": os.lstat(self._real(path)).st_ino, "st_mode": stat.S_IFDIR}, 0
        for entry in os.scandir(self._real(path)):
            status = entry.stat(follow_symlinks=False)
            yield entry.name, {"st_ino": status.st_ino, "st_mode": status.st_mode}, 0

    def fsyncdir(self, path: str, datasync: int, handle: int) -> None:
        self._rules.apply("fsync", path)
        with self._lock:
            if self._medium:
                self._medium.sync_directory(self._real(path))

    # What is known of them

    def getattr(self, path: str, handle: int | None = None) -> dict[str, int]:
        status = os.lstat(self._real(path))
        times = {f"st_{name}time": getattr(status, f"st_{name}time_ns") for name in "amc"}
        return {name: getattr(status, name) for name in _STATUS} | times

    def statfs(self, path: str) -> dict[str, int]:
        capacity = os.statvfs(self._root)
        return {name: getattr(capacity, name) for name in _CAPACITY}

    def readlink(self, path: str) -> str:
        return os.readlink(self._real(path))

    def chmod(self, path: str, mode: int) -> None:
        os.chmod(self._real(path), mode)

    def chown(self, path: str, owner: int, group: int) -> None:
        os.lchown(self._real(path), owner, group)

    def utimens(self, path: str, times: tuple[int, int] | None = None) -> None:
        os.utime(self._real(path), ns=times or (time.time_ns(),) * 2, follow_symlinks=False)

    def destroy(self, path: str) -> None:
        pass

    def _real(self, path: str) -> str:
        return self._root + path.rstrip("/")


class Mount(mfusepy.FUSE):  # type: ignore[misc]
    """A mount that refuses the flags of renameat2, as the drivers of exFAT and NTFS do.

    The library would drop RENAME_NOREPLACE without a word and replace the target.
    """

    def rename_fuse_3(self, old: bytes, new: bytes, flags: int) -> int:
        if flags:
            raise OSError(errno.EINVAL, os.strerror(errno.EINVAL))
        return self.rename_fuse_2(old, new) or 0


def _obey(rules: FaultRules, medium: VolatileMedium | None) -> None:
    for line in sys.stdin:
        command: dict[str, Any] = json.loads(line)
        if command.get("cut"):
            assert medium is not None, "only a volatile mount can lose its power"
            # Held to the end of the process: no later call reaches the medium.
            medium.lock.acquire()
            medium.cut()
            _say("done")
            os._exit(0)
        rules.replace([Fault(**one) for one in command["faults"]])
        _say("done")


def _say(word: str) -> None:
    print(word, flush=True)


def main() -> None:
    backing, point = (str(Path(word).resolve()) for word in sys.argv[1:3])
    rules, medium = FaultRules(), VolatileMedium(backing) if "--volatile" in sys.argv else None
    threading.Thread(target=_obey, args=(rules, medium), daemon=True).start()
    # Without a number, libfuse 3.12 and later take one from this library that they complain of.
    threads = {"max_threads": 10} if _LIBFUSE >= (3, 12) else {}
    Mount(Driver(backing, rules, medium), point, foreground=True, use_ino=True, **threads)


if __name__ == "__main__":
    main()
