"""Ratings, selected frames, and the files that are therefore required offsite.

A select is recorded by the main file of its frame. A person's choice outranks every rating.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Literal

from tripleguard.catalog.rows import (
    COPY_COLUMNS,
    FILE_COLUMNS,
    KnownFile,
    join_path,
    row_to_copy,
    row_to_file,
    to_db,
)
from tripleguard.catalog.store import Catalog
from tripleguard.model import Copy, Entry, FileKind, Shoot

SelectMethod = Literal["rating", "hand", "list", "folder"]


@dataclass(frozen=True, slots=True)
class SelectedFrame:
    """One choice. rating: -1.0 to 5.0, None if none was read. since: UTC ns."""

    known_file: KnownFile
    is_chosen: bool
    method: SelectMethod
    since: int
    rating: float | None


@dataclass(frozen=True, slots=True)
class OffsiteRequirement:
    """One file of a selected frame. path: on the drives, and its key offsite."""

    file_id: int
    path: str
    shoot_id: int
    rating: float
    since: int


@dataclass(frozen=True, slots=True)
class ShootSelects:
    """The selects of one shoot, and the files and bytes of their frames."""

    shoot: Shoot
    selects: int
    files: int
    bytes: int


def has_offsite_requirements(catalog: Catalog) -> bool:
    """Return whether any file is required offsite."""
    return catalog.fetch_one("SELECT 1 FROM offsite_requirements LIMIT 1") is not None


def list_frame_copies(catalog: Catalog, folder: str, stem: str) -> list[tuple[Copy, FileKind]]:
    """Return the copies in this folder of any place whose names begin with a stem, ignoring case.

    Quarantined copies are left out.
    """
    found: dict[int, tuple[Copy, FileKind]] = {}
    for begin in {stem, stem.upper(), stem.lower()}:
        low, high = to_db(begin), to_db(begin + "\U0010ffff")
        rows = catalog.fetch_all(
            f"SELECT {COPY_COLUMNS}, f.kind FROM places p JOIN folders d ON d.place_id = p.id AND d.path = ?"
            " JOIN copies c ON c.folder_id = d.id AND c.name >= ? AND c.name < ?"
            " JOIN files f ON f.id = c.file_id WHERE c.state <> 'quarantined'",
            to_db(folder),
            low,
            high,
        )
        found |= {row[0]: (row_to_copy(row[:-1]), FileKind(row[-1])) for row in rows}
    return list(found.values())


def list_files_by_name(catalog: Catalog, name: str) -> list[KnownFile]:
    """Return the originals of that name, with or without its extension, ignoring case."""
    rows = catalog.fetch_all(
        f"SELECT {FILE_COLUMNS} FROM files f WHERE f.name = ?1 COLLATE NOCASE OR "
        f"(f.name > ?2 COLLATE NOCASE AND f.name <"
        " ?3 COLLATE NOCASE) LIMIT 1000",
        to_db(name),
        to_db(name + "."),
        to_db(name + "/"),
    )
    return [known for known in map(row_to_file, rows) if known.kind.is_original]


def list_files_by_time(catalog: Catalog, wall_second_ns: int) -> list[KnownFile]:
    """Return the originals with this camera clock second (wall time counted as UTC, ns)."""
    rows = catalog.fetch_all(
        f"SELECT {FILE_COLUMNS} FROM files f WHERE f.captured_wall_ns >= ? AND f.captured_wall_ns < ?",
        wall_second_ns,
        wall_second_ns + 1_000_000_000,
    )
    return [known for known in map(row_to_file, rows) if known.kind.is_original]


def iter_files_without_rating_check(catalog: Catalog, place_id: int) -> Iterator[tuple[KnownFile, str]]:
    """Yield the originals not yet checked for an embedded rating, with the path of a copy on this place."""
    rows = catalog.fetch_all(
        f"SELECT {FILE_COLUMNS}, d.path, c.name FROM files f JOIN copies c ON c.file_id = f.id AND c.place_id = ?"
        " JOIN folders d ON d.id = c.folder_id WHERE f.kind IN ('raw', 'picture') AND c.state = 'present'"
        " AND NOT EXISTS (SELECT 1 FROM files_checked_for_rating l WHERE l.file_id = f.id) ORDER BY"
        " d.path, c.name",
        place_id,
    )
    return ((row_to_file(row[:9]), join_path(row[9], row[10])) for row in rows)


def mark_rating_checked(catalog: Catalog, file_id: int) -> None:
    """Record that this content was checked for an embedded rating. Call inside `transaction`."""
    catalog.execute("INSERT INTO files_checked_for_rating (file_id) VALUES (?) ON CONFLICT DO NOTHING", file_id)


def find_sidecar_reading(catalog: Catalog, source: str, path: str) -> tuple[int, int] | None:
    """Return size and time of a sidecar when it was last read."""
    row = catalog.fetch_one(
        "SELECT size, mtime_ns FROM sidecars_read WHERE source = ? AND path = ?", source, to_db(path)
    )
    return (row[0], row[1]) if row else None


def record_sidecar_reading(catalog: Catalog, source: str, entry: Entry) -> None:
    """Record that a sidecar was read in its current state. Call inside `transaction`."""
    catalog.execute(
        "INSERT INTO sidecars_read (source, path, size, mtime_ns) VALUES (?, ?, ?, ?) ON CONFLICT (source, path)"
        " DO UPDATE SET size = excluded.size, mtime_ns = excluded.mtime_ns",
        source,
        to_db(entry.path),
        entry.size,
        entry.mtime_ns,
    )


def record_rating(
    catalog: Catalog, file_id: int, rating: float | None, sidecar_mtime_ns: int | None, now: int
) -> None:
    """Record a frame's rating. Call inside `transaction`.

    Args:
        rating: None in a sidecar removes an earlier rating.
        sidecar_mtime_ns: The sidecar's time; None for the picture's own rating, which any sidecar outranks.
        now: UTC ns; a sidecar's time beyond it, by a wrong clock, does not outrank later ones.
    """
    before = catalog.fetch_one("SELECT rating, stated_at FROM ratings WHERE file_id = ?", file_id)
    if sidecar_mtime_ns is None:
        if rating is None or (
            before is not None and (before[1] is not None or before[0] >= _to_hundredths(rating))
        ):
            return
    elif before is None or before[1] is None:
        if rating is None:
            return
    elif before[1] > sidecar_mtime_ns and not before[1] > now >= sidecar_mtime_ns:
        return
    catalog.execute(
        "INSERT INTO ratings (file_id, rating, stated_at) VALUES (?, ?, ?) ON CONFLICT (file_id) DO UPDATE SET"
        " rating = excluded.rating, stated_at = excluded.stated_at",
        file_id,
        _to_hundredths(rating or 0.0),
        sidecar_mtime_ns,
    )


def _to_hundredths(rating: float) -> int:
    """Return a rating as stored; 3.999 is not 4."""
    return math.floor(rating * 100 + 1e-6)


def find_rating(catalog: Catalog, file_id: int) -> float | None:
    """Return a file's rating, -1.0 to 5.0; None if none was read."""
    row = catalog.fetch_one("SELECT rating FROM ratings WHERE file_id = ?", file_id)
    return row[0] / 100 if row else None


