"""What is plugged in, drives, cards and the charger, and a monitor that reports changes at once.

A drive is known by its marker, a card by a folder that cameras make (or by being named in the settings).
Network volumes are not examined: one that hangs would hang the scan. Linux reports changes through
/proc/self/mountinfo, macOS by a new name in /Volumes; elsewhere, and for folders that are no volumes, the
monitor polls every few seconds. It runs in a thread of its own, because a dead volume can hang it; the loop
goes on without.

The kernel reuses the numbers of mounts and of devices, so a volume that left and came back between two scans
looks unchanged; remounts are therefore counted.
"""

from __future__ import annotations

import contextlib
import fnmatch
import os
import select
import sys
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from tripleguard.catalog.places import list_places
from tripleguard.config import WatchSettings
from tripleguard.errors import TripleguardError
from tripleguard.jobs.context import JobContext
from tripleguard.jobs.drives import locate_drives
from tripleguard.model import PlaceRecord, PlaceState
from tripleguard.places.cache_bypass import find_disk_id
from tripleguard.places.enclosing import find_card_folder
from tripleguard.places.marker import read_marker_at
from tripleguard.places.mounts import Mount, list_mounts
from tripleguard.watch.monitoring import StallDetector

_NETWORK_FS = frozenset(["nfs", "nfs4", "cifs", "smb3", "smbfs", "afpfs", "davfs", "9p", "afs", "ceph"])
_NETWORK_FUSE = ("fuse.sshfs", "fuse.gvfs", "fuse.portal")
IGNORED_FS = frozenset(["tmpfs", "ramfs", "overlay", "iso9660", "udf"])


@dataclass(frozen=True, slots=True)
class ConnectedDrive:
    """A drive of the catalog that is connected. mark: another one for each time it is plugged in."""

    record: PlaceRecord
    root: Path
    mount_token: str

    @property
    def is_active(self) -> bool:
        return self.record.state is PlaceState.ACTIVE


@dataclass(frozen=True, slots=True)
class ConnectedCard:
    """A card that is plugged in. reader: the device it is in. mark: another one for each time it is plugged in."""

    root: Path
    reader: str
    mount_token: str

    @property
    def name(self) -> str:
        return self.root.name or str(self.root)


@dataclass(frozen=True, slots=True)
class ConnectedVolumes:
    """All that is plugged in now and is ours. away: active drives of the catalog that are not here.

    silent: drives that are mounted and whose device answers with errors, by name and place.
    """

    drives: tuple[ConnectedDrive, ...] = ()
    cards: tuple[ConnectedCard, ...] = ()
    away: tuple[PlaceRecord, ...] = ()
    unresponsive: tuple[str, ...] = ()


def find_connected_volumes(ctx: JobContext) -> ConnectedVolumes:
    """Look at every local volume. Raises PlaceTrouble for cloned drives, CatalogTrouble."""
    found = locate_drives(ctx)
    table = list_mounts()
    dead = {path for _, path in found if path is not None and not _is_responsive(path)}
    silent = [f"{record.name} at {path}" for record, path in found if path in dead]
    found = [(record, None if path in dead else path) for record, path in found]
    drives = [
        ConnectedDrive(record, path, _read_mount_token(path, table)) for record, path in found if path is not None
    ]
    away = [record for record, path in found if path is None and record.state is PlaceState.ACTIVE]
    taken = [os.path.realpath(drive.root) for drive in drives]
    cards = []
    for root, number in _list_card_candidates(ctx.settings.watch, table):
        if not _overlaps(os.path.realpath(root), taken) and _is_card(root, ctx.settings.watch):
            cards.append(ConnectedCard(root, _find_reader(root), f"{number} {_path_identity(root)}"))
    return ConnectedVolumes(tuple(drives), tuple(cards), tuple(away), tuple(silent))


def is_network(mount: Mount | None) -> bool:
    """Whether a volume is served from elsewhere: it can hang."""
    return mount is not None and (mount.fs_type in _NETWORK_FS or mount.fs_type.startswith(_NETWORK_FUSE))


def has_change_events(mount: Mount | None) -> bool:
    """Whether the file system of a volume sends events for whatever is written to it."""
    return (
        mount is not None
        and not is_network(mount)
        and mount.fs_type != "fuse"
        and not mount.fs_type.startswith("fuse.")
    )


def read_volumes_fingerprint(settings: WatchSettings, last_paths: Iterable[str]) -> str:
    """Something that differs when it is worth a look: what is mounted, and what lies at the paths that matter."""
    table = [f"{mount.mount_id} {mount.point} {mount.source}" for mount in list_mounts()]
    return "\n".join(
        [*table, *(_path_identity(Path(path)) for path in (*last_paths, *_list_extra_paths(settings)))]
    )


def is_within(path: str, root: str) -> bool:
    """Whether a path is root or lies below it."""
    return path == root or path.startswith(root.rstrip(os.sep) + os.sep)


