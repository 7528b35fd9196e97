"""Queries for files, their copies, and the card files they came from. Nothing here changes a row.

A picture has a few copies. Content that many names share, such as equal sidecars, has as many as there are names,
and a job asks for each name: `CopiesByName` reads the names of such a file once, so that each query costs the
same.
"""

from __future__ import annotations

from collections.abc import Iterable

from tripleguard.catalog.rows import (
    COPY_COLUMNS,
    COPY_FROM,
    FILE_COLUMNS,
    GOOD_COPY_FROM,
    IS_BAD_COPY,
    KnownFile,
    from_db,
    join_path,
    row_to_copy,
    row_to_file,
    split_path,
    to_db,
)
from tripleguard.catalog.store import Catalog, Row
from tripleguard.errors import CatalogError
from tripleguard.model import Copy, Entry
from tripleguard.names import compute_name_key, compute_name_keys, is_name_of_copy


def find_file_by_digest(catalog: Catalog, digest: bytes) -> KnownFile | None:
    """Return the file with this content."""
    return _file_or_none(catalog.fetch_one(f"SELECT {FILE_COLUMNS} FROM files f WHERE f.digest = ?", digest))


def get_file(catalog: Catalog, file_id: int) -> KnownFile:
    """Return the file with this id."""
    found = _file_or_none(catalog.fetch_one(f"SELECT {FILE_COLUMNS} FROM files f WHERE f.id = ?", file_id))
    if found is None:
        raise _build_replaced_catalog_error(catalog)
    return found


def list_files_like(catalog: Catalog, name: str, size: int) -> list[KnownFile]:
    """Return the files of that name and size: a hint what a card file may be, never a proof."""
    rows = catalog.fetch_all(
        f"SELECT {FILE_COLUMNS} FROM files f WHERE f.name = ? COLLATE NOCASE AND f.size = ? LIMIT 50",
        to_db(name),
        size,
    )
    return [row_to_file(row) for row in rows]


def list_copies(catalog: Catalog, file_id: int) -> list[Copy]:
    """Return every copy of a file, whatever its state."""
    return [
        row_to_copy(row)
        for row in catalog.fetch_all(f"SELECT {COPY_COLUMNS} {COPY_FROM} WHERE c.file_id = ?", file_id)
    ]


def list_counted_drive_copies(catalog: Catalog, file_id: int) -> list[Copy]:
    """Return the good copies of a file on drives in service, connected or not."""
    rows = catalog.fetch_all(
        f"SELECT {COPY_COLUMNS} {GOOD_COPY_FROM} JOIN places_in_service p ON p.id = c.place_id"
        " WHERE c.file_id = ? AND p.kind = 'drive'",
        file_id,
    )
    return [row_to_copy(row) for row in rows]


def list_newest_present_copies(catalog: Catalog, place_id: int, limit: int) -> list[Copy]:
    """Return the present copies on a place that were recorded last, newest first."""
    rows = catalog.fetch_all(
        f"SELECT {COPY_COLUMNS} {COPY_FROM} WHERE c.place_id = ? AND c.state = 'present'"
        " ORDER BY c.id DESC LIMIT ?",
        place_id,
        limit,
    )
    return [row_to_copy(row) for row in rows]


def list_present_copy_ids(catalog: Catalog, place_id: int) -> list[int]:
    """Return the ids of all copies present on a place, in order."""
    rows = catalog.iter_rows(
        "SELECT id FROM copies WHERE place_id = ? AND state = 'present' ORDER BY id", place_id
    )
    return [row[0] for row in rows]


def count_bad_copies(catalog: Catalog, place_id: int) -> int:
    """Return how many copies of a place are known to be missing, corrupt or altered."""
    row = catalog.fetch_one(f"SELECT count(*) FROM copies c WHERE c.place_id = ? AND {IS_BAD_COPY}", place_id)
    assert row is not None
    return int(row[0])


