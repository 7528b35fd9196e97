"""Convert between rows and values: names and paths, files and copies, and the columns to select for them.

Most names are UTF-8 and are stored as text, so that a person can search them. Any other name is stored as its
bytes, so that it is restored unchanged.
"""

from __future__ import annotations

import os
from dataclasses import dataclass

from tripleguard.catalog.store import Row
from tripleguard.model import Copy, CopyState, Evidence, File, FileKind, Medium


def to_db(name: str) -> str | bytes:
    """Return the catalog's value for a name."""
    try:
        name.encode("utf-8")
    except UnicodeEncodeError:
        return os.fsencode(name)
    return name


def from_db(value: str | bytes) -> str:
    """Return the name of a catalog's value."""
    return os.fsdecode(value) if isinstance(value, bytes) else value


def split_path(path: str) -> tuple[str | bytes, str | bytes]:
    """Return folder and name as catalog values."""
    folder, _, name = path.rpartition("/")
    return to_db(folder), to_db(name)


def join_path(folder: str | bytes, name: str | bytes) -> str:
    """Return the path from a catalog's folder and name."""
    text = from_db(folder)
    return f"{text}/{from_db(name)}" if text else from_db(name)


COPY_COLUMNS = (
    "c.id, c.file_id, c.place_id, d.path, c.name, f.size, c.mtime_ns, c.state, c.written_at, c.verified_at,"
    " CASE WHEN c.remounted_at = c.verified_at THEN 'remounted' ELSE c.medium END, c.listed_at, c.inherited_at,"
    " c.cached_insertion, c.verified_ctime_ns, c.shoot_id"
)
_COPY_JOINS = "JOIN folders d ON d.id = c.folder_id JOIN files f ON f.id = c.file_id"
COPY_FROM = f"FROM copies c {_COPY_JOINS}"
GOOD_COPY_FROM = f"FROM good_copies c {_COPY_JOINS}"
UNVERIFIED_COPY_FROM = f"FROM unverified_copies c {_COPY_JOINS}"
IS_BAD_COPY = "c.state IN ('missing', 'corrupt', 'altered')"
"""The condition that a copy is known to be bad; matches the index `copies_bad`."""
INHERIT_EVIDENCE = (
    "UPDATE copies SET inherited_at = coalesce(verified_at, inherited_at), verified_at = NULL, medium = NULL"
    " WHERE verified_at IS NOT NULL"
)
"""Makes verifications inherited, of all copies or under a further condition: they count once read again."""
IS_ORIGINAL = "f.kind IN ('raw', 'picture', 'video', 'sound')"
"""The condition that a file is an original, as in `FileKind.is_original`."""
FILE_COLUMNS = (
    "f.id, f.digest, f.size, f.name, f.kind, f.shoot_id, f.captured_wall_ns, f.captured_offset, f.sample"
)


@dataclass(frozen=True, slots=True)
class KnownFile:
    """A file in the catalog. wall_ns and offset as in `file_updates.FileOrigin`."""

    id: int
    file: File
    name: str
    kind: FileKind
    shoot_id: int
    wall_ns: int | None
    offset: int | None
    sample: bytes | None


def row_to_file(row: Row) -> KnownFile:
    """Return the file in a row of FILE columns."""
    return KnownFile(
        id=row[0],
        file=File(row[1], row[2]),
        name=from_db(row[3]),
        kind=FileKind(row[4]),
        shoot_id=row[5],
        wall_ns=row[6],
        offset=row[7],
        sample=row[8],
    )


def row_to_copy(row: Row) -> Copy:
    """Return the copy in a row of COPY columns."""
    return Copy(
        id=row[0],
        file_id=row[1],
        place_id=row[2],
        shoot_id=row[15],
        path=join_path(row[3], row[4]),
        size=row[5],
        mtime_ns=row[6],
        state=CopyState(row[7]),
        evidence=Evidence(row[8], row[9], None if row[10] is None else Medium(row[10]), *row[11:15]),
    )