def _is_responsive(root: Path) -> bool:
    """Whether a drive can be listed; one whose cable came loose stays mounted."""
    try:
        with os.scandir(root):
            return True
    except OSError:
        return False


def _list_card_candidates(settings: WatchSettings, table: list[Mount]) -> Iterator[tuple[Path, int]]:
    """Every volume that could be a card, each once: the last one mounted at a point is what one sees there."""
    seen: dict[str, int] = {}
    for mount in table:
        meant = any(fnmatch.fnmatch(mount.point, pattern) for pattern in settings.look_at)
        if meant and not is_network(mount) and mount.fs_type not in IGNORED_FS:
            seen[mount.point] = mount.mount_id
        else:
            seen.pop(mount.point, None)
    yield from ((Path(point), number) for point, number in seen.items())
    yield from ((Path(path), 0) for path in _list_extra_paths(settings) if path not in seen)


def _list_extra_paths(settings: WatchSettings) -> list[str]:
    return [os.path.expanduser(path) for path in settings.look_also]


def _is_card(root: Path, settings: WatchSettings) -> bool:
    try:
        name = find_card_folder(root, settings.card_folders)
    except OSError:
        return False
    return name is not None and read_marker_at(root) is None


def _overlaps(root: str, drives: list[str]) -> bool:
    return any(is_within(one, root) or is_within(root, one) for one in drives)


def _find_reader(root: Path) -> str:
    """The device that a volume is in, the same for all its partitions."""
    return find_disk_id(root) or str(root)


def _read_mount_token(root: Path, table: list[Mount]) -> str:
    real = os.path.realpath(root)
    numbers = [mount.mount_id for mount in table if is_within(real, mount.point)]
    return f"{max(numbers, default=0)} {_path_identity(root)}"


def _path_identity(path: Path) -> str:
    try:
        status = os.stat(path)
    except OSError as error:
        return f"{path} {error.errno}"
    return f"{path} {status.st_dev} {status.st_ino}"


