"""Watch shoot folders on drives and import folders, and report new files once they are complete.

Events of the file system only say which folders to list: the listing is compared with the catalog, so a lost
event, a burst and a renamed folder lead to the same result. After a burst everything is listed. Where the file
system sends no events, it is polled. All of it happens in a thread of its own.
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
from tripleguard.places.mounts import find_mount
from tripleguard.places.reserved import RESERVED_DIR
from tripleguard.watch.devices import ConnectedDrive, has_change_events
from tripleguard.watch.file_activity import DebounceTracker, TreeObserver, find_open_for_writing
from tripleguard.watch.monitoring import StallDetector
from tripleguard.watch.new_file_scan import find_new_in_folder, find_new_on_drive, stat_files
from tripleguard.watch.queue import TaskKind

_QUIET_S, _MAX_DELAY_S = 0.7, 5.0
"""Seconds without an event after which is listed; and while events keep coming."""
_MAX_EVENTS = 1000
_RECHECK_S = 1.0
_IMPORT_POLL_S = 5.0
"""Seconds after which an import folder is looked at whether it still is the one that is listened to."""
_WRITER_POLL_S = 5.0
"""Seconds after which is asked again whether somebody still has a file open for writing."""
_MAX_RETRY_S, _FAILURES_TO_REPORT = 300.0, 3
"""Seconds between tries to list a folder that can't be listed, at most; failures before a person hears of it."""
_MAX_LISTING_S = 1800.0
"""Seconds that one folder may take to be listed."""

FolderKey = tuple[TaskKind, str]


@dataclass(slots=True)
class _WatchedFolder:
    """One watched tree. place_id: the drive's; None: an import folder. timed: it tells nothing by itself.

    which: what an import folder was when its events were asked for. trouble: why it can't be listed, '' if it can.
    """

    key: FolderKey
    root: Path
    mount_token: str
    place_id: int | None
    debounce: DebounceTracker
    is_polled: bool = False
    has_overflowed: bool = False
    dirty_dirs: set[str] = field(default_factory=lambda: {""})
    event_count: int = 0
    first_event_at: float = 0.0
    last_event_at: float = 0.0
    listed_at: float = 0.0
    checked_at: float = 0.0
    reported_count: int = 0
    has_open_writers: bool = False
    folder_identity: str = ""
    problem: str = ""
    failures: int = 0
    retry_at: float = 0.0
    closed_paths: set[str] = field(default_factory=set)


