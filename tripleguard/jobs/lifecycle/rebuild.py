"""Rebuild the catalog from the drives after the laptop was lost.

The most complete snapshot becomes the new catalog, the others are merged into it, and then every drive is listed:
files that only check lists name are recorded, moved ones are matched by digest, missing ones are marked. No file
is read, so all evidence is inherited and counts for nothing until a rescan has read the copies back.
"""

from __future__ import annotations

import os
import sqlite3
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tripleguard.catalog.event_log import add_event
from tripleguard.catalog.file_updates import apply_drive_copies_rule
from tripleguard.catalog.generations import assign_new_id, get_catalog_id, get_latest_number
from tripleguard.catalog.merge_annotations import merge_with_annotations
from tripleguard.catalog.merge_catalogs import MergeConflict, is_contained_in, triggers_suspended
from tripleguard.catalog.places import add_place, find_place_by_uid, list_places, record_place_connected
from tripleguard.catalog.shoots import count_totals
from tripleguard.catalog.store import Catalog, checkpoint_into_one_file, create_catalog, open_catalog
from tripleguard.clock import Clock
from tripleguard.config import Settings
from tripleguard.errors import CatalogError, PlaceError, UsageError
from tripleguard.home import Home, delete_scratch, get_free_bytes, install_catalog, prepare_scratch_path
from tripleguard.jobs.catalog_generations import acknowledge_generations
from tripleguard.jobs.decisions import apply_decisions, read_decisions
from tripleguard.jobs.frame_files import update_wanted_offsite
from tripleguard.jobs.lifecycle.drive_inventory import DriveInventory, InventoryRun
from tripleguard.jobs.progress import Job, ProgressUpdate
from tripleguard.jobs.snapshots import (
    PackedSnapshot,
    Snapshot,
    UnusableSnapshot,
    explain_rejected_catalog,
    open_snapshots,
)
from tripleguard.model import DriveRole, EventOutcome, EventType, PlaceKind
from tripleguard.names import escape_text
from tripleguard.places.base import Place

_MIN_SCRATCH_BYTES = 4 * 1024 * 1024
"""With fewer free bytes than this the disk counts as full, and as the cause of a failure."""


@dataclass(frozen=True, slots=True)
class UsedSnapshot:
    """A snapshot and its role: `scan_base`, `added`, or `known already`."""

    source: str
    files: int
    role: str


@dataclass(frozen=True, slots=True)
class RebuildResult:
    """What the new catalog knows. previous_catalog: where the former catalog was moved."""

    used_snapshots: tuple[UsedSnapshot, ...]
    unusable_snapshots: tuple[UnusableSnapshot, ...]
    places: tuple[DriveInventory, ...]
    away: tuple[str, ...]
    conflicts: tuple[MergeConflict, ...]
    files: int
    total_bytes: int
    previous_catalog: Path | None
    seconds: float


def rebuild(
    home: Home,
    settings: Settings,
    clock: Clock,
    drives: Sequence[Place],
    *,
    replace_existing: bool,
    extra_snapshots: Sequence[PackedSnapshot] = (),
) -> Job[RebuildResult]:
    """Make this home's catalog from these open and locked drives. Yields progress.

    Args:
        replace_existing: Keep an existing catalog under another name; else it is an error.
        extra_snapshots: Snapshots from elsewhere, such as offsite.

    Raises:
        UsageError, PlaceError, PlaceFailedError, CatalogError, OSError: There is no new catalog.
    """
    check_can_rebuild(home, replace_existing=replace_existing)
    refuse_clones(drives)
    began = time.monotonic()
    yield ProgressUpdate("looking for snapshots", 0, len(drives), 0, 0, 0.0, None)
    fresh = prepare_scratch_path(home, "rebuilt.db")
    plain = prepare_scratch_path(home, "rebuilt-whole.db")
    try:
        with open_snapshots(home, drives, extra_snapshots) as (snapshots, unusable):
            catalog, used = _create_base(fresh, snapshots)
            if not used and not drives:
                catalog.close()
                raise _build_no_snapshot_error([*unusable, *map(_mark_unusable, snapshots)])
            try:
                conflicts: list[MergeConflict] = []
                with triggers_suspended(catalog):
                    used += _merge_snapshots(home, catalog, snapshots, used, conflicts, unusable, clock.now())
                    decisions = read_decisions(drives)
                    known_as, number = get_catalog_id(catalog), get_latest_number(catalog)
                    with catalog.transaction():
                        apply_decisions(catalog, decisions, known_as, number)
                        assign_new_id(catalog)
                        acknowledge_generations(catalog, drives, clock.now())
                    apply_drive_copies_rule(catalog, settings.rule.drive_copies)
                    places = yield from _list_drives(catalog, settings, clock, drives, conflicts)
                    # Apply them also to files that only a check list knew.
                    with catalog.transaction():
                        apply_decisions(catalog, decisions, known_as, number)
                        update_wanted_offsite(catalog)
                _record_event(catalog, clock, used)
                files, total, _ = count_totals(catalog)
                connected_uids = {drive.uid for drive in drives}
                away = tuple(place.name for place in list_places(catalog) if place.uid not in connected_uids)
                catalog.back_up_to(plain)
            finally:
                catalog.close()
        # A process that has opened the old one meanwhile would go on using it.
        check_can_rebuild(home, replace_existing=replace_existing)
        kept = install_catalog(home, plain, clock.now())
        open_catalog(home.catalog).close()
    finally:
        delete_scratch(fresh)
        delete_scratch(plain)
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


