"""Gaps in frame numbers that may mean a missing card, as the catalog stores them.

A gap closes by itself when its frames are found, or when a person explains it. Explanations are kept: an explained
gap is not reported again, and what was explained twice is a habit.
"""

from __future__ import annotations

import json
from dataclasses import dataclass

from tripleguard.catalog.store import Catalog, Row


@dataclass(frozen=True, slots=True)
class GapRecord:
    """A stored gap; id 0 before it is stored. Fields as in `frames.gaps.Gap`; key identifies it."""

    day: str
    kind: str
    key: str
    body_id: int | None
    label: str
    verdict: str
    amount: int
    first_name: str
    last_name: str
    first_position: int
    last_position: int
    since_ns: int | None
    until_ns: int | None
    readings: frozenset[int]
    should_keep_cards: bool
    id: int = 0


_GAP_COLUMNS = (
    "d.day, d.kind, d.gap_key, d.body_id, coalesce(b.label, ''), d.verdict, d.frames, d.first_name, d.last_name,"
    " d.first_at, d.last_at, d.since_wall_ns, d.until_wall_ns, d.readings, d.should_keep_cards, d.id"
)
_GAPS_SQL = f"SELECT {_GAP_COLUMNS} FROM gaps d LEFT JOIN bodies b ON b.id = d.body_id"


def list_open_gaps(catalog: Catalog, day: str | None = None) -> list[GapRecord]:
    """Return the open gaps of one night or of all, newest night first."""
    where, values = ("AND d.day = ?", [day]) if day is not None else ("", [])
    rows = catalog.fetch_all(f"{_GAPS_SQL} WHERE d.closed_at IS NULL {where} ORDER BY d.day DESC, d.id", *values)
    return [_row_to_gap(row) for row in rows]


def list_explained_gaps(catalog: Catalog, day: str) -> list[GapRecord]:
    """Return the gaps of one night that a person explained."""
    rows = catalog.fetch_all(f"{_GAPS_SQL} WHERE d.closed_by IS NOT NULL AND d.day = ? ORDER BY d.id", day)
    return [_row_to_gap(row) for row in rows]


def open_or_refresh_gap(catalog: Catalog, gap: GapRecord, at: int) -> None:
    """Open a gap, or update it if it is open. Call inside `transaction`."""
    catalog.execute(
        "INSERT INTO gaps (day, kind, gap_key, body_id, verdict, frames, first_name, last_name, first_at, last_at,"
        " since_wall_ns, until_wall_ns, readings, should_keep_cards, opened_at, seen_at)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (day, gap_key) WHERE"
        " closed_at IS NULL"
        " DO UPDATE SET verdict = excluded.verdict, frames = excluded.frames, first_name = excluded.first_name,"
        " last_name = excluded.last_name, since_wall_ns = excluded.since_wall_ns,"
        " until_wall_ns = excluded.until_wall_ns, readings = excluded.readings, should_keep_cards ="
        " excluded.should_keep_cards,"
        " seen_at = excluded.seen_at",
        gap.day,
        gap.kind,
        gap.key,
        gap.body_id,
        gap.verdict,
        gap.amount,
        gap.first_name,
        gap.last_name,
        gap.first_position,
        gap.last_position,
        gap.since_ns,
        gap.until_ns,
        json.dumps(sorted(gap.readings)),
        int(gap.should_keep_cards),
        at,
        at,
    )


def close_gap(
    catalog: Catalog, gap_id: int, at: int, *, person: str | None = None, reason: str | None = None
) -> None:
    """Close a gap that no longer exists or that a person explained. Call inside `transaction`."""
    catalog.execute(
        "UPDATE gaps SET closed_at = ?, closed_by = ?, closed_reason = ? WHERE id = ?", at, person, reason, gap_id
    )


def _row_to_gap(row: Row) -> GapRecord:
    readings, keeps, number = row[13:]
    return GapRecord(*(*row[:13], frozenset(json.loads(readings)), bool(keeps), number))


def list_explained_sizes(catalog: Catalog, body_id: int) -> list[tuple[str, int]]:
    """Return this body's explained gaps: kind, and frames or minutes."""
    return catalog.fetch_all(
        "SELECT kind, frames FROM gaps WHERE body_id = ? AND closed_by IS NOT NULL ORDER BY closed_at", body_id
    )
