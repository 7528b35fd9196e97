"""Places: drives and the offsite place, as the catalog knows them."""

from __future__ import annotations

from pathlib import Path

from tripleguard.catalog.rows import INHERIT_EVIDENCE, from_db, to_db
from tripleguard.catalog.store import Catalog, Row
from tripleguard.errors import UsageError
from tripleguard.model import DriveRole, FreeSpace, KnownSpace, PlaceKind, PlaceRecord, PlaceState
from tripleguard.names import escape_text

_PLACE_COLUMNS = (
    "id, uid, name, kind, role, state, added_at, last_seen_at, last_path, retiring_since,"
    " free, total, space_at, note, identity"
)


def list_places(catalog: Catalog) -> list[PlaceRecord]:
    """Return every place ever added, in that order."""
    return [_row_to_place(row) for row in catalog.fetch_all(f"SELECT {_PLACE_COLUMNS} FROM places ORDER BY id")]


def get_place(catalog: Catalog, name: str) -> PlaceRecord:
    """Return the place of that name, ignoring case. Raises UsageError naming the existing ones."""
    row = catalog.fetch_one(f"SELECT {_PLACE_COLUMNS} FROM places WHERE name = ?", to_db(name))
    if row is None:
        known = ", ".join(place.name for place in list_places(catalog)) or "none yet"
        raise UsageError(
            f"There is no drive called {escape_text(name)}.",
            safe="Nothing was changed.",
            do=f"Known drives: {known}.",
        )
    return _row_to_place(row)


def find_place_by_uid(catalog: Catalog, uid: str) -> PlaceRecord | None:
    """Return the place whose marker has this id."""
    row = catalog.fetch_one(f"SELECT {_PLACE_COLUMNS} FROM places WHERE uid = ?", uid)
    return _row_to_place(row) if row else None


def add_place(
    catalog: Catalog, uid: str, name: str, *, kind: PlaceKind, role: DriveRole, at: int, path: Path
) -> PlaceRecord:
    """Add a new place; at: UTC ns. Call inside `transaction`."""
    catalog.execute(
        "INSERT INTO places (uid, name, kind, role, state, added_at, last_seen_at, last_path)"
        " VALUES (?, ?, ?, ?, 'active', ?, ?, ?)",
        uid,
        name,
        kind,
        role,
        at,
        at,
        to_db(str(path)),
    )
    return get_place(catalog, name)


def record_place_connected(catalog: Catalog, place_id: int, path: Path, at: int) -> None:
    """Record where and when a place was connected. Call inside `transaction`."""
    catalog.execute(
        "UPDATE places SET last_seen_at = ?, last_path = ? WHERE id = ?", at, to_db(str(path)), place_id
    )


def record_place_seen(catalog: Catalog, place_id: int, at: int) -> None:
    """Record when a place was connected at its known path. Call inside `transaction`."""
    catalog.execute("UPDATE places SET last_seen_at = ? WHERE id = ?", at, place_id)


def record_offsite_address(catalog: Catalog, place_id: int, address: str, at: int) -> None:
    """Record the address of the offsite place, and when it was reached. Call inside `transaction`."""
    catalog.execute("UPDATE places SET last_path = ?, last_seen_at = ? WHERE id = ?", address, at, place_id)


def record_place_space(catalog: Catalog, place_id: int, space: FreeSpace, at: int) -> None:
    """Record the space on a place at this time (UTC ns). Call inside `transaction`."""
    catalog.execute(
        "UPDATE places SET free = ?, total = ?, space_at = ? WHERE id = ?", space.free, space.total, at, place_id
    )


def set_place_note(catalog: Catalog, place_id: int, note: str) -> None:
    """Record where a place is kept. Call inside `transaction`."""
    catalog.execute("UPDATE places SET note = ? WHERE id = ?", note, place_id)


def set_place_state(catalog: Catalog, place_id: int, state: PlaceState, role: DriveRole) -> None:
    """Change the state of a place, except to RETIRING; triggers update the counts. Call in `transaction`."""
    catalog.execute(
        "UPDATE places SET state = ?, role = ?, retiring_since = NULL WHERE id = ?", state, role, place_id
    )


def set_place_identity(catalog: Catalog, place_id: int, identity: str) -> None:
    """Record the file system that a place is on. Call inside `transaction`."""
    catalog.execute("UPDATE places SET identity = ? WHERE id = ?", identity, place_id)


def mark_place_evidence_inherited(catalog: Catalog, place_id: int) -> None:
    """Make a place's evidence inherited, as it was out of our hands: copies count once read again.

    Call inside `transaction`.
    """
    catalog.execute(
        "UPDATE copies SET cached_insertion = NULL WHERE place_id = ? AND cached_insertion IS NOT NULL", place_id
    )
    catalog.execute(f"{INHERIT_EVIDENCE} AND place_id = ?", place_id)


def set_place_leaving(catalog: Catalog, place_id: int, at: int) -> None:
    """Mark a place as leaving at this time (UTC ns): its copies no longer count. Call in `transaction`."""
    catalog.execute("UPDATE places SET retiring_since = ? WHERE id = ? AND retiring_since IS NULL", at, place_id)


def _row_to_place(row: Row) -> PlaceRecord:
    state = PlaceState(row[5])
    return PlaceRecord(
        id=row[0],
        uid=row[1],
        name=row[2],
        kind=PlaceKind(row[3]),
        role=DriveRole(row[4]),
        state=PlaceState.RETIRING if row[9] is not None and state.is_in_service else state,
        added_at=row[6],
        last_seen_at=row[7],
        last_path=None if row[8] is None else from_db(row[8]),
        known_space=None if row[12] is None else KnownSpace(row[10], row[11], row[12]),
        note=row[13],
        identity=row[14],
    )
