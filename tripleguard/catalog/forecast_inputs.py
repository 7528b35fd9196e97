"""Inputs of a forecast: how files are distributed over places, and how much was shot when.

A shoot whose files all have good copies on the same places is counted by its coverage; only other shoots are
counted file by file. So a forecast costs little, however large the archive is.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator

from tripleguard.catalog.store import Catalog


def count_files_by_places(catalog: Catalog, places: frozenset[int]) -> dict[frozenset[int], int]:
    """Return how many files have good copies on exactly each set of places; the empty set: on none.

    places: those that count. Superseded versions of companions are not counted.
    """
    found: dict[frozenset[int], int] = {}
    for shoot_id, files, even in _iter_shoots(catalog, places):
        if even is not None:
            found[even] = found.get(even, 0) + files
            continue
        for kept in _iter_places_per_file(catalog, shoot_id):
            there = kept & places
            found[there] = found.get(there, 0) + 1
    return found


def list_shoot_bytes(catalog: Catalog) -> list[tuple[str, int]]:
    """Return day and bytes of every shoot, by day."""
    return catalog.fetch_all("SELECT day, bytes FROM shoots WHERE bytes > 0 ORDER BY day")


def get_share_on_place(catalog: Catalog, place_id: int, since_day: str) -> float | None:
    """Return the share by bytes of what was shot since that day on a place; None if nothing was shot."""
    row = catalog.fetch_one(
        "SELECT sum(s.bytes), sum(min(s.bytes, coalesce(v.bytes, 0))) FROM shoots s"
        " LEFT JOIN coverage v ON v.shoot_id = s.id AND v.place_id = ? WHERE s.day >= ? AND s.bytes > 0",
        place_id,
        since_day,
    )
    return row[1] / row[0] if row and row[0] else None


def _iter_shoots(catalog: Catalog, places: frozenset[int]) -> Iterator[tuple[int, int, frozenset[int] | None]]:
    """Yield (shoot, files, the places that all of them are on); None if their places differ."""
    rows = catalog.iter_rows(
        "SELECT s.id, s.files, s.under_replicated, v.place_id, v.good FROM shoots s"
        " LEFT JOIN coverage v ON v.shoot_id = s.id WHERE s.files > 0 ORDER BY s.id"
    )
    for (shoot_id, files, short), some in itertools.groupby(rows, key=lambda row: row[:3]):
        good = {row[3]: row[4] for row in some if row[3] in places}
        is_even = short == 0 and all(count in (0, files) for count in good.values())
        yield shoot_id, files, frozenset(place for place, count in good.items() if count) if is_even else None


def _iter_places_per_file(catalog: Catalog, shoot_id: int) -> Iterator[frozenset[int]]:
    """Yield, for each file of a shoot that requires copies, the places with a good one."""
    rows = catalog.iter_rows(
        "SELECT f.id, c.place_id FROM files f LEFT JOIN good_copies c ON c.file_id = f.id"
        " WHERE f.shoot_id = ? AND f.required_copies > 0 ORDER BY f.id",
        shoot_id,
    )
    for _, some in itertools.groupby(rows, key=lambda row: row[0]):
        yield frozenset(row[1] for row in some if row[1] is not None)