def check_can_rebuild(home: Home, *, replace_existing: bool) -> None:
    """Check that this home can get a new catalog now. Raises UsageError, CatalogError if it is in use."""
    if home.catalog.exists() and not replace_existing:
        raise UsageError(
            f"There is a catalog in {home.root} already.",
            safe="Nothing was changed.",
            do="Use it. If it is damaged or belongs to other drives, run this again with --anew: the old one is "
            "kept beside it. Or choose another --home.",
        )
    if home.catalog.exists():
        checkpoint_into_one_file(home.catalog)


def refuse_clones(drives: Sequence[Place]) -> None:
    """Refuse drives given twice and cloned drives, whose content may differ. Raises UsageError, PlaceError."""
    by_uid: dict[str, Place] = {}
    for drive in drives:
        other = by_uid.setdefault(drive.uid, drive)
        if other is drive:
            continue
        if os.path.samefile(drive.root, other.root):
            raise UsageError(
                f"{escape_text(str(drive.root))} was given twice.",
                safe="Nothing was changed.",
                do="Give each drive once.",
            )
        raise PlaceError(
            f"Two drives have the same id: {escape_text(str(other.root))} and "
            f"{escape_text(str(drive.root))}. One is a clone "
            "of the other.",
            safe="Nothing was changed on either.",
            do="Give one of them only, and rescan before you trust what the other may hold besides.",
        )


def _mark_unusable(snapshot: Snapshot) -> UnusableSnapshot:
    why = explain_rejected_catalog(snapshot.catalog) or "it is no catalog of ours"
    return UnusableSnapshot(snapshot.source, f"what it says makes no sense ({why})")


def _build_no_snapshot_error(unusable: Sequence[UnusableSnapshot]) -> PlaceError:
    """Return the error: without drives there are no check lists, and an empty catalog would mislead."""
    why = "; ".join(f"{one.source}: {one.reason}" for one in unusable) or "there is none"
    return PlaceError(
        f"No snapshot of a catalog could be used ({why}).",
        safe="Nothing was changed; what lies there stays.",
        do="Give the drives too if there are any, or the key with --key FILE if it is sealed.",
    )


def _create_base(target: Path, snapshots: Sequence[Snapshot]) -> tuple[Catalog, list[UsedSnapshot]]:
    """Return the first catalog: a copy of the most complete snapshot, or an empty one."""
    sound = (
        one
        for one in snapshots
        if one.catalog.has_known_schema() and explain_rejected_catalog(one.catalog) is None
    )
    best = next(sound, None)
    if best is None:
        return create_catalog(target), []
    best.catalog.back_up_to(target)
    return open_catalog(target), [UsedSnapshot(best.source, best.files, "base")]


def _merge_snapshots(
    home: Home,
    catalog: Catalog,
    snapshots: Sequence[Snapshot],
    used: Sequence[UsedSnapshot],
    conflicts: list[MergeConflict],
    unusable: list[UnusableSnapshot],
    at: int,
) -> list[UsedSnapshot]:
    """Merge the other snapshots; take nothing from an inconsistent one."""
    based_on = {one.source for one in used}
    base_id = next((one.catalog_id for one in snapshots if one.source in based_on), None)
    found: list[UsedSnapshot] = []
    for one in snapshots:
        if one.source in based_on:
            continue
        if one.catalog_id == base_id and is_contained_in(catalog, one.catalog):
            found.append(UsedSnapshot(one.source, one.files, "known already"))
            continue
        why = explain_rejected_catalog(one.catalog)
        try:
            if why is None:
                with catalog.transaction():
                    conflicts += list(merge_with_annotations(catalog, one.catalog, one.source, at))
        except (CatalogError, sqlite3.Error, ValueError, TypeError, KeyError, OverflowError) as error:
            # A full disk of the home is not the snapshot's fault.
            if get_free_bytes(home) < _MIN_SCRATCH_BYTES:
                raise
            why = str(error).splitlines()[0]
        if why is None:
            found.append(UsedSnapshot(one.source, one.files, "added"))
        else:
            unusable.append(UnusableSnapshot(one.source, f"what it says makes no sense ({why})"))
    return found


def _list_drives(
    catalog: Catalog, settings: Settings, clock: Clock, drives: Sequence[Place], conflicts: list[MergeConflict]
) -> Job[list[DriveInventory]]:
    """List and record every drive; return what was found on each."""
    found: list[DriveInventory] = []
    now = clock.now()
    for drive in drives:
        record = find_place_by_uid(catalog, drive.uid)
        if record is None:
            with catalog.transaction():
                record = add_place(
                    catalog,
                    drive.uid,
                    _find_free_name(catalog, drive.name),
                    kind=PlaceKind.DRIVE,
                    role=DriveRole.ROAD,
                    at=now,
                    path=drive.root,
                )
        with catalog.transaction():
            record_place_connected(catalog, record.id, drive.root, now)
        relisting = InventoryRun(catalog, settings, drive, record, now)
        for files in relisting.run():
            yield ProgressUpdate(f"listing drive {record.name}", files, files, 0, 0, 0.0, None)
        conflicts += relisting.conflicts
        found.append(relisting.build_inventory())
    return found


def _find_free_name(catalog: Catalog, name: str) -> str:
    taken = {place.name.casefold() for place in list_places(catalog)}
    free, n = name, 2
    while free.casefold() in taken:
        free, n = f"{name}-{n}", n + 1
    return free


def _record_event(catalog: Catalog, clock: Clock, used: Sequence[UsedSnapshot]) -> None:
    sources = "; ".join(f"{one.source} ({one.role})" for one in used) or "check lists alone"
    with catalog.transaction():
        add_event(
            catalog,
            EventType.RECOVERY,
            EventOutcome.SUCCESS,
            f"the catalog was rebuilt from {sources}; nothing in it was read back yet",
            clock.now(),
        )
