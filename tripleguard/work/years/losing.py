"""A drive is lost, stolen or dead: what is left of what was on it, and in which order to copy.

Files that are good on one drive only come first; which drives have to be connected for that is told by how many
of them each holds. What is said to be good was read back some time ago, maybe long ago: so it is told when, and
what to read first.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from tripleguard.catalog.places import all_places
from tripleguard.catalog.shoots import shoot_of_copy
from tripleguard.catalog.store import Catalog, Row
from tripleguard.catalog.twins import counts_now, is_good, is_superseded, statements
from tripleguard.model import PlaceRecord, Shoot
from tripleguard.rules import overdue_before
from tripleguard.work.kit import Kit, where_drives_are


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


@dataclass(frozen=True, slots=True)
class Remaining:
    """What one other drive holds of what was on the lost one. oldest, newest: when it was read back, UTC ns.

    overdue: how many of these copies were read back longer ago than the rule allows. is_here: it is connected now.
    """

    record: PlaceRecord
    copies: Amount
    oldest: int
    newest: int
    overdue: int
    is_here: bool


def remaining(kit: Kit, record: PlaceRecord) -> tuple[Remaining, ...]:
    """The other drives that what was on a drive rests on, the first to read on top. Raises PlaceTrouble."""
    here = {place.id for place, path in where_drives_are(kit) if path is not None}
    rule, now = kit.settings.rule, kit.clock.now()
    found = []
    for place in all_places(kit.catalog):
        if place.id == record.id or not counts_now(place):
            continue
        row = kit.catalog.row(
            "SELECT count(*), coalesce(sum(f.size), 0), min(c.verified_at), max(c.verified_at),"
            " coalesce(sum(c.verified_at < ?), 0) FROM copies c JOIN files f ON f.id = c.file_id"
            " WHERE c.place_id = ? AND c.state = 'present' AND c.verified_at IS NOT NULL AND f.wants > 0"
            " AND c.file_id IN (SELECT file_id FROM copies WHERE place_id = ? AND state <> 'aside')",
            overdue_before(place.role, rule.road_days, rule.shelf_days, now),
            place.id,
            record.id,
        )
        if row is not None and row[0]:
            amount = Amount(row[0], row[1])
            found.append(Remaining(place, amount, row[2], row[3], row[4], place.id in here))
    return tuple(sorted(found, key=lambda one: (one.overdue == 0, one.oldest)))


def aftermath(catalog: Catalog, record: PlaceRecord) -> Aftermath:
    """What is left of the files that were on a drive whose copies do not count any more."""
    by_shoot: dict[int, dict[str, Amount]] = {}
    held = Amount()
    names = list(_names_on(catalog, record))
    for shoot_id, drives, offsite, files, total in (*_files_on(catalog, record), *(one.as_row() for one in names)):
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
        tuple(_sources(catalog, record, names)),
    )


@dataclass(frozen=True, slots=True)
class _Name:
    """One name of a file that is counted by name: equal sidecars of two pictures are two losses. on: drives."""

    shoot_id: int
    size: int
    offsite: bool
    on: frozenset[int]

    def as_row(self) -> Row:
        """As `_files_on` has it."""
        return self.shoot_id, min(len(self.on), 2), self.offsite, 1, self.size


def _files_on(catalog: Catalog, record: PlaceRecord) -> Iterator[Row]:
    """Shoot, on how many drives (2: or more), whether offsite, files, bytes; without those counted by name."""
    return catalog.each(
        "SELECT f.shoot_id, min(f.drive_copies, 2), f.offsite_copies > 0, count(*), sum(f.size) FROM files f"
        " WHERE f.wants > 0 AND f.id IN (SELECT file_id FROM copies WHERE place_id = ? AND state <> 'aside')"
        " AND f.id NOT IN (SELECT file_id FROM twins) GROUP BY 1, 2, 3",
        record.id,
    )


def _names_on(catalog: Catalog, record: PlaceRecord) -> Iterator[_Name]:
    counting = frozenset(place.id for place in all_places(catalog) if counts_now(place))
    rows = catalog.rows(
        "SELECT DISTINCT f.id, f.size, f.offsite_copies > 0 FROM twins t JOIN files f ON f.id = t.file_id"
        " JOIN copies c ON c.file_id = f.id WHERE f.wants > 0 AND c.place_id = ? AND c.state <> 'aside'",
        record.id,
    )
    for file_id, size, offsite in rows:
        for copies in statements(catalog, file_id):
            here = next((copy for copy in copies if copy.place_id == record.id), None)
            if here is not None and not is_superseded(catalog, file_id, copies):
                good = frozenset(copy.place_id for copy in copies if is_good(copy)) & counting
                yield _Name(shoot_of_copy(catalog, here.id), size, bool(offsite), good)


def _sources(catalog: Catalog, record: PlaceRecord, names: Iterable[_Name]) -> list[tuple[PlaceRecord, Amount]]:
    places = {place.id: place for place in all_places(catalog)}
    found = {
        place: Amount(files, total)
        for place, files, total in catalog.rows(
            "SELECT c.place_id, count(DISTINCT f.id), sum(f.size) FROM files f JOIN copies c ON c.file_id = f.id"
            " JOIN places p ON p.id = c.place_id WHERE f.wants > 0 AND f.drive_copies = 1 AND c.state = 'present'"
            " AND c.verified_at IS NOT NULL AND p.kind = 'drive' AND p.state IN ('active', 'shelved')"
            " AND p.leaving_since IS NULL AND f.id NOT IN (SELECT file_id FROM twins)"
            " AND f.id IN (SELECT file_id FROM copies WHERE place_id = ? AND state <> 'aside') GROUP BY 1",
            record.id,
        )
    }
    for one in names:
        if len(one.on) == 1:
            (place,) = one.on
            found[place] = _plus(found.get(place, Amount()), Amount(1, one.size))
    return sorted(((places[place], amount) for place, amount in found.items()), key=lambda one: -one[1].files)


def _plus(one: Amount, other: Amount) -> Amount:
    return Amount(one.files + other.files, one.total_bytes + other.total_bytes)


def _sum(amounts: Iterable[Amount]) -> Amount:
    total = Amount()
    for amount in amounts:
        total = _plus(total, amount)
    return total
