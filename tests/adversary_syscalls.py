"""Stands between a job and the operating system: every call that touches one scene passes here and has a name.

While a `Tap` is on, the functions of `os`, `has_open_finding`, `io.FileIO`, SQLite's statements and the clock are
replaced by ones that count. A call is known by what was called, on which path, and the how manieth of its like it
was, so that its name is the same in every run, however the job's threads take turns. At one of these calls,
before it or after it, one change may be made; all other threads wait at their next call until it is made.

The real calls are made on real files. Only two things are spared: `fsync`, since nothing here cuts the power, and
what lies outside the scene.
"""

from __future__ import annotations

import builtins
import errno
import functools
import io
import os
import re
import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from unittest.mock import patch

MOUNTS = "/proc/self/mountinfo"
LISTS = frozenset({"scandir", "listdir"})
READS = frozenset({"read", "pread", "readv", "preadv", "readinto", "readall"})
LOOKS = frozenset({"stat", "lstat", "entry.stat", "open"})

_BY_PATH = (
    *("open", "stat", "lstat", "scandir", "listdir", "mkdir", "rmdir", "unlink", "remove", "utime"),
    *("access", "readlink", "chmod", "truncate", "statvfs"),
)
_BY_TWO = ("rename", "replace", "link")
_BY_DESCRIPTOR = (
    *("fstat", "read", "readv", "pread", "preadv", "lseek", "close", "write", "pwrite"),
    *("fsync", "fdatasync", "fstatvfs", "ftruncate", "posix_fadvise"),
)
_WRITES = frozenset(
    [
        *("mkdir", "rmdir", "unlink", "remove", "utime", "chmod", "truncate", "rename", "replace", "link"),
        *("write", "pwrite", "ftruncate"),
    ]
)
_WRITING = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC
# Names that are new in every run: random ones, and moments.
_NEW = re.compile(r"\d{8}T\d{6}Z|[0-9a-f]{8,}(?:-[0-9a-f]{4,})*|\b\d{3,}\b(?=[^/]*\.db)", re.IGNORECASE)
# A drive is asked which names it can hold by making hundreds of them; that is one moment.
_TRIALS = re.compile(r"/\.tripleguard/incoming(?:/(?!.*\.(?:part|own)$)|$)", re.DOTALL)


@functools.lru_cache(maxsize=1 << 14)
def _stable_name(path: str) -> str:
    """The path with whatever is new in every run left out."""
    return _NEW.sub("*", path)


class _PerThread(threading.local):
    quiet = False


@dataclass(frozen=True, slots=True)
class Call:
    """One call of a job: what was called, on which path below the scene, and the how manieth of its like."""

    what: str
    path: str
    number: int

    def __str__(self) -> str:
        return f"{self.what} {self.path} #{self.number}"


@dataclass(slots=True)
class Seen:
    """What a job looked at, and when. A moment is the running number of a call.

    listed: when a folder was listed, by its path. read: when bytes of a file were read last. looked: every moment
    at which a path was looked at. names: what a listing showed, and when first. removed: when the job removed a
    name. times: s at which a listing began, by its moment.
    """

    listed: dict[str, list[int]] = field(default_factory=dict)
    read: dict[str, int] = field(default_factory=dict)
    looked: dict[str, list[int]] = field(default_factory=dict)
    names: dict[str, int] = field(default_factory=dict)
    removed: dict[str, int] = field(default_factory=dict)
    times: dict[int, float] = field(default_factory=dict)


