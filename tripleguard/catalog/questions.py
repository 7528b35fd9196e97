"""What the catalog can be asked of files, their copies, and the card files they came from.

Shoots, folders and what is due are asked in rooms of their own. Nothing here changes a row.
"""

from __future__ import annotations

from tripleguard.catalog.rows import COPY, COPY_FROM, FILE, KnownFile, copy_of, file_of
from tripleguard.catalog.store import Catalog, Row
from tripleguard.catalog.text import split_path, to_db
from tripleguard.errors import CatalogTrouble
from tripleguard.model import Copy, Entry


def file_with_digest(catalog: Catalog, digest: bytes) -> KnownFile | None:
    """The file with this content."""
    return _one_file(catalog.row(f"SELECT {FILE} FROM files f WHERE f.digest = ?", digest))


def file_with_id(catalog: Catalog, file_id: int) -> KnownFile:
    """The file with this id."""
    found = _one_file(catalog.row(f"SELECT {FILE} FROM files f WHERE f.id = ?", file_id))
    if found is None:
        raise _exchanged(catalog)
    return found


def lookalikes(catalog: Catalog, name: str, size: int) -> list[KnownFile]:
    """Files of that name and size: a hint what a card file may be, never a proof."""
    rows = catalog.rows(
        f"SELECT {FILE} FROM files f WHERE f.name = ? COLLATE NOCASE AND f.size = ? LIMIT 50",
        to_db(name),
        size,
    )
    return [file_of(row) for row in rows]


def copies_of(catalog: Catalog, file_id: int) -> list[Copy]:
    """Every copy of a file, whatever its state."""
    return [copy_of(row) for row in catalog.rows(f"SELECT {COPY} {COPY_FROM} WHERE c.file_id = ?", file_id)]


def copy_with_id(catalog: Catalog, copy_id: int) -> Copy:
    """The copy with this id."""
    row = catalog.row(f"SELECT {COPY} {COPY_FROM} WHERE c.id = ?", copy_id)
    if row is None:
        raise _exchanged(catalog)
    return copy_of(row)


def copy_at(catalog: Catalog, place_id: int, path: str) -> Copy | None:
    """The copy recorded at this path of a place."""
    folder, name = split_path(path)
    row = catalog.row(
        f"SELECT {COPY} {COPY_FROM} WHERE d.place_id = ? AND d.path = ? AND c.name = ?",
        place_id,
        folder,
        name,
    )
    return copy_of(row) if row else None


def body_of(catalog: Catalog, file_id: int) -> int | None:
    """The body that took a file, where it is known."""
    row = catalog.row("SELECT body_id FROM files WHERE id = ?", file_id)
    return row[0] if row else None


def earlier_reading(catalog: Catalog, entry: Entry, since: int, insertion: str) -> list[tuple[KnownFile, int]]:
    """Files that unfinished offloads of this very card since then found at this path, unchanged since.

    insertion: of the card, as it is mounted now. Each with when it was read (UTC ns), newest first. Once the same
    card was offloaded to its end, what came before that is no longer unfinished.
    """
    folder, name = split_path(entry.path)
    rows = catalog.rows(
        f"SELECT k.read_at, {FILE} FROM card_files k JOIN jobs j ON j.id = k.job_id"
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
    return [(file_of(row[1:]), row[0]) for row in rows]


def as_read(catalog: Catalog, job_id: int, path: str) -> tuple[int, int, int, int] | None:
    """What a job found at a card path: file id, size, mtime and when it was read."""
    folder, name = split_path(path)
    return catalog.row(
        "SELECT file_id, size, mtime_ns, read_at FROM card_files WHERE job_id = ? AND folder = ? AND name = ?",
        job_id,
        folder,
        name,
    )


def last_reading(catalog: Catalog, path: str) -> list[tuple[int, int, int]]:
    """What offloads found at this card path, newest first: file id, size, mtime."""
    folder, name = split_path(path)
    return catalog.rows(
        "SELECT file_id, size, mtime_ns FROM card_files WHERE name = ? AND folder = ? ORDER BY id DESC LIMIT 50",
        name,
        folder,
    )


def meta(catalog: Catalog, key: str) -> str | None:
    """One small fact about this catalog."""
    row = catalog.row("SELECT value FROM meta WHERE key = ?", key)
    return row[0] if row else None


def _exchanged(catalog: Catalog) -> CatalogTrouble:
    """Rows are never taken out of a catalog, so one that is missing lies in another file than it was found in."""
    return CatalogTrouble(
        f"The catalog {catalog.path} is not the one any more that this command began with.",
        safe="Nothing was removed. Do not reformat a card now.",
        do="If an older copy of it was put back, run the command again: it takes over what the drives know.",
    )


def _one_file(row: Row | None) -> KnownFile | None:
    return file_of(row) if row else None
