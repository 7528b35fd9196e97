"""Objects that are stored offsite, copies that are missing there, and unfinished uploads."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace

from tripleguard.catalog.rows import (
    COPY_COLUMNS,
    COPY_FROM,
    FILE_COLUMNS,
    INHERIT_EVIDENCE,
    IS_BAD_COPY,
    KnownFile,
    from_db,
    join_path,
    row_to_copy,
    row_to_file,
    to_db,
)
from tripleguard.catalog.selects import OffsiteRequirement
from tripleguard.catalog.store import Catalog, Row
from tripleguard.model import Copy, CopyState
from tripleguard.names import is_name_of_copy

_COPY_COLUMN_COUNT = COPY_COLUMNS.count(",") + 1
"""The columns of a copy."""


@dataclass(frozen=True, slots=True)
class StoredObject:
    """A copy as stored offsite. stored_bytes, blake3: of the stored content; encryption: '' for none."""

    tag: str
    verified_by: str
    stored_bytes: int
    encryption: str
    blake3: bytes


@dataclass(frozen=True, slots=True)
class MissingOffsiteCopy:
    """A file that is required offsite and not verified there; required.path is its intended key.

    is_recorded: a copy is recorded, but it is doubtful or inherited and was not read back since.
    """

    required: OffsiteRequirement
    known_file: KnownFile
    is_recorded: bool = False


@dataclass(frozen=True, slots=True)
class UnfinishedUpload:
    """An unfinished multipart upload. parts: tag and SHA-256 of the verified parts, by number."""

    id: int
    file_id: int
    key: str
    token: str
    part_bytes: int
    blake3: bytes
    parts: Mapping[int, tuple[str, bytes]]


@dataclass(frozen=True, slots=True)
class OffsiteTotals:
    """The selects on a place: verified, missing, and surplus (no longer selected)."""

    verified: int
    verified_bytes: int
    missing: int
    missing_bytes: int
    surplus: int
    surplus_bytes: int


def list_missing_offsite(catalog: Catalog, place_id: int) -> list[MissingOffsiteCopy]:
    """Return the files required and not verified here, the oldest day first, in it the highest rating.

    An original counts under any key; a sidecar only in its own folder and under its own name.
    """
    rows = catalog.fetch_all(
        f"SELECT w.file_id, w.path, w.shoot_id, w.rating, w.since, {FILE_COLUMNS} FROM offsite_requirements w"
        " JOIN files f ON f.id = w.file_id ORDER BY w.since / 86400000000000, w.rating DESC, w.path"
    )
    debts = (MissingOffsiteCopy(_row_to_required(row), row_to_file(row[5:])) for row in rows)
    return [
        replace(debt, is_recorded=_is_stored(catalog, place_id, debt, is_verified=False))
        for debt in debts
        if not _is_stored(catalog, place_id, debt, is_verified=True)
    ]


def _is_stored(catalog: Catalog, place_id: int, missing_copy: MissingOffsiteCopy, *, is_verified: bool) -> bool:
    copies = "good_copies" if is_verified else "unverified_copies"
    rows = catalog.fetch_all(
        f"SELECT d.path, c.name FROM {copies} c JOIN folders d ON d.id = c.folder_id WHERE c.file_id = ?"
        " AND c.place_id = ?",
        missing_copy.known_file.id,
        place_id,
    )
    if missing_copy.known_file.kind.is_original and missing_copy.known_file.file.size > 0:
        return bool(rows)
    folder, _, name = missing_copy.required.path.rpartition("/")
    return any(from_db(row[0]) == folder and is_name_of_copy(from_db(row[1]), name) for row in rows)


def is_required(catalog: Catalog, required: OffsiteRequirement) -> bool:
    """Return whether this is still required offsite: a person may have just dropped it."""
    question = "SELECT 1 FROM offsite_requirements WHERE file_id = ? AND path = ?"
    return catalog.fetch_one(question, required.file_id, to_db(required.path)) is not None


def count_offsite_totals(catalog: Catalog, place_id: int) -> OffsiteTotals:
    """Return the verified, missing and surplus selects on this place."""
    debts = list_missing_offsite(catalog, place_id)
    there = catalog.fetch_one(
        "SELECT count(*), coalesce(sum(f.size), 0) FROM good_copies c JOIN files f ON f.id = c.file_id"
        " WHERE c.place_id = ?",
        place_id,
    )
    beside = catalog.fetch_one(
        "SELECT count(*), coalesce(sum(f.size), 0) FROM copies c JOIN files f ON f.id = c.file_id"
        " WHERE c.place_id = ? AND c.state = 'present' AND NOT EXISTS (SELECT 1 FROM offsite_requirements w"
        "   WHERE w.file_id = c.file_id) AND NOT EXISTS (SELECT 1 FROM versions v JOIN offsite_requirements w"
        "   ON w.path = v.path WHERE v.file_id = c.file_id)",
        place_id,
    )
    assert there is not None
    assert beside is not None
    size = sum(debt.known_file.file.size for debt in debts)
    return OffsiteTotals(there[0], there[1], len(debts), size, beside[0], beside[1])


@dataclass(frozen=True, slots=True)
class OffsiteReadBackTotals:
    """How many of the selects offsite were read back there, and the oldest such time (UTC ns)."""

    files: int = 0
    total_files: int = 0
    oldest_verified_at: int | None = None


def count_read_back(catalog: Catalog, place_id: int) -> OffsiteReadBackTotals:
    """Return how many selects on this place were verified by reading, and not only on arrival."""
    row = catalog.fetch_one(
        "SELECT coalesce(sum(o.verified_by = 'read'), 0), count(*),"
        " min(CASE WHEN o.verified_by = 'read' THEN c.verified_at END)"
        " FROM good_copies c LEFT JOIN objects o ON o.copy_id = c.id WHERE c.place_id = ?"
        " AND c.file_id IN (SELECT file_id FROM offsite_requirements)",
        place_id,
    )
    assert row is not None
    return OffsiteReadBackTotals(*row)


def find_object(catalog: Catalog, copy_id: int) -> StoredObject | None:
    """Return how a copy is stored offsite."""
    row = catalog.fetch_one(
        "SELECT tag, verified_by, stored_bytes, encryption, blake3 FROM objects WHERE copy_id = ?", copy_id
    )
    return StoredObject(*row) if row else None


def has_encrypted(catalog: Catalog, place_id: int) -> bool:
    """Return whether anything there must be decrypted with a key."""
    question = (
        "SELECT 1 FROM objects o JOIN copies c ON c.id = o.copy_id WHERE c.place_id = ? AND c.state = 'present'"
        " AND o.encryption <> '' LIMIT 1"
    )
    return catalog.fetch_one(question, place_id) is not None


def record_object(catalog: Catalog, copy_id: int, stored: StoredObject) -> None:
    """Record how a copy is stored offsite. Call inside `transaction`."""
    catalog.execute(
        "INSERT INTO objects (copy_id, tag, verified_by, stored_bytes, encryption, blake3) VALUES (?,"
        " ?, ?, ?, ?, ?)"
        " ON CONFLICT (copy_id) DO UPDATE SET tag = excluded.tag, verified_by = excluded.verified_by,"
        " stored_bytes = excluded.stored_bytes, encryption = excluded.encryption, blake3 = excluded.blake3",
        copy_id,
        stored.tag,
        stored.verified_by,
        stored.stored_bytes,
        stored.encryption,
        stored.blake3,
    )


def record_object_read(catalog: Catalog, copy_id: int, tag: str) -> None:
    """Record the version of an object that was read back. Call inside `transaction`."""
    catalog.execute("UPDATE objects SET tag = ?, verified_by = 'read' WHERE copy_id = ?", tag, copy_id)


def map_objects(catalog: Catalog, place_id: int) -> dict[str, tuple[Copy, StoredObject | None]]:
    """Return every copy recorded on a place by its key, except replaced ones."""
    rows = catalog.fetch_all(
        f"SELECT {COPY_COLUMNS}, o.tag, o.verified_by, o.stored_bytes, o.encryption, o.blake3 {COPY_FROM}"
        " LEFT JOIN objects o ON o.copy_id = c.id WHERE c.place_id = ? AND c.state <> 'quarantined'",
        place_id,
    )
    found: dict[str, tuple[Copy, StoredObject | None]] = {}
    for row in rows:
        copy = row_to_copy(row[:_COPY_COLUMN_COUNT])
        found[copy.path] = (
            copy,
            StoredObject(*row[_COPY_COLUMN_COUNT:]) if row[_COPY_COLUMN_COUNT] is not None else None,
        )
    return found


def list_replaced_keys(catalog: Catalog, place_id: int) -> set[str]:
    """Return the keys of bad copies that were replaced under another key."""
    found = catalog.fetch_all(
        "SELECT d.path, c.name FROM copies c JOIN folders d ON d.id = c.folder_id"
        " WHERE c.place_id = ? AND c.state = 'quarantined'",
        place_id,
    )
    return {join_path(*row) for row in found}


def list_stored_digests(catalog: Catalog, place_id: int, folder: str) -> list[tuple[str, bytes]]:
    """Return path and digest of the stored bytes of every good copy below a folder."""
    below = to_db(folder + "/")
    rows = catalog.fetch_all(
        "SELECT d.path, c.name, coalesce(o.blake3, f.digest) FROM folders d"
        " JOIN good_copies c ON c.folder_id = d.id"
        " JOIN files f ON f.id = c.file_id LEFT JOIN objects o ON o.copy_id = c.id WHERE d.place_id = ?"
        " AND (d.path = ? OR substr(d.path, 1, length(?)) = ?)",
        place_id,
        to_db(folder),
        below,
        below,
    )
    return [(join_path(path, name), digest) for path, name, digest in rows]


def has_copies_drives_lack(catalog: Catalog, place_id: int) -> bool:
    """Return whether a place has a copy of a file that has too few on drives."""
    question = (
        "SELECT 1 FROM copies c JOIN files f ON f.id = c.file_id WHERE c.place_id = ? AND c.state = 'present'"
        " AND f.drive_copies < f.required_copies LIMIT 1"
    )
    return catalog.fetch_one(question, place_id) is not None


def mark_unverified(catalog: Catalog, copy_id: int) -> None:
    """Mark a copy unverified until it was read back: it may be another version. Call in `transaction`."""
    catalog.execute(f"{INHERIT_EVIDENCE} AND id = ?", copy_id)


def list_copies_to_read_back(catalog: Catalog, place_id: int, limit: int) -> list[Copy]:
    """Return copies in the order in which they should be read back.

    Doubtful ones come first, then those never read, then the oldest evidence.
    """
    rows = catalog.fetch_all(
        f"SELECT {COPY_COLUMNS} {COPY_FROM} LEFT JOIN objects o ON o.copy_id = c.id WHERE c.place_id = ?"
        " AND c.state = 'present' ORDER BY c.verified_at IS NOT NULL, coalesce(o.verified_by, '') = 'read',"
        " c.verified_at, c.id LIMIT ?",
        place_id,
        limit,
    )
    return [row_to_copy(row) for row in rows]


def mark_replaced(catalog: Catalog, copy_id: int, at: int) -> None:
    """Record that a bad copy was replaced under another key. Call inside `transaction`."""
    catalog.execute(
        "UPDATE copies SET state = ?, state_since = ? WHERE id = ?", CopyState.QUARANTINED, at, copy_id
    )


def list_bad_copies(catalog: Catalog, place_id: int, file_id: int) -> list[Copy]:
    """Return the copies of a file on a place that are missing, corrupt or altered."""
    rows = catalog.fetch_all(
        f"SELECT {COPY_COLUMNS} {COPY_FROM} WHERE c.file_id = ? AND c.place_id = ? AND {IS_BAD_COPY}",
        file_id,
        place_id,
    )
    return [row_to_copy(row) for row in rows]


def find_unfinished_upload(catalog: Catalog, place_id: int, key: str) -> UnfinishedUpload | None:
    """Return the unfinished upload of a key."""
    row = catalog.fetch_one(
        "SELECT id, file_id, key, token, part_bytes, blake3 FROM uploads WHERE place_id = ? AND key = ?",
        place_id,
        to_db(key),
    )
    return _row_to_upload(catalog, row) if row else None


def list_unfinished_uploads(catalog: Catalog, place_id: int) -> list[UnfinishedUpload]:
    """Return every unfinished upload to a place."""
    rows = catalog.fetch_all(
        "SELECT id, file_id, key, token, part_bytes, blake3 FROM uploads WHERE place_id = ?", place_id
    )
    return [_row_to_upload(catalog, row) for row in rows]


def add_upload(
    catalog: Catalog, place_id: int, file_id: int, key: str, token: str, part_bytes: int, blake3: bytes, at: int
) -> int:
    """Record that a multipart upload was begun; return its id. Call inside `transaction`."""
    return catalog.execute(
        "INSERT INTO uploads (place_id, file_id, key, token, part_bytes, blake3, started_at)"
        " VALUES (?, ?, ?, ?, ?, ?, ?)",
        place_id,
        file_id,
        to_db(key),
        token,
        part_bytes,
        blake3,
        at,
    )


def add_sent_part(catalog: Catalog, upload_id: int, number: int, tag: str, sha256: bytes) -> None:
    """Record that a part arrived and was verified. Call inside `transaction`."""
    catalog.execute(
        "INSERT INTO upload_parts (upload_id, number, tag, sha256) VALUES (?, ?, ?, ?)"
        " ON CONFLICT (upload_id, number) DO UPDATE SET tag = excluded.tag, sha256 = excluded.sha256",
        upload_id,
        number,
        tag,
        sha256,
    )


def remove_upload(catalog: Catalog, upload_id: int) -> None:
    """Remove an upload that is complete or aborted. Call inside `transaction`."""
    catalog.execute("DELETE FROM upload_parts WHERE upload_id = ?", upload_id)
    catalog.execute("DELETE FROM uploads WHERE id = ?", upload_id)


def get_server_capabilities(catalog: Catalog, place_id: int) -> tuple[dict[str, bool], int] | None:
    """Return a server's probed capabilities, and when it was probed (UTC ns)."""
    row = catalog.fetch_one("SELECT capabilities, probed_at FROM servers WHERE place_id = ?", place_id)
    return (json.loads(row[0]), row[1]) if row else None


