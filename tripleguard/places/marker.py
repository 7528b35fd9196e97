"""The marker that identifies a drive: `.tripleguard/place.json`.

A drive is identified by this file and never by where it is mounted. It is written once, when the drive is added.
"""

from __future__ import annotations

import errno
import secrets
from collections.abc import Callable
from pathlib import Path

import msgspec

from tripleguard.errors import PlaceError, PlaceUnreadableError
from tripleguard.names import escape_text
from tripleguard.places.dir_handle import DirHandle
from tripleguard.places.reserved import RESERVED_DIR

MARKER_PATH = f"{RESERVED_DIR}/place.json"
MAX_MARKER_BYTES = 64 * 1024
_DEVICE_ERRNOS = frozenset(
    {errno.EIO, errno.ENXIO, errno.ENODEV, errno.ENOTCONN, errno.ECONNABORTED, errno.ETIMEDOUT}
)
_ABOUT = "tripleguard knows this drive by this file. Do not copy it to another drive, do not delete it."


class Marker(msgspec.Struct, frozen=True, forbid_unknown_fields=False):
    """A marker's content. since: UTC, ISO 8601. catalog: id of the catalog that added the drive."""

    id: str
    name: str
    since: str
    role: str = "road"
    catalog: str = ""
    schema: int = 1
    about: str = _ABOUT


def create_marker(name: str, role: str, since: str, catalog: str) -> Marker:
    """Return a marker with a fresh id."""
    return Marker(id=secrets.token_hex(16), name=name, role=role, since=since, catalog=catalog)


def encode_marker(marker: Marker) -> bytes:
    return msgspec.json.format(msgspec.json.encode(marker), indent=2) + b"\n"


def read_marker(folder: DirHandle, read_bytes: Callable[[str, int], bytes] | None = None) -> Marker | None:
    """Return the marker below folder, None if there is none.

    read_bytes: reads up to this many bytes of a path, to replace the usual reading. Raises PlaceUnreadableError;
    PlaceError if it is broken.
    """
    try:
        content = (read_bytes or folder.read_small)(MARKER_PATH, MAX_MARKER_BYTES)
    except (FileNotFoundError, NotADirectoryError):
        return None
    except OSError as error:
        raise _unreadable_error(folder.root, error) from error
    try:
        marker = msgspec.json.decode(content, type=Marker)
    except msgspec.MsgspecError as error:
        raise PlaceError(
            f"The marker {folder.root / MARKER_PATH} does not parse ({error}).",
            safe="Nothing on the drive was changed; its pictures do not depend on this file.",
            do="Look at the file: if it is damaged, move it away and add the drive again with `drives add`.",
        ) from error
    if not marker.id or len(marker.id) > 64:
        raise PlaceError(
            f"The marker {folder.root / MARKER_PATH} holds no usable id.",
            safe="Nothing on the drive was changed.",
            do="Move the file away and add the drive again with `drives add`.",
        )
    if any(escape_text(part) != part for part in (marker.id, marker.name)):
        raise PlaceError(
            f"The marker {folder.root / MARKER_PATH} names a drive "
            f"{escape_text(marker.name)}: no drive is called so.",
            safe="Nothing on the drive was changed.",
            do="It is damaged or made up: move the file away and add the drive again with `drives add`.",
        )
    return marker


def read_marker_at(root: Path) -> Marker | None:
    """Return the marker at root; None without one or if root can't be opened. Raises as `read_marker`."""
    try:
        folder = DirHandle(root, no_atime=True)
    except OSError as error:
        if error.errno in _DEVICE_ERRNOS:
            raise _unreadable_error(root, error) from error
        return None
    try:
        return read_marker(folder)
    finally:
        folder.close()


def _unreadable_error(root: Path, error: OSError) -> PlaceUnreadableError:
    return PlaceUnreadableError(
        f"The drive at {root} can't be read ({error.strerror}).",
        safe="Nothing on it was changed.",
        do="Unplug it, plug it in again; if it stays so, check its file system before you write to it.",
    )