def set_select(catalog: Catalog, file_id: int, method: SelectMethod, at: int, *, is_chosen: bool = True) -> bool:
    """Choose or drop a frame by its main file; return whether it changed. Call inside `transaction`."""
    before = catalog.fetch_one("SELECT chosen, method FROM selects WHERE file_id = ?", file_id)
    if before is not None and before[0] == is_chosen and (before[1] == method or method != "hand"):
        return False
    if before is None and not is_chosen and method == "rating":
        return False
    catalog.execute(
        "INSERT INTO selects (file_id, chosen, method, since) VALUES (?, ?, ?, ?) ON CONFLICT"
        " (file_id) DO UPDATE SET"
        " chosen = excluded.chosen, method = excluded.method,"
        " since = CASE WHEN chosen = excluded.chosen THEN since ELSE excluded.since END",
        file_id,
        is_chosen,
        method,
        at,
    )
    return before is None or bool(before[0]) != is_chosen


def apply_ratings(catalog: Catalog, at_least: float, at: int) -> tuple[int, int]:
    """Choose and drop frames by their ratings; return how many of each. Call inside `transaction`.

    Other choices of a person are left alone.
    """
    line = round(at_least * 100)
    up = catalog.fetch_all(
        "SELECT r.file_id FROM ratings r LEFT JOIN selects s ON s.file_id = r.file_id WHERE r.rating >= ?"
        " AND (s.file_id IS NULL OR (s.chosen = 0 AND s.method = 'rating'))",
        line,
    )
    down = catalog.fetch_all(
        "SELECT s.file_id FROM selects s JOIN ratings r ON r.file_id = s.file_id WHERE r.rating < ?"
        " AND s.chosen AND s.method = 'rating'",
        line,
    )
    for rows, chosen in ((up, True), (down, False)):
        for (file_id,) in rows:
            set_select(catalog, file_id, "rating", at, is_chosen=chosen)
    return len(up), len(down)


def list_selects(catalog: Catalog, *, is_chosen: bool = True) -> list[SelectedFrame]:
    """Return every select, or with `is_chosen` false every dropped frame; oldest first."""
    rows = catalog.fetch_all(
        f"SELECT {FILE_COLUMNS}, s.chosen, s.method, s.since, r.rating FROM selects "
        f"s JOIN files f ON f.id = s.file_id"
        " LEFT JOIN ratings r ON r.file_id = f.id WHERE s.chosen = ? ORDER BY s.since, f.id",
        is_chosen,
    )
    return [
        SelectedFrame(
            row_to_file(row[:9]), bool(row[9]), row[10], row[11], None if row[12] is None else row[12] / 100
        )
        for row in rows
    ]


def set_offsite_requirements(catalog: Catalog, required: Iterable[OffsiteRequirement]) -> None:
    """Set the files that are required offsite. Call inside `transaction`."""
    row = catalog.fetch_one("SELECT coalesce(max(round), 0) + 1 FROM offsite_requirements")
    assert row is not None
    for one in required:
        catalog.execute(
            "INSERT INTO offsite_requirements (file_id, path, shoot_id, rating, since, round) VALUES (?,"
            " ?, ?, ?, ?, ?)"
            " ON CONFLICT (file_id, path) DO UPDATE SET rating = excluded.rating, round = excluded.round",
            one.file_id,
            to_db(one.path),
            one.shoot_id,
            round(one.rating * 100),
            one.since,
            row[0],
        )
    catalog.execute("DELETE FROM offsite_requirements WHERE round <> ?", row[0])


def list_shoot_selects(catalog: Catalog) -> list[ShootSelects]:
    """Return the selects of each shoot, by day."""
    rows = catalog.fetch_all(
        "SELECT s.id, s.day, s.name, (SELECT count(*) FROM selects c JOIN files f ON f.id = c.file_id"
        "   WHERE c.chosen AND f.shoot_id = s.id), count(*), sum(f.size)"
        " FROM offsite_requirements w JOIN files f ON f.id = w.file_id JOIN shoots s ON s.id = w.shoot_id"
        " GROUP BY s.id ORDER BY s.day, s.id"
    )
    return [ShootSelects(Shoot(*row[:3]), *row[3:]) for row in rows]
