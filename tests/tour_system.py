"""The operating system that a tour runs on: real files, and media that fail where a step of the tour says so.

Every call of a command passes here (see `adversary_syscalls`). A trigger names a place, a kind of call and a
number: at that call the power goes, the cable is pulled, the drive is full, read-only, or answers with I/O errors
from then on. A power cut drops whatever was not forced to the medium (`volatile_medium`).
"""

from __future__ import annotations

import errno
import os
import shutil
import signal
import sqlite3
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from unittest.mock import patch

from adversary_syscalls import Tap
from volatile_medium import VolatileMedium

from tripleguard.model import Medium
from tripleguard.places import card, discovery, drive, local, place_writer
from tripleguard.places.cache_bypass import CacheBypass
from tripleguard.watch import devices

GROUPS = {
    **dict.fromkeys(("read", "pread", "readv", "preadv", "readinto", "readall", "lseek"), "read"),
    **dict.fromkeys(("write", "pwrite", "ftruncate", "truncate"), "write"),
    **dict.fromkeys(("fsync", "fdatasync"), "fsync"),
    **dict.fromkeys(("rename", "replace", "link"), "rename"),
    **dict.fromkeys(("mkdir", "rmdir"), "mkdir"),
    **dict.fromkeys(("unlink", "remove"), "unlink"),
    **dict.fromkeys(("open", "fopen"), "open"),
    **dict.fromkeys(("stat", "lstat", "entry.stat", "fstat", "access"), "stat"),
    **dict.fromkeys(("scandir", "listdir", "next"), "list"),
    **dict.fromkeys(("statvfs", "fstatvfs"), "statvfs"),
}
"""The kinds of calls that a trigger counts."""

CHANGING = frozenset({"write", "rename", "mkdir", "unlink"})
FAULTS = {
    "cut": errno.EIO,
    "pull": errno.ENODEV,
    "full": errno.ENOSPC,
    "readonly": errno.EROFS,
    "dying": errno.EIO,
    "lag": errno.EIO,
    "garble": 0,
    "stop": 0,
}
"""What can happen, and the error that calls get from then on.

cut: the power goes, and the home keeps all that was written. lag: it keeps only what was forced to the disk.
garble: one write of a copy stores other bytes. stop: the person presses Ctrl-C.
"""


@dataclass(frozen=True)
class Trigger:
    """Where a fault begins: at the n-th call of this kind on that place, which is a folder below the world."""

    fault: str
    place: str
    group: str
    number: int

    def __str__(self) -> str:
        return f"{self.fault} {self.place} {self.group} {self.number}"


