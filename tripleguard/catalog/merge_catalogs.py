"""Merge the places, files and copies of earlier catalogs without trusting their evidence.

All of it becomes inherited evidence, which counts for nothing until this catalog has read the copy back itself.
"""

from __future__ import annotations

import contextlib
from collections.abc import Generator, Iterator, Mapping
from dataclasses import dataclass

from tripleguard.catalog.companions import add_version
from tripleguard.catalog.file_updates import ensure_body, ensure_shoot
from tripleguard.catalog.frame_counts import merge_sessions
from tripleguard.catalog.places import list_places, set_place_leaving, set_place_state
from tripleguard.catalog.rows import INHERIT_EVIDENCE, from_db, join_path, to_db
from tripleguard.catalog.store import Catalog, Row
from tripleguard.model import Entry, File, FileKind, PlaceState


@dataclass(frozen=True, slots=True)
class MergeConflict:
    """A disagreement of two sources about one path on one place, which only reading can settle.

    resolution: which of them counts for now, if it is not about bytes; place is empty then.
    """

    place: str
    path: str
    detail: str
    resolution: str = ""


@dataclass(frozen=True, slots=True)
class IdMap:
    """Maps another catalog's ids to the ids here."""

    places: Mapping[int, int]
    shoots: Mapping[int, int]
    files: Mapping[int, int]


def build_digest_conflict(
    place: str, path: str, known_digest: bytes, other_digest: bytes, source: str
) -> MergeConflict:
    """Return the conflict of a source that has another digest for a path."""
    return MergeConflict(
        place, path, f"{source} says {other_digest.hex()[:16]}, another source {known_digest.hex()[:16]}"
    )


@contextlib.contextmanager
def triggers_suspended(catalog: Catalog) -> Iterator[None]:
    """Suspend counting by triggers; at the end everything is counted, and all evidence is inherited.

    For a catalog that no other process has open: after an error its triggers are gone.
    """
    with catalog.transaction():
        triggers = catalog.fetch_all("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'")
        for name, _ in triggers:
            catalog.execute(f"DROP TRIGGER {name}")
    yield
    with catalog.transaction():
        for statement in _RECOUNT_STATEMENTS:
            catalog.execute(statement)
        for _, sql in triggers:
            catalog.execute(sql)


_RECOUNT_STATEMENTS = (
    INHERIT_EVIDENCE,
    "UPDATE files SET drive_copies = 0, offsite_copies = 0 WHERE drive_copies <> 0 OR offsite_copies <> 0",
    "DELETE FROM coverage",
    "INSERT INTO coverage (shoot_id, place_id, copies, bytes) SELECT c.shoot_id, c.place_id, count(*), sum(f.size)"
    " FROM copies c JOIN files f ON f.id = c.file_id WHERE c.state = 'present' GROUP BY 1, 2",
    "INSERT OR IGNORE INTO stale_checklists (place_id, shoot_id) SELECT place_id, shoot_id FROM coverage",
    "UPDATE shoots SET (files, bytes, under_replicated) = (SELECT count(*), coalesce(sum(size), 0),"
    " coalesce(sum(required_copies > 0), 0) FROM files f WHERE f.shoot_id = shoots.id)",
    "INSERT OR IGNORE INTO shared_files (file_id) SELECT c.file_id FROM files f JOIN copies c ON c.file_id = f.id"
    " JOIN folders d ON d.id = c.folder_id WHERE (f.kind IN ('companion', 'other') OR f.size = 0)"
    " AND c.state <> 'quarantined' GROUP BY c.file_id HAVING count(DISTINCT c.name) > 1 OR"
    " count(DISTINCT d.path) > 1",
    "INSERT OR IGNORE INTO other_names (file_id, name) SELECT c.file_id, c.name FROM copies c"
    " JOIN files f ON f.id = c.file_id WHERE c.name <> f.name",
    "INSERT OR IGNORE INTO names (name) SELECT name FROM other_names WHERE typeof(name) = 'text'"
    " UNION SELECT name FROM files WHERE typeof(name) = 'text'",
    "INSERT INTO name_parts (name_parts) VALUES ('rebuild')",
)


