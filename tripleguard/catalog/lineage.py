"""Versions of a companion: the same path, edited over time.

The newest wins. An edit is newer than what it was made of; else the versions' own times decide. An older version
is kept where it lies but wants no more copies.
"""

from __future__ import annotations

from tripleguard.catalog.store import Catalog
from tripleguard.catalog.text import split_path, to_db


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


def newest_version(catalog: Catalog, path: str) -> int | None:
    """The file that this path should hold; None if it never had two versions."""
    row = catalog.row(
        "SELECT file_id FROM versions WHERE path = ? ORDER BY mtime_ns DESC, number DESC LIMIT 1", to_db(path)
    )
    return row[0] if row else None


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
    """Only the newest version wants copies, and what lies at another path too. Call inside `writing`."""
    newest = newest_version(catalog, path)
    if newest is None:
        return
    folder, name = split_path(path)
    catalog.run(
        "UPDATE files SET wants = 0 WHERE id IN (SELECT file_id FROM versions WHERE path = ?) AND id <> ?"
        " AND NOT EXISTS (SELECT 1 FROM versions v WHERE v.file_id = files.id AND v.path <> ?)"
        " AND NOT EXISTS (SELECT 1 FROM copies c JOIN folders d ON d.id = c.folder_id WHERE c.file_id = files.id"
        "   AND c.state = 'present' AND (d.path <> ? OR c.name <> ?))",
        to_db(path),
        newest,
        to_db(path),
        folder,
        name,
    )
    catalog.run("UPDATE files SET wants = ? WHERE id = ?", drive_copies, newest)
