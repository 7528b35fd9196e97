"""Who a drive is: `.tripleguard/place.json`.

A drive is known by this file and never by where it is mounted. It is written once, when the drive is added.
"""

from __future__ import annotations

import errno
import secrets
from collections.abc import Callable
from pathlib import Path

import msgspec

from tripleguard.errors import PlaceTrouble, PlaceUnreadable
from tripleguard.names import shown
from tripleguard.places.held import HeldFolder
from tripleguard.places.own import OWN

MARKER = f"{OWN}/place.json"
MARKER_LIMIT = 64 * 1024
_DEVICE_FAILS = frozenset({errno.EIO, errno.ENXIO, errno.ENODEV, errno.ENOTCONN, errno.ECONNABORTED})
_ABOUT = "tripleguard knows this drive by this file. Do not copy it to another drive, do not delete it."


class Marker(msgspec.Struct, frozen=True, forbid_unknown_fields=False):
    """What the marker says. since: UTC, ISO 8601. catalog: id of the catalog that added the drive."""

    id: str
    name: str
    since: str
    role: str = "road"
    catalog: str = ""
    schema: int = 1
    about: str = _ABOUT


def new_marker(name: str, role: str, since: str, catalog: str) -> Marker:
    """A marker with a fresh id."""
    return Marker(id=secrets.token_hex(16), name=name, role=role, since=since, catalog=catalog)


def encoded(marker: Marker) -> bytes:
    return msgspec.json.format(msgspec.json.encode(marker), indent=2) + b"\n"


def read_marker(folder: HeldFolder, read: Callable[[str, int], bytes] | None = None) -> Marker | None:
    """The marker below folder, None if there is none. Raises PlaceUnreadable; PlaceTrouble if it is broken.

    read: how to read so many bytes of a path at most, where the usual way will not do.
    """
    try:
        content = (read or folder.read_small)(MARKER, MARKER_LIMIT)
    except (FileNotFoundError, NotADirectoryError):
        return None
    except OSError as error:
        raise _unreadable(folder.root, error) from error
    try:
        marker = msgspec.json.decode(content, type=Marker)
    except msgspec.MsgspecError as error:
        raise PlaceTrouble(
            f"The marker {folder.root / MARKER} does not parse ({error}).",
            safe="Nothing on the drive was changed; its pictures do not depend on this file.",
            do="Look at the file: if it is damaged, move it away and add the drive again with `drives add`.",
        ) from error
    if not marker.id or len(marker.id) > 64:
        raise PlaceTrouble(
            f"The marker {folder.root / MARKER} holds no usable id.",
            safe="Nothing on the drive was changed.",
            do="Move the file away and add the drive again with `drives add`.",
        )
    if any(shown(part) != part for part in (marker.id, marker.name)):
        raise PlaceTrouble(
            f"The marker {folder.root / MARKER} names a drive {shown(marker.name)}: no drive is called so.",
            safe="Nothing on the drive was changed.",
            do="It is damaged or made up: move the file away and add the drive again with `drives add`.",
        )
    return marker


def marker_at(root: Path) -> Marker | None:
    """The marker of the drive at root, None if there is none or root can't be opened. Raises as `read_marker`."""
    try:
        folder = HeldFolder(root, quiet=True)
    except OSError as error:
        if error.errno in _DEVICE_FAILS:
            raise _unreadable(root, error) from error
        return None
    try:
        return read_marker(folder)
    finally:
        folder.close()


def _unreadable(root: Path, error: OSError) -> PlaceUnreadable:
    return PlaceUnreadable(
        f"The drive at {root} can't be read ({error.strerror}).",
        safe="Nothing on it was changed.",
        do="Unplug it, plug it in again; if it stays so, check its file system before you write to it.",
    )
