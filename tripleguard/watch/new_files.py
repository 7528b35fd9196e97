"""Watch shoot folders on drives and import folders, and report new files once they are complete.

File system events only say which folders to list: the listing is compared with the catalog, so a lost event, a
burst and a renamed folder lead to the same result. A file system without events is polled. `folder_machine`
decides when to list and which files are complete; this module does the I/O, in a thread of its own.
"""

from __future__ import annotations

import contextlib
import os
import threading
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from pathlib import Path

from tripleguard.jobs.context import JobContext
from tripleguard.layout import can_hold_shoots
from tripleguard.model import Entry
from tripleguard.names import escape_text
from tripleguard.places.mounts import find_mount
from tripleguard.places.reserved import RESERVED_DIR
from tripleguard.watch.devices import ConnectedDrive, has_change_events
from tripleguard.watch.file_activity import FolderKey, TreeObserver, find_open_for_writing
from tripleguard.watch.folder_machine import (
    FAILURES_TO_REPORT,
    QUIET_S,
    get_next_time,
    list_abandoned,
    list_incomplete,
    list_stable,
    step,
)
from tripleguard.watch.folder_state import (
    Action,
    CheckFiles,
    Event,
    FilesChanged,
    FilesChecked,
    FilesIngested,
    FilesRecorded,
    FolderState,
    ListDirs,
    Listed,
    ListingFailed,
    PollingChanged,
    ReadyCounted,
    RelistRequested,
    ReportReady,
    TimePassed,
    Warn,
)
from tripleguard.watch.monitoring import StallDetector
from tripleguard.watch.new_file_scan import find_new, stat_files
from tripleguard.watch.queue import TaskKind
from tripleguard.wording import pluralize

_IMPORT_POLL_S = 5.0
"""Seconds between two checks whether an import folder is still the one whose events are received."""
_MAX_LISTING_S = 1800.0
"""Seconds that the listing of one folder may take."""
_MAX_NAMED_PATHS = 3
"""How many paths a message names."""


@dataclass(slots=True)
class _WatchedFolder:
    """One watched folder, its state, and the events that the state machine has not seen yet.

    Attributes:
        place_id: the drive's place; None for an import folder.
        identity: what an import folder was when its events were requested: remounts, device and inode.
    """

    key: FolderKey
    root: Path
    mount_token: str
    place_id: int | None
    state: FolderState
    identity: str = ""
    changed_dirs: set[str] = field(default_factory=set)
    closed_paths: set[str] = field(default_factory=set)
    event_count: int = 0