class NewFileWatcher:
    """Watches the spots. landed(key, how many files have settled) is called from its thread when that changed.

    turn_of: a number for a path that grows when its volume left, see `turns`.
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
        self._thread = threading.Thread(target=self._run, name="landing", daemon=True)

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
        """List everything once: whatever was missed is found."""
        with self._lock:
            for spot in self._watched.values():
                spot.dirty_dirs.add("")
        self._changed.set()

    def stable_files(self, key: FolderKey) -> list[Entry]:
        """What has settled there and nobody writes to, as it is now; nothing if the folder is gone."""
        with self._lock:
            spot = self._watched.get(key)
            paths = [entry.path for entry in self._complete_files(spot)] if spot is not None else []
        if spot is None:
            return []
        try:
            self._recheck(spot, paths)  # it may have waited long for its turn
        except OSError:
            return []
        with self._lock:
            return self._complete_files(spot)

    def mark_ingested(self, key: FolderKey, paths: Iterable[str], failed: Iterable[str]) -> list[str]:
        """These were taken; those among them that are left did not hold still. Those of them that are given up."""
        again, given_up = set(failed), list[str]()
        with self._lock:
            spot = self._watched.get(key)
            if spot is not None:
                spot.debounce.retry_later(again, time.monotonic())
                spot.debounce.forget(set(paths) - again)
                spot.reported_count = 0
                given_up = spot.debounce.abandoned_paths(again)
        self._changed.set()
        return given_up

    def _on_event(self, key: FolderKey, folder: str, *, closed: str) -> None:
        """An event: something happened in this folder of a spot. Called from the observer's thread."""
        now = time.monotonic()
        with self._lock:
            spot = self._watched.get(key)
            if spot is None or folder.partition("/")[0] == RESERVED_DIR:
                return
            if not spot.event_count:
                spot.first_event_at = now
            spot.event_count += 1
            spot.last_event_at = now
            spot.has_overflowed |= spot.event_count > _MAX_EVENTS or len(spot.dirty_dirs) > _MAX_EVENTS
            if len(spot.dirty_dirs) <= _MAX_EVENTS:
                spot.dirty_dirs.add(folder)
            if closed:
                spot.closed_paths.add(closed)
        self._changed.set()

    # The thread

    def _run(self) -> None:
        ctx = replace(self._ctx, catalog=self._ctx.catalog.reopen())
        for path in self._ctx.settings.watch.import_folders:
            root = Path(path).expanduser().absolute()
            spot = _WatchedFolder((TaskKind.IMPORT, str(root)), root, "", None, self._new_debounce())
            self._watched[spot.key] = spot
        try:
            while not self._stop_event.is_set():
                self.stall_detector.leave()
                self._changed.wait(self._seconds_to_next())
                self._changed.clear()
                self.stall_detector.enter()
                self._update_drives()
                self._update_import_folders()
                with self._lock:
                    spots = list(self._watched.values())
                for spot in spots:
                    if not self._stop_event.is_set():
                        self.stall_detector.enter()
                        self._process_folder(ctx, spot)
                if any(spot.event_count for spot in spots):
                    # Not at every event of a burst.
                    self._stop_event.wait(_QUIET_S / 2)
        finally:
            ctx.catalog.close()

    def _update_drives(self) -> None:
        with self._lock:
            here = dict(self._drives)
            gone = [
                key
                for key, spot in self._watched.items()
                if spot.place_id is not None and (key not in here or here[key].mount_token != spot.mount_token)
            ]
            for key in gone:
                del self._watched[key]
            new = [(key, drive) for key, drive in here.items() if key not in self._watched]
        for key in gone:
            self._observer.unwatch(key)
            self._on_files_ready(key, 0)
        for key, drive in new:
            self._add_folder(
                _WatchedFolder(key, drive.root, drive.mount_token, drive.record.id, self._new_debounce())
            )

    def _update_import_folders(self) -> None:
        """Listen anew to an import folder that is another one now: its stick left and came back."""
        for spot in [spot for spot in self._watched.values() if spot.place_id is None]:
            which = self._identify(spot.root)
            if which == spot.folder_identity:
                continue
            self._observer.unwatch(spot.key)
            self._add_folder(spot)
            with self._lock:
                spot.folder_identity, spot.retry_at = which, 0.0
                spot.dirty_dirs.add("")

    def _identify(self, root: Path) -> str:
        try:
            status = os.stat(root)
        except OSError as error:
            return f"{error.errno}"
        return f"{self._remount_count(root)} {status.st_dev} {status.st_ino}"

    def _new_debounce(self) -> DebounceTracker:
        return DebounceTracker(self._ctx.settings.watch.settle_seconds)

    def _add_folder(self, watched_folder: _WatchedFolder) -> None:
        watched_folder.is_polled = not self._subscribe(watched_folder) or not has_change_events(
            find_mount(watched_folder.root)
        )
        with self._lock:
            self._watched[watched_folder.key] = watched_folder
        self._changed.set()

    def _subscribe(self, watched_folder: _WatchedFolder) -> bool:
        """Have the system tell of changes; whether it does."""
        if watched_folder.place_id is None:
            return self._observer.watch(
                watched_folder.key, watched_folder.root, [watched_folder.root], recursive=True
            )
        tops: list[str] = []
        with contextlib.suppress(OSError):
            tops += (
                name
                for name in os.listdir(watched_folder.root)
                if can_hold_shoots(self._ctx.settings.layout, name)
            )
        told = self._observer.watch(
            watched_folder.key, watched_folder.root, [watched_folder.root], recursive=False
        )
        below = [watched_folder.root / name for name in tops if os.path.isdir(watched_folder.root / name)]
        return self._observer.watch(watched_folder.key, watched_folder.root, below, recursive=True) and told

    def _process_folder(self, ctx: JobContext, watched_folder: _WatchedFolder) -> None:
        now = time.monotonic()
        hints: set[str] = set()
        try:
            with self._lock:
                hints = self._take_due_dirs(watched_folder, now)
            if hints:
                self._list_dirs(ctx, watched_folder, hints)
            elif now - watched_folder.checked_at >= _RECHECK_S:
                with self._lock:
                    paths = watched_folder.debounce.unstable_paths(now)
                self._recheck(watched_folder, paths)
            with self._lock:
                count = len(self._complete_files(watched_folder))
            if count and count != watched_folder.reported_count:
                self._drop_known(ctx, watched_folder)
        except Exception as error:  # noqa: BLE001 - a thread's outer edge; one spot must not blind the others
            # The volume went away, or the catalog is busy: the looker says the first, a later round repairs both.
            self._on_failure(watched_folder, error, now)
            return
        with self._lock:
            if watched_folder.problem and hints:
                watched_folder.problem, watched_folder.failures = "", 0
            # Counted and told at one moment: what is taken meanwhile must not be told as new.
            if count != watched_folder.reported_count:
                count = len(self._complete_files(watched_folder))
            if count != watched_folder.reported_count and self._watched.get(watched_folder.key) is watched_folder:
                watched_folder.reported_count = count
                self._on_files_ready(watched_folder.key, count)

    def _on_failure(self, watched_folder: _WatchedFolder, error: Exception, now: float) -> None:
        """It could not be listed: all of it is, in a while, more and more seldom."""
        # Not `Path.is_dir`, which raises where a device does not answer.
        words = (
            f"What is new in {watched_folder.root} can't be told now: {error}"
            if os.path.isdir(watched_folder.root)
            else ""
        )
        if words and words != watched_folder.problem:
            self._warn(words)
        with self._lock:
            watched_folder.problem, watched_folder.failures, watched_folder.event_count = (
                words,
                watched_folder.failures + 1,
                0,
            )
            watched_folder.retry_at = now + min(_MAX_RETRY_S, _QUIET_S * 2 ** min(watched_folder.failures, 20))
            watched_folder.dirty_dirs.add("")

    def list_problems(self) -> list[str]:
        """Folders that can't be listed though they are there, in words."""
        with self._lock:
            return [
                spot.problem
                for spot in self._watched.values()
                if spot.problem and spot.failures > _FAILURES_TO_REPORT
            ]

    def _take_due_dirs(self, watched_folder: _WatchedFolder, now: float) -> set[str]:
        """The folders to list now; they are taken."""
        every = self._ctx.settings.watch.scan_seconds
        if watched_folder.is_polled and now - watched_folder.listed_at >= every:
            watched_folder.dirty_dirs.add("")
        calm = (
            not watched_folder.event_count
            or now - watched_folder.last_event_at >= _QUIET_S
            or now - watched_folder.first_event_at >= _MAX_DELAY_S
        )
        if not watched_folder.dirty_dirs or not calm or now < watched_folder.retry_at:
            return set()
        whole = "" in watched_folder.dirty_dirs or (
            watched_folder.has_overflowed and now - watched_folder.last_event_at >= _QUIET_S
        )
        hints, watched_folder.dirty_dirs, watched_folder.event_count = watched_folder.dirty_dirs, set(), 0
        if whole:
            watched_folder.has_overflowed = False
        return {""} if whole else hints

    def _list_dirs(self, ctx: JobContext, watched_folder: _WatchedFolder, dirs: set[str]) -> None:
        now = time.monotonic()
        if "" in dirs:
            watched_folder.listed_at = now
        self._subscribe(watched_folder)
        found: list[Entry] = []
        if watched_folder.place_id is None:
            found += find_new_in_folder(ctx.catalog, watched_folder.root)
        else:
            for folder in _keep_outermost(dirs):
                found += find_new_on_drive(
                    ctx.catalog, ctx.settings.layout, watched_folder.place_id, watched_folder.root, folder
                )
        with self._lock:
            for entry in found:
                watched_folder.debounce.observe(entry, now)
            for path in watched_folder.closed_paths:
                watched_folder.debounce.mark_closed(path)
            watched_folder.closed_paths.clear()
            paths = watched_folder.debounce.paths()
        self._recheck(watched_folder, paths)

    def _drop_known(self, ctx: JobContext, watched_folder: _WatchedFolder) -> None:
        """Forget what some job has entered since it was listed. Raises OSError, CatalogTrouble."""
        with self._lock:
            whole = self._complete_files(watched_folder)
        folders = {entry.folder for entry in whole}
        if watched_folder.place_id is None:
            new = {entry.path for entry in find_new_in_folder(ctx.catalog, watched_folder.root)}
        else:
            new = set()
            for folder in _keep_outermost(folders):
                found = find_new_on_drive(
                    ctx.catalog, ctx.settings.layout, watched_folder.place_id, watched_folder.root, folder
                )
                new |= {entry.path for entry in found}
        with self._lock:
            watched_folder.debounce.forget(entry.path for entry in whole if entry.path not in new)

    def _recheck(self, watched_folder: _WatchedFolder, paths: list[str]) -> None:
        """See how these new files are now; forget those that are gone."""
        seen = stat_files(watched_folder.root, paths) if paths else {}
        now = watched_folder.checked_at = time.monotonic()
        with self._lock:
            for path, entry in seen.items():
                if entry is None:
                    watched_folder.debounce.forget([path])
                else:
                    watched_folder.debounce.observe(entry, now)

    def _complete_files(self, watched_folder: _WatchedFolder) -> list[Entry]:
        settled, watched_folder.has_open_writers = watched_folder.debounce.stable_files(time.monotonic()), False
        if not settled:
            return []
        absolute = {os.path.join(watched_folder.root, entry.path): entry for entry in settled}
        held = find_open_for_writing(set(absolute))
        watched_folder.has_open_writers = bool(held)
        for path in held:
            del absolute[path]
        return list(absolute.values())

    def _seconds_to_next(self) -> float | None:
        """Seconds until the next round without any event; None: nothing is to be expected."""
        now, at = time.monotonic(), []
        with self._lock:
            for spot in self._watched.values():
                if spot.event_count or spot.dirty_dirs:
                    at.append(max(spot.last_event_at + _QUIET_S, spot.retry_at, now))
                if spot.place_id is None:
                    at.append(now + _IMPORT_POLL_S)
                if spot.debounce.unstable_paths(now):
                    at.append(now + _RECHECK_S)
                if spot.has_open_writers:
                    at.append(now + _WRITER_POLL_S)
                if spot.is_polled:
                    at.append(spot.listed_at + self._ctx.settings.watch.scan_seconds)
        return max(0.05, min(at) - now) if at else None


def _keep_outermost(folders: set[str]) -> list[str]:
    """These folders without those that lie inside another one."""
    return [one for one in sorted(folders) if not any(one != top and _is_below(one, top) for top in folders)]


def _is_below(path: str, top: str) -> bool:
    return not top or path.startswith(f"{top}/")
