"""List what lies in quarantine: how many files, how large, since when and why; and filter them.

What the drive holds is compared with what the catalog knows. Nothing is changed here.
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
    """One thing that is in quarantine. copy and file: what the catalog knows of it, if it does. since: UTC ns."""

    stored_file: QuarantineEntry
    copy: QuarantinedCopy | None
    file: KnownFile | None

    @property
    def since(self) -> int | None:
        return self.copy.since if self.copy else self.stored_file.moved_at


@dataclass(frozen=True, slots=True)
class DriveQuarantine:
    """The quarantine folder of one connected drive. vanished: what the catalog has there and the drive has not."""

    record: PlaceRecord
    files: tuple[QuarantinedFile, ...]
    missing: tuple[QuarantinedCopy, ...]

    @property
    def total_bytes(self) -> int:
        return sum(thing.stored_file.size for thing in self.files)


@dataclass(frozen=True, slots=True)
class QuarantineListing:
    """A drive's quarantine folder with what would be kept of it and why, by path. away: only what the catalog
    has."""

    record: PlaceRecord
    contents: DriveQuarantine | None
    keep_reasons: dict[str, str]
    recorded_totals: QuarantineTotals
    error: TripleguardError | None = None


@dataclass(frozen=True, slots=True)
class PurgeFilter:
    """What a person wants to be rid of: older than so long (ns), and beyond the newest so many bytes.

    changed_too: not only what rotted, also what somebody changed.
    """

    min_age_ns: int | None = None
    keep_newest_bytes: int | None = None
    include_changed: bool = False

    @property
    def description(self) -> str:
        """Return the choice as an event tells it."""
        days = None if self.min_age_ns is None else f"older than {self.min_age_ns / 86_400e9:g} days"
        newest = None if self.keep_newest_bytes is None else f"but the newest {self.keep_newest_bytes:,} bytes"
        return ", ".join(filter(None, (days, newest, "changed ones too" if self.include_changed else None)))


def read_drive_quarantine(ctx: JobContext, drive: OpenDrive) -> DriveQuarantine:
    """Return what is in quarantine on an open drive. Raises PlaceFailedError."""
    lying = drive.place.list_quarantine()
    known = {one.copy.path: one for one in list_quarantined_copies(ctx.catalog, drive.record.id)}
    things = []
    for one in lying:
        copy = known.pop(one.path, None)
        file = file_queries.get_file(ctx.catalog, copy.copy.file_id) if copy else None
        things.append(QuarantinedFile(one, copy, file))
    unlooked = tuple(f"{one.path}/" for one in lying if one.problem)
    vanished = [one for path, one in known.items() if not path.startswith(unlooked)]
    return DriveQuarantine(drive.record, tuple(things), tuple(vanished))


def filter_files(files: Sequence[QuarantinedFile], purge_filter: PurgeFilter, now: int) -> list[QuarantinedFile]:
    """Return what the choice speaks of, oldest first."""
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
    """Return every drive in service with what is in quarantine on it, as far as it is open here. Raises
    CatalogError."""
    here = {drive.record.id: drive for drive in drives}
    with closing(QuarantineKeepRules(ctx, drives, include_changed=False)) as sparing:
        return list(_looked_through(ctx, here, sparing))


def _looked_through(
    ctx: JobContext, here: Mapping[int, OpenDrive], sparing: QuarantineKeepRules
) -> Iterator[QuarantineListing]:
    for record in list_places(ctx.catalog):
        if record.kind is not PlaceKind.DRIVE or record.state in (PlaceState.LOST, PlaceState.RETIRED):
            continue
        shelf, kept, trouble = None, {}, None
        drive = here.get(record.id)
        if drive is not None:
            try:
                shelf = read_drive_quarantine(ctx, drive)
            except CopyError as error:
                trouble = error
        for thing in shelf.files if shelf else ():
            why = sparing.find_keep_reason(thing.stored_file, thing.copy, thing.file)
            if why is not None:
                kept[thing.stored_file.path] = why
        yield QuarantineListing(record, shelf, kept, sum_quarantine(ctx.catalog, record.id), trouble)