class SimulatedSystem(Tap):
    """The calls of one command. media: folders that lose what was not flushed when the power goes."""

    def __init__(
        self, root: Path, home: str, trigger: Trigger | None, media: tuple[str, ...], frozen: Path
    ) -> None:
        super().__init__(root)
        self._trigger = trigger
        self._home = home
        self._frozen = frozen
        self._failing: dict[str, tuple[str, int]] = {}
        self._calls: dict[tuple[str, str], int] = {}
        self._sql = threading.Lock()
        self._started = threading.Event()
        self.off = False
        self.file_system = "ext4"
        self._garbles = ""
        self._is_durable = True
        with self.quarantine():
            self._media = {name: VolatileMedium(str(root / name)) for name in media}
            if trigger is not None and trigger.fault == "lag":
                shutil.copytree(root / home, frozen)

    @contextmanager
    def on(self) -> Iterator[SimulatedSystem]:
        """Replace the calls of this process for the length of the block."""
        with ExitStack() as stack:
            for module in (drive, card, local):
                stack.enter_context(patch.object(module, "detect_cache_bypass", self._detect))
            # What else is mounted on this machine is no part of a tour.
            for module in (discovery, devices):
                stack.enter_context(patch.object(module, "list_mounts", list))
            stack.enter_context(patch.object(place_writer, "_kernel_rename", self._kernel_rename))
            stack.enter_context(super().on())
            yield self

    def _detect(self, root: Path) -> CacheBypass:
        """A simulated medium is a device that can be read past every cache."""
        return CacheBypass(Medium.DIRECT, self.file_system)

    @property
    def has_fired(self) -> bool:
        return self._started.is_set()

    def settle(self) -> None:
        """After the command: what a power cut or a pulled cable left of the media, and of the home.

        A cut whose call never came comes now, after the answer.
        """
        is_cut = self._trigger is not None and self._trigger.fault in ("cut", "lag")
        for name, medium in self._media.items():
            if is_cut or self._failing.get(name, ("", 0))[0] == "pull":
                medium.cut()
            else:
                shutil.rmtree(f"{medium.root}.volatile", ignore_errors=True)
        if self.off or (is_cut and self._frozen.exists()):
            home = Path(self.root) / self._home
            shutil.rmtree(home)
            shutil.copytree(self._frozen, home)
        shutil.rmtree(self._frozen, ignore_errors=True)

    def through(self, what: str, path: str, call: Callable[[], Any]) -> Any:
        """Make one call, or fail it."""
        place = path.partition("/")[0]
        group = "sql" if what == "sql" else GROUPS.get(what, "")
        if self._trigger is not None and group:
            self._count(place if what != "sql" else self._home, group)
        self._fail(what, group, place)
        if what == "sql":
            with self._sql:
                answer = call()
                self._keep_durable_home(path)
                return answer
        medium = self._media.get(place)
        if self._garbles == place and group == "write" and path.endswith(".part"):
            answer = call()
            self._garble(Path(self.root) / path)
            return answer
        if medium is None or (group not in CHANGING and group not in ("fsync", "open")):
            return call()
        return self._on_medium(medium, what, str(Path(self.root) / path), call)

    def _count(self, place: str, group: str) -> None:
        trigger = self._trigger
        assert trigger is not None
        with self._lock:
            number = self._calls[place, group] = self._calls.get((place, group), 0) + 1
            is_it = (place, group, number) == (trigger.place, trigger.group, trigger.number)
        if is_it and not self._started.is_set():
            self._begin_fault(trigger)

    def _garble(self, path: Path) -> None:
        """Let the medium hold another byte than was written, once."""
        with self.quarantine(), path.open("r+b") as file:
            self._garbles = ""
            file.seek(100)
            old = file.read(1)
            file.seek(100)
            file.write(bytes([old[0] ^ 1]) if old else b"")

    def _keep_durable_home(self, sql: str) -> None:
        """Note which state of the home outlives a power cut. What the tap calls OFF is FULL in the program."""
        if self._trigger is None or self._trigger.fault != "lag" or self.off:
            return
        if sql.startswith("PRAGMA synchronous"):
            self._is_durable = not sql.endswith("NORMAL")
        elif sql.startswith("COMMIT") and self._is_durable:
            with self.quarantine():
                shutil.rmtree(self._frozen)
                shutil.copytree(Path(self.root) / self._home, self._frozen)

    def _begin_fault(self, trigger: Trigger) -> None:
        if trigger.fault == "garble":
            self._garbles = trigger.place
        elif trigger.fault == "stop":
            os.kill(os.getpid(), signal.SIGINT)
        elif trigger.fault == "lag":
            self.off = True
        elif trigger.fault == "cut":
            with self._sql, self.quarantine():
                shutil.copytree(Path(self.root) / self._home, self._frozen)
                self.off = True
        else:
            self._failing[trigger.place] = trigger.fault, FAULTS[trigger.fault]
        self._started.set()

    def _fail(self, what: str, group: str, place: str) -> None:
        if self.off and what not in ("close", "now"):
            if what in ("sql", "connect"):
                raise sqlite3.OperationalError("disk I/O error")
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        fault, code = self._failing.get(place, ("", 0))
        if not fault or what == "close":
            return
        only_changes = fault in ("full", "readonly")
        if not only_changes or group in CHANGING - ({"unlink", "rename"} if fault == "full" else set()):
            raise OSError(code, os.strerror(code))

    def _on_medium(self, medium: VolatileMedium, what: str, path: str, call: Callable[[], Any]) -> Any:
        with medium.lock, self.quarantine():
            if what in ("fsync", "fdatasync"):
                (medium.sync_directory if Path(path).is_dir() else medium.sync_file)(path)
                return call()
            is_new = what in ("open", "fopen", "mkdir") and not os.path.lexists(path)
            if what in ("write", "pwrite", "ftruncate", "truncate"):
                medium.changing(path)
            elif what in ("unlink", "remove"):
                medium.removing(path)
            answer = call()
            if is_new and os.path.lexists(path):
                medium.created(path)
            return answer

    def _open(self, real: Callable[..., int], path: str, given: tuple[Any, ...], how: dict[str, Any]) -> int:
        flags = given[1] if len(given) > 1 else how["flags"]
        fault, code = self._failing.get(self._named(path).partition("/")[0], ("", 0))
        if fault in ("full", "readonly"):
            is_change = flags & (os.O_WRONLY | os.O_RDWR) if fault == "readonly" else flags & os.O_CREAT
            if is_change and not self._own.quiet:
                raise OSError(code, os.strerror(code), path)
        return super()._open(real, path, given, how)

    def _kernel_rename(self, fd: int, source: bytes, target: bytes) -> int:
        """The system's rename that replaces nothing, as a call that can fail."""
        old, new = (self._where(path, fd) for path in (source, target))
        if old is None or new is None:
            return _real_rename(fd, source, target)

        def rename() -> int:
            code = _real_rename(fd, source, target)
            medium = self._media.get(self._named(new).partition("/")[0])
            if code == 0 and medium is not None:
                medium.renamed(old, new)
            return code

        try:
            return int(self.through("rename", self._named(old), rename))
        except OSError as error:
            return error.errno or errno.EIO


_real_rename = place_writer._kernel_rename