def count_files(catalog: Catalog) -> int:
    """Return how many files the catalog knows."""
    row = catalog.fetch_one("SELECT count(*) FROM files")
    assert row is not None
    return int(row[0])


def get_copy(catalog: Catalog, copy_id: int) -> Copy:
    """Return the copy with this id."""
    row = catalog.fetch_one(f"SELECT {COPY_COLUMNS} {COPY_FROM} WHERE c.id = ?", copy_id)
    if row is None:
        raise _build_replaced_catalog_error(catalog)
    return row_to_copy(row)


def find_copy_at(catalog: Catalog, place_id: int, path: str) -> Copy | None:
    """Return the copy recorded at this path of a place."""
    folder, name = split_path(path)
    row = catalog.fetch_one(
        f"SELECT {COPY_COLUMNS} {COPY_FROM} WHERE d.place_id = ? AND d.path = ? AND c.name = ?",
        place_id,
        folder,
        name,
    )
    return row_to_copy(row) if row else None


def find_body_id(catalog: Catalog, file_id: int) -> int | None:
    """Return the body that took a file, if known."""
    row = catalog.fetch_one("SELECT body_id FROM files WHERE id = ?", file_id)
    return row[0] if row else None


def list_earlier_readings(
    catalog: Catalog, entry: Entry, since: int, insertion: str
) -> list[tuple[KnownFile, int]]:
    """Yield the files that unfinished offloads of this card since then read at this path, unchanged since.

    insertion: of the card in its current mount. Each with the time of its reading (UTC ns), newest first. A
    complete offload of the same card ends the series.
    """
    folder, name = split_path(entry.path)
    rows = catalog.fetch_all(
        f"SELECT k.read_at, {FILE_COLUMNS} FROM card_files k JOIN jobs j ON j.id = k.job_id"
        " JOIN files f ON f.id = k.file_id WHERE k.name = ? AND k.size = ? AND k.folder = ? AND k.mtime_ns = ?"
        " AND k.ctime_ns = ? AND j.insertion = ?"
        " AND j.kind = 'offload' AND k.read_at >= ? AND coalesce(j.outcome, '') <> 'success'"
        " AND NOT EXISTS (SELECT 1 FROM jobs l WHERE l.id > j.id AND l.kind = 'offload'"
        "   AND l.outcome = 'success' AND l.subject = j.subject)"
        " ORDER BY k.read_at DESC LIMIT 8",
        name,
        entry.size,
        folder,
        entry.mtime_ns,
        entry.ctime_ns,
        insertion,
        since,
    )
    return [(row_to_file(row[1:]), row[0]) for row in rows]


def find_card_file(catalog: Catalog, job_id: int, path: str) -> tuple[int, int, int, int] | None:
    """Return what a job read at a card path: file id, size, mtime and the time of the reading."""
    folder, name = split_path(path)
    return catalog.fetch_one(
        "SELECT file_id, size, mtime_ns, read_at FROM card_files WHERE job_id = ? AND folder = ? AND name = ?",
        job_id,
        folder,
        name,
    )


def list_card_readings(catalog: Catalog, path: str) -> list[tuple[int, int, int]]:
    """Return what offloads read at this card path, newest first: file id, size, mtime."""
    folder, name = split_path(path)
    return catalog.fetch_all(
        "SELECT file_id, size, mtime_ns FROM card_files WHERE name = ? AND folder = ? ORDER BY id DESC LIMIT 50",
        name,
        folder,
    )


def get_meta(catalog: Catalog, key: str) -> str | None:
    """Return one fact about this catalog."""
    row = catalog.fetch_one("SELECT value FROM meta WHERE key = ?", key)
    return row[0] if row else None


def _build_replaced_catalog_error(catalog: Catalog) -> CatalogError:
    """Return the error for a missing row: rows are never deleted, so the catalog file was replaced."""
    return CatalogError(
        f"The catalog {catalog.path} is not the one any more that this command began with.",
        safe="Nothing was removed. Do not reformat a card now.",
        do="If an older copy of it was put back, run the command again: it takes over what the drives know.",
    )


