"""The recorded quarantined copies, and how to forget one that is gone.

They have an index of their own, so that a query costs what is in quarantine, not what the archive holds.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from tripleguard.catalog.rows import COPY_COLUMNS, COPY_FROM, from_db, row_to_copy
from tripleguard.catalog.store import Catalog
from tripleguard.model import Copy, CopyState, FindingKind


@dataclass(frozen=True, slots=True)
class QuarantinedCopy:
    """A quarantined copy, since when (UTC ns), and the kinds of findings about it.

    home_path: the path it belonged at; None if uncertain.
    """

    copy: Copy
    since: int
    finding_kinds: frozenset[FindingKind]
    has_open_finding: bool
    home_path: str | None


@dataclass(frozen=True, slots=True)
class QuarantineTotals:
    """A place's quarantine: copies, their recorded bytes, and the time of the oldest (UTC ns)."""

    copies: int
    total_bytes: int
    oldest_since: int | None


def sum_quarantine(catalog: Catalog, place_id: int) -> QuarantineTotals:
    """Return how much is in quarantine on a place, connected or not."""
    row = catalog.fetch_one(
        "SELECT count(*), coalesce(sum(f.size), 0), min(c.state_since)"
        f" {COPY_FROM} WHERE c.place_id = ? AND c.state = 'quarantined'",
        place_id,
    )
    assert row is not None
    return QuarantineTotals(*row)


def list_quarantined_copies(catalog: Catalog, place_id: int) -> list[QuarantinedCopy]:
    """Return every quarantined copy of a place, oldest first."""
    rows = catalog.fetch_all(
        f"SELECT {COPY_COLUMNS}, c.state_since {COPY_FROM} WHERE c.place_id = ? AND c.state = 'quarantined'"
        " ORDER BY c.state_since, c.id",
        place_id,
    )
    found = _list_findings_by_copy(catalog, place_id)
    return [_build_copy(catalog, row_to_copy(row[:-1]), row[-1], found.get(row[0], ())) for row in rows]


def forget_quarantined(catalog: Catalog, copy: Copy) -> None:
    """Remove a quarantined copy that is gone; findings about it stay. Call inside `transaction`."""
    if copy.state is not CopyState.QUARANTINED:
        raise AssertionError("only quarantined copies are ever forgotten")
    catalog.execute("UPDATE findings SET copy_id = NULL WHERE copy_id = ? AND closed_at IS NOT NULL", copy.id)
    catalog.execute("DELETE FROM copies WHERE id = ? AND state = 'quarantined'", copy.id)


def _build_copy(
    catalog: Catalog, copy: Copy, since: int, findings: Iterable[tuple[FindingKind, str, bool]]
) -> QuarantinedCopy:
    findings = list(findings)
    homes = {path for _, path, _ in findings}
    if not homes:
        # A version replaced by a newer one was never a finding; its path is known by its version line.
        versions = catalog.fetch_all("SELECT path FROM versions WHERE file_id = ?", copy.file_id)
        homes = {path for row in versions if _get_name(path := from_db(row[0])) == _get_name(copy.path)}
    return QuarantinedCopy(
        copy,
        since,
        frozenset(kind for kind, _, _ in findings),
        any(is_open for _, _, is_open in findings),
        homes.pop() if len(homes) == 1 else None,
    )


def _list_findings_by_copy(catalog: Catalog, place_id: int) -> dict[int, list[tuple[FindingKind, str, bool]]]:
    """Return all findings on a place, by copy: kind, path, and whether it is open."""
    found: dict[int, list[tuple[FindingKind, str, bool]]] = {}
    rows = catalog.fetch_all(
        "SELECT n.copy_id, n.kind, n.path, n.closed_at IS NULL FROM findings n JOIN copies c ON c.id = n.copy_id"
        " WHERE n.place_id = ? AND c.state = 'quarantined'",
        place_id,
    )
    for copy_id, kind, path, is_open in rows:
        found.setdefault(copy_id, []).append((FindingKind(kind), from_db(path), bool(is_open)))
    return found


def _get_name(path: str) -> str:
    return path.rpartition("/")[2]
