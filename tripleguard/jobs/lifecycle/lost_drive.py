"""Work out which files of a lost, stolen or dead drive still have copies, and in which order to copy them.

Files that are good on only one drive come first, and the drives with most of them are to be connected first.
Evidence may be old, so the result says when copies were last read back, and which drive to read first.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from tripleguard.catalog.loss_queries import (
    CopiesLeft,
    count_copies_left,
    count_only_copies,
    list_shared_files_on,
    sum_good_copies,
)
from tripleguard.catalog.places import list_places
from tripleguard.catalog.shared_sidecars import group_copies_by_use, is_superseded
from tripleguard.catalog.shoots import list_shoots
from tripleguard.catalog.store import Catalog
from tripleguard.jobs.context import JobContext
from tripleguard.jobs.drives import locate_drives
from tripleguard.model import PlaceRecord, Shoot
from tripleguard.rules import get_overdue_cutoff, is_counted_drive, is_good_copy


@dataclass(frozen=True, slots=True)
class FileTotals:
    """A number of files and their bytes."""

    files: int = 0
    total_bytes: int = 0


@dataclass(frozen=True, slots=True)
class ShootLoss:
    """One shoot's files that were on the drive: now verified nowhere, only offsite, or on one drive."""

    shoot: Shoot
    without_copy: FileTotals
    only_offsite: FileTotals
    on_one_drive: FileTotals


@dataclass(frozen=True, slots=True)
class LossReport:
    """What remains without a drive. source_drives: to connect, those with most single copies first."""

    record: PlaceRecord
    on_lost_drive: FileTotals
    without_copy: FileTotals
    only_offsite: FileTotals
    on_one_drive: FileTotals
    shoots: tuple[ShootLoss, ...]
    source_drives: tuple[tuple[PlaceRecord, FileTotals], ...]


@dataclass(frozen=True, slots=True)
class RemainingDrive:
    """What one other drive holds of the lost drive's files. Times in UTC ns.

    overdue: copies that were read back longer ago than the rule allows.
    """

    record: PlaceRecord
    copies: FileTotals
    oldest_verified_at: int
    newest_verified_at: int
    overdue: int
    is_connected: bool


def list_remaining_drives(ctx: JobContext, record: PlaceRecord) -> tuple[RemainingDrive, ...]:
    """Return the other drives with copies of a drive's files, the first to read on top. Raises PlaceError."""
    connected_ids = {place.id for place, path in locate_drives(ctx) if path is not None}
    rule, now = ctx.settings.rule, ctx.clock.now()
    found = []
    for place in list_places(ctx.catalog):
        if place.id == record.id or not is_counted_drive(place):
            continue
        cutoff = get_overdue_cutoff(place.role, rule.road_days, rule.shelf_days, now)
        good = sum_good_copies(ctx.catalog, place.id, record.id, cutoff)
        if good is not None:
            amount = FileTotals(good.files, good.total_bytes)
            oldest, newest = good.oldest_verified_at, good.newest_verified_at
            found.append(RemainingDrive(place, amount, oldest, newest, good.overdue, place.id in connected_ids))
    return tuple(sorted(found, key=lambda one: (one.overdue == 0, one.oldest_verified_at)))


def assess_loss(catalog: Catalog, record: PlaceRecord) -> LossReport:
    """Return what remains of the files on a drive whose copies no longer count."""
    by_shoot: dict[int, dict[str, FileTotals]] = {}
    held = FileTotals()
    names = list(_iter_named_files(catalog, record))
    for one in (*count_copies_left(catalog, record.id), *(name.as_copies_left() for name in names)):
        amount = FileTotals(one.files, one.total_bytes)
        held = _add_totals(held, amount)
        what = "once" if one.drive_copies == 1 else "offsite" if one.is_offsite else "nowhere"
        if one.drive_copies < 2:
            left = by_shoot.setdefault(one.shoot_id, {})
            left[what] = _add_totals(left.get(what, FileTotals()), amount)
    shoots = [
        ShootLoss(shoot, *(by_shoot[shoot.id].get(what, FileTotals()) for what in ("nowhere", "offsite", "once")))
        for shoot in list_shoots(catalog)
        if shoot.id in by_shoot
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
    """One name of a file that is counted by name: equal sidecars of two pictures are two losses."""

    shoot_id: int
    size: int
    is_offsite: bool
    drive_ids: frozenset[int]

    def as_copies_left(self) -> CopiesLeft:
        """Return it as a count of one file."""
        return CopiesLeft(self.shoot_id, min(len(self.drive_ids), 2), self.is_offsite, 1, self.size)


def _iter_named_files(catalog: Catalog, record: PlaceRecord) -> Iterator[_NamedFile]:
    counting = frozenset(place.id for place in list_places(catalog) if is_counted_drive(place))
    for file_id, size, is_offsite in list_shared_files_on(catalog, record.id):
        for copies in group_copies_by_use(catalog, file_id):
            own_copy = next((copy for copy in copies if copy.place_id == record.id), None)
            if own_copy is not None and not is_superseded(catalog, file_id, copies):
                good = frozenset(copy.place_id for copy in copies if is_good_copy(copy)) & counting
                yield _NamedFile(own_copy.shoot_id, size, is_offsite, good)


def _rank_source_drives(
    catalog: Catalog, record: PlaceRecord, names: Iterable[_NamedFile]
) -> list[tuple[PlaceRecord, FileTotals]]:
    places = {place.id: place for place in list_places(catalog)}
    found = {place: FileTotals(*totals) for place, totals in count_only_copies(catalog, record.id).items()}
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
