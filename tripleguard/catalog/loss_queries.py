"""Queries for what remains of the files on one drive once it is gone.

Shared files (`catalog.shared_sidecars`) are counted by use and not by content, so they are listed separately.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from tripleguard.catalog.store import Catalog

_IS_ON_PLACE = "f.id IN (SELECT file_id FROM copies WHERE place_id = ? AND state <> 'quarantined')"
_IS_SHARED = "f.id IN (SELECT file_id FROM shared_files)"


@dataclass(frozen=True, slots=True)
class CopiesLeft:
    """Files of one shoot with the same number of good copies left.

    Attributes:
        drive_copies: On how many drives in service they have a good copy: 0, 1 or 2, which means 2 or more.
    """

    shoot_id: int
    drive_copies: int
    is_offsite: bool
    files: int
    total_bytes: int


@dataclass(frozen=True, slots=True)
class GoodCopyTotals:
    """Good copies of required files on one place, with their oldest and newest verification (UTC ns)."""

    files: int
    total_bytes: int
    oldest_verified_at: int
    newest_verified_at: int
    overdue: int


def sum_good_copies(catalog: Catalog, place_id: int, lost_place_id: int, cutoff: int) -> GoodCopyTotals | None:
    """Return the totals of good copies on a place of files that are also on the lost one; None if it has none.

    Args:
        cutoff: Copies verified before this time (UTC ns) are overdue.
    """
    row = catalog.fetch_one(
        "SELECT count(*), sum(f.size), min(c.verified_at), max(c.verified_at), sum(c.verified_at < ?)"
        " FROM good_copies c JOIN files f ON f.id = c.file_id WHERE c.place_id = ?"
        f" AND f.required_copies > 0 AND {_IS_ON_PLACE}",
        cutoff,
        place_id,
        lost_place_id,
    )
    return GoodCopyTotals(*row) if row is not None and row[0] else None


def count_copies_left(catalog: Catalog, lost_place_id: int) -> Iterator[CopiesLeft]:
    """Count the required files on a place by shoot and by good copies elsewhere, without shared files."""
    rows = catalog.iter_rows(
        "SELECT f.shoot_id, min(f.drive_copies, 2), f.offsite_copies > 0, count(*), sum(f.size) FROM files f"
        f" WHERE f.required_copies > 0 AND {_IS_ON_PLACE} AND NOT {_IS_SHARED} GROUP BY 1, 2, 3",
        lost_place_id,
    )
    return (CopiesLeft(shoot, drives, bool(offsite), files, size) for shoot, drives, offsite, files, size in rows)


def list_shared_files_on(catalog: Catalog, place_id: int) -> list[tuple[int, int, bool]]:
    """Return id, size and whether it is offsite of each required shared file with a copy on a place."""
    rows = catalog.fetch_all(
        "SELECT f.id, f.size, f.offsite_copies > 0 FROM files f"
        f" WHERE f.required_copies > 0 AND {_IS_SHARED} AND {_IS_ON_PLACE}",
        place_id,
    )
    return [(file_id, size, bool(offsite)) for file_id, size, offsite in rows]


def count_only_copies(catalog: Catalog, lost_place_id: int) -> dict[int, tuple[int, int]]:
    """Return, by place, the files and bytes whose one good copy on a drive is there, without shared files.

    Only files that are also on the lost place count.
    """
    rows = catalog.fetch_all(
        "SELECT c.place_id, count(DISTINCT f.id), sum(f.size) FROM files f JOIN good_copies c ON c.file_id = f.id"
        " JOIN places_in_service p ON p.id = c.place_id WHERE f.required_copies > 0 AND f.drive_copies = 1"
        f" AND p.kind = 'drive' AND NOT {_IS_SHARED} AND {_IS_ON_PLACE} GROUP BY 1",
        lost_place_id,
    )
    return {place_id: (files, size) for place_id, files, size in rows}
