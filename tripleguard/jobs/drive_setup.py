"""Add drives, change their state and notes, and make the id of a new catalog."""

from __future__ import annotations

from pathlib import Path

from tripleguard.catalog.event_log import add_event, revoke_drive_yes
from tripleguard.catalog.generations import assign_new_id, get_catalog_id
from tripleguard.catalog.places import (
    add_place,
    find_place_by_uid,
    get_place,
    list_places,
    mark_place_evidence_inherited,
    record_place_connected,
    set_place_note,
    set_place_state,
)
from tripleguard.clock import format_iso
from tripleguard.errors import PlaceError, UsageError
from tripleguard.jobs.context import JobContext
from tripleguard.model import DriveRole, EventOutcome, EventType, PlaceKind, PlaceRecord, PlaceState
from tripleguard.names import escape_text, find_title_problem
from tripleguard.places.marker import create_marker
from tripleguard.places.offsite_url import parse_offsite_url

OFFSITE_NAME = "offsite"
"""What the offsite place is called, and no drive."""

MAX_NOTE_LENGTH = 200
"""The maximum length of a drive's note, in characters."""


def ensure_catalog_id(ctx: JobContext) -> str:
    """Return the id of this catalog, created at the first call."""
    known = get_catalog_id(ctx.catalog)
    if known is not None:
        return known
    with ctx.catalog.transaction():
        return assign_new_id(ctx.catalog)


def add_drive(ctx: JobContext, name: str, root: Path, role: DriveRole = DriveRole.ROAD) -> PlaceRecord:
    """Make the folder at root a drive called name, or reactivate one that was a drive before.

    A known drive is only brought back into service. Raises UsageError, PlaceError, NoSpaceError, PlaceFailedError.
    """
    root = root.expanduser().absolute()
    why = find_title_problem(name)
    if name.casefold() == OFFSITE_NAME:
        why = "this name is kept for the place offsite"
    if why is not None:
        raise UsageError(
            f"A drive can't be called {escape_text(name)!r}: {why}.",
            safe="Nothing was changed.",
            do="Choose another name, such as A.",
        )
    marker = ctx.places.read_marker(root)
    known = find_place_by_uid(ctx.catalog, marker.id) if marker else None
    if known is not None:
        return _reactivate_drive(ctx, known, name, root)
    _check_name_is_free(ctx, name)
    check_no_overlap(ctx, root)
    if marker is None:
        check_may_be_place(ctx, root)
        marker = create_marker(name, role, format_iso(ctx.clock.now()), ensure_catalog_id(ctx))
        ctx.places.write_new_marker(root, marker)
    elif marker.name != name:
        raise UsageError(
            f"The drive at {escape_text(str(root))} calls itself {escape_text(marker.name)}.",
            safe="Nothing was changed.",
            do=f"Add it under that name: `tripleguard drives add {marker.name} {root}`.",
        )
    drive = ctx.places.open_drive(root)
    try:
        _ = drive.fs_limits  # detect a drive that can't be written to now, not during an offload
    finally:
        drive.close()
    now = ctx.clock.now()
    with ctx.catalog.transaction():
        record = add_place(ctx.catalog, marker.id, name, kind=PlaceKind.DRIVE, role=role, at=now, path=root)
        _add_place_event(ctx, record, f"drive {name} added", now)
    return record


def set_drive_state(ctx: JobContext, name: str, state: PlaceState) -> PlaceRecord:
    """Mark a drive as lost, shelved or active again. Nothing on the drive is touched.

    Raises UsageError for one that is out of service: `add_drive` brings it back, with the drive connected.
    """
    record = get_place(ctx.catalog, name)
    if record.state is PlaceState.RETIRED or (record.state is PlaceState.LOST and state is not PlaceState.LOST):
        raise UsageError(
            f"Drive {record.name} is {record.state}.",
            safe="Nothing was changed.",
            do=f"If you have it in hand, connect it and run `tripleguard drives add {record.name} PATH`.",
        )
    now = ctx.clock.now()
    role = {PlaceState.SHELVED: DriveRole.SHELF, PlaceState.ACTIVE: DriveRole.ROAD}.get(state, record.role)
    with ctx.catalog.transaction():
        set_place_state(ctx.catalog, record.id, state, role)
        if state is PlaceState.ACTIVE:
            revoke_drive_yes(ctx.catalog, record.id)
        _add_place_event(ctx, record, f"drive {record.name} is {state} now", now)
    return get_place(ctx.catalog, name)


