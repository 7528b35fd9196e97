"""Events of the file system, by watchdog: which folder of which tree should be looked at.

Only events that can mean a new file are asked for, so that the watch's own reading does not wake it.
"""

from __future__ import annotations

import contextlib
import os
import sys
import threading
from collections.abc import Iterable
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

from tripleguard.watch.errand import What

Key = tuple[What, str]


class Hinted(Protocol):
    """Called with the tree's key and a folder in it to look at; closed: the file whose writer has closed it."""

    def __call__(self, key: Key, folder: str, *, closed: str) -> None: ...


def _asked_for() -> list[type[FileSystemEvent]]:
    new: list[type[FileSystemEvent]] = [FileCreatedEvent, FileMovedEvent, DirCreatedEvent, DirMovedEvent]
    # Linux says when a file was closed; elsewhere a change in place shows only as modified.
    return [*new, FileClosedEvent if sys.platform.startswith("linux") else FileModifiedEvent]


class Observing:
    """All trees by one observer. Use: `start`, `watch`, `forget`, `end`."""

    def __init__(self, hinted: Hinted) -> None:
        self._hinted = hinted
        self._observer = Observer()
        self._observer.daemon = True
        self._watches: dict[Key, dict[str, tuple[str, ObservedWatch]]] = {}
        self._lock = threading.Lock()

    def start(self) -> None:
        self._observer.start()

    def end(self) -> None:
        self._observer.stop()

    def watch(self, key: Key, root: Path, folders: Iterable[Path], *, recursive: bool) -> bool:
        """Watch these folders of the tree at root, those that are not watched yet; whether all can be."""
        heard, all_heard = _Heard(self._hinted, key, root), True
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
                        self._unwatch(known[1])
                    watch = self._observer.schedule(
                        heard, str(folder), recursive=recursive, event_filter=_asked_for()
                    )
                    watches[str(folder)] = which, watch
                except OSError:
                    # No such folder now, or the system has no room for more watches.
                    all_heard = False
        return all_heard

    def forget(self, key: Key) -> None:
        """Watch nothing of this tree any more."""
        with self._lock:
            for _, watch in self._watches.pop(key, {}).values():
                self._unwatch(watch)

    def _unwatch(self, watch: ObservedWatch) -> None:
        # With its folder the watch has gone by itself.
        with contextlib.suppress(KeyError, OSError):
            self._observer.unschedule(watch)


class _Heard(FileSystemEventHandler):
    """Turns events of one tree into hints."""

    def __init__(self, hinted: Hinted, key: Key, root: Path) -> None:
        self._hinted = hinted
        self._key = key
        self._root = str(root)

    def on_any_event(self, event: FileSystemEvent) -> None:
        path = os.fsdecode(event.dest_path or event.src_path)
        inside = os.path.relpath(path, self._root).replace(os.sep, "/")
        if inside.startswith(".."):
            return
        inside = "" if inside == "." else inside
        folder = inside if event.is_directory else inside.rpartition("/")[0]
        self._hinted(self._key, folder, closed=inside if isinstance(event, FileClosedEvent) else "")