def merge_catalog(catalog: Catalog, other: Catalog, source: str) -> Generator[MergeConflict, None, IdMap]:
    """Add the places, files, copies and nights that another catalog has and this one does not.

    source: its name for the person. Call inside `transaction`; other is only read. Both must have the current
    schema.
    """
    places = _merge_places(catalog, other)
    yield from _merge_place_states(catalog, other, source)
    shoots = {
        number: ensure_shoot(catalog, day, name, at)
        for number, day, name, at in other.fetch_all("SELECT id, day, name, created_at FROM shoots")
    }
    bodies = {
        number: ensure_body(catalog, _find_free_label(catalog, label, (make, model, serial)), make, model, serial)
        for number, label, make, model, serial in other.fetch_all(
            "SELECT id, label, make, model, serial FROM bodies"
        )
    }
    files = dict(_merge_files(catalog, other, shoots, bodies))
    yield from _merge_copies(catalog, other, source, places, files, shoots)
    for path, file_id, mtime_ns, seen_at, shoot_id in other.fetch_all(
        "SELECT path, file_id, mtime_ns, seen_at, shoot_id FROM versions ORDER BY path, number"
    ):
        add_version(catalog, shoots[shoot_id], from_db(path), files[file_id], mtime_ns, seen_at)
    merge_sessions(catalog, other, bodies, files)
    return IdMap(places, shoots, files)


def ensure_file_row(
    catalog: Catalog, file: File, name: str, kind: FileKind, shoot_id: int, required_copies: int, at: int
) -> int:
    """Add a file that only a check list names; return its id."""
    return catalog.execute(
        "INSERT INTO files (digest, size, name, kind, shoot_id, first_seen_at, required_copies)"
        " VALUES (?, ?, ?, ?, ?, ?, ?)",
        file.digest,
        file.size,
        to_db(name),
        kind,
        shoot_id,
        at,
        required_copies,
    )


def ensure_copy_row(
    catalog: Catalog, file_id: int, place_id: int, folder: int, entry: Entry, shoot_id: int, at: int
) -> None:
    """Add a copy that only a check list names, at an unrecorded path. folder: its id."""
    catalog.execute(
        "INSERT INTO copies (file_id, place_id, folder_id, name, shoot_id, mtime_ns, state, state_since,"
        " listed_at) VALUES (?, ?, ?, ?, ?, ?, 'present', ?, ?)",
        file_id,
        place_id,
        folder,
        to_db(entry.name),
        shoot_id,
        entry.mtime_ns,
        at,
        at,
    )


def ensure_folder_id(catalog: Catalog, place_id: int, path: object) -> int:
    """Return the id of a folder of a place, added if new; path as in the tables."""
    catalog.execute("INSERT INTO folders (place_id, path) VALUES (?, ?) ON CONFLICT DO NOTHING", place_id, path)
    row: Row | None = catalog.fetch_one("SELECT id FROM folders WHERE place_id = ? AND path = ?", place_id, path)
    assert row is not None
    return int(row[0])


def is_contained_in(catalog: Catalog, other: Catalog) -> bool:
    """Return whether everything that other recorded is here too, so that it is an earlier snapshot."""
    return all(
        row is None or catalog.fetch_one(f"SELECT {columns} FROM {table} WHERE id = ?", row[0]) == row
        for (table, columns), row in zip(_APPEND_ONLY_TABLES, list_newest_rows(other), strict=True)
    )


# Append-only tables. A snapshot is made before its own job's events: two laptops may share the last one.
_APPEND_ONLY_TABLES = (
    ("events", "id, at, type, message"),
    ("jobs", "id, kind, started_at"),
    ("files", "id, digest"),
)


def list_newest_rows(catalog: Catalog) -> tuple[Row | None, ...]:
    """Return the newest row of each append-only table, which differ if two catalogs diverged."""
    return tuple(
        catalog.fetch_one(f"SELECT {columns} FROM {table} ORDER BY id DESC LIMIT 1")
        for table, columns in _APPEND_ONLY_TABLES
    )


def _merge_places(catalog: Catalog, other: Catalog) -> dict[int, int]:
    known = {place.uid: place.id for place in list_places(catalog)}
    names = {place.name.casefold() for place in list_places(catalog)}
    found: dict[int, int] = {}
    for row in other.fetch_all(
        "SELECT id, uid, name, kind, role, state, added_at, last_seen_at, last_path, retiring_since, note"
        " FROM places"
    ):
        number, uid, name, *rest = row
        if uid not in known:
            free, n = name, 2
            while free.casefold() in names:
                free, n = f"{name}-{n}", n + 1
            names.add(free.casefold())
            known[uid] = catalog.execute(
                "INSERT INTO places (uid, name, kind, role, state, added_at, last_seen_at, last_path,"
                " retiring_since, note) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                uid,
                free,
                *rest,
            )
        found[number] = known[uid]
    return found