def set_drive_note(ctx: JobContext, name: str, note: str) -> PlaceRecord:
    """Remember where a drive is kept, in the photographer's words. Raises UsageError."""
    record = get_place(ctx.catalog, name)
    note = note.strip()
    if escape_text(note) != note or len(note) > MAX_NOTE_LENGTH:
        raise UsageError(
            "That is no note for a drive: it is one line of plain text.",
            safe="Nothing was changed.",
            do=f"Use at most {MAX_NOTE_LENGTH} letters.",
        )
    now = ctx.clock.now()
    with ctx.catalog.transaction():
        set_place_note(ctx.catalog, record.id, note)
        _add_place_event(
            ctx, record, f"drive {record.name} is kept: {note}" if note else f"drive {record.name}: no note", now
        )
    return get_place(ctx.catalog, name)


def _reactivate_drive(ctx: JobContext, known: PlaceRecord, name: str, root: Path) -> PlaceRecord:
    if known.name.casefold() != name.casefold():
        raise UsageError(
            f"The drive at {escape_text(str(root))} is known as {known.name}.",
            safe="Nothing was changed.",
            do=f"Use that name: {known.name}={root}.",
        )
    ctx.places.find_connected(list_places(ctx.catalog), extra_roots=[root])
    now = ctx.clock.now()
    with ctx.catalog.transaction():
        record_place_connected(ctx.catalog, known.id, root, now)
        revoke_drive_yes(ctx.catalog, known.id)
        if known.state in (PlaceState.LOST, PlaceState.RETIRED):
            mark_place_evidence_inherited(ctx.catalog, known.id)
        if known.state is not PlaceState.ACTIVE:
            set_place_state(ctx.catalog, known.id, PlaceState.ACTIVE, DriveRole.ROAD)
            _add_place_event(ctx, known, f"drive {known.name} is active again", now)
    return get_place(ctx.catalog, known.name)


def _check_name_is_free(ctx: JobContext, name: str) -> None:
    for record in list_places(ctx.catalog):
        if record.name.casefold() == name.casefold():
            where = f", last seen at {escape_text(record.last_path)}" if record.last_path else ""
            raise UsageError(
                f"There is a drive called {record.name} already{where}.",
                safe="Nothing was changed.",
                do="Connect that drive, or give this one another name.",
            )


def check_no_overlap(ctx: JobContext, root: Path) -> None:
    """Raise PlaceError for a folder that contains, is or lies in a known place."""
    real = root.resolve()
    for record in list_places(ctx.catalog):
        folder = last_known_folder(record)
        if folder is None:
            continue
        other = folder.resolve()
        if real.is_relative_to(other) or other.is_relative_to(real):
            raise PlaceError(
                f"{escape_text(str(root))} and drive {record.name} at "
                f"{escape_text(str(other))} lie inside one another.",
                safe="Nothing was changed.",
                do="Two drives must be two devices; give the top folder of the other one.",
            )


def check_may_be_place(ctx: JobContext, root: Path) -> None:
    """Raise UsageError for a folder that is, or is on, a card or another drive, or holds or is in the home."""
    ctx.places.check_not_on_card(root, ctx.settings.watch.card_folders)
    outer = ctx.places.find_enclosing_drive(root)
    if outer is not None:
        raise UsageError(
            f"{escape_text(str(root))} lies on another drive, {escape_text(str(outer))}.",
            safe="Nothing was changed.",
            do="Give a folder of its own disk.",
        )
    real, home = root.resolve(), ctx.home.root.resolve()
    if real.is_relative_to(home) or home.is_relative_to(real):
        raise UsageError(
            f"{escape_text(str(root))} and the home {escape_text(str(home))} lie inside one another.",
            safe="Nothing was changed.",
            do="Give a folder outside of it: the catalog must outlive any drive.",
        )


def last_known_folder(record: PlaceRecord) -> Path | None:
    """Return the last folder of a place; None if it is no folder."""
    if record.last_path is None or record.kind is PlaceKind.DRIVE:
        return None if record.last_path is None else Path(record.last_path)
    url = parse_offsite_url(record.last_path)
    return url.folder if url.kind == "file" else None


def _add_place_event(ctx: JobContext, record: PlaceRecord, message: str, now: int) -> None:
    add_event(ctx.catalog, EventType.PLACE_CHANGE, EventOutcome.SUCCESS, message, now, place_id=record.id)
