"""Add, open and look up the offsite place, and report from the catalog what is missing or overdue there."""

from __future__ import annotations

import contextlib
import os
import platform
from collections.abc import Callable, Iterator, Mapping
from dataclasses import asdict, dataclass
from functools import partial
from pathlib import Path

from tripleguard.catalog import due_copies
from tripleguard.catalog import offsite as rows
from tripleguard.catalog.event_log import add_event
from tripleguard.catalog.offsite import OffsiteTotals, get_server_capabilities, record_server_capabilities
from tripleguard.catalog.places import (
    add_place,
    find_place_by_uid,
    list_places,
    record_offsite_address,
    record_place_seen,
    set_place_state,
)
from tripleguard.clock import DAY, Clock, format_iso
from tripleguard.errors import PlaceError, UsageError
from tripleguard.home import open_home_lock
from tripleguard.jobs.context import JobContext
from tripleguard.jobs.drive_identity import update_identity
from tripleguard.jobs.drive_setup import OFFSITE_NAME, check_may_be_place, check_no_overlap, ensure_catalog_id
from tripleguard.jobs.offsite.network import RetryPolicy
from tripleguard.model import (
    DriveRole,
    EventOutcome,
    EventType,
    Finding,
    FindingKind,
    PlaceKind,
    PlaceRecord,
    PlaceState,
    Severity,
)
from tripleguard.names import escape_text
from tripleguard.places.locks import LockHolder, hold_lock
from tripleguard.places.marker import create_marker
from tripleguard.places.object_store import (
    open_offsite_place,
    read_offsite_marker,
    write_offsite_marker,
)
from tripleguard.places.offsite_folder import OffsiteFolder
from tripleguard.places.offsite_store import OffsiteStore
from tripleguard.places.offsite_url import (
    OffsiteUrl,
    get_environment,
    open_object_store,
    parse_offsite_url,
    resolve_s3_address,
)
from tripleguard.places.s3.bucket import S3Bucket, ServerCapabilities
from tripleguard.places.s3.bucket_listing import S3Listing
from tripleguard.places.s3.capabilities import probe_server
from tripleguard.places.s3.connection import HttpConnection
from tripleguard.places.uploaders import FolderUploader, StoreUploader
from tripleguard.wording import pluralize

_PROBE_INTERVAL_NS = 30 * DAY

UploadSender = S3Bucket | StoreUploader | FolderUploader


@dataclass(frozen=True, slots=True)
class OpenOffsite:
    """An offsite place locked for a job. create_sender makes one sender for each thread."""

    record: PlaceRecord
    url: OffsiteUrl
    place: OffsiteStore
    capabilities: ServerCapabilities
    create_sender: Callable[[], UploadSender]

    @property
    def is_verified_on_arrival(self) -> bool:
        """Return whether the server verifies content on arrival; else it must be read back."""
        return self.capabilities.proves or self.capabilities.header


def get_offsite_place(ctx: JobContext) -> PlaceRecord | None:
    """Return the offsite place in service; None if there is none."""
    found = [
        place
        for place in list_places(ctx.catalog)
        if place.kind is PlaceKind.OFFSITE and place.state is PlaceState.ACTIVE
    ]
    return found[0] if found else None


def get_offsite_folder(ctx: JobContext) -> Path | None:
    """Return the folder that is the offsite place; None if it is another kind or there is none."""
    record = get_offsite_place(ctx)
    url = parse_offsite_url(record.last_path) if record is not None and record.last_path else None
    return url.folder if url is not None and url.kind == "file" else None


def require_offsite(ctx: JobContext) -> PlaceRecord:
    """Return the offsite place in service. Raises UsageError if there is none."""
    record = get_offsite_place(ctx)
    if record is None:
        raise UsageError(
            "There is no offsite place yet.",
            safe="Nothing was sent.",
            do="Name one with `tripleguard setup --offsite URL`; see docs/offsite.md.",
        )
    return record


