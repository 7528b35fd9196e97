"""What a folder is part of: a card, a drive, or a volume that is more than the folder.

A person who names a folder of a card instead of the card would get an answer about that folder, and reformat the
card. So an answer about a card needs the card's top; and nothing may be written anywhere on a card.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator, Sequence
from pathlib import Path

from tripleguard.errors import UsageError
from tripleguard.names import escape_text
from tripleguard.places.marker import MARKER_PATH
from tripleguard.places.mounts import find_mount, list_mounts

_VOLATILE_FS = ("tmpfs", "overlay")
_SUBVOLUME_FS = ("btrfs", "bcachefs", "zfs")


def find_card_folder(root: Path, card_folders: Sequence[str]) -> str | None:
    """Return the folder that makes the one at root a card; None if it has none.

    card_folders: relative paths; case does not count. Raises OSError if root can't be looked at.
    """
    return next((name for name in card_folders if _has_folder(root, name.strip("/").split("/"))), None)


def iter_enclosing(path: Path) -> Iterator[Path]:
    """Yield a path without its links, and each folder above it up to the top of its volume.

    The path itself need not exist.
    """
    real = Path(os.path.realpath(path))
    above = next(one for one in (real, *real.parents) if one.exists() or one == one.parent)
    mount = find_mount(above)
    for one in (real, *real.parents):
        yield one
        if mount is not None and str(one) == mount.point:
            return


def find_enclosing_card(path: Path, card_folders: Sequence[str]) -> tuple[Path, str] | None:
    """Return the outermost card that a path is on or is, and the folder that makes it one."""
    outermost = None
    for one in iter_enclosing(path):
        with contextlib.suppress(OSError):
            name = find_card_folder(one, card_folders)
            outermost = (one, name) if name is not None else outermost
    return outermost


def check_not_on_card(path: Path, card_folders: Sequence[str]) -> None:
    """Raise UsageError if a path that is to be written is on a card: cards are only read."""
    card = find_enclosing_card(path, card_folders)
    if card is not None:
        raise UsageError(
            f"{escape_text(str(path))} is on a card: {escape_text(str(card[0]))} has a folder {card[1]}.",
            safe="Nothing was written; cards are only read.",
            do="Give a folder that is not on a card.",
        )


def find_enclosing_drive(path: Path) -> Path | None:
    """Return the folder with a drive's marker, of any catalog, that a path lies in or is."""
    return next((one for one in iter_enclosing(path) if os.path.lexists(one / MARKER_PATH)), None)


def find_whole_volume(root: Path) -> Path | None:
    """Return the top of the volume that root is only a part of, if what is asked of it may mean the whole.

    None for a top, and for a folder on one of the computer's own volumes: such a folder stands for itself. For a
    part that is mounted by itself, return root: the top is not known.
    """
    mount = find_mount(root)
    if mount is None or mount.fs_type in _VOLATILE_FS or mount.point in _list_own_points():
        return None
    if os.path.realpath(root) != mount.point:
        return Path(mount.point)
    return root if mount.root not in ("/", "") and mount.fs_type not in _SUBVOLUME_FS else None


def list_mounts_below(root: Path) -> frozenset[str]:
    """Return the places, relative to root, where another volume hides what the folder holds there."""
    top = os.path.realpath(root).rstrip(os.sep) + os.sep
    return frozenset(
        one.point.removeprefix(top).replace(os.sep, "/") for one in list_mounts() if one.point.startswith(top)
    )


def _list_own_points() -> set[str]:
    """Return where the volumes are mounted that the computer runs on."""
    return {mount.point for mount in (find_mount(Path("/")), find_mount(Path.home())) if mount is not None}


def _has_folder(root: Path, parts: Sequence[str]) -> bool:
    wanted, rest = parts[0].casefold(), parts[1:]
    try:
        with os.scandir(root) as items:
            found = [
                item.name
                for item in items
                if item.name.casefold() == wanted and item.is_dir(follow_symlinks=False)
            ]
    except (FileNotFoundError, NotADirectoryError):
        return False
    return any(not rest or _has_folder(root / name, rest) for name in found)
