"""Write a new marker on a drive whose marker is damaged or gone, under the name that the person gives.

The id is taken from the snapshots, so that it stays the same drive. The name is checked against what that drive
should hold: a marker on the wrong drive would merge two drives into one.
"""

from __future__ import annotations

import os
from collections.abc import Collection, Sequence
from dataclasses import replace
from pathlib import Path

import msgspec

from tripleguard.catalog.file_queries import list_newest_present_copies
from tripleguard.catalog.places import list_places
from tripleguard.catalog.store import Catalog
from tripleguard.clock import Clock, format_iso
from tripleguard.errors import PlaceError, UsageError
from tripleguard.home import Home
from tripleguard.jobs.snapshots import Snapshot, explain_rejected_catalog, open_snapshots
from tripleguard.model import PlaceKind, PlaceRecord
from tripleguard.names import escape_text, find_title_problem
from tripleguard.places.base import Place, PlaceAccess
from tripleguard.places.marker import Marker, create_marker

_SAMPLE_COPIES = 400


def remark_drive(
    places: PlaceAccess, home: Home, clock: Clock, name: str, root: Path, other_drives: Sequence[Place]
) -> None:
    """Write a new marker at root for the drive called name. other_drives: may hold snapshots too.

    Raises UsageError if it has an intact marker of another name, does not hold what that drive should or holds
    more of another one, or that drive is connected already.
    """
    why = find_title_problem(name)
    if why is not None:
        raise UsageError(f"A drive can't be called {escape_text(name)!r}: {why}.", safe="Nothing was changed.")
    if _read_intact_marker(places, root, name) is not None:
        return
    fresh = create_marker(name, "road", format_iso(clock.now()), "")
    drive = places.open_unmarked_drive(root, fresh)
    try:
        with open_snapshots(home, [drive, *other_drives]) as (snapshots, _):
            place = _identify_place(places, snapshots, name, drive, other_drives)
        if place is not None:
            since = format_iso(place.added_at)
            fresh = msgspec.structs.replace(fresh, id=place.uid, role=str(place.role), since=since)
        places.rewrite_marker(drive, fresh)
    finally:
        drive.close()


def _read_intact_marker(places: PlaceAccess, root: Path, name: str) -> Marker | None:
    try:
        marker = places.read_marker(root)
    except PlaceError:
        return None
    if marker is not None and marker.name.casefold() != name.casefold():
        raise UsageError(
            f"The drive at {escape_text(str(root))} has a whole marker and is called {escape_text(marker.name)}.",
            safe="Nothing was changed.",
            do=f"Give it as {escape_text(str(root))} alone.",
        )
    return marker


def _identify_place(
    places: PlaceAccess,
    snapshots: Sequence[Snapshot],
    name: str,
    drive: Place,
    other_drives: Sequence[Place],
) -> PlaceRecord | None:
    """Return the place of that name that this drive can be; None if no snapshot has it. Raises UsageError.

    Two catalogs may use one name for two drives, so a place that does not fit does not end the search.
    """
    refused: dict[str, UsageError] = {}
    for one in snapshots:
        if explain_rejected_catalog(one.catalog) is not None:
            continue
        for place in list_places(one.catalog):
            named = place.name.casefold() == name.casefold() and place.kind is PlaceKind.DRIVE
            # An earlier snapshot of the same drive is no second source.
            if named and place.uid not in refused:
                try:
                    _refuse_if_connected(places, place, drive, other_drives)
                    _check_content(one.catalog, place, drive, {other.uid for other in other_drives})
                except UsageError as error:
                    refused[place.uid] = error
                else:
                    return place
    if refused:
        raise next(iter(refused.values()))
    return None


def _refuse_if_connected(
    places: PlaceAccess, place: PlaceRecord, drive: Place, other_drives: Sequence[Place]
) -> None:
    """Raise UsageError if that drive is connected: paired drives hold the same folders and look alike."""
    roots_by_uid = {other.uid: other.root for other in other_drives}
    root = roots_by_uid.get(place.uid) or _find_connected_path(places, place)
    if root is not None and not os.path.samefile(root, drive.root):
        raise UsageError(
            f"Drive {place.name} is here already, at {escape_text(str(root))}.",
            safe="Nothing was changed.",
            do=f"Give what lies at {escape_text(str(drive.root))} the name of the drive that it is.",
        )


def _find_connected_path(places: PlaceAccess, place: PlaceRecord) -> Path | None:
    """Return where that drive is connected with an intact marker; the damaged one may be at its last path."""
    try:
        return places.find_connected([place]).get(place.uid)
    except PlaceError:
        return places.find_connected([replace(place, last_path=None)]).get(place.uid)


def _check_content(catalog: Catalog, place: PlaceRecord, drive: Place, connected_uids: Collection[str]) -> None:
    """Check that the drive holds what that place should: at least half of a sample of its copies.

    It must also hold no less of them than of another, absent drive's. Raises UsageError.
    """
    there, of_copies = _count_present_copies(catalog, place, drive)
    if there * 2 < of_copies:
        raise UsageError(
            f"What lies at {escape_text(str(drive.root))} does not look like drive {place.name}: of its newest "
            f"{of_copies:,} copies {there:,} are there.",
            safe="Nothing was changed.",
            do="Check which drive it is. If its folders were moved, or it is another one, give it a name that no "
            "drive had.",
        )
    for other in list_places(catalog):
        if other.id == place.id or other.kind is not PlaceKind.DRIVE or other.uid in connected_uids:
            continue
        held, of_others = _count_present_copies(catalog, other, drive)
        if held * of_copies > there * of_others:
            raise UsageError(
                f"What lies at {escape_text(str(drive.root))} looks more like drive {other.name} than like drive "
                f"{place.name}: {held:,} of {of_others:,} copies of the one are there, and {there:,} of "
                f"{of_copies:,} of the other.",
                safe="Nothing was changed.",
                do="Check which drive it is, and give it that name.",
            )


def _count_present_copies(catalog: Catalog, place: PlaceRecord, drive: Place) -> tuple[int, int]:
    """Return how many of a place's newest copies are on this drive, and of how many."""
    copies = list_newest_present_copies(catalog, place.id, _SAMPLE_COPIES)
    there = sum((entry := drive.stat(copy.path)) is not None and entry.size == copy.size for copy in copies)
    return there, len(copies)