class RemountCounter:
    """Counts for each mount point how often what was there left. May be used by several threads."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._last_table: frozenset[tuple[str, int, str]] | None = None
        self._counts: dict[str, int] = {}

    def update(self, table: Iterable[Mount], *, is_unchanged: bool) -> None:
        """The kernel says that the table of mounts changed, and it is this one now.

        unchanged: it reads as before, so something left and came back meanwhile, and nobody knows what.
        """
        now = frozenset((one.point, one.mount_id, one.source) for one in table if one.fs_type not in IGNORED_FS)
        with self._lock:
            before, self._last_table = self._last_table, now
            if before is None:
                return
            for point, _, _ in before if is_unchanged else before - now:
                self._counts[point] = self._counts.get(point, 0) + 1

    def count_for(self, path: Path) -> int:
        """A number that grows whenever a volume on the way to this path left."""
        with self._lock:
            return sum(turn for point, turn in self._counts.items() if is_within(str(path), point))


_SCAN_DELAYS_S = (0.0, 0.3, 1.0, 3.0)
"""Seconds after a change at which it is looked: some volumes show their files a little later."""
_FAST_POLL_S, _SLOW_POLL_S = 1.0, 5.0
_VOLUMES = Path("/Volumes")
_UNRESPONSIVE = "does not answer. What is on it is as it was. Next: unplug it, plug it in again."
_MAX_SCAN_S = 120.0
"""Seconds that a look may take; a disk that has to spin up needs ten."""


class DeviceMonitor:
    """Calls seen(what is plugged in, what is wrong) when it changed. Use: `submit`, `scan_now`, `stop`."""

    def __init__(self, ctx: JobContext, on_change: Callable[[ConnectedVolumes, str], None]) -> None:
        self._ctx = ctx
        self._on_change = on_change
        self._changed = threading.Event()
        self._stop_event = threading.Event()
        watched = ctx.settings.watch.look_also or not sys.platform.startswith("linux")
        self._interval_s = _FAST_POLL_S if watched else _SLOW_POLL_S
        self.remounts = RemountCounter()
        self.stall_detector = StallDetector("The look at what is plugged in", _MAX_SCAN_S)
        self._threads = [threading.Thread(target=self._run, name="looker", daemon=True)]
        if sys.platform.startswith("linux"):
            self._threads.append(threading.Thread(target=self._poll_mounts, name="mounts", daemon=True))

    def start(self) -> None:
        for thread in self._threads:
            thread.start()
        if sys.platform == "darwin":
            self._watch_volumes()

    def scan_now(self) -> None:
        """Have a look soon: the machine has woken up, or a job says that a volume went."""
        self._changed.set()

    def stop(self) -> None:
        self._stop_event.set()
        self._changed.set()

    def _run(self) -> None:
        ctx = replace(self._ctx, catalog=self._ctx.catalog.reopen())
        try:
            last: tuple[ConnectedVolumes, str] | None = None
            before = ""
            while not self._stop_event.is_set():
                self.stall_detector.enter()
                now = self._read_fingerprint(ctx)
                if self._changed.is_set() or now != before:
                    self._changed.clear()
                    before = now
                    last = self._scan_until_stable(ctx, last)
                self.stall_detector.leave()
                self._changed.wait(self._interval_s)
        finally:
            ctx.catalog.close()

    def _scan_until_stable(
        self, ctx: JobContext, last: tuple[ConnectedVolumes, str] | None
    ) -> tuple[ConnectedVolumes, str] | None:
        """Look now and a few times more while it settles."""
        began = time.monotonic()
        for after in _SCAN_DELAYS_S:
            if self._stop_event.wait(max(0.0, began + after - time.monotonic())):
                break
            self.stall_detector.enter()
            found = self._scan(ctx)
            if found != last:
                last = found
                self._on_change(*found)
            if self._changed.is_set():
                break
        return last

    def _scan(self, ctx: JobContext) -> tuple[ConnectedVolumes, str]:
        try:
            found = self._with_remount_counts(find_connected_volumes(ctx))
            return found, " ".join(f"Drive {one} {_UNRESPONSIVE}" for one in found.unresponsive)
        except TripleguardError as error:
            return ConnectedVolumes(), str(error)
        except OSError as error:
            return ConnectedVolumes(), f"What is plugged in can't be told ({error.strerror or error})."
        except Exception as error:  # noqa: BLE001 - a thread's outer edge: a watch that sees nothing must say so
            return ConnectedVolumes(), f"What is plugged in can't be told ({type(error).__name__}: {error})."

    def _with_remount_counts(self, volumes: ConnectedVolumes) -> ConnectedVolumes:
        """With marks that differ also where a volume left and came back between two looks."""
        return replace(
            volumes,
            drives=tuple(
                replace(one, mount_token=f"{one.mount_token} {self.remounts.count_for(one.root)}")
                for one in volumes.drives
            ),
            cards=tuple(
                replace(one, mount_token=f"{one.mount_token} {self.remounts.count_for(one.root)}")
                for one in volumes.cards
            ),
        )

    def _read_fingerprint(self, ctx: JobContext) -> str:
        with contextlib.suppress(TripleguardError, OSError):
            paths = [f"{record.last_path} {record.state}" for record in list_places(ctx.catalog)]
            here = [record.last_path for record in list_places(ctx.catalog) if record.last_path]
            return "\n".join([*paths, read_volumes_fingerprint(ctx.settings.watch, here)])
        return str(time.monotonic())

    def _poll_mounts(self) -> None:
        """The kernel marks this file as changed when anything is mounted or unmounted (proc(5))."""
        if sys.platform == "win32":
            return
        with open("/proc/self/mountinfo", encoding="utf-8", errors="surrogateescape") as table:
            poll = select.poll()
            poll.register(table, select.POLLPRI | select.POLLERR)
            self.remounts.update(list_mounts(), is_unchanged=False)
            before = table.read()
            while not self._stop_event.is_set():
                if poll.poll(1000 * 60):
                    table.seek(0)
                    now = table.read()
                    with contextlib.suppress(OSError):
                        self.remounts.update(list_mounts(), is_unchanged=now == before)
                    before = now
                    self._changed.set()

    def _watch_volumes(self) -> None:
        from watchdog.events import FileSystemEvent, FileSystemEventHandler
        from watchdog.observers import Observer

        changed = self._changed

        class Heard(FileSystemEventHandler):
            def on_any_event(self, event: FileSystemEvent) -> None:
                changed.set()

        observer = Observer()
        observer.daemon = True
        observer.schedule(Heard(), str(_VOLUMES), recursive=False)
        with contextlib.suppress(OSError):
            observer.start()


@dataclass(frozen=True, slots=True)
class Battery:
    """percent: how full. plugged: whether it is being charged or held; None where the system can't say."""

    percent: float
    is_plugged_in: bool | None


def hold_reason(battery: Battery | None, floor: int) -> str:
    """Why only new pictures are cared for, in words; '' if all can be done. No battery: a desk."""
    if battery is None or (battery.is_plugged_in is not False and battery.percent >= floor):
        return ""
    if battery.is_plugged_in is False:
        return f"the laptop runs on its battery ({battery.percent:.0f} %)"
    return f"the battery is at {battery.percent:.0f} %, below {floor} %"


def read_battery() -> Battery | None:
    """The battery as the system tells it, None if there is none or it can't be asked."""
    import psutil

    try:
        found = psutil.sensors_battery() if hasattr(psutil, "sensors_battery") else None
    except (OSError, RuntimeError, psutil.Error):
        return None
    return None if found is None else Battery(found.percent, found.power_plugged)
