"""What is plugged in: a drive that is known, a card, or none of our business.

A drive is known by its marker, a card by a folder that cameras make (or by being named in the settings). Volumes
over the network are not looked into: one that hangs would hang the look.
"""

from __future__ import annotations

import fnmatch
import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from tripleguard.config import Watch
from tripleguard.model import PlaceRecord, PlaceState
from tripleguard.places.marker import marker_at
from tripleguard.places.media import disk_of
from tripleguard.places.mounts import Mount, mounts
from tripleguard.work.kit import Kit, where_drives_are

_FAR = frozenset(["nfs", "nfs4", "cifs", "smb3", "smbfs", "afpfs", "davfs", "9p", "afs", "ceph"])
_FAR_FUSE = ("fuse.sshfs", "fuse.gvfs", "fuse.portal")
NOT_OURS = frozenset(["tmpfs", "ramfs", "overlay", "iso9660", "udf"])


@dataclass(frozen=True, slots=True)
class HereDrive:
    """A drive of the catalog that is connected. mark: another one for each time it is plugged in."""

    record: PlaceRecord
    root: Path
    mark: str

    @property
    def active(self) -> bool:
        return self.record.state is PlaceState.ACTIVE


@dataclass(frozen=True, slots=True)
class HereCard:
    """A card that is plugged in. reader: the device it is in. mark: another one for each time it is plugged in."""

    root: Path
    reader: str
    mark: str

    @property
    def name(self) -> str:
        return self.root.name or str(self.root)


@dataclass(frozen=True, slots=True)
class Plugged:
    """All that is plugged in now and is ours. away: active drives of the catalog that are not here.

    silent: drives that are mounted and whose device answers with errors, by name and place.
    """

    drives: tuple[HereDrive, ...] = ()
    cards: tuple[HereCard, ...] = ()
    away: tuple[PlaceRecord, ...] = ()
    silent: tuple[str, ...] = ()


def plugged_in(kit: Kit) -> Plugged:
    """Look at every local volume. Raises PlaceTrouble for cloned drives, CatalogTrouble."""
    found = where_drives_are(kit)
    table = mounts()
    dead = {path for _, path in found if path is not None and not _answers(path)}
    silent = [f"{record.name} at {path}" for record, path in found if path in dead]
    found = [(record, None if path in dead else path) for record, path in found]
    drives = [HereDrive(record, path, _mark(path, table)) for record, path in found if path is not None]
    away = [record for record, path in found if path is None and record.state is PlaceState.ACTIVE]
    taken = [os.path.realpath(drive.root) for drive in drives]
    cards = []
    for root, number in _candidates(kit.settings.watch, table):
        if not _overlaps(os.path.realpath(root), taken) and _is_card(root, kit.settings.watch):
            cards.append(HereCard(root, _reader(root), f"{number} {_identity(root)}"))
    return Plugged(tuple(drives), tuple(cards), tuple(away), tuple(silent))


def is_far(mount: Mount | None) -> bool:
    """Whether a volume is served from elsewhere: it can hang."""
    return mount is not None and (mount.kind in _FAR or mount.kind.startswith(_FAR_FUSE))


def tells_all(mount: Mount | None) -> bool:
    """Whether the file system of a volume sends events for whatever is written to it."""
    return mount is not None and not is_far(mount) and mount.kind != "fuse" and not mount.kind.startswith("fuse.")


def signature(settings: Watch, last_paths: Iterable[str]) -> str:
    """Something that differs when it is worth a look: what is mounted, and what lies at the paths that matter."""
    table = [f"{mount.number} {mount.point} {mount.source}" for mount in mounts()]
    return "\n".join([*table, *(_identity(Path(path)) for path in (*last_paths, *_also(settings)))])


def is_within(path: str, root: str) -> bool:
    """Whether a path is root or lies below it."""
    return path == root or path.startswith(root.rstrip(os.sep) + os.sep)


def _answers(root: Path) -> bool:
    """Whether a drive can be listed; one whose cable came loose stays mounted."""
    try:
        with os.scandir(root):
            return True
    except OSError:
        return False


def _candidates(settings: Watch, table: list[Mount]) -> Iterator[tuple[Path, int]]:
    """Every volume that could be a card, each once: the last one mounted at a point is what one sees there."""
    seen: dict[str, int] = {}
    for mount in table:
        meant = any(fnmatch.fnmatch(mount.point, pattern) for pattern in settings.look_at)
        if meant and not is_far(mount) and mount.kind not in NOT_OURS:
            seen[mount.point] = mount.number
        else:
            seen.pop(mount.point, None)
    yield from ((Path(point), number) for point, number in seen.items())
    yield from ((Path(path), 0) for path in _also(settings) if path not in seen)


def _also(settings: Watch) -> list[str]:
    return [os.path.expanduser(path) for path in settings.look_also]


def _is_card(root: Path, settings: Watch) -> bool:
    wanted = {name.casefold() for name in settings.card_folders}
    try:
        with os.scandir(root) as items:
            ours = any(item.name.casefold() in wanted and item.is_dir(follow_symlinks=False) for item in items)
    except OSError:
        return False
    return ours and marker_at(root) is None


def _overlaps(root: str, drives: list[str]) -> bool:
    return any(is_within(one, root) or is_within(root, one) for one in drives)


def _reader(root: Path) -> str:
    """The device that a volume is in, the same for all its partitions."""
    return disk_of(root) or str(root)


def _mark(root: Path, table: list[Mount]) -> str:
    real = os.path.realpath(root)
    numbers = [mount.number for mount in table if is_within(real, mount.point)]
    return f"{max(numbers, default=0)} {_identity(root)}"


def _identity(path: Path) -> str:
    try:
        status = os.stat(path)
    except OSError as error:
        return f"{path} {error.errno}"
    return f"{path} {status.st_dev} {status.st_ino}"
