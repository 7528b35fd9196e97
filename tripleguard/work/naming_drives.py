"""A drive whose marker is damaged or gone, called by the name that the person gives it.

Its id is taken from the snapshots, so that it is the drive it was. That the name is right is checked against what
that drive should hold: a marker on the wrong drive would make two of one.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import msgspec

from tripleguard.catalog.folders import folders_with_copies
from tripleguard.catalog.places import all_places
from tripleguard.catalog.rows import COPY, COPY_FROM, copy_of
from tripleguard.catalog.store import Catalog
from tripleguard.clock import Clock, iso_utc
from tripleguard.errors import PlaceTrouble, WrongUse
from tripleguard.home import Home
from tripleguard.model import PlaceRecord
from tripleguard.names import shown, trouble_with_title
from tripleguard.places.drive import Drive, held_root, provisional_drive, rename_drive
from tripleguard.places.marker import Marker, new_marker, read_marker
from tripleguard.work.snapshots import snapshots_on

_LOOKED_AT = 400


def name_drive(home: Home, clock: Clock, name: str, root: Path, others: Sequence[Drive]) -> None:
    """Write the marker of the drive at root anew, as the drive called name. others: where snapshots may lie too.

    Raises WrongUse if it has a whole marker of another name, or does not hold what that drive should.
    """
    why = trouble_with_title(name)
    if why is not None:
        raise WrongUse(f"A drive can't be called {shown(name)!r}: {why}.", safe="Nothing was changed.")
    if _whole_marker(root, name) is not None:
        return
    fresh = new_marker(name, "road", iso_utc(clock.now()), "")
    drive = provisional_drive(root, fresh)
    try:
        with snapshots_on(home, [drive, *others]) as (snapshots, _):
            for one in snapshots:
                for place in all_places(one.catalog):
                    if place.name.casefold() == name.casefold():
                        _check(one.catalog, place, drive)
                        since = iso_utc(place.added_at)
                        fresh = msgspec.structs.replace(fresh, id=place.uid, role=str(place.role), since=since)
                        rename_drive(drive, fresh)
                        return
        rename_drive(drive, fresh)
    finally:
        drive.close()


def _whole_marker(root: Path, name: str) -> Marker | None:
    folder = held_root(root)
    try:
        marker = read_marker(folder)
    except PlaceTrouble:
        return None
    finally:
        folder.close()
    if marker is not None and marker.name.casefold() != name.casefold():
        raise WrongUse(
            f"The drive at {shown(str(root))} has a whole marker and is called {shown(marker.name)}.",
            safe="Nothing was changed.",
            do=f"Give it as {shown(str(root))} alone.",
        )
    return marker


def _check(catalog: Catalog, place: PlaceRecord, drive: Drive) -> None:
    """Whether the drive holds what that place should: at least half of some of its copies. Raises WrongUse."""
    if next(folders_with_copies(catalog, place.id), None) is None:
        return
    rows = catalog.rows(
        f"SELECT {COPY} {COPY_FROM} WHERE c.place_id = ? AND c.state = 'present' ORDER BY c.id DESC LIMIT ?",
        place.id,
        _LOOKED_AT,
    )
    copies = [copy_of(row) for row in rows]
    there = sum((entry := drive.look(copy.path)) is not None and entry.size == copy.size for copy in copies)
    if there * 2 < len(copies):
        raise WrongUse(
            f"What lies at {shown(str(drive.root))} does not look like drive {place.name}: of its newest "
            f"{len(copies):,} copies {there:,} are there.",
            safe="Nothing was changed.",
            do="Check which drive it is. If its folders were moved, or it is another one, give it a name that no "
            "drive had.",
        )
