"""A new catalog from what the drives hold: the laptop is gone, the pictures are not.

The snapshot that knows most becomes the new catalog, what others know besides is added, and then every drive is
listed: what the check lists name and no snapshot knew is entered, what lies under another folder now is found by
its digest, what is not there is marked so. Nothing is read, so nothing is believed: all evidence is inherited,
and counts for nothing until a rescan has read the copies back.
"""

from __future__ import annotations

import os
import sqlite3
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tripleguard.catalog.generations import catalog_id, latest_number, new_id
from tripleguard.catalog.inheriting import Conflict, counting_later, is_part_of
from tripleguard.catalog.journal import add_event
from tripleguard.catalog.places import add_place, all_places, place_seen, place_with_uid
from tripleguard.catalog.shoots import totals
from tripleguard.catalog.store import Catalog, create_catalog, fold, open_catalog
from tripleguard.catalog.uniting import unite
from tripleguard.catalog.writing import follow_rule
from tripleguard.clock import Clock
from tripleguard.config import Settings
from tripleguard.errors import CatalogTrouble, PlaceTrouble, WrongUse
from tripleguard.home import Home, forget_scratch, put_catalog, scratch_file, scratch_room
from tripleguard.model import EventType, Outcome, PlaceKind, Role
from tripleguard.names import shown
from tripleguard.places.drive import Drive
from tripleguard.work.admitting import why_not_admitted
from tripleguard.work.decisions import decisions_on, take_over_decisions
from tripleguard.work.frames import follow_selects
from tripleguard.work.generations import acknowledge_notes
from tripleguard.work.progress import Job, Moved
from tripleguard.work.snapshots import Packed, Snapshot, Unusable, snapshots_on
from tripleguard.work.years.relisting import Relisted, Relisting

_FULL = 4 * 1024 * 1024
"""A disk with less room than this is full: what failed on it failed for that."""


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
    Raises WrongUse, PlaceTrouble, PlaceFailed, CatalogTrouble, OSError.
    """
    may_rebuild(home, anew=anew)
    refuse_clones(drives)
    began = time.monotonic()
    yield Moved("looking for snapshots", 0, len(drives), 0, 0, 0.0, None)
    fresh = scratch_file(home, "rebuilt.db")
    plain = scratch_file(home, "rebuilt-whole.db")
    try:
        with snapshots_on(home, drives, further) as (snapshots, unusable):
            catalog, used = _base(fresh, snapshots)
            if not used and not drives:
                catalog.close()
                raise _nothing_usable([*unusable, *map(_nonsense, snapshots)])
            try:
                conflicts: list[Conflict] = []
                with counting_later(catalog):
                    used += _merged(home, catalog, snapshots, used, conflicts, unusable, clock.now())
                    decisions = decisions_on(drives)
                    known_as, number = catalog_id(catalog), latest_number(catalog)
                    with catalog.writing():
                        take_over_decisions(catalog, decisions, known_as, number)
                        new_id(catalog)
                        acknowledge_notes(catalog, drives, clock.now())
                    follow_rule(catalog, settings.rule.drive_copies)
                    places = yield from _relisted(catalog, settings, clock, drives, conflicts)
                    # Now also of files that only a check list knew.
                    with catalog.writing():
                        take_over_decisions(catalog, decisions, known_as, number)
                        follow_selects(catalog)
                _note(catalog, clock, used)
                files, total, _ = totals(catalog)
                here = {drive.uid for drive in drives}
                away = tuple(place.name for place in all_places(catalog) if place.uid not in here)
                catalog.copy_into(plain)
            finally:
                catalog.close()
        # Whoever opened the old one meanwhile would go on in it.
        may_rebuild(home, anew=anew)
        kept = put_catalog(home, plain, clock.now())
        open_catalog(home.catalog).close()
    finally:
        forget_scratch(fresh)
        forget_scratch(plain)
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


def may_rebuild(home: Home, *, anew: bool) -> None:
    """Whether this home can get a new catalog now. Raises WrongUse, CatalogTrouble if the old one is in use."""
    if home.catalog.exists() and not anew:
        raise WrongUse(
            f"There is a catalog in {home.root} already.",
            safe="Nothing was changed.",
            do="Use it. If it is damaged or belongs to other drives, run this again with --anew: the old one is "
            "kept beside it. Or choose another --home.",
        )
    if home.catalog.exists():
        fold(home.catalog)


def refuse_clones(drives: Sequence[Drive]) -> None:
    """What lies on a clone is not what lies on the drive it was made from. Raises WrongUse, PlaceTrouble."""
    by_uid: dict[str, Drive] = {}
    for drive in drives:
        other = by_uid.setdefault(drive.uid, drive)
        if other is drive:
            continue
        if os.path.samefile(drive.root, other.root):
            raise WrongUse(
                f"{shown(str(drive.root))} was given twice.",
                safe="Nothing was changed.",
                do="Give each drive once.",
            )
        raise PlaceTrouble(
            f"Two drives have the same id: {shown(str(other.root))} and {shown(str(drive.root))}. One is a clone "
            "of the other.",
            safe="Nothing was changed on either.",
            do="Give one of them only, and rescan before you trust what the other may hold besides.",
        )


def _nonsense(one: Snapshot) -> Unusable:
    why = why_not_admitted(one.catalog) or "it is no catalog of ours"
    return Unusable(one.source, f"what it says makes no sense ({why})")


def _nothing_usable(unusable: Sequence[Unusable]) -> PlaceTrouble:
    """Without drives there are no check lists to go by: an empty catalog would only look like one."""
    why = "; ".join(f"{one.source}: {one.why}" for one in unusable) or "there is none"
    return PlaceTrouble(
        f"No snapshot of a catalog could be used ({why}).",
        safe="Nothing was changed; what lies there stays.",
        do="Give the drives too if there are any, or the key with --key FILE if it is sealed.",
    )


def _base(fresh: Path, snapshots: Sequence[Snapshot]) -> tuple[Catalog, list[Used]]:
    """The catalog to begin with: a copy of the snapshot that knows most, or an empty one."""
    sound = (one for one in snapshots if one.catalog.is_ours() and why_not_admitted(one.catalog) is None)
    best = next(sound, None)
    if best is None:
        return create_catalog(fresh), []
    best.catalog.copy_into(fresh)
    return open_catalog(fresh), [Used(best.source, best.files, "base")]


def _merged(
    home: Home,
    catalog: Catalog,
    snapshots: Sequence[Snapshot],
    used: Sequence[Used],
    conflicts: list[Conflict],
    unusable: list[Unusable],
    at: int,
) -> list[Used]:
    """Add what the other snapshots know besides; of one that says nonsense nothing is taken."""
    based_on = {one.source for one in used}
    base_id = next((one.catalog_id for one in snapshots if one.source in based_on), None)
    found: list[Used] = []
    for one in snapshots:
        if one.source in based_on:
            continue
        if one.catalog_id == base_id and is_part_of(catalog, one.catalog):
            found.append(Used(one.source, one.files, "known already"))
            continue
        why = why_not_admitted(one.catalog)
        try:
            if why is None:
                with catalog.writing():
                    conflicts += list(unite(catalog, one.catalog, one.source, at))
        except (CatalogTrouble, sqlite3.Error, ValueError, TypeError, KeyError, OverflowError) as error:
            # A full disk of the home is no fault of the snapshot.
            if scratch_room(home) < _FULL:
                raise
            why = str(error).splitlines()[0]
        if why is None:
            found.append(Used(one.source, one.files, "added"))
        else:
            unusable.append(Unusable(one.source, f"what it says makes no sense ({why})"))
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
