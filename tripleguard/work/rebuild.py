"""A new catalog from what the drives hold: the laptop is gone, the pictures are not.

The snapshot that knows most becomes the new catalog, what others know besides is added, and then every drive is
listed: what the check lists name and no snapshot knew is entered, what lies under another folder now is found by
its digest, what is not there is marked so. Nothing is read, so nothing is believed: all evidence is inherited,
and counts for nothing until a rescan has read the copies back.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tripleguard.catalog.inheriting import Conflict, counting_later, is_part_of, merge
from tripleguard.catalog.journal import add_event
from tripleguard.catalog.places import add_place, all_places, place_seen, place_with_uid
from tripleguard.catalog.shoots import totals
from tripleguard.catalog.store import Catalog, create_catalog, open_catalog
from tripleguard.catalog.writing import follow_rule, set_meta
from tripleguard.clock import Clock
from tripleguard.config import Settings
from tripleguard.errors import WrongUse
from tripleguard.home import Home, forget_scratch, put_catalog, scratch_file
from tripleguard.model import EventType, Outcome, PlaceKind, Role
from tripleguard.places.drive import Drive
from tripleguard.work.progress import Job, Moved
from tripleguard.work.relisting import Relisted, Relisting
from tripleguard.work.setting_up import fresh_catalog_id
from tripleguard.work.snapshots import Packed, Snapshot, Unusable, snapshots_on


@dataclass(frozen=True, slots=True)
class Used:
    """A snapshot, and what became of it: `base`, `added`, or `known already`."""

    source: str
    files: int
    how: str


@dataclass(frozen=True, slots=True)
class RebuildResult:
    """What the new catalog knows. kept: where the catalog that was there before lies now."""

    used: tuple[Used, ...]
    unusable: tuple[Unusable, ...]
    places: tuple[Relisted, ...]
    away: tuple[str, ...]
    conflicts: tuple[Conflict, ...]
    files: int
    total_bytes: int
    kept: Path | None
    seconds: float


def rebuild(
    home: Home,
    settings: Settings,
    clock: Clock,
    drives: Sequence[Drive],
    *,
    anew: bool,
    further: Sequence[Packed] = (),
) -> Job[RebuildResult]:
    """Make the catalog of this home from what these open and held drives carry. Yields progress.

    further: snapshots that lie elsewhere, such as offsite.
    anew: a catalog that is there already is kept under another name; else it is an error.
    Raises WrongUse, PlaceFailed, CatalogTrouble, OSError.
    """
    if home.catalog.exists() and not anew:
        raise WrongUse(
            f"There is a catalog in {home.root} already.",
            safe="Nothing was changed.",
            do="Use it. If it is damaged or belongs to other drives, run this again with --anew: the old one is "
            "kept beside it. Or choose another --home.",
        )
    began = time.monotonic()
    yield Moved("looking for snapshots", 0, len(drives), 0, 0, 0.0, None)
    fresh = scratch_file(home, "rebuilt.db")
    try:
        with snapshots_on(home, drives, further) as (snapshots, unusable):
            catalog, used = _base(fresh, snapshots)
            try:
                conflicts: list[Conflict] = []
                with counting_later(catalog):
                    used += _merged(catalog, snapshots, used, conflicts)
                    with catalog.writing():
                        set_meta(catalog, "catalog_id", fresh_catalog_id())
                    follow_rule(catalog, settings.rule.drive_copies)
                    places = yield from _relisted(catalog, settings, clock, drives, conflicts)
                _note(catalog, clock, used)
                files, total, _ = totals(catalog)
                here = {drive.uid for drive in drives}
                away = tuple(place.name for place in all_places(catalog) if place.uid not in here)
                plain = scratch_file(home, "rebuilt-whole.db")
                catalog.copy_into(plain)
            finally:
                catalog.close()
        kept = put_catalog(home, plain, clock.now())
        open_catalog(home.catalog).close()
    finally:
        for suffix in ("", "-wal", "-shm"):
            forget_scratch(fresh.with_name(fresh.name + suffix))
    return RebuildResult(
        tuple(used),
        tuple(unusable),
        tuple(places),
        away,
        tuple(conflicts),
        files,
        total,
        kept,
        round(time.monotonic() - began, 3),
    )


def _base(fresh: Path, snapshots: Sequence[Snapshot]) -> tuple[Catalog, list[Used]]:
    """The catalog to begin with: a copy of the snapshot that knows most, or an empty one."""
    best = snapshots[0] if snapshots else None
    if best is None or not best.catalog.is_ours():
        return create_catalog(fresh), []
    best.catalog.copy_into(fresh)
    return open_catalog(fresh), [Used(best.source, best.files, "base")]


def _merged(
    catalog: Catalog, snapshots: Sequence[Snapshot], used: Sequence[Used], conflicts: list[Conflict]
) -> list[Used]:
    """Add what the other snapshots know besides."""
    based_on = {one.source for one in used}
    base_id = next((one.catalog_id for one in snapshots if one.source in based_on), None)
    found: list[Used] = []
    for one in snapshots:
        if one.source in based_on:
            continue
        if one.catalog_id == base_id and is_part_of(catalog, one.catalog):
            found.append(Used(one.source, one.files, "known already"))
            continue
        with catalog.writing():
            conflicts += merge(catalog, one.catalog, one.source)
        found.append(Used(one.source, one.files, "added"))
    return found


def _relisted(
    catalog: Catalog, settings: Settings, clock: Clock, drives: Sequence[Drive], conflicts: list[Conflict]
) -> Job[list[Relisted]]:
    """Every drive as it lies now, entered. Returns what was found on each."""
    found: list[Relisted] = []
    now = clock.now()
    for drive in drives:
        record = place_with_uid(catalog, drive.uid)
        if record is None:
            with catalog.writing():
                record = add_place(
                    catalog,
                    drive.uid,
                    _free_name(catalog, drive.name),
                    kind=PlaceKind.DRIVE,
                    role=Role.ROAD,
                    at=now,
                    path=drive.root,
                )
        with catalog.writing():
            place_seen(catalog, record.id, drive.root, now)
        relisting = Relisting(catalog, settings, drive, record, now)
        for files in relisting.steps():
            yield Moved(f"listing drive {record.name}", files, files, 0, 0, 0.0, None)
        conflicts += relisting.conflicts
        found.append(relisting.result())
    return found


def _free_name(catalog: Catalog, name: str) -> str:
    taken = {place.name.casefold() for place in all_places(catalog)}
    free, n = name, 2
    while free.casefold() in taken:
        free, n = f"{name}-{n}", n + 1
    return free


def _note(catalog: Catalog, clock: Clock, used: Sequence[Used]) -> None:
    sources = "; ".join(f"{one.source} ({one.how})" for one in used) or "check lists alone"
    with catalog.writing():
        add_event(
            catalog,
            EventType.RECOVERY,
            Outcome.SUCCESS,
            f"the catalog was rebuilt from {sources}; nothing in it was read back yet",
            clock.now(),
        )
