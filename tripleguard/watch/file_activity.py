"""Receive file system events, and find out which files a process has open for writing.

Only events that can mean a new file are requested, so that the daemon's own reading does not wake it. Linux shows
open files in /proc, for the processes of this user (for root, of all users). Elsewhere none are known.
"""

from __future__ import annotations

import contextlib
import os
import sys
import threading
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Protocol

from watchdog.events import (
    DirCreatedEvent,
    DirMovedEvent,
    FileClosedEvent,
    FileCreatedEvent,
    FileModifiedEvent,
    FileMovedEvent,
    FileSystemEvent,
    FileSystemEventHandler,
)
from watchdog.observers import Observer
from watchdog.observers.api import ObservedWatch

from tripleguard.watch.queue import TaskKind

FolderKey = tuple[TaskKind, str]


class FolderEventCallback(Protocol):
    """Called with a tree's key and a changed folder in it; closed: a file whose writer has closed it, or ''."""

    def __call__(self, key: FolderKey, folder: str, *, closed: str) -> None: ...


def _event_filter() -> list[type[FileSystemEvent]]:
    new: list[type[FileSystemEvent]] = [FileCreatedEvent, FileMovedEvent, DirCreatedEvent, DirMovedEvent]
    # Linux reports when a file was closed; elsewhere a change in place is only reported as modified.
    return [*new, FileClosedEvent if sys.platform.startswith("linux") else FileModifiedEvent]


class TreeObserver:
    """Watches any number of trees with one observer. Call `start`, then `watch` and `unwatch`, then `stop`."""

    def __init__(self, on_event: FolderEventCallback) -> None:
        self._on_event = on_event
        self._observer = Observer()
        self._observer.daemon = True
        self._watches: dict[FolderKey, dict[str, tuple[str, ObservedWatch]]] = {}
        self._lock = threading.Lock()

    def start(self) -> None:
        """Start to receive events."""
        self._observer.start()

    def stop(self) -> None:
        """Receive no more events."""
        self._observer.stop()

    def watch(self, key: FolderKey, root: Path, folders: Iterable[Path], *, recursive: bool) -> bool:
        """Watch those of these folders of a tree that are not watched yet; return whether all are watched now."""
        handler, are_all_watched = _TreeEventHandler(self._on_event, key, root), True
        with self._lock:
            watches = self._watches.setdefault(key, {})
            for folder in folders:
                try:
                    status = os.stat(folder)
                    identity = f"{status.st_dev} {status.st_ino}"
                    known = watches.get(str(folder))
                    if known is not None and known[0] == identity:
                        continue
                    if known is not None:
                        self._unschedule(known[1])
                    watch = self._observer.schedule(
                        handler, str(folder), recursive=recursive, event_filter=_event_filter()
                    )
                    watches[str(folder)] = identity, watch
                except OSError:
                    # The folder is gone, or the system allows no more watches.
                    are_all_watched = False
        return are_all_watched

    def unwatch(self, key: FolderKey) -> None:
        """Stop watching a tree."""
        with self._lock:
            for _, watch in self._watches.pop(key, {}).values():
                self._unschedule(watch)

    def _unschedule(self, watch: ObservedWatch) -> None:
        # The watch of a deleted folder is gone already.
        with contextlib.suppress(KeyError, OSError):
            self._observer.unschedule(watch)


class _TreeEventHandler(FileSystemEventHandler):
    """Reports the changed folders of one tree."""

    def __init__(self, on_event: FolderEventCallback, key: FolderKey, root: Path) -> None:
        self._on_event = on_event
        self._key = key
        self._root = str(root)

    def on_any_event(self, event: FileSystemEvent) -> None:
        path = os.fsdecode(event.dest_path or event.src_path)
        inside = os.path.relpath(path, self._root).replace(os.sep, "/")
        if inside.startswith(".."):
            return
        inside = "" if inside == "." else inside
        folder = inside if event.is_directory else inside.rpartition("/")[0]
        self._on_event(self._key, folder, closed=inside if isinstance(event, FileClosedEvent) else "")


_ACCESS = 0o3
_READ_ONLY = 0o0


def find_open_for_writing(paths: set[str]) -> set[str]:
    """Return those of these absolute paths that another process has open for writing."""
    if not sys.platform.startswith("linux") or not paths:
        return set()
    real = {os.path.realpath(path): path for path in paths}
    return {real[path] for path in _iter_open_for_writing() if path in real}


def _iter_open_for_writing() -> Iterator[str]:
    me = str(os.getpid())
    for process in Path("/proc").iterdir():
        if process.name.isdigit() and process.name != me:
            yield from _iter_written_by(process)


def _iter_written_by(process: Path) -> Iterator[str]:
    try:
        descriptors = os.listdir(process / "fd")
    except OSError:
        return
    for number in descriptors:
        try:
            path = os.readlink(process / "fd" / number)
            if path.startswith("/") and _is_open_for_writing(process / "fdinfo" / number):
                yield path
        except OSError:
            continue


def _is_open_for_writing(info: Path) -> bool:
    """Return whether a descriptor was opened for writing: `flags` is octal (proc_pid_fdinfo(5))."""
    for line in info.read_text(encoding="ascii", errors="replace").splitlines():
        if line.startswith("flags:"):
            return int(line.split()[1], 8) & _ACCESS != _READ_ONLY
    return False
