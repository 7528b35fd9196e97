"""The copies that were moved aside, as the catalog has them, and forgetting one that is no more.

They are found by the folders they lie in, so that a question costs what lies aside, not what the archive holds.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from tripleguard.catalog.rows import COPY, copy_of
from tripleguard.catalog.store import Catalog
from tripleguard.catalog.text import from_db
from tripleguard.model import Copy, CopyState, FindingKind

_BELOW = ".tripleguard/aside/"
_BEHIND = ".tripleguard/aside0"  # `0` follows `/`: all folders below, by the index of their paths


@dataclass(frozen=True, slots=True)
class AsideCopy:
    """One copy that was moved aside. since: UTC ns. kinds: what was ever found about it; open: one still is.

    home: the path it belonged at; None where that is not certain.
    """

    copy: Copy
    since: int
    kinds: frozenset[FindingKind]
    open: bool
    home: str | None


@dataclass(frozen=True, slots=True)
class AsideSum:
    """What lies aside on a place: copies, their bytes as recorded, and since when the oldest does (UTC ns)."""

    copies: int
    total_bytes: int
    oldest: int | None


def aside_sum(catalog: Catalog, place_id: int) -> AsideSum:
    """How much lies aside on a place, connected or not."""
    row = catalog.row(
        "SELECT count(*), coalesce(sum(f.size), 0), min(c.state_since) FROM folders d"
        " CROSS JOIN copies c ON c.folder_id = d.id JOIN files f ON f.id = c.file_id"
        " WHERE d.place_id = ? AND d.path > ? AND d.path < ? AND c.state = 'aside'",
        place_id,
        _BELOW,
        _BEHIND,
    )
    assert row is not None
    return AsideSum(*row)


def aside_copies(catalog: Catalog, place_id: int) -> list[AsideCopy]:
    """Every copy that was moved aside on a place, oldest first."""
    rows = catalog.rows(
        f"SELECT {COPY}, c.state_since FROM folders d CROSS JOIN copies c ON c.folder_id = d.id"
        " JOIN files f ON f.id = c.file_id WHERE d.place_id = ? AND d.path > ? AND d.path < ?"
        " AND c.state = 'aside' ORDER BY c.state_since, c.id",
        place_id,
        _BELOW,
        _BEHIND,
    )
    found = _findings(catalog, place_id)
    return [_aside(catalog, copy_of(row[:-1]), row[-1], found.get(row[0], ())) for row in rows]


def forget_aside(catalog: Catalog, copy: Copy) -> None:
    """A copy that lay aside is no more; what was found about it stays. Call inside `writing`."""
    if copy.state is not CopyState.ASIDE:
        raise AssertionError("only what lies aside is ever forgotten")
    catalog.run("UPDATE findings SET copy_id = NULL WHERE copy_id = ? AND closed_at IS NOT NULL", copy.id)
    catalog.run("DELETE FROM copies WHERE id = ? AND state = 'aside'", copy.id)


def _aside(catalog: Catalog, copy: Copy, since: int, found: Iterable[tuple[FindingKind, str, bool]]) -> AsideCopy:
    found = list(found)
    homes = {path for _, path, _ in found}
    if not homes:
        # A version that a newer one replaced was never found wrong; its path is known by its lineage.
        versions = catalog.rows("SELECT path FROM versions WHERE file_id = ?", copy.file_id)
        homes = {path for row in versions if _name(path := from_db(row[0])) == _name(copy.path)}
    return AsideCopy(
        copy,
        since,
        frozenset(kind for kind, _, _ in found),
        any(is_open for _, _, is_open in found),
        homes.pop() if len(homes) == 1 else None,
    )


def _findings(catalog: Catalog, place_id: int) -> dict[int, list[tuple[FindingKind, str, bool]]]:
    """What was ever found on a place, by copy: kind, path, and whether it is open."""
    found: dict[int, list[tuple[FindingKind, str, bool]]] = {}
    rows = catalog.rows(
        "SELECT n.copy_id, n.kind, n.path, n.closed_at IS NULL FROM findings n JOIN copies c ON c.id = n.copy_id"
        " WHERE n.place_id = ? AND c.state = 'aside'",
        place_id,
    )
    for copy_id, kind, path, is_open in rows:
        found.setdefault(copy_id, []).append((FindingKind(kind), from_db(path), bool(is_open)))
    return found


def _name(path: str) -> str:
    return path.rpartition("/")[2]
