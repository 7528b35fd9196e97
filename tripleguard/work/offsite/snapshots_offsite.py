"""The snapshots of catalogs that lie offsite: losing the bag loses neither pictures nor knowledge."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from functools import partial
from pathlib import Path

from tripleguard.clock import SystemClock
from tripleguard.names import shown
from tripleguard.places.addresses import environment, parse_url, store_for
from tripleguard.places.base import Readable
from tripleguard.places.drive import open_drive
from tripleguard.places.media import aligned_buffer
from tripleguard.places.offsite import open_offsite
from tripleguard.places.own import SNAPSHOTS
from tripleguard.work.chunks import CHUNK
from tripleguard.work.offsite.opening import Key
from tripleguard.work.offsite.sealing import ENDING
from tripleguard.work.offsite.third_place import looking_at
from tripleguard.work.snapshots import Packed

_SEALED = "it is sealed: give your key with --key FILE"


def snapshots_offsite(text: str, key: Key | None = None) -> list[Packed]:
    """What lies at an address. key: opens what is sealed. Raises WrongUse, PlaceTrouble, NoAccess, LineTrouble."""
    url = parse_url(text)
    if url.kind == "file":
        drive = open_drive(url.folder)
        try:
            paths = [entry.path for entry in drive.own_files(SNAPSHOTS)]
        finally:
            drive.close()
        return [(f"offsite: {shown(path)}", partial(_from_folder, url.folder, path, key)) for path in paths]
    looking = looking_at(url, SystemClock(), lambda: False)
    place = open_offsite(store_for(url, environment()), None, looking)
    paths = sorted(lying.key for lying in place.own_objects(SNAPSHOTS))
    return [(f"offsite: {shown(path)}", partial(_pieces, place, path, key)) for path in paths]


def _from_folder(root: Path, path: str, key: Key | None) -> Iterator[bytes]:
    with contextlib.closing(open_drive(root)) as drive:
        yield from _pieces(drive, path, key)


def _pieces(place: Readable, path: str, key: Key | None) -> Iterator[bytes]:
    if path.endswith(ENDING) and key is None:
        raise ValueError(_SEALED)
    reading = place.read(path)
    if path.endswith(ENDING) and key is not None:
        reading = key.opened(reading)
    buffer = aligned_buffer(CHUNK)
    with contextlib.closing(reading):
        while count := reading.readinto(buffer):
            yield bytes(buffer[:count])
