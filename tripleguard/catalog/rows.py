"""How files and copies come out of the tables: the columns to ask for, and the values they become."""

from __future__ import annotations

from dataclasses import dataclass

from tripleguard.catalog.store import Row
from tripleguard.catalog.text import from_db, joined_path
from tripleguard.model import Copy, CopyState, Evidence, File, Kind, Medium

COPY = (
    "c.id, c.file_id, c.place_id, d.path, c.name, f.size, c.mtime_ns, c.state, c.written_at, c.verified_at,"
    " CASE WHEN c.remounted_at = c.verified_at THEN 'remounted' ELSE c.medium END, c.listed_at, c.inherited_at,"
    " c.cached_in"
)
COPY_FROM = "FROM copies c JOIN folders d ON d.id = c.folder_id JOIN files f ON f.id = c.file_id"
FILE = "f.id, f.digest, f.size, f.name, f.kind, f.shoot_id, f.captured_wall_ns, f.captured_offset, f.sample"


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


def file_of(row: Row) -> KnownFile:
    """The file in a row of FILE columns."""
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


def copy_of(row: Row) -> Copy:
    """The copy in a row of COPY columns."""
    return Copy(
        id=row[0],
        file_id=row[1],
        place_id=row[2],
        path=joined_path(row[3], row[4]),
        size=row[5],
        mtime_ns=row[6],
        state=CopyState(row[7]),
        evidence=Evidence(row[8], row[9], None if row[10] is None else Medium(row[10]), row[11], row[12], row[13]),
    )