class Tap:
    """The calls of one run below root. at: where to make the change; before: just before that call, else after."""

    def __init__(
        self,
        root: Path,
        at: Call | None = None,
        *,
        before: bool = True,
        change: Callable[[], bool] | None = None,
        keep: bool = False,
    ) -> None:
        self.root = str(root)
        self.calls: list[Call] = []
        self.seen = Seen()
        self.now = 0
        self.fired: int | None = None
        self.read_only: set[str] = set()
        self.clock = 0
        self._at_key = None if at is None else (at.what, at.path)
        self._at_number = 0 if at is None else at.number
        self._before = before
        self._change = change
        self._keep = keep
        self._waits = False
        self._counts: dict[tuple[str, str], int] = {}
        self._paths: dict[int, str] = {}
        self._lock = threading.RLock()
        self._own = _PerThread()

    @contextmanager
    def on(self) -> Iterator[Tap]:
        """Replace the calls of this process for the length of the block."""
        with ExitStack() as stack:
            names = [name for name in (*_BY_PATH, *_BY_TWO, *_BY_DESCRIPTOR) if hasattr(os, name)]
            stand_ins = {getattr(os, name): self._stand_in(name) for name in names}
            for real, stand_in in stand_ins.items():
                stack.enter_context(patch.object(os, real.__name__, stand_in))
            for able in ("supports_fd", "supports_dir_fd", "supports_follow_symlinks"):
                known = getattr(os, able)
                also = {stand_in for real, stand_in in stand_ins.items() if real in known}
                stack.enter_context(patch.object(os, able, known | also))
            opened = self._opened(io.open)
            stack.enter_context(patch.object(io, "open", opened))
            stack.enter_context(patch.object(builtins, "open", opened))
            stack.enter_context(patch.object(io, "FileIO", _file_class(self)))
            stack.enter_context(patch.object(sqlite3, "connect", self._connected(sqlite3.connect)))
            stack.enter_context(patch.object(time, "time_ns", self._time(time.time_ns)))
            yield self

    @contextmanager
    def quarantine(self) -> Iterator[None]:
        """Calls of this thread are the adversary's own: not counted, and nothing happens at them."""
        before, self._own.quiet = self._own.quiet, True
        try:
            yield
        finally:
            self._own.quiet = before

    # The one way through

    def through(self, what: str, path: str, call: Callable[[], Any]) -> Any:
        """Make one call that has a name."""
        is_it = self._begin(what, path)
        if self.read_only and what in _WRITES and self._is_read_only(path):
            raise OSError(errno.EROFS, os.strerror(errno.EROFS), path)
        if not is_it or self._before:
            return call()
        try:
            return call()
        finally:
            self._fire()

    def _begin(self, what: str, path: str) -> bool:
        """Count a call, and make the change if it belongs before it; whether this is the call of the change."""
        with self._lock:
            self.now += 1
            key = what, _stable_name(path)
            number = self._counts[key] = self._counts.get(key, 0) + 1
            if self._keep and not _TRIALS.search(key[1]):
                self.calls.append(Call(*key, number))
            self._note(what, path)
            is_it = key == self._at_key and number == self._at_number
            if self._waits or (is_it and self._before):
                self._fire()
            return is_it

    def _fire(self) -> None:
        with self._lock, self.quarantine():
            if self._change is None:
                return
            # What another process holds at this moment is tried again at the next call, as a person would.
            self._waits = not self._change()
            if not self._waits:
                self._change = None
                self.fired = self.now

    def _note(self, what: str, path: str) -> None:
        seen = self.seen
        if what in LISTS:
            seen.listed.setdefault(path, []).append(self.now)
            seen.times[self.now] = time.monotonic()
        elif what in READS:
            seen.read[path] = self.now
        elif what in LOOKS:
            seen.looked.setdefault(path, []).append(self.now)
            if what == "entry.stat":
                seen.names.setdefault(path, self.now)
        elif what in ("unlink", "remove"):
            seen.removed[path] = self.now

    def _is_read_only(self, path: str) -> bool:
        return any(path == top or path.startswith(f"{top}/") for top in self.read_only)

    # Where a call goes to

    def _where(self, given: object, base: object = None) -> str | None:
        """The path below the scene that a call is about; None if it is about something else."""
        if isinstance(given, int):
            path = self._paths.get(given)
        else:
            path = given if isinstance(given, str) else os.fsdecode(given)  # type: ignore[arg-type]
            if not path.startswith("/"):
                below = self._paths.get(base) if isinstance(base, int) else None
                path = None if below is None else below if path == "." else f"{below}/{path}"
        if path is None:
            return None
        return path if path == MOUNTS or path.startswith(self.root) else None

    def _named(self, path: str) -> str:
        return path[len(self.root) + 1 :] if path.startswith(self.root) else path

    # What stands in for the calls

    def _stand_in(self, name: str) -> Callable[..., Any]:
        real = getattr(os, name)

        @functools.wraps(real)
        def stand_in(*given: Any, **how: Any) -> Any:
            if self._own.quiet or not given:
                return real(*given, **how)
            path = self._where(given[0], how.get("dir_fd", how.get("src_dir_fd")))
            if path is None:
                answer = real(*given, **how)
                if name == "open":
                    # The number may have been that of a file of the scene.
                    self._paths.pop(answer, None)
                return answer
            if name == "open":
                return self._open(real, path, given, how)
            if name == "close":
                # Before it is closed: the next thread that opens something may be given the same number.
                self._paths.pop(given[0], None)
            if name == "scandir":
                return self.through(
                    name, self._named(path), lambda: _Listing(self, self._named(path), real(*given))
                )
            if name in ("fsync", "fdatasync"):
                return self.through(name, self._named(path), lambda: None)
            return self.through(name, self._named(path), lambda: real(*given, **how))

        return stand_in

    def _open(self, real: Callable[..., int], path: str, given: tuple[Any, ...], how: dict[str, Any]) -> int:
        flags = given[1] if len(given) > 1 else how["flags"]
        if flags & _WRITING and self._is_read_only(self._named(path)):
            raise OSError(errno.EROFS, os.strerror(errno.EROFS), path)

        def opened() -> int:
            descriptor = real(*given, **how)
            self._paths[descriptor] = path
            return descriptor

        descriptor: int = self.through("open", self._named(path), opened)
        return descriptor

    def forget(self, descriptor: int) -> None:
        """A descriptor is about to be closed."""
        self._paths.pop(descriptor, None)

    def path_of(self, descriptor: int) -> str | None:
        """The path below the scene that a descriptor was opened for."""
        path = self._where(descriptor)
        return None if path is None or self._own.quiet else self._named(path)

    def _opened(self, real: Callable[..., Any]) -> Callable[..., Any]:
        def stand_in(file: Any, *given: Any, **how: Any) -> Any:
            path = None if self._own.quiet else self._where(file)
            if path is None:
                return real(file, *given, **how)
            return self.through("fopen", self._named(path), lambda: real(file, *given, **how))

        return stand_in

    def _connected(self, real: Callable[..., Any]) -> Callable[..., Any]:
        def stand_in(database: Any, *given: Any, **how: Any) -> Any:
            if self._own.quiet or self.root not in os.fsdecode(database):
                return real(database, *given, **how)
            base = _connection_class(self)
            return self.through("connect", "home", lambda: real(database, *given, factory=base, **how))

        return stand_in

    def _time(self, real: Callable[[], int]) -> Callable[[], int]:
        def stand_in() -> int:
            if self._own.quiet:
                return real() + self.clock
            now: int = self.through("now", "clock", lambda: real() + self.clock)
            return now

        return stand_in


