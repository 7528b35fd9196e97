"""Work out what is left of the files on a drive that is lost, stolen or dead, and in which order to copy them.

Files that are good on one drive only come first, and the drives that hold most of them are to be connected first.
Evidence may be old, so the result says when copies were last read back, and what to read first.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from tripleguard.catalog.places import list_places
from tripleguard.catalog.shared_sidecars import (
    group_copies_by_use,
    is_counted,
    is_superseded,
    is_verified_in_place,
)
from tripleguard.catalog.shoots import get_shoot_id_of_copy
from tripleguard.catalog.store import Catalog, Row
from tripleguard.jobs.context import JobContext
from tripleguard.jobs.drives import locate_drives
from tripleguard.model import PlaceRecord, Shoot
from tripleguard.rules import get_overdue_cutoff


@dataclass(frozen=True, slots=True)
class FileTotals:
    """So many files and bytes."""

    files: int = 0
    total_bytes: int = 0


@dataclass(frozen=True, slots=True)
class ShootLoss:
    """What is left of one shoot's files that were on the drive: verified nowhere, only offsite, on one drive."""

    shoot: Shoot
    without_copy: FileTotals
    only_offsite: FileTotals
    on_one_drive: FileTotals


@dataclass(frozen=True, slots=True)
class LossReport:
    """What is left without a drive. sources: drives to connect, those that hold most single copies first."""

    record: PlaceRecord
    on_lost_drive: FileTotals
    without_copy: FileTotals
    only_offsite: FileTotals
    on_one_drive: FileTotals
    shoots: tuple[ShootLoss, ...]
    source_drives: tuple[tuple[PlaceRecord, FileTotals], ...]


@dataclass(frozen=True, slots=True)
class RemainingDrive:
    """What one other drive holds of what was on the lost one. oldest, newest: when it was read back, UTC ns.

    overdue: how many of these copies were read back longer ago than the rule allows. is_here: it is connected now.
    """

    record: PlaceRecord
    copies: FileTotals
    oldest_verified_at: int
    newest_verified_at: int
    overdue: int
    is_connected: bool


def list_remaining_drives(ctx: JobContext, record: PlaceRecord) -> tuple[RemainingDrive, ...]:
    """The other drives that what was on a drive rests on, the first to read on top. Raises PlaceTrouble."""
    here = {place.id for place, path in locate_drives(ctx) if path is not None}
    rule, now = ctx.settings.rule, ctx.clock.now()
    found = []
    for place in list_places(ctx.catalog):
        if place.id == record.id or not is_counted(place):
            continue
        row = ctx.catalog.fetch_one(
            "SELECT count(*), coalesce(sum(f.size), 0), min(c.verified_at), max(c.verified_at),"
            " coalesce(sum(c.verified_at < ?), 0) FROM copies c JOIN files f ON f.id = c.file_id"
            " WHERE c.place_id = ? AND c.state = 'present' AND c.verified_at IS NOT NULL AND f.wants > 0"
            " AND c.file_id IN (SELECT file_id FROM copies WHERE place_id = ? AND state <> 'aside')",
            get_overdue_cutoff(place.role, rule.road_days, rule.shelf_days, now),
            place.id,
            record.id,
        )
        if row is not None and row[0]:
            amount = FileTotals(row[0], row[1])
            found.append(RemainingDrive(place, amount, row[2], row[3], row[4], place.id in here))
    return tuple(sorted(found, key=lambda one: (one.overdue == 0, one.oldest_verified_at)))


def assess_loss(catalog: Catalog, record: PlaceRecord) -> LossReport:
    """What is left of the files that were on a drive whose copies do not count any more."""
    by_shoot: dict[int, dict[str, FileTotals]] = {}
    held = FileTotals()
    names = list(_iter_named_files(catalog, record))
    for shoot_id, drives, offsite, files, total in (
        *_count_files(catalog, record),
        *(one.as_row() for one in names),
    ):
        held = _add_totals(held, FileTotals(files, total))
        what = "once" if drives == 1 else "offsite" if offsite else "nowhere"
        if drives < 2:
            left = by_shoot.setdefault(shoot_id, {})
            left[what] = _add_totals(left.get(what, FileTotals()), FileTotals(files, total))
    shoots = [
        ShootLoss(
            Shoot(*row), *(by_shoot[row[0]].get(what, FileTotals()) for what in ("nowhere", "offsite", "once"))
        )
        for row in catalog.fetch_all("SELECT id, day, name FROM shoots ORDER BY day, id")
        if row[0] in by_shoot
    ]
    return LossReport(
        record,
        held,
        _sum_totals(one.without_copy for one in shoots),
        _sum_totals(one.only_offsite for one in shoots),
        _sum_totals(one.on_one_drive for one in shoots),
        tuple(sorted(shoots, key=lambda one: (-one.without_copy.files, -one.on_one_drive.files))),
        tuple(_rank_source_drives(catalog, record, names)),
    )