@contextlib.contextmanager
def open_locked_offsite(
    ctx: JobContext, record: PlaceRecord, activity: str, retry_policy: RetryPolicy | None = None
) -> Iterator[OpenOffsite]:
    """Open the place and lock it against other jobs of this home.

    Raises PlaceBusyError, PlaceError, AccessDeniedError, NetworkError.
    """
    url = parse_offsite_url(record.last_path or "")
    holder = LockHolder(os.getpid(), platform.node(), activity, format_iso(ctx.clock.now()))
    lock = partial(open_home_lock, ctx.home, f"offsite-{record.uid[:16]}")
    with hold_lock(f"The offsite place {record.name}", lock, holder):
        if url.kind == "file":
            with _open_folder(ctx, record, url) as opened:
                yield opened
            return
        place = open_offsite_place(
            open_object_store(url, get_environment()), record.uid, open_s3_lister(url, ctx.clock, ctx.stop.is_set)
        )
        habits = _get_capabilities(ctx, record, url) if url.kind == "s3" else ServerCapabilities()
        make = _choose_bucket_factory(ctx, url, habits, retry_policy or RetryPolicy())
        yield OpenOffsite(
            record, url, place, habits, make if url.kind == "s3" else lambda: StoreUploader(place.store)
        )
    _record_seen(ctx, record)


def add_offsite(ctx: JobContext, address: str, name: str = OFFSITE_NAME) -> PlaceRecord:
    """Add an offsite place, or reactivate one that was added before.

    Raises UsageError, PlaceError, AccessDeniedError.
    """
    url = parse_offsite_url(address)
    for other in list_places(ctx.catalog):
        if other.kind is PlaceKind.OFFSITE and other.state is PlaceState.ACTIVE:
            if other.last_path == url.text:
                return other
            known = find_place_by_uid(ctx.catalog, _read_uid(ctx, url) or "")
            if known is None or known.id != other.id:
                raise UsageError(
                    f"There is an offsite place already: {escape_text(other.last_path or '')}.",
                    safe="Nothing was changed.",
                    do=f"Take it out of service first: `tripleguard drives lost {other.name}`.",
                )
    marker = create_marker(
        _find_free_name(ctx, name), "shelf", format_iso(ctx.clock.now()), ensure_catalog_id(ctx)
    )
    found = _read_uid(ctx, url)
    if found is None:
        if url.kind == "file":
            check_no_overlap(ctx, url.folder)
            check_may_be_place(ctx, url.folder)
            ctx.places.write_new_marker(url.folder, marker)
        else:
            write_offsite_marker(open_object_store(url, get_environment()), marker)
    uid, now = found or marker.id, ctx.clock.now()
    known = find_place_by_uid(ctx.catalog, uid)
    if known is not None and known.kind is PlaceKind.DRIVE:
        raise PlaceError(
            f"{escape_text(address)} is drive {known.name}.", safe="Nothing was changed.", do="Name another place."
        )
    with ctx.catalog.transaction():
        if known is None:
            known = add_place(
                ctx.catalog, uid, marker.name, kind=PlaceKind.OFFSITE, role=DriveRole.SHELF, at=now, path=Path()
            )
        elif known.state is not PlaceState.ACTIVE:
            set_place_state(ctx.catalog, known.id, PlaceState.ACTIVE, DriveRole.SHELF)
        record_offsite_address(ctx.catalog, known.id, url.text, now)
        add_event(
            ctx.catalog,
            EventType.PLACE_CHANGE,
            EventOutcome.SUCCESS,
            f"offsite place {known.name} named: {escape_text(url.text)}",
            now,
            place_id=known.id,
        )
    if url.kind == "s3":
        _get_capabilities(ctx, known, url)
    return known


def _read_uid(ctx: JobContext, url: OffsiteUrl) -> str | None:
    """Return the id of the marker at an address, None if there is none."""
    if url.kind == "file":
        on_disk = ctx.places.read_marker(url.folder)
        return on_disk.id if on_disk else None
    looking = open_s3_lister(url, ctx.clock, ctx.stop.is_set)
    marker = read_offsite_marker(open_object_store(url, get_environment()), looking)
    return marker.id if marker else None


@contextlib.contextmanager
def _open_folder(ctx: JobContext, record: PlaceRecord, url: OffsiteUrl) -> Iterator[OpenOffsite]:
    drive = ctx.places.open_drive(url.folder, reserve_bytes=ctx.settings.drives.reserve_bytes)
    try:
        if drive.uid != record.uid:
            raise PlaceError(
                f"The folder {escape_text(str(url.folder))} is not the offsite place {record.name}.",
                safe="Nothing was sent.",
                do="Check that it is mounted, then run the command again.",
            )
        update_identity(ctx, record, drive.read_identity(), drive.root)
        holder = LockHolder(os.getpid(), platform.node(), "offsite", format_iso(ctx.clock.now()))
        with hold_lock(f"The offsite place {record.name}", drive.open_lock, holder):
            drive.delete_unfinished()
            yield OpenOffsite(
                record, url, OffsiteFolder(drive), ServerCapabilities(), lambda: FolderUploader(drive)
            )
    finally:
        drive.close()
    _record_seen(ctx, record)


