"""List the quarantine: how many files, their size, since when and why; and filter them.

The drive's content is compared with the catalog. Nothing is changed.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass

from tripleguard.catalog import file_queries
from tripleguard.catalog.places import list_places
from tripleguard.catalog.quarantine import (
    QuarantinedCopy,
    QuarantineTotals,
    list_quarantined_copies,
    sum_quarantine,
)
from tripleguard.catalog.rows import KnownFile
from tripleguard.errors import CopyError, TripleguardError
from tripleguard.jobs.context import JobContext
from tripleguard.jobs.drives import OpenDrive
from tripleguard.jobs.repair.keep_rules import QuarantineKeepRules
from tripleguard.model import PlaceKind, PlaceRecord, PlaceState
from tripleguard.places.quarantine import QuarantineEntry
from tripleguard.rules import is_at_least_old, mark_beyond_limit


@dataclass(frozen=True, slots=True)
class QuarantinedFile:
    """A quarantined file, with its copy and file as far as the catalog has them. since: UTC ns."""

    stored_file: QuarantineEntry
    copy: QuarantinedCopy | None
    file: KnownFile | None

    @property
    def since(self) -> int | None:
        return self.copy.since if self.copy else self.stored_file.moved_at


@dataclass(frozen=True, slots=True)
class DriveQuarantine:
    """The quarantine of one connected drive; `missing` are recorded files that the drive does not have."""

    record: PlaceRecord
    files: tuple[QuarantinedFile, ...]
    missing: tuple[QuarantinedCopy, ...]

    @property
    def total_bytes(self) -> int:
        return sum(thing.stored_file.size for thing in self.files)


@dataclass(frozen=True, slots=True)
class QuarantineListing:
    """A drive's quarantine, and why files would be kept, by path. contents: None if the drive is absent."""

    record: PlaceRecord
    contents: DriveQuarantine | None
    keep_reasons: dict[str, str]
    recorded_totals: QuarantineTotals
    error: TripleguardError | None = None


@dataclass(frozen=True, slots=True)
class PurgeFilter:
    """Which files to purge: older than `min_age_ns`, and beyond the newest `keep_newest_bytes`.

    include_changed: not only rotten files, also those that someone changed.
    """

    min_age_ns: int | None = None
    keep_newest_bytes: int | None = None
    include_changed: bool = False

    @property
    def description(self) -> str:
        """Return the filter in words, for an event."""
        days = None if self.min_age_ns is None else f"older than {self.min_age_ns / 86_400e9:g} days"
        newest = None if self.keep_newest_bytes is None else f"but the newest {self.keep_newest_bytes:,} bytes"
        return ", ".join(filter(None, (days, newest, "changed ones too" if self.include_changed else None)))


def read_drive_quarantine(ctx: JobContext, drive: OpenDrive) -> DriveQuarantine:
    """Return what is in quarantine on an open drive. Raises PlaceFailedError."""
    stored_files = drive.place.list_quarantine()
    known = {one.copy.path: one for one in list_quarantined_copies(ctx.catalog, drive.record.id)}
    things = []
    for one in stored_files:
        copy = known.pop(one.path, None)
        file = file_queries.get_file(ctx.catalog, copy.copy.file_id) if copy else None
        things.append(QuarantinedFile(one, copy, file))
    unlooked = tuple(f"{one.path}/" for one in stored_files if one.problem)
    vanished = [one for path, one in known.items() if not path.startswith(unlooked)]
    return DriveQuarantine(drive.record, tuple(things), tuple(vanished))


def filter_files(files: Sequence[QuarantinedFile], purge_filter: PurgeFilter, now: int) -> list[QuarantinedFile]:
    """Return the files that match the filter, oldest first."""
    keep = purge_filter.keep_newest_bytes
    beyond = (
        mark_beyond_limit([(thing.since, thing.stored_file.size) for thing in files], keep)
        if keep is not None
        else [True] * len(files)
    )
    found = [
        thing
        for thing, is_beyond in zip(files, beyond, strict=True)
        if is_beyond
        and (purge_filter.min_age_ns is None or is_at_least_old(thing.since, purge_filter.min_age_ns, now))
    ]
    return sorted(found, key=lambda thing: (thing.since or 0, thing.stored_file.path))


def list_quarantine(ctx: JobContext, drives: Sequence[OpenDrive]) -> list[QuarantineListing]:
    """Return the quarantine of every drive in service, as far as it is open. Raises CatalogError."""
    drives_by_id = {drive.record.id: drive for drive in drives}
    with closing(QuarantineKeepRules(ctx, drives, include_changed=False)) as keep_rules:
        return list(_iter_listings(ctx, drives_by_id, keep_rules))


def _iter_listings(
    ctx: JobContext, drives_by_id: Mapping[int, OpenDrive], keep_rules: QuarantineKeepRules
) -> Iterator[QuarantineListing]:
    for record in list_places(ctx.catalog):
        if record.kind is not PlaceKind.DRIVE or record.state in (PlaceState.LOST, PlaceState.RETIRED):
            continue
        shelf, kept, trouble = None, {}, None
        drive = drives_by_id.get(record.id)
        if drive is not None:
            try:
                shelf = read_drive_quarantine(ctx, drive)
            except CopyError as error:
                trouble = error
        for thing in shelf.files if shelf else ():
            why = keep_rules.find_keep_reason(thing.stored_file, thing.copy, thing.file)
            if why is not None:
                kept[thing.stored_file.path] = why
        yield QuarantineListing(record, shelf, kept, sum_quarantine(ctx.catalog, record.id), trouble)
