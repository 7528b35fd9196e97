"""Whether files have stopped changing: file system events, open writers, and the debounce tracker.

Only events that can mean a new file are subscribed to, so that the daemon's own reading does not wake it. A
file is complete when its size and time were the same for a while and no process has it open for writing. Linux
shows open writers through /proc, for the processes of this user (of everybody, for root); elsewhere only the
quiet time counts.
"""

from __future__ import annotations

import contextlib
import os
import sys
import threading
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
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

from tripleguard.model import Entry
from tripleguard.watch.queue import TaskKind

FolderKey = tuple[TaskKind, str]


class FolderEventCallback(Protocol):
    """Called with the tree's key and a folder in it to look at; closed: the file whose writer has closed it."""

    def __call__(self, key: FolderKey, folder: str, *, closed: str) -> None: ...


def _event_filter() -> list[type[FileSystemEvent]]:
    new: list[type[FileSystemEvent]] = [FileCreatedEvent, FileMovedEvent, DirCreatedEvent, DirMovedEvent]
    # Linux says when a file was closed; elsewhere a change in place shows only as modified.
    return [*new, FileClosedEvent if sys.platform.startswith("linux") else FileModifiedEvent]


class TreeObserver:
    """All trees by one observer. Use: `submit`, `watch`, `unwatch`, `stop`."""

    def __init__(self, on_event: FolderEventCallback) -> None:
        self._on_event = on_event
        self._observer = Observer()
        self._observer.daemon = True
        self._watches: dict[FolderKey, dict[str, tuple[str, ObservedWatch]]] = {}
        self._lock = threading.Lock()

    def start(self) -> None:
        self._observer.start()

    def stop(self) -> None:
        self._observer.stop()

    def watch(self, key: FolderKey, root: Path, folders: Iterable[Path], *, recursive: bool) -> bool:
        """Watch these folders of the tree at root, those that are not watched yet; whether all can be."""
        heard, all_heard = _TreeEventHandler(self._on_event, key, root), True
        with self._lock:
            watches = self._watches.setdefault(key, {})
            for folder in folders:
                try:
                    status = os.stat(folder)
                    which = f"{status.st_dev} {status.st_ino}"
                    known = watches.get(str(folder))
                    if known is not None and known[0] == which:
                        continue
                    if known is not None:
                        self._unschedule(known[1])
                    watch = self._observer.schedule(
                        heard, str(folder), recursive=recursive, event_filter=_event_filter()
                    )
                    watches[str(folder)] = which, watch
                except OSError:
                    # No such folder now, or the system has no room for more watches.
                    all_heard = False
        return all_heard

    def unwatch(self, key: FolderKey) -> None:
        """Watch nothing of this tree any more."""
        with self._lock:
            for _, watch in self._watches.pop(key, {}).values():
                self._unschedule(watch)

    def _unschedule(self, watch: ObservedWatch) -> None:
        # With its folder the watch has gone by itself.
        with contextlib.suppress(KeyError, OSError):
            self._observer.unschedule(watch)


class _TreeEventHandler(FileSystemEventHandler):
    """Turns events of one tree into hints."""

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
    """Those of these absolute paths that some other process has open for writing."""
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
    """Whether the descriptor was opened for writing: `flags` is octal (proc_pid_fdinfo(5))."""
    for line in info.read_text(encoding="ascii", errors="replace").splitlines():
        if line.startswith("flags:"):
            return int(line.split()[1], 8) & _ACCESS != _READ_ONLY
    return False


_CLOSE_DELAY_S = 2.0
"""Seconds after its writer has closed a file: some open it again for its times."""
_MAX_TRIES = 5


@dataclass(slots=True)
class _PendingFile:
    entry: Entry
    since: float
    is_closed: bool = False
    tries: int = 0


class DebounceTracker:
    """The new files of one folder tree. quiet: seconds that a file must stay as it is."""

    def __init__(self, quiet_s: float) -> None:
        self._quiet_s = quiet_s
        self._pending: dict[str, _PendingFile] = {}

    def __len__(self) -> int:
        return len(self._pending)

    def paths(self) -> list[str]:
        """What is new, settled or not."""
        return list(self._pending)

    def observe(self, entry: Entry, now: float) -> None:
        """A new file lies there like this. now: seconds that only grow."""
        known = self._pending.get(entry.path)
        if known is None or known.entry != entry:
            self._pending[entry.path] = _PendingFile(entry, now)

    def mark_closed(self, path: str) -> None:
        """Whoever wrote it has closed it."""
        if path in self._pending:
            self._pending[path].is_closed = True

    def forget(self, paths: Iterable[str]) -> None:
        """These are gone, or in the catalog."""
        for path in paths:
            self._pending.pop(path, None)

    def retry_later(self, paths: Iterable[str], now: float) -> None:
        """These were handed over and did not hold still, or could not be read."""
        for path in paths:
            if path in self._pending:
                new = self._pending[path]
                new.since, new.is_closed, new.tries = now, False, new.tries + 1

    def stable_files(self, now: float) -> list[Entry]:
        """What is whole, as it was seen."""
        return [
            new.entry for new in self._pending.values() if new.tries < _MAX_TRIES and self._stable_at(new) <= now
        ]

    def unstable_paths(self, now: float) -> list[str]:
        """What has to stay as it is for a while yet."""
        return [
            path for path, new in self._pending.items() if new.tries < _MAX_TRIES and self._stable_at(new) > now
        ]

    def abandoned_paths(self, paths: Iterable[str]) -> list[str]:
        """Those of these that are tried again only if they change."""
        return sorted(path for path in paths if path in self._pending and self._pending[path].tries >= _MAX_TRIES)

    def _stable_at(self, new: _PendingFile) -> float:
        return new.since + (min(_CLOSE_DELAY_S, self._quiet_s) if new.is_closed else self._quiet_s)
