"""A drive is lost, stolen or dead: what is left of what was on it, and in which order to copy.

Files that are good on one drive only come first; which drives have to be connected for that is told by how many
of them each holds.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from tripleguard.catalog.places import all_places
from tripleguard.catalog.store import Catalog
from tripleguard.model import PlaceRecord, Shoot


@dataclass(frozen=True, slots=True)
class Amount:
    """So many files and bytes."""

    files: int = 0
    total_bytes: int = 0


@dataclass(frozen=True, slots=True)
class ShootLeft:
    """What is left of one shoot's files that were on the drive: verified nowhere, only offsite, on one drive."""

    shoot: Shoot
    nowhere: Amount
    offsite: Amount
    once: Amount


@dataclass(frozen=True, slots=True)
class Aftermath:
    """What is left without a drive. sources: drives to connect, those that hold most single copies first."""

    record: PlaceRecord
    held: Amount
    nowhere: Amount
    offsite: Amount
    once: Amount
    shoots: tuple[ShootLeft, ...]
    sources: tuple[tuple[PlaceRecord, Amount], ...]


def aftermath(catalog: Catalog, record: PlaceRecord) -> Aftermath:
    """What is left of the files that were on a drive whose copies do not count any more."""
    by_shoot: dict[int, dict[str, Amount]] = {}
    held = Amount()
    for shoot_id, drives, offsite, files, total in catalog.rows(
        "SELECT f.shoot_id, min(f.drive_copies, 2), f.offsite_copies > 0, count(*), sum(f.size) FROM files f"
        " WHERE f.wants > 0 AND f.id IN (SELECT file_id FROM copies WHERE place_id = ? AND state <> 'aside')"
        " GROUP BY 1, 2, 3",
        record.id,
    ):
        held = _plus(held, Amount(files, total))
        what = "once" if drives == 1 else "offsite" if offsite else "nowhere"
        if drives < 2:
            left = by_shoot.setdefault(shoot_id, {})
            left[what] = _plus(left.get(what, Amount()), Amount(files, total))
    shoots = [
        ShootLeft(Shoot(*row), *(by_shoot[row[0]].get(what, Amount()) for what in ("nowhere", "offsite", "once")))
        for row in catalog.rows("SELECT id, day, name FROM shoots ORDER BY day, id")
        if row[0] in by_shoot
    ]
    return Aftermath(
        record,
        held,
        _sum(one.nowhere for one in shoots),
        _sum(one.offsite for one in shoots),
        _sum(one.once for one in shoots),
        tuple(sorted(shoots, key=lambda one: (-one.nowhere.files, -one.once.files))),
        tuple(_sources(catalog, record)),
    )


def _sources(catalog: Catalog, record: PlaceRecord) -> list[tuple[PlaceRecord, Amount]]:
    places = {place.id: place for place in all_places(catalog)}
    rows = catalog.rows(
        "SELECT c.place_id, count(DISTINCT f.id), sum(f.size) FROM files f JOIN copies c ON c.file_id = f.id"
        " JOIN places p ON p.id = c.place_id WHERE f.wants > 0 AND f.drive_copies = 1 AND c.state = 'present'"
        " AND c.verified_at IS NOT NULL AND p.kind = 'drive' AND p.state IN ('active', 'shelved')"
        " AND p.leaving_since IS NULL"
        " AND f.id IN (SELECT file_id FROM copies WHERE place_id = ? AND state <> 'aside')"
        " GROUP BY 1 ORDER BY 2 DESC",
        record.id,
    )
    return [(places[place], Amount(files, total)) for place, files, total in rows]


def _plus(one: Amount, other: Amount) -> Amount:
    return Amount(one.files + other.files, one.total_bytes + other.total_bytes)


def _sum(amounts: Iterable[Amount]) -> Amount:
    total = Amount()
    for amount in amounts:
        total = _plus(total, amount)
    return total