def record_server_capabilities(catalog: Catalog, place_id: int, capabilities: Mapping[str, bool], at: int) -> None:
    """Record a server's probed capabilities. Call inside `transaction`."""
    catalog.execute(
        "INSERT INTO servers (place_id, probed_at, capabilities) VALUES (?, ?, ?) ON CONFLICT (place_id)"
        " DO UPDATE SET probed_at = excluded.probed_at, capabilities = excluded.capabilities",
        place_id,
        at,
        json.dumps(dict(capabilities), sort_keys=True),
    )


def get_last_upload_rate(catalog: Catalog) -> float | None:
    """Return the bytes per second of the last upload that sent anything."""
    row = catalog.fetch_one(
        "SELECT json_extract(detail, '$.rate') FROM jobs WHERE kind = 'upload'"
        " AND json_extract(detail, '$.rate') > 0 ORDER BY id DESC LIMIT 1"
    )
    return float(row[0]) if row else None


def _row_to_required(row: Row) -> OffsiteRequirement:
    return OffsiteRequirement(row[0], from_db(row[1]), row[2], row[3] / 100, row[4])


def _row_to_upload(catalog: Catalog, row: Row) -> UnfinishedUpload:
    parts = catalog.fetch_all("SELECT number, tag, sha256 FROM upload_parts WHERE upload_id = ?", row[0])
    return UnfinishedUpload(
        row[0],
        row[1],
        from_db(row[2]),
        row[3],
        row[4],
        row[5],
        {number: (tag, sha256) for number, tag, sha256 in parts},
    )
