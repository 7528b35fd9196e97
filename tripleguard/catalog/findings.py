"""Findings about copies on a place: opened once, resolved when they no longer hold, accepted by a person.

Only findings of a rescan are stored. Those that follow from counting (under-replicated, overdue) are computed on
demand.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from tripleguard.catalog.rows import from_db, join_path, to_db
from tripleguard.catalog.store import Catalog, Row
from tripleguard.model import FindingKind


@dataclass(frozen=True, slots=True)
class StoredFinding:
    """One finding as the catalog stores it. since, seen_at, accepted_at: UTC ns."""

    id: int
    kind: FindingKind
    place_id: int
    path: str
    copy_id: int | None
    file_id: int | None
    shoot_id: int | None
    since: int
    seen_at: int
    accepted_at: int | None
    accepted_reason: str | None
    evidence: Mapping[str, object] = field(default_factory=dict)


_FINDING_COLUMNS = (
    "id, kind, place_id, path, copy_id, file_id, shoot_id, since, seen_at, accepted_at, accepted_reason, evidence"
)


def open_or_refresh(
    catalog: Catalog,
    kind: FindingKind,
    place_id: int,
    path: str,
    at: int,
    *,
    copy_id: int | None = None,
    file_id: int | None = None,
    shoot_id: int | None = None,
    evidence: Mapping[str, object] | None = None,
) -> bool:
    """Open a finding, or confirm it; return whether it is new. Call inside `transaction`.

    Replace the stored evidence, but keep later additions if the fault is unchanged. A different fault at an
    accepted path is another finding.
    """
    now = dict(evidence or {})
    open_one = next((one for one in list_findings_at(catalog, place_id, path) if one.kind is kind), None)
    if open_one is not None:
        same = not any(now.get(key) != open_one.evidence.get(key) for key in FAULT_EVIDENCE_KEYS) and (
            file_id is None or file_id == open_one.file_id
        )
        if same or open_one.accepted_at is None:
            kept = (
                {key: open_one.evidence[key] for key in _LATER_EVIDENCE_KEYS if key in open_one.evidence}
                if same
                else {}
            )
            _refresh(catalog, open_one, at, copy_id, file_id, {**kept, **now})
            return False
        resolve_at(catalog, place_id, path, "what is there now is something else", at, kinds=(kind,))
    catalog.execute(
        "INSERT INTO findings (kind, place_id, path, copy_id, file_id, shoot_id, since, seen_at, evidence)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        kind,
        place_id,
        to_db(path),
        copy_id,
        file_id,
        shoot_id,
        at,
        at,
        _encode_evidence(now),
    )
    return True


FAULT_EVIDENCE_KEYS = ("found", "unreadable", "was")
"""The evidence by which two faults at a path differ."""
_LATER_EVIDENCE_KEYS = ("damage", "shape", "differing")
"""The evidence from comparing a fault with a good copy, after it was found."""


def _refresh(
    catalog: Catalog,
    finding: StoredFinding,
    at: int,
    copy_id: int | None,
    file_id: int | None,
    evidence: Mapping[str, object],
) -> None:
    catalog.execute(
        "UPDATE findings SET seen_at = ?, copy_id = ?, file_id = ?, evidence = ? WHERE id = ?",
        at,
        copy_id,
        file_id,
        _encode_evidence(evidence),
        finding.id,
    )


def _encode_evidence(evidence: Mapping[str, object]) -> str:
    return json.dumps({key: value for key, value in evidence.items() if value is not None}, sort_keys=True)


def add_evidence(catalog: Catalog, place_id: int, path: str, extra: Mapping[str, object]) -> None:
    """Add evidence to the open findings at a path. Call inside `transaction`."""
    for one in list_findings_at(catalog, place_id, path):
        evidence = json.dumps({**one.evidence, **extra}, sort_keys=True)
        catalog.execute("UPDATE findings SET evidence = ? WHERE id = ?", evidence, one.id)


BAD_KINDS = (FindingKind.MISSING, FindingKind.CORRUPT, FindingKind.ALTERED, FindingKind.STRAY)
"""The kinds that are resolved once the copy at a path is read back and equal."""


def resolve_at(
    catalog: Catalog,
    place_id: int,
    path: str,
    resolution: str,
    at: int,
    *,
    kinds: Sequence[FindingKind] = tuple(FindingKind),
) -> None:
    """Resolve the open findings of these kinds at a path. Call inside `transaction`."""
    catalog.execute(
        "UPDATE findings SET closed_at = ?, resolution = ? WHERE place_id = ? AND path = ?"
        f" AND closed_at IS NULL AND kind IN ({','.join('?' * len(kinds))})",
        at,
        resolution,
        place_id,
        to_db(path),
        *kinds,
    )


def accept(catalog: Catalog, finding_id: int, person: str, reason: str, at: int) -> None:
    """Record that a person accepts this finding, and why. Call inside `transaction`."""
    catalog.execute(
        "UPDATE findings SET accepted_at = ?, accepted_by = ?, accepted_reason = ? WHERE id = ?",
        at,
        person,
        reason,
        finding_id,
    )


def list_open_findings(catalog: Catalog, limit: int = 100_000) -> list[StoredFinding]:
    """Return the open findings on places, oldest first."""
    rows = catalog.fetch_all(
        f"SELECT {_FINDING_COLUMNS} FROM findings WHERE closed_at IS NULL AND place_id IS NOT NULL"
        " ORDER BY since, id LIMIT ?",
        limit,
    )
    return [_row_to_finding(row) for row in rows]


@dataclass(frozen=True, slots=True)
class NumberedFinding:
    """An open finding by its number; place_id None: about a file at any path."""

    id: int
    kind: FindingKind
    place_id: int | None
    path: str
    file_id: int | None
    shoot_id: int | None


def find_open_finding(catalog: Catalog, finding_id: int) -> NumberedFinding | None:
    """Return the open finding with this number."""
    row = catalog.fetch_one(
        "SELECT id, kind, place_id, path, file_id, shoot_id FROM findings WHERE id = ? AND closed_at IS NULL",
        finding_id,
    )
    return NumberedFinding(row[0], FindingKind(row[1]), row[2], from_db(row[3]), row[4], row[5]) if row else None


def list_findings_at(catalog: Catalog, place_id: int, path: str) -> list[StoredFinding]:
    """Return the open findings at one path of a place."""
    rows = catalog.fetch_all(
        f"SELECT {_FINDING_COLUMNS} FROM findings WHERE place_id = ? AND path = ? AND closed_at IS NULL",
        place_id,
        to_db(path),
    )
    return [_row_to_finding(row) for row in rows]


def list_findings_of_copy(catalog: Catalog, copy_id: int) -> list[StoredFinding]:
    """Return the open findings about one copy."""
    rows = catalog.fetch_all(
        f"SELECT {_FINDING_COLUMNS} FROM findings WHERE copy_id = ? AND closed_at IS NULL", copy_id
    )
    return [_row_to_finding(row) for row in rows]


def map_last_locations(catalog: Catalog) -> dict[bytes, list[tuple[int, str]]]:
    """Return where misplaced bytes were last found: digest to (place id, path), newest first.

    A copy that was quarantined since is listed with its quarantine path.
    """
    rows = catalog.fetch_all(
        "SELECT json_extract(f.evidence, '$.found'), f.place_id, f.path, d.path, c.name FROM findings f"
        " LEFT JOIN copies c ON c.id = f.copy_id LEFT JOIN folders d ON d.id = c.folder_id"
        " WHERE json_extract(f.evidence, '$.found') IS NOT NULL"
        " AND (f.closed_at IS NULL OR c.state IN ('corrupt', 'altered', 'quarantined')) ORDER BY f.id DESC"
    )
    found: dict[bytes, list[tuple[int, str]]] = {}
    for digest, place_id, path, folder, name in rows:
        at = from_db(path) if name is None else join_path(folder, name)
        found.setdefault(bytes.fromhex(digest), []).append((place_id, at))
    return found


def _row_to_finding(row: Row) -> StoredFinding:
    return StoredFinding(
        id=row[0],
        kind=FindingKind(row[1]),
        place_id=row[2],
        path=from_db(row[3]),
        copy_id=row[4],
        file_id=row[5],
        shoot_id=row[6],
        since=row[7],
        seen_at=row[8],
        accepted_at=row[9],
        accepted_reason=row[10],
        evidence=json.loads(row[11]),
    )
