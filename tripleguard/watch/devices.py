"""What is plugged in: drives, cards and the charger.

A drive is known by its marker, a card by a folder that cameras make (or by being named in the settings).
Network volumes are not examined: one that hangs would hang the scan.
"""

from __future__ import annotations

import errno
import fnmatch
import functools
import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import psutil
from blake3 import blake3

from tripleguard.config import WatchSettings
from tripleguard.jobs.context import JobContext
from tripleguard.jobs.drives import locate_drives
from tripleguard.model import PlaceRecord, PlaceState
from tripleguard.places.cache_bypass import find_disk_id
from tripleguard.places.enclosing import find_card_folder
from tripleguard.places.marker import read_marker_at
from tripleguard.places.mounts import Mount, find_mount, list_mounts
from tripleguard.places.probe import hangs
from tripleguard.watch.card_description import describe_card_at

_NETWORK_FS = frozenset(["nfs", "nfs4", "cifs", "smb3", "smbfs", "afpfs", "davfs", "9p", "afs", "ceph"])
_NETWORK_FUSE = ("fuse.sshfs", "fuse.gvfs", "fuse.portal")
IGNORED_FS = frozenset(["tmpfs", "ramfs", "overlay", "iso9660", "udf"])
_UNREMARKABLE_ERRORS = (errno.EACCES, errno.EPERM, errno.ENOENT, errno.ENOTDIR)
"""Of a volume that is not for this user, or that is not there any more."""
_MAX_DEPTH = 32


@dataclass(frozen=True, slots=True)
class ConnectedDrive:
    """A drive of the catalog that is connected.

    Attributes:
        mount_token: Differs each time it is plugged in.
        free_bytes: As of this look; it does not make two looks differ.
        room_token: Grows whenever the drive has noticeably more room than before, or can be written to again.
    """

    record: PlaceRecord
    root: Path
    mount_token: str
    is_read_only: bool = False
    free_bytes: int = field(default=0, compare=False)
    room_token: int = 0

    @property
    def is_active(self) -> bool:
        return self.record.state is PlaceState.ACTIVE


@dataclass(frozen=True, slots=True)
class ConnectedCard:
    """A card that is plugged in.

    Attributes:
        reader: The device that it is in.
        mount_token: Differs each time it is plugged in.
        listing: Differs when the files on it do, by their names, sizes and times.
        is_settled: False while something writes to it.
        description: Body and frames (`card_description`); empty if unknown.
        files: How many files it lists.
    """

    root: Path
    reader: str
    mount_token: str
    listing: str = ""
    is_settled: bool = True
    description: str = ""
    files: int = 0

    @property
    def name(self) -> str:
        return self.description or self.root.name or str(self.root)


@dataclass(frozen=True, slots=True)
class ConnectedVolumes:
    """All that is plugged in now and is ours.

    Attributes:
        away: Active drives of the catalog that are not here.
        unresponsive: Drives and other volumes that are mounted and answer with errors, by name and mount point.
    """

    drives: tuple[ConnectedDrive, ...] = ()
    cards: tuple[ConnectedCard, ...] = ()
    away: tuple[PlaceRecord, ...] = ()
    unresponsive: tuple[str, ...] = ()


def find_connected_volumes(ctx: JobContext) -> ConnectedVolumes:
    """Look at every local volume. Raises PlaceError for cloned drives, CatalogError."""
    found = locate_drives(ctx)
    table = list_mounts()
    dead = {path for _, path in found if path is not None and not _is_responsive(path)}
    unresponsive = [f"Drive {record.name} at {path}" for record, path in found if path in dead]
    found = [(record, None if path in dead else path) for record, path in found]
    drives = [_look_at_drive(record, path, table) for record, path in found if path is not None]
    away = [record for record, path in found if path is None and record.state is PlaceState.ACTIVE]
    taken = [os.path.realpath(drive.root) for drive in drives]
    cards = []
    for root, number in _list_card_candidates(ctx.settings.watch, table):
        if root in dead:
            continue
        if hangs(root):
            unresponsive.append(f"The volume at {root}")
            continue
        if _overlaps(os.path.realpath(root), taken):
            continue
        try:
            if _is_card(root, ctx.settings.watch):
                token = f"{number} {_path_identity(root)}"
                listing = read_listing_digest(root)
                description, files = _describe_card(root, listing)
                cards.append(
                    ConnectedCard(root, _find_reader(root), token, listing, description=description, files=files)
                )
        except OSError as error:
            if error.errno not in _UNREMARKABLE_ERRORS:
                unresponsive.append(f"The volume at {root}")
    return ConnectedVolumes(tuple(drives), tuple(cards), tuple(away), tuple(unresponsive))


def read_listing_digest(root: Path) -> str:
    """Return a digest of what a card lists: another one if a file came, went, or changed its size or time.

    Folders and files that can't be looked at are part of it. Raises OSError if root can't be listed.
    """
    hasher = blake3()

    def add_folder(folder: str, depth: int) -> None:
        with os.scandir(folder) as items:
            found = sorted(items, key=lambda item: item.name)
        for item in found:
            try:
                status = item.stat(follow_symlinks=False)
                line = f"{item.path}\0{status.st_size}\0{status.st_mtime_ns}\n"
            except OSError as error:
                line = f"{item.path}\0{error.errno}\n"
            hasher.update(line.encode("utf-8", "surrogateescape"))
            if depth < _MAX_DEPTH and item.is_dir(follow_symlinks=False):
                try:
                    add_folder(item.path, depth + 1)
                except OSError as error:
                    hasher.update(f"{item.path}\0{error.errno}\n".encode("utf-8", "surrogateescape"))

    add_folder(str(root), 0)
    return hasher.hexdigest()


@functools.lru_cache(maxsize=16)
def _describe_card(root: Path, listing: str) -> tuple[str, int]:
    """Describe a card once for each state of it."""
    return describe_card_at(root)


def _look_at_drive(record: PlaceRecord, root: Path, table: list[Mount]) -> ConnectedDrive:
    try:
        free = psutil.disk_usage(str(root)).free
    except OSError:
        free = 0
    mount = find_mount(root)
    is_read_only = mount is not None and mount.is_read_only
    return ConnectedDrive(record, root, _read_mount_token(root, table), is_read_only, free)


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
    if hangs(root):
        return False
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
    return find_card_folder(root, settings.card_folders) is not None and read_marker_at(root) is None


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
    if hangs(path):
        return f"{path} hangs"
    try:
        status = os.stat(path)
    except OSError as error:
        return f"{path} {error.errno}"
    return f"{path} {status.st_dev} {status.st_ino}"


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
    try:
        found = psutil.sensors_battery() if hasattr(psutil, "sensors_battery") else None
    except (OSError, RuntimeError, psutil.Error):
        return None
    return None if found is None else Battery(found.percent, found.power_plugged)
