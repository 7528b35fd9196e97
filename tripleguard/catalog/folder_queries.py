"""Queries for the copies under the folders of a place."""

from __future__ import annotations

from collections.abc import Iterator

from tripleguard.catalog.rows import (
    COPY_COLUMNS,
    COPY_FROM,
    IS_ORIGINAL,
    from_db,
    join_path,
    row_to_copy,
    split_path,
    to_db,
)
from tripleguard.catalog.store import Catalog
from tripleguard.model import Copy


def list_conflicting_paths(catalog: Catalog) -> list[str]:
    """Return the paths of originals whose bytes differ between two places now."""
    rows = catalog.fetch_all(
        "SELECT DISTINCT d.path, c.name FROM copies c JOIN folders d ON d.id = c.folder_id"
        " JOIN files f ON f.id = c.file_id JOIN folders e ON e.path = d.path AND e.place_id > d.place_id"
        " JOIN copies o ON o.folder_id = e.id AND o.name = c.name"
        " WHERE o.file_id <> c.file_id AND c.state = 'present' AND o.state = 'present'"
        f" AND {IS_ORIGINAL} ORDER BY 1, 2"
    )
    return [join_path(path, name) for path, name in rows]


def iter_folders(catalog: Catalog, place_id: int) -> Iterator[str]:
    """Yield every folder of a place with recorded copies, in path order."""
    rows = catalog.iter_rows(
        "SELECT d.path FROM folders d WHERE d.place_id = ?"
        " AND EXISTS (SELECT 1 FROM copies c WHERE c.folder_id = d.id) ORDER BY d.path",
        place_id,
    )
    return (from_db(row[0]) for row in rows)


def list_copies_in_folder(catalog: Catalog, place_id: int, folder: str) -> list[Copy]:
    """Return the copies recorded directly in a folder of a place, except quarantined ones."""
    rows = catalog.fetch_all(
        f"SELECT {COPY_COLUMNS} {COPY_FROM} WHERE d.place_id = ? AND d.path = ? AND c.state <> 'quarantined'",
        place_id,
        to_db(folder),
    )
    return [row_to_copy(row) for row in rows]


def list_digests_below_folder(catalog: Catalog, place_id: int, folder: str) -> list[tuple[str, bytes]]:
    """Return path and digest of every present copy at or below a folder of a place, in path order."""
    rows = catalog.fetch_all(
        "SELECT d.path, c.name, f.digest FROM folders d JOIN copies c ON c.folder_id = d.id"
        " JOIN files f ON f.id = c.file_id WHERE d.place_id = ? AND c.state = 'present'"
        " AND (d.path = ? OR substr(d.path, 1, length(?)) = ?)",
        place_id,
        to_db(folder),
        to_db(folder + "/"),
        to_db(folder + "/"),
    )
    return sorted((join_path(path, name), digest) for path, name, digest in rows)


def list_names_in_folder(catalog: Catalog, place_id: int, folder: str) -> list[str]:
    """Return the names of the copies recorded directly in a folder of a place, whatever their state."""
    rows = catalog.fetch_all(
        "SELECT c.name FROM folders d JOIN copies c ON c.folder_id = d.id WHERE d.place_id = ? AND d.path = ?",
        place_id,
        to_db(folder),
    )
    return [from_db(row[0]) for row in rows]


def list_copies_at_path(catalog: Catalog, path: str) -> list[Copy]:
    """Return the copies recorded at this path on any place, except quarantined ones."""
    folder, name = split_path(path)
    rows = catalog.fetch_all(
        f"SELECT {COPY_COLUMNS} FROM places p JOIN folders d ON d.place_id = p.id AND d.path = ?"
        " JOIN copies c ON c.folder_id = d.id AND c.name = ? JOIN files f ON f.id = c.file_id"
        " WHERE c.state <> 'quarantined'",
        folder,
        name,
    )
    return [row_to_copy(row) for row in rows]


def list_all_copies_in_folder(catalog: Catalog, place_id: int, folder: str) -> list[Copy]:
    """Return every copy recorded directly in a folder of a place, whatever its state, by name."""
    rows = catalog.fetch_all(
        f"SELECT {COPY_COLUMNS} {COPY_FROM} WHERE d.place_id = ? AND d.path = ? ORDER BY c.name",
        place_id,
        to_db(folder),
    )
    return [row_to_copy(row) for row in rows]


def list_digests_of_shoot(
    catalog: Catalog, place_id: int, shoot_id: int, *, excluded_folder: str
) -> list[tuple[str, bytes]]:
    """Return path and digest of a shoot's present copies outside a folder of a place, in path order.

    If the counts show that there are none, nothing is searched.
    """
    at_home = (to_db(excluded_folder), to_db(excluded_folder + "/"), to_db(excluded_folder + "/"))
    counted = catalog.fetch_one(
        "SELECT copies FROM coverage WHERE place_id = ? AND shoot_id = ?", place_id, shoot_id
    )
    below = "(d.path = ? OR substr(d.path, 1, length(?)) = ?)"
    inside = catalog.fetch_one(
        "SELECT count(*) FROM folders d JOIN copies c ON c.folder_id = d.id WHERE d.place_id = ?"
        f" AND c.shoot_id = ? AND c.state = 'present' AND {below}",
        place_id,
        shoot_id,
        *at_home,
    )
    assert inside is not None
    if counted is None or counted[0] <= inside[0]:
        return []
    rows = catalog.fetch_all(
        "SELECT d.path, c.name, f.digest FROM folders d JOIN copies c ON c.folder_id = d.id"
        " JOIN files f ON f.id = c.file_id WHERE d.place_id = ? AND c.shoot_id = ? AND c.state = 'present'"
        f" AND NOT {below}",
        place_id,
        shoot_id,
        *at_home,
    )
    return sorted((join_path(path, name), digest) for path, name, digest in rows)


def list_file_ids_in_folder(catalog: Catalog, place_id: int, folder: str, since: int) -> list[int]:
    """Return the files directly in a folder of a place that were first seen at or after then (UTC ns)."""
    rows = catalog.fetch_all(
        "SELECT f.id FROM folders d JOIN copies c ON c.folder_id = d.id JOIN files f ON f.id = c.file_id"
        " WHERE d.place_id = ? AND d.path = ? AND c.state = 'present' AND f.first_seen_at >= ?",
        place_id,
        to_db(folder),
        since,
    )
    return [row[0] for row in rows]
