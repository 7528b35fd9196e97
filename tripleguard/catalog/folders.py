"""What the catalog has under the folders of a place."""

from __future__ import annotations

from collections.abc import Iterator

from tripleguard.catalog.rows import COPY, COPY_FROM, copy_of
from tripleguard.catalog.store import Catalog
from tripleguard.catalog.text import from_db, joined_path, split_path, to_db
from tripleguard.model import Copy


def folders_with_copies(catalog: Catalog, place_id: int) -> Iterator[str]:
    """Every folder of a place that the catalog has copies in, in path order."""
    rows = catalog.each(
        "SELECT d.path FROM folders d WHERE d.place_id = ?"
        " AND EXISTS (SELECT 1 FROM copies c WHERE c.folder_id = d.id) ORDER BY d.path",
        place_id,
    )
    return (from_db(row[0]) for row in rows)


def copies_right_in(catalog: Catalog, place_id: int, folder: str) -> list[Copy]:
    """The copies recorded right in a folder of a place, but those that were moved aside."""
    rows = catalog.rows(
        f"SELECT {COPY} {COPY_FROM} WHERE d.place_id = ? AND d.path = ? AND c.state <> 'aside'",
        place_id,
        to_db(folder),
    )
    return [copy_of(row) for row in rows]


def copies_in_folder(catalog: Catalog, place_id: int, folder: str) -> list[tuple[str, bytes]]:
    """Path and digest of every present copy at or below a folder of a place, in path order."""
    rows = catalog.rows(
        "SELECT d.path, c.name, f.digest FROM folders d JOIN copies c ON c.folder_id = d.id"
        " JOIN files f ON f.id = c.file_id WHERE d.place_id = ? AND c.state = 'present'"
        " AND (d.path = ? OR substr(d.path, 1, length(?)) = ?)",
        place_id,
        to_db(folder),
        to_db(folder + "/"),
        to_db(folder + "/"),
    )
    return sorted((joined_path(path, name), digest) for path, name, digest in rows)


def names_in_folder(catalog: Catalog, place_id: int, folder: str) -> list[str]:
    """Names of the copies recorded right in a folder of a place, whatever their state."""
    rows = catalog.rows(
        "SELECT c.name FROM folders d JOIN copies c ON c.folder_id = d.id WHERE d.place_id = ? AND d.path = ?",
        place_id,
        to_db(folder),
    )
    return [from_db(row[0]) for row in rows]


def copies_at_path(catalog: Catalog, path: str) -> list[Copy]:
    """The copies recorded at this path on any place, but those that were moved aside."""
    folder, name = split_path(path)
    rows = catalog.rows(
        f"SELECT {COPY} FROM places p JOIN folders d ON d.place_id = p.id AND d.path = ?"
        " JOIN copies c ON c.folder_id = d.id AND c.name = ? JOIN files f ON f.id = c.file_id"
        " WHERE c.state <> 'aside'",
        folder,
        name,
    )
    return [copy_of(row) for row in rows]


def copies_in(catalog: Catalog, place_id: int, folder: str) -> list[Copy]:
    """Every copy recorded right in a folder of a place, whatever its state, by name."""
    rows = catalog.rows(
        f"SELECT {COPY} {COPY_FROM} WHERE d.place_id = ? AND d.path = ? ORDER BY c.name", place_id, to_db(folder)
    )
    return [copy_of(row) for row in rows]


def copies_of_shoot(catalog: Catalog, place_id: int, shoot_id: int, *, apart_from: str) -> list[tuple[str, bytes]]:
    """Path and digest of a shoot's present copies on a place that do not lie at or below a folder, in path order.

    Where the counts say that there are none, nothing is searched.
    """
    at_home = (to_db(apart_from), to_db(apart_from + "/"), to_db(apart_from + "/"))
    counted = catalog.row("SELECT copies FROM coverage WHERE place_id = ? AND shoot_id = ?", place_id, shoot_id)
    below = "(d.path = ? OR substr(d.path, 1, length(?)) = ?)"
    inside = catalog.row(
        "SELECT count(*) FROM folders d JOIN copies c ON c.folder_id = d.id WHERE d.place_id = ?"
        f" AND c.shoot_id = ? AND c.state = 'present' AND {below}",
        place_id,
        shoot_id,
        *at_home,
    )
    assert inside is not None
    if counted is None or counted[0] <= inside[0]:
        return []
    rows = catalog.rows(
        "SELECT d.path, c.name, f.digest FROM folders d JOIN copies c ON c.folder_id = d.id"
        " JOIN files f ON f.id = c.file_id WHERE d.place_id = ? AND c.shoot_id = ? AND c.state = 'present'"
        f" AND NOT {below}",
        place_id,
        shoot_id,
        *at_home,
    )
    return sorted((joined_path(path, name), digest) for path, name, digest in rows)


def files_right_in(catalog: Catalog, place_id: int, folder: str, since: int) -> list[int]:
    """The files right in a folder of a place that were first seen at or after then (UTC ns)."""
    rows = catalog.rows(
        "SELECT f.id FROM folders d JOIN copies c ON c.folder_id = d.id JOIN files f ON f.id = c.file_id"
        " WHERE d.place_id = ? AND d.path = ? AND c.state = 'present' AND f.first_seen_at >= ?",
        place_id,
        to_db(folder),
        since,
    )
    return [row[0] for row in rows]