def _merge_place_states(catalog: Catalog, other: Catalog, source: str) -> Iterator[MergeConflict]:
    """Merge states of drives that only the other catalog took out of service: in doubt copies don't count."""
    here = {place.uid: place for place in list_places(catalog)}
    for theirs in list_places(other):
        ours = here[theirs.uid]
        if not ours.state.is_in_service or theirs.state.is_in_service:
            continue
        if theirs.state is PlaceState.RETIRING:
            set_place_leaving(catalog, ours.id, theirs.added_at)
        else:
            set_place_state(catalog, ours.id, theirs.state, ours.role)
        what = (
            f"{source} says that it is {theirs.state}, another source that it is {ours.state}; it does not count"
        )
        yield MergeConflict(ours.name, "the drive itself", what)


def _find_free_label(catalog: Catalog, label: str, body: tuple[str, str, str]) -> str:
    free, n = label, 2
    while catalog.fetch_one(
        "SELECT 1 FROM bodies WHERE label = ? AND (make, model, serial) <> (?, ?, ?)", free, *body
    ):
        free, n = f"{label}-{n}", n + 1
    return free


def _merge_files(
    catalog: Catalog, other: Catalog, shoots: dict[int, int], bodies: dict[int, int]
) -> Iterator[tuple[int, int]]:
    """Return the other catalog's file ids with the ids of the same files here."""
    columns = "digest, size, name, kind, captured_wall_ns, captured_offset, sample, first_seen_at, required_copies"
    for number, shoot_id, body_id, *values in other.iter_rows(
        f"SELECT id, shoot_id, body_id, {columns} FROM files"
    ):
        row = catalog.fetch_one("SELECT id FROM files WHERE digest = ?", values[0])
        yield (
            number,
            row[0]
            if row
            else catalog.execute(
                f"INSERT INTO files ({columns}, shoot_id, body_id) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                *values,
                shoots[shoot_id],
                bodies.get(body_id),
            ),
        )


def _merge_copies(
    catalog: Catalog,
    other: Catalog,
    source: str,
    places: dict[int, int],
    files: dict[int, int],
    shoots: dict[int, int],
) -> Iterator[MergeConflict]:
    names = {place.id: place.name for place in list_places(catalog)}
    folders: dict[int, int] = {}
    for number, place_id, path in other.fetch_all("SELECT id, place_id, path FROM folders"):
        folders[number] = ensure_folder_id(catalog, places[place_id], path)
    for row in other.iter_rows(
        "SELECT c.folder_id, c.name, c.file_id, c.place_id, c.shoot_id, c.mtime_ns, c.state, c.state_since,"
        " c.written_at, coalesce(c.verified_at, c.inherited_at), c.listed_at, f.digest, d.path FROM copies c"
        " JOIN files f ON f.id = c.file_id JOIN folders d ON d.id = c.folder_id"
    ):
        folder, name, file_id, place_id, shoot_id, *rest = row
        here = catalog.fetch_one(
            "SELECT f.digest FROM copies c JOIN files f ON f.id = c.file_id WHERE c.folder_id = ? AND c.name = ?",
            folders[folder],
            name,
        )
        *evidence, digest, path = rest
        if here is None:
            _insert_copy(
                catalog, files[file_id], places[place_id], folders[folder], name, shoots[shoot_id], evidence
            )
        elif here[0] != digest:
            yield build_digest_conflict(names[places[place_id]], join_path(path, name), here[0], digest, source)


def _insert_copy(
    catalog: Catalog,
    file_id: int,
    place_id: int,
    folder_id: int,
    name: object,
    shoot_id: int,
    evidence: list[object],
) -> None:
    catalog.execute(
        "INSERT INTO copies (file_id, place_id, folder_id, name, shoot_id, mtime_ns, state, state_since,"
        " written_at, inherited_at, listed_at) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        file_id,
        place_id,
        folder_id,
        name,
        shoot_id,
        *evidence,
    )
