"""What the catalog can be asked. Nothing here changes a row."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from tripleguard.catalog.store import Catalog, Row
from tripleguard.catalog.text import from_db, joined_path, split_path, to_db
from tripleguard.model import Copy, CopyState, Entry, Evidence, File, Kind, Medium, Shoot

_COPY = (
    "c.id, c.file_id, c.place_id, d.path, c.name, f.size, c.mtime_ns, c.state, c.written_at, c.verified_at,"
    " c.medium, c.listed_at"
)
_COPY_FROM = "FROM copies c JOIN folders d ON d.id = c.folder_id JOIN files f ON f.id = c.file_id"
_FILE = "f.id, f.digest, f.size, f.name, f.kind, f.shoot_id, f.captured_wall_ns, f.captured_offset, f.sample"

_EVER = 2**63 - 1


@dataclass(frozen=True, slots=True)
class KnownFile:
    """A file as the catalog has it. wall_ns and offset as in `writing.Origin`."""

    id: int
    file: File
    name: str
    kind: Kind
    shoot_id: int
    wall_ns: int | None
    offset: int | None
    sample: bytes | None


@dataclass(frozen=True, slots=True)
class Held:
    """What one shoot has on one place: copies and bytes, and how many of them were verified."""

    shoot: Shoot
    place: str
    copies: int
    bytes: int
    good: int
    good_bytes: int


@dataclass(frozen=True, slots=True)
class Owed:
    """Files of one shoot that are short of the rule."""

    shoot: Shoot
    files: int
    short: int
    bytes: int


def file_with_digest(catalog: Catalog, digest: bytes) -> KnownFile | None:
    """The file with this content."""
    return _one_file(catalog.row(f"SELECT {_FILE} FROM files f WHERE f.digest = ?", digest))


def file_with_id(catalog: Catalog, file_id: int) -> KnownFile:
    """The file with this id."""
    found = _one_file(catalog.row(f"SELECT {_FILE} FROM files f WHERE f.id = ?", file_id))
    assert found is not None
    return found


def lookalikes(catalog: Catalog, name: str, size: int) -> list[KnownFile]:
    """Files of that name and size: a hint what a card file may be, never a proof."""
    rows = catalog.rows(
        f"SELECT {_FILE} FROM files f WHERE f.name = ? COLLATE NOCASE AND f.size = ? LIMIT 50",
        to_db(name),
        size,
    )
    return [_file(row) for row in rows]


def copies_of(catalog: Catalog, file_id: int) -> list[Copy]:
    """Every copy of a file, whatever its state."""
    return [_copy(row) for row in catalog.rows(f"SELECT {_COPY} {_COPY_FROM} WHERE c.file_id = ?", file_id)]


def copy_with_id(catalog: Catalog, copy_id: int) -> Copy:
    """The copy with this id."""
    row = catalog.row(f"SELECT {_COPY} {_COPY_FROM} WHERE c.id = ?", copy_id)
    assert row is not None
    return _copy(row)


def copy_at(catalog: Catalog, place_id: int, path: str) -> Copy | None:
    """The copy recorded at this path of a place."""
    folder, name = split_path(path)
    row = catalog.row(
        f"SELECT {_COPY} {_COPY_FROM} WHERE d.place_id = ? AND d.path = ? AND c.name = ?",
        place_id,
        folder,
        name,
    )
    return _copy(row) if row else None


def earlier_reading(catalog: Catalog, entry: Entry, since: int) -> list[tuple[KnownFile, int]]:
    """Files that unfinished offloads since then found at this card path with this size and time.

    Each with when it was read (UTC ns), newest first. Once the same card was offloaded to its end, what came
    before that is no longer unfinished.
    """
    folder, name = split_path(entry.path)
    rows = catalog.rows(
        f"SELECT k.read_at, {_FILE} FROM card_files k JOIN jobs j ON j.id = k.job_id"
        " JOIN files f ON f.id = k.file_id WHERE k.name = ? AND k.size = ? AND k.folder = ? AND k.mtime_ns = ?"
        " AND j.kind = 'offload' AND k.read_at >= ? AND coalesce(j.outcome, '') <> 'success'"
        " AND NOT EXISTS (SELECT 1 FROM jobs l WHERE l.id > j.id AND l.kind = 'offload'"
        "   AND l.outcome = 'success' AND l.subject = j.subject)"
        " ORDER BY k.read_at DESC LIMIT 8",
        name,
        entry.size,
        folder,
        entry.mtime_ns,
        since,
    )
    return [(_file(row[1:]), row[0]) for row in rows]


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


def shoots(catalog: Catalog) -> list[Shoot]:
    """All shoots, by day."""
    return [Shoot(*row) for row in catalog.rows("SELECT id, day, name FROM shoots ORDER BY day, id")]


def shoot_with_id(catalog: Catalog, shoot_id: int) -> Shoot:
    """The shoot with this id."""
    row = catalog.row("SELECT id, day, name FROM shoots WHERE id = ?", shoot_id)
    assert row is not None
    return Shoot(*row)


def shoots_like(catalog: Catalog, text: str) -> list[Shoot]:
    """Shoots whose day, name or title holds the text."""
    rows = catalog.rows(
        "SELECT id, day, name FROM shoots WHERE instr(lower(day || ' ' || name), lower(?)) > 0 ORDER BY day",
        to_db(text),
    )
    return [Shoot(*row) for row in rows]


def shoots_of_day(catalog: Catalog, day: str) -> list[Shoot]:
    """Shoots of one shooting day (`YYYY-MM-DD`), oldest first."""
    rows = catalog.rows("SELECT id, day, name FROM shoots WHERE day = ? ORDER BY id", day)
    return [Shoot(*row) for row in rows]


def bodies(catalog: Catalog) -> dict[tuple[str, str, str], tuple[int, str]]:
    """Known camera bodies: (make, model, serial) to id and label."""
    return {
        (make, model, serial): (number, label)
        for number, label, make, model, serial in catalog.rows("SELECT id, label, make, model, serial FROM bodies")
    }


def coverage(catalog: Catalog, place_id: int | None = None) -> list[Held]:
    """What each shoot has on each place."""
    where, values = ("WHERE v.place_id = ?", [place_id]) if place_id is not None else ("", [])
    rows = catalog.rows(
        "SELECT s.id, s.day, s.name, p.name, v.copies, v.bytes, v.good, v.good_bytes FROM coverage v"
        f" JOIN shoots s ON s.id = v.shoot_id JOIN places p ON p.id = v.place_id {where} ORDER BY s.day, p.id",
        *values,
    )
    return [Held(Shoot(*row[:3]), *row[3:]) for row in rows]


def totals(catalog: Catalog) -> tuple[int, int, int]:
    """Files, bytes, and files short of the rule, over all shoots."""
    row = catalog.row(
        "SELECT coalesce(sum(files), 0), coalesce(sum(bytes), 0), coalesce(sum(short), 0) FROM shoots"
    )
    assert row is not None
    return row[0], row[1], row[2]


def owed(catalog: Catalog) -> list[Owed]:
    """Shoots with files that are short of the rule."""
    rows = catalog.rows(
        "SELECT s.id, s.day, s.name, s.files, s.short, (SELECT coalesce(sum(f.size), 0) FROM files f"
        " WHERE f.shoot_id = s.id AND f.drive_copies < f.wants) FROM shoots s WHERE s.short > 0 ORDER BY s.day"
    )
    return [Owed(Shoot(*row[:3]), *row[3:]) for row in rows]


def short_files(catalog: Catalog) -> Iterator[KnownFile]:
    """Files short of the rule: fewest good copies first, then oldest."""
    rows = catalog.each(
        f"SELECT {_FILE} FROM files f WHERE f.drive_copies < f.wants ORDER BY f.drive_copies, f.first_seen_at"
    )
    return (_file(row) for row in rows)


def short_by_copies(catalog: Catalog) -> dict[int, int]:
    """How many files short of the rule have 0, 1, ... verified drive copies."""
    rows = catalog.rows(
        "SELECT drive_copies, count(*) FROM files WHERE drive_copies < wants GROUP BY drive_copies"
    )
    return dict(rows)


def lists_due(catalog: Catalog, place_id: int) -> list[Shoot]:
    """Shoots whose check list on a place lags behind the catalog."""
    rows = catalog.rows(
        "SELECT s.id, s.day, s.name FROM lists_due d JOIN shoots s ON s.id = d.shoot_id WHERE d.place_id = ?",
        place_id,
    )
    return [Shoot(*row) for row in rows]


def overdue(catalog: Catalog, place_id: int, before: int, ahead: int) -> tuple[int, int | None]:
    """Copies on a place last verified before then, or by a clock that was ahead of then; and the oldest time."""
    row = catalog.row(
        "SELECT count(*), min(verified_at) FROM copies"
        " WHERE place_id = ? AND state = 'present' AND (verified_at < ? OR verified_at > ?)",
        place_id,
        before,
        ahead,
    )
    assert row is not None
    return row[0], row[1]


def oldest_verified(catalog: Catalog, place_id: int) -> int | None:
    """When the longest-unverified copy on a place was last read back."""
    row = catalog.row(
        "SELECT min(verified_at) FROM copies WHERE place_id = ? AND state = 'present' AND verified_at IS NOT NULL",
        place_id,
    )
    return row[0] if row else None


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


def matching(catalog: Catalog, pattern: str, limit: int) -> list[KnownFile]:
    """Files whose name, shoot, body or capture day holds the pattern, or whose digest begins with it."""
    digest = pattern.lower() if len(pattern) >= 8 and set(pattern.lower()) <= set("0123456789abcdef") else ""
    rows = catalog.rows(
        f"SELECT {_FILE} FROM files f JOIN shoots s ON s.id = f.shoot_id LEFT JOIN bodies b ON b.id = f.body_id"
        " WHERE instr(lower(CAST(f.name AS TEXT)), lower(?1)) OR instr(lower(s.day || ' ' || s.name), lower(?1))"
        " OR instr(lower(coalesce(b.label, '')), lower(?1)) OR (?2 <> '' AND lower(hex(f.digest)) LIKE ?2 || '%')"
        " OR instr(coalesce(strftime('%Y-%m-%d %H:%M', f.captured_wall_ns / 1000000000, 'unixepoch'), ''), ?1)"
        " ORDER BY f.captured_wall_ns, f.id LIMIT ?3",
        to_db(pattern),
        digest,
        limit,
    )
    return [_file(row) for row in rows]


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
        f"SELECT {_COPY} {_COPY_FROM} WHERE d.place_id = ? AND d.path = ? AND c.state <> 'aside'",
        place_id,
        to_db(folder),
    )
    return [_copy(row) for row in rows]


def due_bytes(catalog: Catalog, place_id: int, before: int, ahead: int) -> int:
    """Bytes on a place that were never verified, or last before `before` or after `ahead` (UTC ns)."""
    row = catalog.row(
        "SELECT coalesce(sum(f.size), 0) FROM copies c JOIN files f ON f.id = c.file_id WHERE c.place_id = ?"
        " AND c.state = 'present' AND (c.verified_at IS NULL OR c.verified_at < ? OR c.verified_at > ?)",
        place_id,
        before,
        ahead,
    )
    assert row is not None
    return int(row[0])


def due_copies(
    catalog: Catalog, place_id: int, before: int, ahead: int, after: tuple[int, int], limit: int
) -> list[Copy]:
    """Copies never verified, then those verified before `before`, oldest first, then those after `ahead`.

    The last ones were verified by a clock that was wrong. after: (verified_at or 0, id) of the last one that was
    taken; (-1, 0) to begin.
    """
    verified, last = after
    if verified <= 0:
        rows = catalog.rows(
            f"SELECT {_COPY} {_COPY_FROM} WHERE c.place_id = ? AND c.state = 'present'"
            " AND c.verified_at IS NULL AND c.id > ? ORDER BY c.id LIMIT ?",
            place_id,
            last if verified == 0 else -1,
            limit,
        )
        if rows:
            return [_copy(row) for row in rows]
        verified, last = 1, 0
    for low, high in ((verified, before), (max(verified, ahead + 1), _EVER)):
        rows = catalog.rows(
            f"SELECT {_COPY} {_COPY_FROM} WHERE c.place_id = ? AND c.state = 'present' AND c.verified_at >= ?"
            " AND c.verified_at < ? AND (c.verified_at > ? OR c.id > ?) ORDER BY c.verified_at, c.id LIMIT ?",
            place_id,
            low,
            high,
            verified,
            last,
            limit,
        )
        if rows:
            return [_copy(row) for row in rows]
    return []


def copies_at_path(catalog: Catalog, path: str) -> list[Copy]:
    """The copies recorded at this path on any place, but those that were moved aside."""
    folder, name = split_path(path)
    rows = catalog.rows(
        f"SELECT {_COPY} FROM places p JOIN folders d ON d.place_id = p.id AND d.path = ?"
        " JOIN copies c ON c.folder_id = d.id AND c.name = ? JOIN files f ON f.id = c.file_id"
        " WHERE c.state <> 'aside'",
        folder,
        name,
    )
    return [_copy(row) for row in rows]


def meta(catalog: Catalog, key: str) -> str | None:
    """One small fact about this catalog."""
    row = catalog.row("SELECT value FROM meta WHERE key = ?", key)
    return row[0] if row else None


def _one_file(row: Row | None) -> KnownFile | None:
    return _file(row) if row else None


def _file(row: Row) -> KnownFile:
    return KnownFile(
        id=row[0],
        file=File(row[1], row[2]),
        name=from_db(row[3]),
        kind=Kind(row[4]),
        shoot_id=row[5],
        wall_ns=row[6],
        offset=row[7],
        sample=row[8],
    )


def _copy(row: Row) -> Copy:
    return Copy(
        id=row[0],
        file_id=row[1],
        place_id=row[2],
        path=joined_path(row[3], row[4]),
        size=row[5],
        mtime_ns=row[6],
        state=CopyState(row[7]),
        evidence=Evidence(row[8], row[9], None if row[10] is None else Medium(row[10]), row[11]),
    )
