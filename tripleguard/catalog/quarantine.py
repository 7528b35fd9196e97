"""The quarantined copies that the catalog knows, and how to forget one that is gone.

They are found by the folders they lie in, so that a query costs what is in quarantine, not what the archive holds.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from tripleguard.catalog.rows import COPY_COLUMNS, from_db, row_to_copy
from tripleguard.catalog.store import Catalog
from tripleguard.model import Copy, CopyState, FindingKind

_QUARANTINE_PREFIX = ".tripleguard/aside/"
_QUARANTINE_PREFIX_END = ".tripleguard/aside0"  # `0` follows `/`: all folders below, by the index of their paths


@dataclass(frozen=True, slots=True)
class QuarantinedCopy:
    """One copy that was moved aside. since: UTC ns. kinds: what was ever found about it; open: one still is.

    home: the path it belonged at; None where that is not certain.
    """

    copy: Copy
    since: int
    finding_kinds: frozenset[FindingKind]
    has_open_finding: bool
    home_path: str | None


@dataclass(frozen=True, slots=True)
class QuarantineTotals:
    """What lies aside on a place: copies, their bytes as recorded, and since when the oldest does (UTC ns)."""

    copies: int
    total_bytes: int
    oldest_since: int | None


def sum_quarantine(catalog: Catalog, place_id: int) -> QuarantineTotals:
    """How much lies aside on a place, connected or not."""
    row = catalog.fetch_one(
        "SELECT count(*), coalesce(sum(f.size), 0), min(c.state_since) FROM folders d"
        " CROSS JOIN copies c ON c.folder_id = d.id JOIN files f ON f.id = c.file_id"
        " WHERE d.place_id = ? AND d.path > ? AND d.path < ? AND c.state = 'aside'",
        place_id,
        _QUARANTINE_PREFIX,
        _QUARANTINE_PREFIX_END,
    )
    assert row is not None
    return QuarantineTotals(*row)


def list_quarantined_copies(catalog: Catalog, place_id: int) -> list[QuarantinedCopy]:
    """Every copy that was moved aside on a place, oldest first."""
    rows = catalog.fetch_all(
        f"SELECT {COPY_COLUMNS}, c.state_since FROM folders d CROSS JOIN copies c ON c.folder_id = d.id"
        " JOIN files f ON f.id = c.file_id WHERE d.place_id = ? AND d.path > ? AND d.path < ?"
        " AND c.state = 'aside' ORDER BY c.state_since, c.id",
        place_id,
        _QUARANTINE_PREFIX,
        _QUARANTINE_PREFIX_END,
    )
    found = _list_findings_by_copy(catalog, place_id)
    return [_build_copy(catalog, row_to_copy(row[:-1]), row[-1], found.get(row[0], ())) for row in rows]


def forget_quarantined(catalog: Catalog, copy: Copy) -> None:
    """A copy that lay aside is no more; what was found about it stays. Call inside `transaction`."""
    if copy.state is not CopyState.QUARANTINED:
        raise AssertionError("only what lies aside is ever forgotten")
    catalog.execute("UPDATE findings SET copy_id = NULL WHERE copy_id = ? AND closed_at IS NOT NULL", copy.id)
    catalog.execute("DELETE FROM copies WHERE id = ? AND state = 'aside'", copy.id)


def _build_copy(
    catalog: Catalog, copy: Copy, since: int, findings: Iterable[tuple[FindingKind, str, bool]]
) -> QuarantinedCopy:
    findings = list(findings)
    homes = {path for _, path, _ in findings}
    if not homes:
        # A version that a newer one replaced was never found wrong; its path is known by its lineage.
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
    """What was ever found on a place, by copy: kind, path, and whether it is open."""
    found: dict[int, list[tuple[FindingKind, str, bool]]] = {}
    rows = catalog.fetch_all(
        "SELECT n.copy_id, n.kind, n.path, n.closed_at IS NULL FROM findings n JOIN copies c ON c.id = n.copy_id"
        " WHERE n.place_id = ? AND c.state = 'aside'",
        place_id,
    )
    for copy_id, kind, path, is_open in rows:
        found.setdefault(copy_id, []).append((FindingKind(kind), from_db(path), bool(is_open)))
    return found


def _get_name(path: str) -> str:
    return path.rpartition("/")[2]