class NewFileWatcher:
    """Watches folders and reports their complete new files.

    Args:
        on_files_ready: called from the watcher's thread with a folder's key and its number of complete files, when
            that changed.
        warn: writes a line into the log.
        remount_count: returns a number for a path that grows when its volume was disconnected.
    """

    def __init__(
        self,
        ctx: JobContext,
        on_files_ready: Callable[[FolderKey, int], None],
        warn: Callable[[str], None],
        remount_count: Callable[[Path], int] = lambda _: 0,
    ) -> None:
        self._ctx = ctx
        self._on_files_ready = on_files_ready
        self._warn = warn
        self._remount_count = remount_count
        self._lock = threading.Lock()
        self._watched: dict[FolderKey, _WatchedFolder] = {}
        self._drives: dict[FolderKey, ConnectedDrive] = {}
        self._changed = threading.Event()
        self._stop_event = threading.Event()
        self._observer = TreeObserver(self._on_event)
        self.stall_detector = StallDetector("The look for new files", _MAX_LISTING_S)
        self._thread = threading.Thread(target=self._run, name="new-files", daemon=True)

    def start(self) -> None:
        self._observer.start()
        self._thread.start()

    def stop(self) -> None:
        self._stop_event.set()
        self._changed.set()
        self._observer.stop()

    def set_drives(self, drives: Iterable[ConnectedDrive]) -> None:
        """Watch the shoots of these drives and of no others, from now on."""
        with self._lock:
            self._drives = {(TaskKind.NEW_FILES, str(drive.root)): drive for drive in drives if drive.is_active}
        self._changed.set()

    def list_all(self) -> None:
        """List every folder once, in case events were lost."""
        with self._lock:
            for folder in self._watched.values():
                self._step(folder, RelistRequested())
        self._changed.set()

    def stable_files(self, key: FolderKey) -> list[Entry]:
        """Return the complete files of a folder as they are now; none if the folder is gone."""
        with self._lock:
            folder = self._watched.get(key)
        if folder is None:
            return []
        paths = [entry.path for entry in self._list_complete(folder)[0]]
        try:
            self._check_files(folder, paths)  # The task may have waited for long.
        except OSError:
            return []
        return self._list_complete(folder)[0]

    def mark_ingested(
        self,
        key: FolderKey,
        paths: Iterable[str],
        failed: Iterable[str],
        incomplete: Iterable[str] = (),
        damaged: Iterable[str] = (),
    ) -> list[str]:
        """Take note of what a task did with these files.

        Args:
            failed: those that changed meanwhile or could not be read; they are tried again.
            incomplete, damaged: those that are cut short, and damaged copies; tried again when they change.

        Returns: the failed ones that are tried again only if they change.
        """
        tried = frozenset(failed)
        event = FilesIngested(time.monotonic(), frozenset(paths), tried, frozenset(incomplete), frozenset(damaged))
        self._changed.set()
        with self._lock:
            if (folder := self._watched.get(key)) is None:
                return []
            self._step(folder, event)
            return list_abandoned(folder.state, tried)

    def list_problems(self) -> list[str]:
        """Return a message about each folder that can't be listed, or that holds files that are cut short."""
        now = time.monotonic()
        with self._lock:
            folders = [(folder.root, folder.state) for folder in self._watched.values()]
        problems = [
            state.failure.message
            for _, state in folders
            if state.failure.message and state.failure.count > FAILURES_TO_REPORT
        ]
        return problems + [
            _describe_incomplete(root, paths) for root, state in folders if (paths := list_incomplete(state, now))
        ]

    def _on_event(self, key: FolderKey, folder: str, *, closed: str) -> None:
        """Note a file system event; called from the observer's thread."""
        with self._lock:
            watched = self._watched.get(key)
            if watched is None or folder.partition("/")[0] == RESERVED_DIR:
                return
            watched.event_count += 1
            watched.changed_dirs.add(folder)
            if closed:
                watched.closed_paths.add(closed)
        self._changed.set()

    # The watcher's thread

    def _run(self) -> None:
        ctx = replace(self._ctx, catalog=self._ctx.catalog.reopen())
        for path in self._ctx.settings.watch.import_folders:
            root = Path(path).expanduser().absolute()
            folder = self._new_folder((TaskKind.IMPORT, str(root)), root, "", None)
            self._watched[folder.key] = folder
        try:
            while not self._stop_event.is_set():
                self.stall_detector.leave()
                self._changed.wait(self._seconds_to_next())
                self._changed.clear()
                self.stall_detector.enter()
                self._update_drives()
                self._update_import_folders()
                with self._lock:
                    folders = list(self._watched.values())
                for folder in folders:
                    if not self._stop_event.is_set():
                        self.stall_detector.enter()
                        self._process_folder(ctx, folder)
                if any(folder.event_count or folder.state.changes.event_count for folder in folders):
                    # Not at every event of a burst.
                    self._stop_event.wait(QUIET_S / 2)
        finally:
            ctx.catalog.close()

    def _new_folder(self, key: FolderKey, root: Path, mount_token: str, place_id: int | None) -> _WatchedFolder:
        state = FolderState(self._ctx.settings.watch.settle_seconds)
        return _WatchedFolder(key, root, mount_token, place_id, state)

    def _update_drives(self) -> None:
        with self._lock:
            connected = dict(self._drives)
            gone = [
                key
                for key, folder in self._watched.items()
                if folder.place_id is not None
                and (key not in connected or connected[key].mount_token != folder.mount_token)
            ]
            for key in gone:
                del self._watched[key]
            new = [(key, drive) for key, drive in connected.items() if key not in self._watched]
        for key in gone:
            self._observer.unwatch(key)
            self._on_files_ready(key, 0)
        for key, drive in new:
            self._add_folder(self._new_folder(key, drive.root, drive.mount_token, drive.record.id))

    def _update_import_folders(self) -> None:
        """Request events anew for an import folder that was replaced: its stick was plugged in again."""
        for folder in [folder for folder in self._watched.values() if folder.place_id is None]:
            identity = self._identify(folder.root)
            if identity == folder.identity:
                continue
            self._observer.unwatch(folder.key)
            self._add_folder(folder)
            with self._lock:
                folder.identity = identity
                self._step(folder, RelistRequested(is_replaced=True))

    def _identify(self, root: Path) -> str:
        try:
            status = os.stat(root)
        except OSError as error:
            return f"{error.errno}"
        return f"{self._remount_count(root)} {status.st_dev} {status.st_ino}"

    def _add_folder(self, folder: _WatchedFolder) -> None:
        has_events = self._subscribe(folder) and has_change_events(find_mount(folder.root))
        with self._lock:
            self._step(folder, PollingChanged(None if has_events else self._ctx.settings.watch.scan_seconds))
            self._watched[folder.key] = folder
        self._changed.set()

    def _subscribe(self, folder: _WatchedFolder) -> bool:
        """Request events for a folder; return whether they come for all of it."""
        if folder.place_id is None:
            return self._observer.watch(folder.key, folder.root, [folder.root], recursive=True)
        tops: list[str] = []
        with contextlib.suppress(OSError):
            tops += (name for name in os.listdir(folder.root) if can_hold_shoots(self._ctx.settings.layout, name))
        covers_root = self._observer.watch(folder.key, folder.root, [folder.root], recursive=False)
        below = [folder.root / name for name in tops if os.path.isdir(folder.root / name)]
        return self._observer.watch(folder.key, folder.root, below, recursive=True) and covers_root

    def _step(self, folder: _WatchedFolder, event: Event) -> Action | None:
        """Take one step of a folder's state machine. The caller holds the lock."""
        folder.state, action = step(folder.state, event)
        return action

    def _process_folder(self, ctx: JobContext, folder: _WatchedFolder) -> None:
        now = time.monotonic()
        try:
            with self._lock:
                self._take_events(folder, now)
                action = self._step(folder, TimePassed(now))
            while action is not None:
                action = self._run_action(ctx, folder, action)
            complete, _ = self._list_complete(folder)
            if complete and len(complete) != folder.state.ready_count:
                self._drop_recorded(ctx, folder, complete)
        except Exception as error:  # noqa: BLE001 - a thread's outer edge; the other folders are still watched
            self._on_failure(folder, error, now)
            return
        self._report_ready(folder)

    def _take_events(self, folder: _WatchedFolder, now: float) -> None:
        if folder.event_count:
            changed, closed = frozenset(folder.changed_dirs), frozenset(folder.closed_paths)
            self._step(folder, FilesChanged(now, changed, closed, folder.event_count))
            folder.changed_dirs.clear()
            folder.closed_paths.clear()
            folder.event_count = 0

    def _run_action(self, ctx: JobContext, folder: _WatchedFolder, action: Action) -> Action | None:
        """Do what the state machine asks for; return what it asks for next. Raises OSError, CatalogError."""
        match action:
            case ListDirs(dirs):
                self._subscribe(folder)
                started_at = time.monotonic()
                found = tuple(find_new(ctx.catalog, ctx.settings.layout, folder.place_id, folder.root, dirs))
                with self._lock:
                    return self._step(folder, Listed(started_at, dirs, found))
            case CheckFiles(paths):
                return self._check_files(folder, paths)
            case Warn(message):
                self._warn(message)
            case ReportReady(count):
                self._on_files_ready(folder.key, count)
        return None

    def _drop_recorded(self, ctx: JobContext, folder: _WatchedFolder, complete: list[Entry]) -> None:
        """Forget those files that another job has recorded since the listing. Raises OSError, CatalogError."""
        folders = {entry.folder for entry in complete}
        found = find_new(ctx.catalog, ctx.settings.layout, folder.place_id, folder.root, folders)
        new = {entry.path for entry in found}
        recorded = frozenset(entry.path for entry in complete if entry.path not in new)
        with self._lock:
            self._step(folder, FilesRecorded(recorded))

    def _check_files(self, folder: _WatchedFolder, paths: Iterable[str]) -> Action | None:
        """Look at these files again. Raises OSError."""
        wanted = list(paths)
        entries = stat_files(folder.root, wanted) if wanted else {}
        with self._lock:
            return self._step(folder, FilesChecked(time.monotonic(), entries))

    def _list_complete(self, folder: _WatchedFolder) -> tuple[list[Entry], bool]:
        """Return the complete files that no program has open for writing, and whether there are others."""
        stable = {
            os.path.join(folder.root, entry.path): entry for entry in list_stable(folder.state, time.monotonic())
        }
        open_paths = find_open_for_writing(set(stable)) if stable else set()
        return [entry for path, entry in stable.items() if path not in open_paths], bool(open_paths)

    def _report_ready(self, folder: _WatchedFolder) -> None:
        with self._lock:
            # Counted and reported in one step, so that what a task takes meanwhile is not reported as new.
            if self._watched.get(folder.key) is folder:
                complete, has_open_writers = self._list_complete(folder)
                action = self._step(folder, ReadyCounted(len(complete), has_open_writers))
                if isinstance(action, ReportReady):
                    self._on_files_ready(folder.key, action.count)

    def _on_failure(self, folder: _WatchedFolder, error: Exception, now: float) -> None:
        """Try again later: the volume went away, or the catalog is busy."""
        # Path.is_dir would raise where a device does not answer.
        is_there = os.path.isdir(folder.root)
        message = f"What is new in {escape_text(str(folder.root))} can't be told now: {error}" if is_there else ""
        with self._lock:
            action = self._step(folder, ListingFailed(now, message))
        if isinstance(action, Warn):
            self._warn(action.message)

    def _seconds_to_next(self) -> float | None:
        """Return how many seconds to wait for events; None if only an event can bring something to do."""
        now, times = time.monotonic(), []
        with self._lock:
            for folder in self._watched.values():
                if folder.event_count:
                    times.append(now + QUIET_S)
                if folder.place_id is None:
                    times.append(now + _IMPORT_POLL_S)
                if (at := get_next_time(folder.state, now)) is not None:
                    times.append(at)
        return max(0.05, min(times) - now) if times else None


def _describe_incomplete(root: Path, paths: list[str]) -> str:
    more = f" and {len(paths) - _MAX_NAMED_PATHS:,} more" if len(paths) > _MAX_NAMED_PATHS else ""
    names = ", ".join(escape_text(path) for path in paths[:_MAX_NAMED_PATHS])
    are, them = ("is", "it") if len(paths) == 1 else ("are", "them")
    return (
        f"{pluralize(len(paths), 'new file')} in {escape_text(str(root))} {are} cut short and not protected: "
        f"{names}{more}. Copy {them} there again. If there is no whole one, `tripleguard adopt` protects the part."
    )