def _record_seen(ctx: JobContext, record: PlaceRecord) -> None:
    with ctx.catalog.transaction():
        record_place_seen(ctx.catalog, record.id, ctx.clock.now())


def _get_capabilities(ctx: JobContext, record: PlaceRecord, url: OffsiteUrl) -> ServerCapabilities:
    """Return what the server verifies; it is probed again after a while, as servers change."""
    known = get_server_capabilities(ctx.catalog, record.id)
    if known is not None and abs(ctx.clock.now() - known[1]) < _PROBE_INTERVAL_NS:
        return _load_capabilities(known[0])
    bucket = _choose_bucket_factory(ctx, url, ServerCapabilities(), RetryPolicy())()
    try:
        habits = probe_server(bucket)
    finally:
        bucket.close()
    with ctx.catalog.transaction():
        record_server_capabilities(ctx.catalog, record.id, asdict(habits), ctx.clock.now())
    return habits


def _load_capabilities(stored: Mapping[str, bool]) -> ServerCapabilities:
    known = asdict(ServerCapabilities())
    return ServerCapabilities(**{name: value for name, value in stored.items() if name in known})


def open_s3_lister(url: OffsiteUrl, clock: Clock, should_stop: Callable[[], bool]) -> S3Listing | None:
    """Return the listing of an S3 bucket; None for other places. Raises AccessDeniedError without credentials."""
    if url.kind != "s3":
        return None
    return S3Listing(
        _build_bucket_factory(url, clock, should_stop, ServerCapabilities(), RetryPolicy()), should_stop
    )


def _choose_bucket_factory(
    ctx: JobContext, url: OffsiteUrl, capabilities: ServerCapabilities, retry_policy: RetryPolicy
) -> Callable[[], S3Bucket]:
    return _build_bucket_factory(url, ctx.clock, ctx.stop.is_set, capabilities, retry_policy)


def _build_bucket_factory(
    url: OffsiteUrl,
    clock: Clock,
    should_stop: Callable[[], bool],
    capabilities: ServerCapabilities,
    retry_policy: RetryPolicy,
) -> Callable[[], S3Bucket]:
    def make() -> S3Bucket:
        address, who = resolve_s3_address(url, get_environment())
        return S3Bucket(
            address,
            who,
            HttpConnection(address.endpoint, retry_policy.response_timeout_s, should_stop),
            clock,
            capabilities,
        )

    return make


def _find_free_name(ctx: JobContext, name: str) -> str:
    taken = {place.name.casefold() for place in list_places(ctx.catalog)}
    number = 2
    free = name
    while free.casefold() in taken:
        free, number = f"{name} {number}", number + 1
    return free


def get_offsite_totals(ctx: JobContext) -> OffsiteTotals | None:
    """Return the totals of the selects offsite; None if there is no such place."""
    record = get_offsite_place(ctx)
    return rows.count_offsite_totals(ctx.catalog, record.id) if record else None


def list_offsite_findings(ctx: JobContext, totals: OffsiteTotals | None) -> list[Finding]:
    """Return the findings from counting: selects that are missing there, and overdue copies."""
    record = get_offsite_place(ctx)
    if record is None or totals is None:
        return []
    found: list[Finding] = []
    if totals.missing:
        files = pluralize(totals.missing, "file of a select is", "files of selects are")
        message = f"{files} not offsite yet, {totals.missing_bytes:,} bytes"
        found.append(_build_finding(FindingKind.UNDER_REPLICATED, message, "run `upload`", totals.missing))
    days, now = ctx.settings.offsite.days, ctx.clock.now()
    for words, (count, since) in (
        (f"proved more than {days} days ago", due_copies.count_overdue(ctx.catalog, record.id, now - days * DAY)),
        (
            "proved by a clock that was ahead, nobody knows when",
            due_copies.count_verified_in_future(ctx.catalog, record.id, now + DAY),
        ),
    ):
        if count:
            message = f"{pluralize(count, 'copy offsite was', 'copies offsite were')} {words}"
            step = f"run `rescan --place {record.name}`"
            found.append(_build_finding(FindingKind.OVERDUE, message, step, count, record.name, since))
    return found


def _build_finding(
    kind: FindingKind, message: str, next_step: str, count: int, place: str | None = None, since: int | None = None
) -> Finding:
    severity = Severity.NOTE if kind is FindingKind.OVERDUE else Severity.SOON
    return Finding(kind, severity, place, None, None, None, since, message, next_step, count)
