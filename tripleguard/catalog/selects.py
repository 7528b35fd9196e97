"""Ratings as they were read, what was chosen, and what is therefore wanted offsite.

A select is kept by the main file of its frame. What a hand chose or dropped outranks every rating.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Literal

from tripleguard.catalog.rows import COPY, FILE, KnownFile, copy_of, file_of
from tripleguard.catalog.store import Catalog
from tripleguard.catalog.text import joined_path, to_db
from tripleguard.model import Copy, Entry, Kind, Shoot

How = Literal["rating", "hand", "list", "folder"]


@dataclass(frozen=True, slots=True)
class Select:
    """One choice. rating: -1.0 to 5.0, None where nothing was read. since: UTC ns."""

    known: KnownFile
    chosen: bool
    how: How
    since: int
    rating: float | None


@dataclass(frozen=True, slots=True)
class Wanted:
    """One file of a chosen frame. path: where it lies on the drives, and the key it has offsite."""

    file_id: int
    path: str
    shoot_id: int
    rating: float
    since: int


@dataclass(frozen=True, slots=True)
class ShootSelects:
    """What was chosen of one shoot: selects, and the files and bytes of their frames."""

    shoot: Shoot
    selects: int
    files: int
    bytes: int


def frame_copies(catalog: Catalog, folder: str, stem: str) -> list[tuple[Copy, Kind]]:
    """Copies of any place in a folder whose name begins with a stem, in any case; not those moved aside."""
    found: dict[int, tuple[Copy, Kind]] = {}
    for begin in {stem, stem.upper(), stem.lower()}:
        low, high = to_db(begin), to_db(begin + "\U0010ffff")
        rows = catalog.rows(
            f"SELECT {COPY}, f.kind FROM places p JOIN folders d ON d.place_id = p.id AND d.path = ?"
            " JOIN copies c ON c.folder_id = d.id AND c.name >= ? AND c.name < ?"
            " JOIN files f ON f.id = c.file_id WHERE c.state <> 'aside'",
            to_db(folder),
            low,
            high,
        )
        found |= {row[0]: (copy_of(row[:-1]), Kind(row[-1])) for row in rows}
    return list(found.values())


def files_named(catalog: Catalog, name: str) -> list[KnownFile]:
    """Originals of that name, or of that name with any extension, without regard to case."""
    rows = catalog.rows(
        f"SELECT {FILE} FROM files f WHERE f.name = ?1 COLLATE NOCASE OR (f.name > ?2 COLLATE NOCASE AND f.name <"
        " ?3 COLLATE NOCASE) LIMIT 1000",
        to_db(name),
        to_db(name + "."),
        to_db(name + "/"),
    )
    return [known for known in map(file_of, rows) if known.kind.is_original]


def files_taken_at(catalog: Catalog, wall_second_ns: int) -> list[KnownFile]:
    """Originals whose camera clock showed this second (wall time counted as UTC, ns)."""
    rows = catalog.rows(
        f"SELECT {FILE} FROM files f WHERE f.captured_wall_ns >= ? AND f.captured_wall_ns < ?",
        wall_second_ns,
        wall_second_ns + 1_000_000_000,
    )
    return [known for known in map(file_of, rows) if known.kind.is_original]


def not_looked_into(catalog: Catalog, place_id: int) -> Iterator[tuple[KnownFile, str]]:
    """Originals that may hold a rating and were not looked into, with the path of a copy on this place."""
    rows = catalog.rows(
        f"SELECT {FILE}, d.path, c.name FROM files f JOIN copies c ON c.file_id = f.id AND c.place_id = ?"
        " JOIN folders d ON d.id = c.folder_id WHERE f.kind IN ('raw', 'picture') AND c.state = 'present'"
        " AND NOT EXISTS (SELECT 1 FROM looked_into l WHERE l.file_id = f.id) ORDER BY d.path, c.name",
        place_id,
    )
    return ((file_of(row[:9]), joined_path(row[9], row[10])) for row in rows)


def looked_into(catalog: Catalog, file_id: int) -> None:
    """This content was looked into for its own rating. Call inside `writing`."""
    catalog.run("INSERT INTO looked_into (file_id) VALUES (?) ON CONFLICT DO NOTHING", file_id)


def sidecar_as_read(catalog: Catalog, source: str, path: str) -> tuple[int, int] | None:
    """Size and time of a sidecar when it was last read."""
    row = catalog.row(
        "SELECT size, mtime_ns FROM sidecars_read WHERE source = ? AND path = ?", source, to_db(path)
    )
    return (row[0], row[1]) if row else None


def sidecar_read(catalog: Catalog, source: str, entry: Entry) -> None:
    """A sidecar was read as it is now. Call inside `writing`."""
    catalog.run(
        "INSERT INTO sidecars_read (source, path, size, mtime_ns) VALUES (?, ?, ?, ?) ON CONFLICT (source, path)"
        " DO UPDATE SET size = excluded.size, mtime_ns = excluded.mtime_ns",
        source,
        to_db(entry.path),
        entry.size,
        entry.mtime_ns,
    )


def rated(catalog: Catalog, file_id: int, rating: float | None, said_at: int | None, now: int) -> None:
    """A frame's rating was read. Call inside `writing`.

    said_at: the sidecar's time; None where the picture says it, which counts only until a sidecar does. rating
    None in a sidecar: the rating it had was taken out of it, if it had one. What a clock that was ahead of now
    said does not outrank what is said later.
    """
    before = catalog.row("SELECT rating, said_at FROM ratings WHERE file_id = ?", file_id)
    if said_at is None:
        if rating is None or (before is not None and (before[1] is not None or before[0] >= _hundredths(rating))):
            return
    elif before is None or before[1] is None:
        if rating is None:
            return
    elif before[1] > said_at and not before[1] > now >= said_at:
        return
    catalog.run(
        "INSERT INTO ratings (file_id, rating, said_at) VALUES (?, ?, ?) ON CONFLICT (file_id) DO UPDATE SET"
        " rating = excluded.rating, said_at = excluded.said_at",
        file_id,
        _hundredths(rating or 0.0),
        said_at,
    )


def _hundredths(rating: float) -> int:
    """A rating as it is kept; 3.999 is not 4."""
    return math.floor(rating * 100 + 1e-6)


def rating_of(catalog: Catalog, file_id: int) -> float | None:
    """What a file is rated, -1.0 to 5.0; None where no rating was read."""
    row = catalog.row("SELECT rating FROM ratings WHERE file_id = ?", file_id)
    return row[0] / 100 if row else None


def choose(catalog: Catalog, file_id: int, how: How, at: int, *, chosen: bool = True) -> bool:
    """Choose a frame by its main file, or drop it; whether that changed anything. Call inside `writing`."""
    before = catalog.row("SELECT chosen, how FROM selects WHERE file_id = ?", file_id)
    if before is not None and before[0] == chosen and (before[1] == how or how != "hand"):
        return False
    if before is None and not chosen and how == "rating":
        return False
    catalog.run(
        "INSERT INTO selects (file_id, chosen, how, since) VALUES (?, ?, ?, ?) ON CONFLICT (file_id) DO UPDATE SET"
        " chosen = excluded.chosen, how = excluded.how,"
        " since = CASE WHEN chosen = excluded.chosen THEN since ELSE excluded.since END",
        file_id,
        chosen,
        how,
        at,
    )
    return before is None or bool(before[0]) != chosen


def follow_ratings(catalog: Catalog, at_least: float, at: int) -> tuple[int, int]:
    """Choose what is rated so, drop what is not any more; how many of each. Call inside `writing`.

    What a person chose or dropped otherwise is left alone.
    """
    line = round(at_least * 100)
    up = catalog.rows(
        "SELECT r.file_id FROM ratings r LEFT JOIN selects s ON s.file_id = r.file_id WHERE r.rating >= ?"
        " AND (s.file_id IS NULL OR (s.chosen = 0 AND s.how = 'rating'))",
        line,
    )
    down = catalog.rows(
        "SELECT s.file_id FROM selects s JOIN ratings r ON r.file_id = s.file_id WHERE r.rating < ?"
        " AND s.chosen AND s.how = 'rating'",
        line,
    )
    for rows, chosen in ((up, True), (down, False)):
        for (file_id,) in rows:
            choose(catalog, file_id, "rating", at, chosen=chosen)
    return len(up), len(down)


def all_selects(catalog: Catalog, *, chosen: bool = True) -> list[Select]:
    """Every select, or with chosen false every frame that was dropped; oldest first."""
    rows = catalog.rows(
        f"SELECT {FILE}, s.chosen, s.how, s.since, r.rating FROM selects s JOIN files f ON f.id = s.file_id"
        " LEFT JOIN ratings r ON r.file_id = f.id WHERE s.chosen = ? ORDER BY s.since, f.id",
        chosen,
    )
    return [
        Select(file_of(row[:9]), bool(row[9]), row[10], row[11], None if row[12] is None else row[12] / 100)
        for row in rows
    ]


def want(catalog: Catalog, wanted: Iterable[Wanted]) -> None:
    """From now on exactly these are wanted offsite. Call inside `writing`."""
    row = catalog.row("SELECT coalesce(max(round), 0) + 1 FROM wanted_offsite")
    assert row is not None
    for one in wanted:
        catalog.run(
            "INSERT INTO wanted_offsite (file_id, path, shoot_id, rating, since, round) VALUES (?, ?, ?, ?, ?, ?)"
            " ON CONFLICT (file_id, path) DO UPDATE SET rating = excluded.rating, round = excluded.round",
            one.file_id,
            to_db(one.path),
            one.shoot_id,
            round(one.rating * 100),
            one.since,
            row[0],
        )
    catalog.run("DELETE FROM wanted_offsite WHERE round <> ?", row[0])


def by_shoot(catalog: Catalog) -> list[ShootSelects]:
    """What was chosen of each shoot, by day."""
    rows = catalog.rows(
        "SELECT s.id, s.day, s.name, (SELECT count(*) FROM selects c JOIN files f ON f.id = c.file_id"
        "   WHERE c.chosen AND f.shoot_id = s.id), count(*), sum(f.size)"
        " FROM wanted_offsite w JOIN files f ON f.id = w.file_id JOIN shoots s ON s.id = w.shoot_id"
        " GROUP BY s.id ORDER BY s.day, s.id"
    )
    return [ShootSelects(Shoot(*row[:3]), *row[3:]) for row in rows]


def versions_at(catalog: Catalog, path: str) -> set[int]:
    """The files that this path ever held, where it had more than one."""
    return {row[0] for row in catalog.rows("SELECT file_id FROM versions WHERE path = ?", to_db(path))}