@dataclass(frozen=True, slots=True)
class _NamedFile:
    """One name of a file that is counted by name: equal sidecars of two pictures are two losses. on: drives."""

    shoot_id: int
    size: int
    is_offsite: bool
    drive_ids: frozenset[int]

    def as_row(self) -> Row:
        """As `_count_files` has it."""
        return self.shoot_id, min(len(self.drive_ids), 2), self.is_offsite, 1, self.size


def _count_files(catalog: Catalog, record: PlaceRecord) -> Iterator[Row]:
    """Shoot, on how many drives (2: or more), whether offsite, files, bytes; without those counted by name."""
    return catalog.iter_rows(
        "SELECT f.shoot_id, min(f.drive_copies, 2), f.offsite_copies > 0, count(*), sum(f.size) FROM files f"
        " WHERE f.wants > 0 AND f.id IN (SELECT file_id FROM copies WHERE place_id = ? AND state <> 'aside')"
        " AND f.id NOT IN (SELECT file_id FROM twins) GROUP BY 1, 2, 3",
        record.id,
    )


def _iter_named_files(catalog: Catalog, record: PlaceRecord) -> Iterator[_NamedFile]:
    counting = frozenset(place.id for place in list_places(catalog) if is_counted(place))
    rows = catalog.fetch_all(
        "SELECT DISTINCT f.id, f.size, f.offsite_copies > 0 FROM twins t JOIN files f ON f.id = t.file_id"
        " JOIN copies c ON c.file_id = f.id WHERE f.wants > 0 AND c.place_id = ? AND c.state <> 'aside'",
        record.id,
    )
    for file_id, size, offsite in rows:
        for copies in group_copies_by_use(catalog, file_id):
            here = next((copy for copy in copies if copy.place_id == record.id), None)
            if here is not None and not is_superseded(catalog, file_id, copies):
                good = frozenset(copy.place_id for copy in copies if is_verified_in_place(copy)) & counting
                yield _NamedFile(get_shoot_id_of_copy(catalog, here.id), size, bool(offsite), good)


def _rank_source_drives(
    catalog: Catalog, record: PlaceRecord, names: Iterable[_NamedFile]
) -> list[tuple[PlaceRecord, FileTotals]]:
    places = {place.id: place for place in list_places(catalog)}
    found = {
        place: FileTotals(files, total)
        for place, files, total in catalog.fetch_all(
            "SELECT c.place_id, count(DISTINCT f.id), sum(f.size) FROM files f JOIN copies c ON c.file_id = f.id"
            " JOIN places p ON p.id = c.place_id WHERE f.wants > 0 AND f.drive_copies = 1 AND c.state = 'present'"
            " AND c.verified_at IS NOT NULL AND p.kind = 'drive' AND p.state IN ('active', 'shelved')"
            " AND p.leaving_since IS NULL AND f.id NOT IN (SELECT file_id FROM twins)"
            " AND f.id IN (SELECT file_id FROM copies WHERE place_id = ? AND state <> 'aside') GROUP BY 1",
            record.id,
        )
    }
    for one in names:
        if len(one.drive_ids) == 1:
            (place,) = one.drive_ids
            found[place] = _add_totals(found.get(place, FileTotals()), FileTotals(1, one.size))
    return sorted(((places[place], amount) for place, amount in found.items()), key=lambda one: -one[1].files)


def _add_totals(left: FileTotals, right: FileTotals) -> FileTotals:
    return FileTotals(left.files + right.files, left.total_bytes + right.total_bytes)


def _sum_totals(totals: Iterable[FileTotals]) -> FileTotals:
    total = FileTotals()
    for amount in totals:
        total = _add_totals(total, amount)
    return total
