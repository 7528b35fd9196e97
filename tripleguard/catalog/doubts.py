"""What may be missing, as the catalog keeps it (`cameras.doubts` says what a doubt is).

A doubt closes by itself when what it missed was seen, or by a person's word, which is kept: what was explained
once is not asked again, and what was explained twice is a habit.
"""

from __future__ import annotations

import json
from dataclasses import dataclass

from tripleguard.catalog.store import Catalog, Row


@dataclass(frozen=True, slots=True)
class DoubtRow:
    """A doubt as it is kept; id 0 before it is. Fields as in `cameras.doubts.Doubt`; mark tells it from others."""

    day: str
    kind: str
    mark: str
    body_id: int | None
    label: str
    verdict: str
    frames: int
    first: str
    last: str
    first_at: int
    last_at: int
    since: int | None
    until: int | None
    readings: frozenset[int]
    keeps: bool
    id: int = 0


_DOUBT = (
    "d.day, d.kind, d.mark, d.body_id, coalesce(b.label, ''), d.verdict, d.frames, d.first_name, d.last_name,"
    " d.first_at, d.last_at, d.since_wall_ns, d.until_wall_ns, d.readings, d.keeps, d.id"
)
_DOUBTS = f"SELECT {_DOUBT} FROM doubts d LEFT JOIN bodies b ON b.id = d.body_id"


def open_doubts(catalog: Catalog, day: str | None = None) -> list[DoubtRow]:
    """What is open, of one night or of all, newest night first."""
    where, values = ("AND d.day = ?", [day]) if day is not None else ("", [])
    rows = catalog.rows(f"{_DOUBTS} WHERE d.closed_at IS NULL {where} ORDER BY d.day DESC, d.id", *values)
    return [_doubt(row) for row in rows]


def explained_doubts(catalog: Catalog, day: str) -> list[DoubtRow]:
    """What a person has explained of one night."""
    rows = catalog.rows(f"{_DOUBTS} WHERE d.closed_by IS NOT NULL AND d.day = ? ORDER BY d.id", day)
    return [_doubt(row) for row in rows]


def open_doubt(catalog: Catalog, doubt: DoubtRow, at: int) -> None:
    """Open a doubt, or say that it still holds and how it stands now. Call inside `writing`."""
    catalog.run(
        "INSERT INTO doubts (day, kind, mark, body_id, verdict, frames, first_name, last_name, first_at, last_at,"
        " since_wall_ns, until_wall_ns, readings, keeps, opened_at, seen_at)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (day, mark) WHERE closed_at IS NULL"
        " DO UPDATE SET verdict = excluded.verdict, frames = excluded.frames, first_name = excluded.first_name,"
        " last_name = excluded.last_name, since_wall_ns = excluded.since_wall_ns,"
        " until_wall_ns = excluded.until_wall_ns, readings = excluded.readings, keeps = excluded.keeps,"
        " seen_at = excluded.seen_at",
        doubt.day,
        doubt.kind,
        doubt.mark,
        doubt.body_id,
        doubt.verdict,
        doubt.frames,
        doubt.first,
        doubt.last,
        doubt.first_at,
        doubt.last_at,
        doubt.since,
        doubt.until,
        json.dumps(sorted(doubt.readings)),
        int(doubt.keeps),
        at,
        at,
    )


def close_doubt(
    catalog: Catalog, doubt_id: int, at: int, *, who: str | None = None, why: str | None = None
) -> None:
    """Close a doubt: it holds no more, or a person explained it. Call inside `writing`."""
    catalog.run(
        "UPDATE doubts SET closed_at = ?, closed_by = ?, closed_why = ? WHERE id = ?", at, who, why, doubt_id
    )


def _doubt(row: Row) -> DoubtRow:
    readings, keeps, number = row[13:]
    return DoubtRow(*(*row[:13], frozenset(json.loads(readings)), bool(keeps), number))


def explained(catalog: Catalog, body_id: int) -> list[tuple[str, int]]:
    """What a person has explained of this body: kind, and frames or minutes."""
    return catalog.rows(
        "SELECT kind, frames FROM doubts WHERE body_id = ? AND closed_by IS NOT NULL ORDER BY closed_at", body_id
    )