def _file_or_none(row: Row | None) -> KnownFile | None:
    return row_to_file(row) if row else None


_MAX_UNINDEXED_COPIES = 16
_BATCH_SIZE = 500  # SQLite accepts at least 999 values in a statement (sqlite.org/limits)


class CopiesByName:
    """Finds copies for one thread and one job. Later queries see copies that are recorded meanwhile.

    A copy that another job renames or changes meanwhile may be missed; then it does not count, which is safe.
    """

    def __init__(self, catalog: Catalog) -> None:
        self.catalog = catalog
        self._names: dict[int, _NameIndex] = {}

    def find_copies(self, file_id: int, name: str) -> list[Copy]:
        """Return the copies of a file, whatever their state, whose names match this one.

        See `names.is_name_of_copy`.
        """
        known = self._names.get(file_id)
        if known is None:
            rows = self.catalog.fetch_all(
                f"SELECT {COPY_COLUMNS} {COPY_FROM} WHERE c.file_id = ? LIMIT ?",
                file_id,
                _MAX_UNINDEXED_COPIES + 1,
            )
            if len(rows) <= _MAX_UNINDEXED_COPIES:
                return _filter_by_name(name, map(row_to_copy, rows))
            known = self._names[file_id] = _NameIndex()
        known.update(self.catalog, file_id)
        found: list[Copy] = []
        ids = known.list_candidates(name)
        for start in range(0, len(ids), _BATCH_SIZE):
            some = ids[start : start + _BATCH_SIZE]
            marks = ", ".join("?" * len(some))
            rows = self.catalog.fetch_all(
                f"SELECT {COPY_COLUMNS} {COPY_FROM} WHERE c.id IN ({marks}) AND c.file_id = ? ORDER BY c.id",
                *some,
                file_id,
            )
            found += _filter_by_name(name, map(row_to_copy, rows))
        return found


class _NameIndex:
    """The names of one file's copies, as far as they were read."""

    def __init__(self) -> None:
        self._by_key: dict[str, list[int]] = {}
        self._maybe_cut: list[int] = []
        self._last: dict[int, int] = {}

    def update(self, catalog: Catalog, file_id: int) -> None:
        """Read the names that were added since the last time."""
        for (place,) in catalog.fetch_all("SELECT id FROM places"):
            # The index on file and place ends with the row's id, so known names are not read again.
            rows = catalog.fetch_all(
                "SELECT id, name FROM copies WHERE file_id = ? AND place_id = ? AND id > ? ORDER BY id",
                file_id,
                place,
                self._last.get(place, 0),
            )
            for copy_id, name in rows:
                self._last[place] = copy_id
                keys = compute_name_keys(from_db(name))
                if keys is None:
                    self._maybe_cut.append(copy_id)
                for key in keys or ():
                    self._by_key.setdefault(key, []).append(copy_id)

    def list_candidates(self, name: str) -> list[int]:
        """Return the ids of copies that may match this name."""
        return self._by_key.get(compute_name_key(name), []) + self._maybe_cut


def _filter_by_name(name: str, copies: Iterable[Copy]) -> list[Copy]:
    return [copy for copy in copies if is_name_of_copy(copy.path.rpartition("/")[2], name)]


def list_files_read_from(catalog: Catalog, subject: str) -> dict[str, tuple[int, int]]:
    """Return the paths below a source that were read and have a copy on a drive, with size and mtime (ns)."""
    rows = catalog.iter_rows(
        "SELECT r.folder, r.name, r.size, r.mtime_ns FROM jobs j JOIN card_files r ON r.job_id = j.id"
        " WHERE j.kind = 'offload' AND j.subject = ? AND EXISTS"
        " (SELECT 1 FROM copies c WHERE c.file_id = r.file_id AND c.state = 'present') ORDER BY r.id",
        to_db(subject),
    )
    return {join_path(folder, name): (size, mtime) for folder, name, size, mtime in rows}