class _Listing:
    """A folder being listed, entry by entry."""

    def __init__(self, tap: Tap, path: str, real: Any) -> None:
        self._tap, self._path, self._real = tap, path, real

    def __enter__(self) -> _Listing:
        return self

    def __exit__(self, *error: object) -> None:
        self.close()

    def __iter__(self) -> _Listing:
        return self

    def __next__(self) -> Any:
        return _Entry(self._tap, self._path, self._tap.through("next", self._path, lambda: next(self._real)))

    def close(self) -> None:
        self._real.close()


class _Entry:
    """An entry of a listed folder. What a look at it costs the system passes the tap."""

    def __init__(self, tap: Tap, folder: str, real: os.DirEntry[Any]) -> None:
        self._tap, self._real = tap, real
        self.name, self.path = real.name, real.path
        self._where = f"{folder}/{os.fsdecode(real.name)}"

    def __fspath__(self) -> Any:
        return self.path

    def stat(self, *, follow_symlinks: bool = True) -> os.stat_result:
        found: os.stat_result = self._tap.through(
            "entry.stat", self._where, lambda: self._real.stat(follow_symlinks=follow_symlinks)
        )
        return found

    def is_dir(self, *, follow_symlinks: bool = True) -> bool:
        return self._real.is_dir(follow_symlinks=follow_symlinks)

    def is_file(self, *, follow_symlinks: bool = True) -> bool:
        return self._real.is_file(follow_symlinks=follow_symlinks)

    def is_symlink(self) -> bool:
        return self._real.is_symlink()

    def inode(self) -> int:
        return self._real.inode()


def _file_class(tap: Tap) -> type[io.FileIO]:
    class File(io.FileIO):
        def close(self) -> None:
            if not self.closed and self.closefd:
                tap.forget(self.fileno())
            super().close()

        def readinto(self, buffer: Any) -> int | None:
            path = tap.path_of(self.fileno())
            if path is None:
                return super().readinto(buffer)
            count: int | None = tap.through("readinto", path, lambda: super(File, self).readinto(buffer))
            return count

        def read(self, size: int | None = -1) -> bytes | None:  # type: ignore[override]
            path = tap.path_of(self.fileno())
            if path is None:
                return super().read(-1 if size is None else size)
            found: bytes | None = tap.through(
                "read", path, lambda: super(File, self).read(-1 if size is None else size)
            )
            return found

    return File


def _connection_class(tap: Tap) -> type[sqlite3.Connection]:
    class Connection(sqlite3.Connection):
        def execute(self, sql: str, *given: Any) -> sqlite3.Cursor:
            if tap._own.quiet:
                return super().execute(sql, *given)
            # Nothing here cuts the power, so that nothing has to be forced to the disk.
            sql = sql.replace("synchronous = FULL", "synchronous = OFF")
            name = " ".join(sql.split())[:70]
            cursor: sqlite3.Cursor = tap.through("sql", name, lambda: super(Connection, self).execute(sql, *given))
            return cursor

    return Connection
