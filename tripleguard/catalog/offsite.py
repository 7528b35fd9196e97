"""What lies offsite, what is owed there, and uploads that are under way."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace

from tripleguard.catalog.rows import COPY, COPY_FROM, FILE, KnownFile, copy_of, file_of
from tripleguard.catalog.selects import Wanted
from tripleguard.catalog.store import Catalog, Row
from tripleguard.catalog.text import from_db, joined_path, to_db
from tripleguard.model import Copy, CopyState
from tripleguard.names import stands_for

_WIDE = COPY.count(",") + 1
"""Columns of a copy."""


@dataclass(frozen=True, slots=True)
class Stored:
    """How a copy lies offsite. stored: bytes there; blake3: of those bytes; sealed: how encrypted, '' for not."""

    tag: str
    proof: str
    stored: int
    sealed: str
    blake3: bytes


@dataclass(frozen=True, slots=True)
class Debt:
    """A file that is wanted offsite and not proved there. wanted.path is the key it should have.

    lies_there: a copy is recorded that was not read back since it came into doubt, or was inherited.
    """

    wanted: Wanted
    known: KnownFile
    lies_there: bool = False


@dataclass(frozen=True, slots=True)
class Begun:
    """An upload in parts that is not finished. parts: number to tag and SHA-256, those that were proved."""

    id: int
    file_id: int
    key: str
    token: str
    part_bytes: int
    blake3: bytes
    parts: Mapping[int, tuple[str, bytes]]


@dataclass(frozen=True, slots=True)
class Standing:
    """What a place has of the selects. proved: copies there; owed; surplus: there and no longer chosen."""

    proved: int
    proved_bytes: int
    owed: int
    owed_bytes: int
    surplus: int
    surplus_bytes: int


def owed_offsite(catalog: Catalog, place_id: int) -> list[Debt]:
    """What is wanted and not proved on this place: the oldest day's debt first, in it the highest rating first.

    The bytes of an original count under any key; a sidecar only in its own folder and under its own name.
    """
    rows = catalog.rows(
        f"SELECT w.file_id, w.path, w.shoot_id, w.rating, w.since, {FILE} FROM wanted_offsite w"
        " JOIN files f ON f.id = w.file_id ORDER BY w.since / 86400000000000, w.rating DESC, w.path"
    )
    debts = (Debt(_wanted(row), file_of(row[5:])) for row in rows)
    return [
        replace(debt, lies_there=_lies(catalog, place_id, debt, proved=False))
        for debt in debts
        if not _lies(catalog, place_id, debt, proved=True)
    ]


def _lies(catalog: Catalog, place_id: int, debt: Debt, *, proved: bool) -> bool:
    rows = catalog.rows(
        "SELECT d.path, c.name FROM copies c JOIN folders d ON d.id = c.folder_id WHERE c.file_id = ?"
        f" AND c.place_id = ? AND c.state = 'present' AND c.verified_at IS {'NOT ' if proved else ''}NULL",
        debt.known.id,
        place_id,
    )
    if debt.known.kind.is_original and debt.known.file.size > 0:
        return bool(rows)
    folder, _, name = debt.wanted.path.rpartition("/")
    return any(from_db(row[0]) == folder and stands_for(from_db(row[1]), name) for row in rows)


def is_wanted(catalog: Catalog, wanted: Wanted) -> bool:
    """Whether this is wanted offsite still: a person may have dropped it a moment ago."""
    question = "SELECT 1 FROM wanted_offsite WHERE file_id = ? AND path = ?"
    return catalog.row(question, wanted.file_id, to_db(wanted.path)) is not None


def standing(catalog: Catalog, place_id: int) -> Standing:
    """What this place has of the selects, what is owed to it, and what it has beside them."""
    debts = owed_offsite(catalog, place_id)
    there = catalog.row(
        "SELECT count(*), coalesce(sum(f.size), 0) FROM copies c JOIN files f ON f.id = c.file_id"
        " WHERE c.place_id = ? AND c.state = 'present' AND c.verified_at IS NOT NULL",
        place_id,
    )
    beside = catalog.row(
        "SELECT count(*), coalesce(sum(f.size), 0) FROM copies c JOIN files f ON f.id = c.file_id"
        " WHERE c.place_id = ? AND c.state = 'present' AND NOT EXISTS (SELECT 1 FROM wanted_offsite w"
        "   WHERE w.file_id = c.file_id) AND NOT EXISTS (SELECT 1 FROM versions v JOIN wanted_offsite w"
        "   ON w.path = v.path WHERE v.file_id = c.file_id)",
        place_id,
    )
    assert there is not None
    assert beside is not None
    size = sum(debt.known.file.size for debt in debts)
    return Standing(there[0], there[1], len(debts), size, beside[0], beside[1])


@dataclass(frozen=True, slots=True)
class ReadBack:
    """Of the selects that lie offsite: how many were read back there, of how many; the oldest such time (ns)."""

    files: int = 0
    of_files: int = 0
    oldest: int | None = None


def read_back(catalog: Catalog, place_id: int) -> ReadBack:
    """What is known of the selects on this place by reading them there, and not as they arrived."""
    row = catalog.row(
        "SELECT coalesce(sum(o.proof = 'read'), 0), count(*),"
        " min(CASE WHEN o.proof = 'read' THEN c.verified_at END)"
        " FROM copies c LEFT JOIN objects o ON o.copy_id = c.id WHERE c.place_id = ? AND c.state = 'present'"
        " AND c.verified_at IS NOT NULL AND c.file_id IN (SELECT file_id FROM wanted_offsite)",
        place_id,
    )
    assert row is not None
    return ReadBack(*row)


def stored_as(catalog: Catalog, copy_id: int) -> Stored | None:
    """How a copy lies offsite."""
    row = catalog.row("SELECT tag, proof, stored, sealed, blake3 FROM objects WHERE copy_id = ?", copy_id)
    return Stored(*row) if row else None


def has_sealed(catalog: Catalog, place_id: int) -> bool:
    """Whether anything lies there that has to be opened with a key."""
    question = (
        "SELECT 1 FROM objects o JOIN copies c ON c.id = o.copy_id WHERE c.place_id = ? AND c.state = 'present'"
        " AND o.sealed <> '' LIMIT 1"
    )
    return catalog.row(question, place_id) is not None


def object_stored(catalog: Catalog, copy_id: int, stored: Stored) -> None:
    """Remember how a copy lies offsite. Call inside `writing`."""
    catalog.run(
        "INSERT INTO objects (copy_id, tag, proof, stored, sealed, blake3) VALUES (?, ?, ?, ?, ?, ?)"
        " ON CONFLICT (copy_id) DO UPDATE SET tag = excluded.tag, proof = excluded.proof,"
        " stored = excluded.stored, sealed = excluded.sealed, blake3 = excluded.blake3",
        copy_id,
        stored.tag,
        stored.proof,
        stored.stored,
        stored.sealed,
        stored.blake3,
    )


def object_read(catalog: Catalog, copy_id: int, tag: str) -> None:
    """A copy was read back as this version. Call inside `writing`."""
    catalog.run("UPDATE objects SET tag = ?, proof = 'read' WHERE copy_id = ?", tag, copy_id)


def objects_of(catalog: Catalog, place_id: int) -> dict[str, tuple[Copy, Stored | None]]:
    """Every copy recorded on a place by its key, but those that gave way to a good one."""
    rows = catalog.rows(
        f"SELECT {COPY}, o.tag, o.proof, o.stored, o.sealed, o.blake3 {COPY_FROM}"
        " LEFT JOIN objects o ON o.copy_id = c.id WHERE c.place_id = ? AND c.state <> 'aside'",
        place_id,
    )
    found: dict[str, tuple[Copy, Stored | None]] = {}
    for row in rows:
        copy = copy_of(row[:_WIDE])
        found[copy.path] = (copy, Stored(*row[_WIDE:]) if row[_WIDE] is not None else None)
    return found


def keys_that_gave_way(catalog: Catalog, place_id: int) -> set[str]:
    """Keys under which bad copies stay beside good ones of another key."""
    found = catalog.rows(
        "SELECT d.path, c.name FROM copies c JOIN folders d ON d.id = c.folder_id"
        " WHERE c.place_id = ? AND c.state = 'aside'",
        place_id,
    )
    return {joined_path(*row) for row in found}


def doubted(catalog: Catalog, copy_id: int) -> None:
    """A copy may be another version now: it is proved no more until it was read back. Call inside `writing`."""
    catalog.run(
        "UPDATE copies SET inherited_at = coalesce(verified_at, inherited_at), verified_at = NULL, medium = NULL"
        " WHERE id = ? AND verified_at IS NOT NULL",
        copy_id,
    )


def to_read_back(catalog: Catalog, place_id: int, limit: int) -> list[Copy]:
    """Copies in the order in which they want to be read back.

    What is in doubt comes first, then what was never read, then the oldest evidence.
    """
    rows = catalog.rows(
        f"SELECT {COPY} {COPY_FROM} LEFT JOIN objects o ON o.copy_id = c.id WHERE c.place_id = ?"
        " AND c.state = 'present' ORDER BY c.verified_at IS NOT NULL, coalesce(o.proof, '') = 'read',"
        " c.verified_at, c.id LIMIT ?",
        place_id,
        limit,
    )
    return [copy_of(row) for row in rows]


def gave_way(catalog: Catalog, copy_id: int, at: int) -> None:
    """A bad copy stays under its key, and a good one has another. Call inside `writing`."""
    catalog.run("UPDATE copies SET state = ?, state_since = ? WHERE id = ?", CopyState.ASIDE, at, copy_id)


def bad_copies_of(catalog: Catalog, place_id: int, file_id: int) -> list[Copy]:
    """Copies of a file on a place that are missing, corrupt or altered."""
    rows = catalog.rows(
        f"SELECT {COPY} {COPY_FROM} WHERE c.file_id = ? AND c.place_id = ?"
        " AND c.state IN ('missing', 'corrupt', 'altered')",
        file_id,
        place_id,
    )
    return [copy_of(row) for row in rows]


def begun_upload(catalog: Catalog, place_id: int, key: str) -> Begun | None:
    """The unfinished upload of a key."""
    row = catalog.row(
        "SELECT id, file_id, key, token, part_bytes, blake3 FROM uploads WHERE place_id = ? AND key = ?",
        place_id,
        to_db(key),
    )
    return _begun(catalog, row) if row else None


def begun_uploads(catalog: Catalog, place_id: int) -> list[Begun]:
    """Every unfinished upload to a place."""
    rows = catalog.rows(
        "SELECT id, file_id, key, token, part_bytes, blake3 FROM uploads WHERE place_id = ?", place_id
    )
    return [_begun(catalog, row) for row in rows]


def upload_begun(
    catalog: Catalog, place_id: int, file_id: int, key: str, token: str, part_bytes: int, blake3: bytes, at: int
) -> int:
    """An upload in parts was begun; its id. Call inside `writing`."""
    return catalog.run(
        "INSERT INTO uploads (place_id, file_id, key, token, part_bytes, blake3, began_at)"
        " VALUES (?, ?, ?, ?, ?, ?, ?)",
        place_id,
        file_id,
        to_db(key),
        token,
        part_bytes,
        blake3,
        at,
    )


def part_sent(catalog: Catalog, upload_id: int, number: int, tag: str, sha256: bytes) -> None:
    """A part arrived and was proved. Call inside `writing`."""
    catalog.run(
        "INSERT INTO upload_parts (upload_id, number, tag, sha256) VALUES (?, ?, ?, ?)"
        " ON CONFLICT (upload_id, number) DO UPDATE SET tag = excluded.tag, sha256 = excluded.sha256",
        upload_id,
        number,
        tag,
        sha256,
    )


def upload_ended(catalog: Catalog, upload_id: int) -> None:
    """An upload is an object now, or was given up. Call inside `writing`."""
    catalog.run("DELETE FROM upload_parts WHERE upload_id = ?", upload_id)
    catalog.run("DELETE FROM uploads WHERE id = ?", upload_id)


def server_habits(catalog: Catalog, place_id: int) -> tuple[dict[str, bool], int] | None:
    """What a server was seen to check, and when it was asked (UTC ns)."""
    row = catalog.row("SELECT habits, asked_at FROM servers WHERE place_id = ?", place_id)
    return (json.loads(row[0]), row[1]) if row else None


def habits_seen(catalog: Catalog, place_id: int, habits: Mapping[str, bool], at: int) -> None:
    """A server was asked what it checks. Call inside `writing`."""
    catalog.run(
        "INSERT INTO servers (place_id, asked_at, habits) VALUES (?, ?, ?) ON CONFLICT (place_id)"
        " DO UPDATE SET asked_at = excluded.asked_at, habits = excluded.habits",
        place_id,
        at,
        json.dumps(dict(habits), sort_keys=True),
    )


def last_rate(catalog: Catalog) -> float | None:
    """Bytes per second of the last upload that sent anything."""
    row = catalog.row(
        "SELECT json_extract(detail, '$.rate') FROM jobs WHERE kind = 'upload'"
        " AND json_extract(detail, '$.rate') > 0 ORDER BY id DESC LIMIT 1"
    )
    return float(row[0]) if row else None


def _wanted(row: Row) -> Wanted:
    return Wanted(row[0], from_db(row[1]), row[2], row[3] / 100, row[4])


def _begun(catalog: Catalog, row: Row) -> Begun:
    parts = catalog.rows("SELECT number, tag, sha256 FROM upload_parts WHERE upload_id = ?", row[0])
    return Begun(
        row[0],
        row[1],
        from_db(row[2]),
        row[3],
        row[4],
        row[5],
        {number: (tag, sha256) for number, tag, sha256 in parts},
    )
