"""The first settings and catalog, and drives as they come and go."""

from __future__ import annotations

from pathlib import Path

from tripleguard.catalog.generations import catalog_id, new_id
from tripleguard.catalog.journal import add_event, yes_taken_back
from tripleguard.catalog.places import (
    add_place,
    all_places,
    place_named,
    place_seen,
    place_was_away,
    place_with_uid,
    set_place_note,
    set_place_state,
)
from tripleguard.clock import iso_utc
from tripleguard.errors import PlaceTrouble, WrongUse
from tripleguard.model import EventType, Outcome, PlaceKind, PlaceRecord, PlaceState, Role
from tripleguard.names import shown, trouble_with_title
from tripleguard.places.addresses import parse_url
from tripleguard.places.connected import connected
from tripleguard.places.drive import held_root, mark_drive, open_drive
from tripleguard.places.marker import new_marker, read_marker
from tripleguard.work.kit import Kit

LONGEST_NOTE = 200
"""Letters of a drive's note."""


def ensure_catalog_id(kit: Kit) -> str:
    """The id of this catalog, made at the first call."""
    known = catalog_id(kit.catalog)
    if known is not None:
        return known
    with kit.catalog.writing():
        return new_id(kit.catalog)


def add_drive(kit: Kit, name: str, root: Path, role: Role = Role.ROAD) -> PlaceRecord:
    """Make the folder at root a drive called name, or take up one that was a drive before.

    A drive that the catalog knows is only brought back into service. Raises WrongUse, PlaceTrouble, NoRoom,
    PlaceFailed.
    """
    root = root.expanduser().absolute()
    why = trouble_with_title(name)
    if why is not None:
        raise WrongUse(
            f"A drive can't be called {shown(name)!r}: {why}.",
            safe="Nothing was changed.",
            do="Choose another name, such as A.",
        )
    folder = held_root(root)
    try:
        marker = read_marker(folder)
    finally:
        folder.close()
    known = place_with_uid(kit.catalog, marker.id) if marker else None
    if known is not None:
        return _taken_up(kit, known, name, root)
    _refuse_taken_name(kit, name)
    refuse_overlap(kit, root)
    if marker is None:
        marker = new_marker(name, role, iso_utc(kit.clock.now()), ensure_catalog_id(kit))
        mark_drive(root, marker)
    elif marker.name != name:
        raise WrongUse(
            f"The drive at {shown(str(root))} calls itself {shown(marker.name)}.",
            safe="Nothing was changed.",
            do=f"Add it under that name: `tripleguard drives add {marker.name} {root}`.",
        )
    drive = open_drive(root)
    try:
        _ = drive.limits  # a drive that can't be written to is found out now, not at one in the morning
    finally:
        drive.close()
    now = kit.clock.now()
    with kit.catalog.writing():
        record = add_place(kit.catalog, marker.id, name, kind=PlaceKind.DRIVE, role=role, at=now, path=root)
        _event(kit, record, f"drive {name} added", now)
    return record


def change_drive(kit: Kit, name: str, state: PlaceState) -> PlaceRecord:
    """Mark a drive as lost, shelved or active again. Nothing on the drive is touched.

    Raises WrongUse for one that is out of service: only who has it in hand brings it back, with `add_drive`.
    """
    record = place_named(kit.catalog, name)
    if record.state is PlaceState.RETIRED or (record.state is PlaceState.LOST and state is not PlaceState.LOST):
        raise WrongUse(
            f"Drive {record.name} is {record.state}.",
            safe="Nothing was changed.",
            do=f"If you have it in hand, connect it and run `tripleguard drives add {record.name} PATH`.",
        )
    now = kit.clock.now()
    role = {PlaceState.SHELVED: Role.SHELF, PlaceState.ACTIVE: Role.ROAD}.get(state, record.role)
    with kit.catalog.writing():
        set_place_state(kit.catalog, record.id, state, role)
        if state is PlaceState.ACTIVE:
            yes_taken_back(kit.catalog, record.id)
        _event(kit, record, f"drive {record.name} is {state} now", now)
    return place_named(kit.catalog, name)


def note_drive(kit: Kit, name: str, note: str) -> PlaceRecord:
    """Remember where a drive is kept, in the photographer's words. Raises WrongUse."""
    record = place_named(kit.catalog, name)
    note = note.strip()
    if shown(note) != note or len(note) > LONGEST_NOTE:
        raise WrongUse(
            "That is no note for a drive: it is one line of plain text.",
            safe="Nothing was changed.",
            do=f"Use at most {LONGEST_NOTE} letters.",
        )
    now = kit.clock.now()
    with kit.catalog.writing():
        set_place_note(kit.catalog, record.id, note)
        _event(
            kit, record, f"drive {record.name} is kept: {note}" if note else f"drive {record.name}: no note", now
        )
    return place_named(kit.catalog, name)


def _taken_up(kit: Kit, known: PlaceRecord, name: str, root: Path) -> PlaceRecord:
    if known.name.casefold() != name.casefold():
        raise WrongUse(
            f"The drive at {shown(str(root))} is known as {known.name}.",
            safe="Nothing was changed.",
            do=f"Use that name: {known.name}={root}.",
        )
    connected(all_places(kit.catalog), also=[root])
    now = kit.clock.now()
    with kit.catalog.writing():
        place_seen(kit.catalog, known.id, root, now)
        yes_taken_back(kit.catalog, known.id)
        if known.state in (PlaceState.LOST, PlaceState.RETIRED):
            place_was_away(kit.catalog, known.id)
        if known.state is not PlaceState.ACTIVE:
            set_place_state(kit.catalog, known.id, PlaceState.ACTIVE, Role.ROAD)
            _event(kit, known, f"drive {known.name} is active again", now)
    return place_named(kit.catalog, known.name)


def _refuse_taken_name(kit: Kit, name: str) -> None:
    for record in all_places(kit.catalog):
        if record.name.casefold() == name.casefold():
            where = f", last seen at {shown(record.last_path)}" if record.last_path else ""
            raise WrongUse(
                f"There is a drive called {record.name} already{where}.",
                safe="Nothing was changed.",
                do="Connect that drive, or give this one another name.",
            )


def refuse_overlap(kit: Kit, root: Path) -> None:
    """Refuse a folder that holds, is or lies in a place that is known. Raises PlaceTrouble."""
    real = root.resolve()
    for record in all_places(kit.catalog):
        folder = folder_of_place(record)
        if folder is None:
            continue
        other = folder.resolve()
        if real.is_relative_to(other) or other.is_relative_to(real):
            raise PlaceTrouble(
                f"{shown(str(root))} and drive {record.name} at {shown(str(other))} lie inside one another.",
                safe="Nothing was changed.",
                do="Two drives must be two devices; give the top folder of the other one.",
            )


def folder_of_place(record: PlaceRecord) -> Path | None:
    """The folder where a place was last seen; None for one that is no folder."""
    if record.last_path is None or record.kind is PlaceKind.DRIVE:
        return None if record.last_path is None else Path(record.last_path)
    url = parse_url(record.last_path)
    return url.folder if url.kind == "file" else None


def _event(kit: Kit, record: PlaceRecord, message: str, now: int) -> None:
    add_event(kit.catalog, EventType.PLACE_CHANGE, Outcome.SUCCESS, message, now, place_id=record.id)
