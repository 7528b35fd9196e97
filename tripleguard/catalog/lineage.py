"""Versions of a companion: the same path beside the same picture, edited over time.

The newest wins. An edit is newer than what it was made of; else the versions' own times decide. An older version
is kept where it lies but wants no more copies. Where two drives hold different pictures at one path, the
companions of each have a line of their own: none of them is the older version of another picture's.
"""

from __future__ import annotations

from dataclasses import dataclass

from tripleguard.catalog import folders
from tripleguard.catalog.pairing import pictures_beside
from tripleguard.catalog.places import all_places
from tripleguard.catalog.store import Catalog
from tripleguard.catalog.text import split_path, to_db
from tripleguard.model import Copy, PlaceKind


def add_version(catalog: Catalog, shoot_id: int, path: str, file_id: int, mtime_ns: int, at: int) -> None:
    """Enter that this path held this file at this time. Call inside `writing`."""
    row = catalog.row("SELECT coalesce(max(number), 0) FROM versions WHERE path = ?", to_db(path))
    assert row is not None
    catalog.run(
        "INSERT INTO versions (shoot_id, path, number, file_id, mtime_ns, seen_at) VALUES (?, ?, ?, ?, ?, ?)"
        " ON CONFLICT (path, file_id) DO UPDATE SET mtime_ns = max(mtime_ns, excluded.mtime_ns)",
        shoot_id,
        to_db(path),
        row[0] + 1,
        file_id,
        mtime_ns,
        at,
    )


def add_edit(catalog: Catalog, shoot_id: int, path: str, file_id: int, mtime_ns: int, at: int, *, of: int) -> None:
    """Enter that this path was edited: it held the version `of` (a file's id). Call inside `writing`.

    Content that was never seen at this path is newer than what it replaced, also where the editor's clock was
    behind. One that was seen before was brought back, and by its time it is told whether that was meant.
    """
    rows = catalog.rows(
        "SELECT file_id, mtime_ns FROM versions WHERE path = ? AND file_id IN (?, ?)", to_db(path), file_id, of
    )
    times: dict[int, int] = {row[0]: row[1] for row in rows}
    if file_id not in times:
        mtime_ns = max(mtime_ns, times.get(of, 0) + 1)
    add_version(catalog, shoot_id, path, file_id, mtime_ns, at)


def newest_version(catalog: Catalog, path: str, place_id: int | None) -> int | None:
    """The file that this path should hold on a place; None if it never had two versions there, or in doubt.

    place_id None: wherever one picture alone lies beside this path.
    """
    versions = _versions(catalog, path)
    if not versions:
        return None
    lines = _lines(catalog, path)
    pictures = pictures_beside(catalog, place_id, path) if place_id is not None else frozenset()
    if len(lines) < 2:
        strange = lines and pictures and lines[0].pictures and not lines[0].pictures & pictures
        return None if strange else versions[0]
    for line in lines:
        if place_id in line.files or line.pictures & pictures:
            return next((file_id for file_id in versions if file_id in line.files.values()), None)
    return None


@dataclass(slots=True)
class _Line:
    """The places whose companions at a path belong to the same picture, and what each holds there."""

    pictures: frozenset[bytes]
    files: dict[int, int]


def is_of_one_line(catalog: Catalog, copy: Copy, pictures: frozenset[bytes]) -> bool:
    """Whether a companion's copy can be a version of one that lies beside these pictures (digests) at its path."""
    its = pictures_beside(catalog, copy.place_id, copy.path)
    return _is_one_picture(its, pictures) or (not its and copy.place_id not in _drives(catalog))


def _is_one_picture(one: frozenset[bytes], other: frozenset[bytes]) -> bool:
    return bool(one & other) or one == other


def _drives(catalog: Catalog) -> frozenset[int]:
    return frozenset(place.id for place in all_places(catalog) if place.kind is PlaceKind.DRIVE)


def _lines(catalog: Catalog, path: str) -> list[_Line]:
    """The companions recorded at a path, those of one picture together.

    Offsite a companion may arrive before its picture: what lies beside none there follows the drives.
    """
    drives = _drives(catalog)
    lines: list[_Line] = []
    for copy in folders.copies_at_path(catalog, path):
        pictures = pictures_beside(catalog, copy.place_id, path)
        if not pictures and copy.place_id not in drives:
            continue
        joined = _Line(pictures, {copy.place_id: copy.file_id})
        for line in [line for line in lines if _is_one_picture(line.pictures, pictures)]:
            lines.remove(line)
            joined = _Line(joined.pictures | line.pictures, joined.files | line.files)
        lines.append(joined)
    return lines


def _versions(catalog: Catalog, path: str) -> list[int]:
    """The versions of a path, the newest first."""
    rows = catalog.rows(
        "SELECT file_id FROM versions WHERE path = ? ORDER BY mtime_ns DESC, number DESC", to_db(path)
    )
    return [row[0] for row in rows]


def prefer(catalog: Catalog, path: str, file_id: int) -> None:
    """A person wants this version of the path, whatever the times say. Call inside `writing`.

    The next edit is newer again.
    """
    catalog.run(
        "UPDATE versions SET mtime_ns = 1 + (SELECT max(v.mtime_ns) FROM versions v WHERE v.path = versions.path)"
        " WHERE path = ? AND file_id = ?",
        to_db(path),
        file_id,
    )


def settle_wants(catalog: Catalog, path: str, drive_copies: int) -> None:
    """Only the newest version beside each picture wants copies, and what lies at another path too.

    Call inside `writing`.
    """
    versions, lines = _versions(catalog, path), _lines(catalog, path)
    if len(lines) < 2:
        newest = set(versions[:1])
    else:
        newest = {next((one for one in versions if one in line.files.values()), 0) for line in lines} - {0}
    if not newest:
        return
    folder, name = split_path(path)
    marks = ", ".join("?" * len(newest))
    catalog.run(
        "UPDATE files SET wants = 0 WHERE id IN (SELECT file_id FROM versions WHERE path = ?)"
        f" AND id NOT IN ({marks})"
        " AND NOT EXISTS (SELECT 1 FROM versions v WHERE v.file_id = files.id AND v.path <> ?)"
        " AND NOT EXISTS (SELECT 1 FROM copies c JOIN folders d ON d.id = c.folder_id WHERE c.file_id = files.id"
        "   AND c.state = 'present' AND (d.path <> ? OR c.name <> ?))",
        to_db(path),
        *newest,
        to_db(path),
        folder,
        name,
    )
    catalog.run(f"UPDATE files SET wants = ? WHERE id IN ({marks})", drive_copies, *newest)
