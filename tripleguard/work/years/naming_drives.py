"""A drive whose marker is damaged or gone, called by the name that the person gives it.

Its id is taken from the snapshots, so that it is the drive it was. That the name is right is checked against what
that drive should hold: a marker on the wrong drive would make two of one.
"""

from __future__ import annotations

import os
from collections.abc import Collection, Sequence
from dataclasses import replace
from pathlib import Path

import msgspec

from tripleguard.catalog.places import all_places
from tripleguard.catalog.rows import COPY, COPY_FROM, copy_of
from tripleguard.catalog.store import Catalog
from tripleguard.clock import Clock, iso_utc
from tripleguard.errors import PlaceTrouble, WrongUse
from tripleguard.home import Home
from tripleguard.model import PlaceKind, PlaceRecord
from tripleguard.names import shown, trouble_with_title
from tripleguard.places.connected import connected
from tripleguard.places.drive import Drive, held_root, provisional_drive, rename_drive
from tripleguard.places.marker import Marker, new_marker, read_marker
from tripleguard.work.admitting import why_not_admitted
from tripleguard.work.snapshots import Snapshot, snapshots_on

_LOOKED_AT = 400


def name_drive(home: Home, clock: Clock, name: str, root: Path, others: Sequence[Drive]) -> None:
    """Write the marker of the drive at root anew, as the drive called name. others: where snapshots may lie too.

    Raises WrongUse if it has a whole marker of another name, does not hold what that drive should or holds more of
    another one, or that drive is here already.
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
            place = _recognised(snapshots, name, drive, others)
        if place is not None:
            since = iso_utc(place.added_at)
            fresh = msgspec.structs.replace(fresh, id=place.uid, role=str(place.role), since=since)
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


def _recognised(
    snapshots: Sequence[Snapshot], name: str, drive: Drive, others: Sequence[Drive]
) -> PlaceRecord | None:
    """The place of that name that this drive can be; None if no snapshot knows the name. Raises WrongUse.

    Two catalogs may have called two drives by one name, so a place that does not fit is not the last word.
    """
    refused: dict[str, WrongUse] = {}
    for one in snapshots:
        if why_not_admitted(one.catalog) is not None:
            continue
        for place in all_places(one.catalog):
            named = place.name.casefold() == name.casefold() and place.kind is PlaceKind.DRIVE
            # What an earlier snapshot says of the same drive is no second opinion.
            if named and place.uid not in refused:
                try:
                    _refuse_if_here(place, drive, others)
                    _check(one.catalog, place, drive, {other.uid for other in others})
                except WrongUse as error:
                    refused[place.uid] = error
                else:
                    return place
    if refused:
        raise next(iter(refused.values()))
    return None


def _refuse_if_here(place: PlaceRecord, drive: Drive, others: Sequence[Drive]) -> None:
    """Drives of a pair hold the same folders, so that their content can't tell one from the other."""
    here = {other.uid: other.root for other in others}
    root = here.get(place.uid) or _connected_at(place)
    if root is not None and not os.path.samefile(root, drive.root):
        raise WrongUse(
            f"Drive {place.name} is here already, at {shown(str(root))}.",
            safe="Nothing was changed.",
            do=f"Give what lies at {shown(str(drive.root))} the name of the drive that it is.",
        )


def _connected_at(place: PlaceRecord) -> Path | None:
    """Where that drive is connected by a whole marker; the damaged one may lie where it was last seen."""
    try:
        return connected([place]).get(place.uid)
    except PlaceTrouble:
        return connected([replace(place, last_path=None)]).get(place.uid)


def _check(catalog: Catalog, place: PlaceRecord, drive: Drive, here: Collection[str]) -> None:
    """Whether the drive holds what that place should: at least half of some of its copies, and no less than it
    holds of another drive's that is not here. Raises WrongUse."""
    there, of_copies = _held(catalog, place, drive)
    if there * 2 < of_copies:
        raise WrongUse(
            f"What lies at {shown(str(drive.root))} does not look like drive {place.name}: of its newest "
            f"{of_copies:,} copies {there:,} are there.",
            safe="Nothing was changed.",
            do="Check which drive it is. If its folders were moved, or it is another one, give it a name that no "
            "drive had.",
        )
    for other in all_places(catalog):
        if other.id == place.id or other.kind is not PlaceKind.DRIVE or other.uid in here:
            continue
        held, of_others = _held(catalog, other, drive)
        if held * of_copies > there * of_others:
            raise WrongUse(
                f"What lies at {shown(str(drive.root))} looks more like drive {other.name} than like drive "
                f"{place.name}: {held:,} of {of_others:,} copies of the one are there, and {there:,} of "
                f"{of_copies:,} of the other.",
                safe="Nothing was changed.",
                do="Check which drive it is, and give it that name.",
            )


def _held(catalog: Catalog, place: PlaceRecord, drive: Drive) -> tuple[int, int]:
    """How many of a place's newest copies lie on this drive, and of how many."""
    rows = catalog.rows(
        f"SELECT {COPY} {COPY_FROM} WHERE c.place_id = ? AND c.state = 'present' ORDER BY c.id DESC LIMIT ?",
        place.id,
        _LOOKED_AT,
    )
    copies = [copy_of(row) for row in rows]
    there = sum((entry := drive.look(copy.path)) is not None and entry.size == copy.size for copy in copies)
    return there, len(copies)
