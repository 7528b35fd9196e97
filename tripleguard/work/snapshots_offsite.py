"""The snapshots of catalogs that lie offsite: losing the bag loses neither pictures nor knowledge."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from pathlib import Path

from tripleguard.clock import SystemClock
from tripleguard.names import shown
from tripleguard.places.addresses import environment, parse_url, store_for
from tripleguard.places.drive import open_drive
from tripleguard.places.media import aligned_buffer
from tripleguard.places.offsite import Offsite, open_offsite
from tripleguard.work.chunks import CHUNK
from tripleguard.work.leaving import SNAPSHOTS
from tripleguard.work.offsite import looking_at
from tripleguard.work.sealing import ENDING
from tripleguard.work.snapshots import Packed

_PIECE = 1024 * 1024
_SEALED = "it is sealed: open it with your key, and put it below .tripleguard/catalog of a drive"


def snapshots_offsite(text: str) -> list[Packed]:
    """The snapshots at an address. Raises WrongUse, PlaceTrouble, NoAccess, LineTrouble."""
    url = parse_url(text)
    if url.kind == "file":
        drive = open_drive(url.folder)
        try:
            paths = [entry.path for entry in drive.own_files(SNAPSHOTS)]
        finally:
            drive.close()
        return [(f"offsite: {shown(path)}", partial(_from_folder, url.folder / path)) for path in paths]
    looking = looking_at(url, SystemClock(), lambda: False)
    place = open_offsite(store_for(url, environment()), None, looking)
    keys = [lying.key for lying in place.own_objects(SNAPSHOTS)]
    return [(f"offsite: {shown(key)}", partial(_from_store, place, key)) for key in sorted(keys)]


def _from_folder(path: Path) -> Iterator[bytes]:
    if path.name.endswith(ENDING):
        raise ValueError(_SEALED)
    with path.open("rb") as file:
        while piece := file.read(_PIECE):
            yield piece


def _from_store(place: Offsite, key: str) -> Iterator[bytes]:
    if key.endswith(ENDING):
        raise ValueError(_SEALED)
    buffer, reading = aligned_buffer(CHUNK), place.read(key)
    while count := reading.readinto(buffer):
        yield bytes(buffer[:count])
