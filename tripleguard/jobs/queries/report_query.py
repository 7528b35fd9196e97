"""Build the report: what is wrong, which copies are missing, where the drives are, what to do next."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from tripleguard.cameras.kinds import is_in_bin
from tripleguard.catalog import due_copies, file_queries, shoots
from tripleguard.catalog.event_log import get_last_card_clearance
from tripleguard.catalog.findings import StoredFinding, list_open_findings
from tripleguard.catalog.integrity import ModelQuirk, list_model_quirks
from tripleguard.catalog.places import list_places
from tripleguard.catalog.quarantine import QuarantineTotals, sum_quarantine
from tripleguard.catalog.shared_sidecars import count_extra_missing_copies
from tripleguard.catalog.shoots import ShootShortage
from tripleguard.clock import DAY, SECOND
from tripleguard.jobs.cached_copies import find_cached_copies
from tripleguard.jobs.context import JobContext
from tripleguard.jobs.drive_identity import update_identity
from tripleguard.jobs.drives import locate_drives
from tripleguard.jobs.integrity import list_damage_findings
from tripleguard.jobs.missing_frames import MissingFramesReport, report_latest_night
from tripleguard.jobs.offsite.offsite_place import get_offsite_place, get_offsite_totals, list_offsite_findings
from tripleguard.model import Finding, FindingKind, FreeSpace, PlaceKind, PlaceRecord, PlaceState, Severity
from tripleguard.names import escape_text
from tripleguard.rules import get_interval_days, get_overdue_cutoff, is_at_least_old, is_counted_drive
from tripleguard.wording import pluralize

_FINDING_TEXTS: dict[FindingKind, tuple[Severity, str, str]] = {
    FindingKind.MISSING: (
        Severity.NOW,
        "is not on {place} any more",
        "run `repair`; while the card still has it, `offload` does it too",
    ),
    FindingKind.CORRUPT: (Severity.NOW, "does not read back as it was written on {place}", "run `repair`"),
    FindingKind.ALTERED: (
        Severity.NOW,
        "was changed on {place}: an original never changes",
        "run `repair`: the changed one is kept in quarantine; or accept it with a reason",
    ),
    FindingKind.STALE: (
        Severity.SOON,
        "on {place} is an older version",
        "run `repair`; the older one is kept",
    ),
    FindingKind.MISPLACED: (
        Severity.NOTE,
        "on {place} was moved here and is whole",
        "run `repair` to move it back, or accept it with a reason",
    ),
    FindingKind.STRAY: (
        Severity.NOTE,
        "on {place} is not in the catalog",
        "run `adopt` to enter it as it lies, move it away yourself, or accept it with a reason",
    ),
}

NOT_ANSWERING = "does not answer"
"""The state of a drive that is mounted and whose device hangs or fails."""


_IN_BIN_TEXTS = (
    "on {place} is in the bin there, and goes when that is emptied; it counts for nothing",
    "empty the bin once `repair` has put right what is missing, or accept it with a reason",
)


_OFFSITE_NEXT_STEPS = {
    FindingKind.MISSING: "run `repair` with the drives connected: it is sent again",
    FindingKind.CORRUPT: "run `repair` with the drives connected: a good one is "
    "sent beside it, and this one stays",
    FindingKind.ALTERED: "run `repair` with the drives connected: a good one is "
    "sent beside it, and this one stays",
    FindingKind.STALE: "run `upload`; the older one stays",
    FindingKind.STRAY: "nothing, where others use this bucket too: accept it with a reason",
}


@dataclass(frozen=True, slots=True)
class PlaceStatus:
    """The state of one drive. path and space are None while it is away; oldest_verified_at is in UTC ns."""

    record: PlaceRecord
    state: str
    path: Path | None
    space: FreeSpace | None
    files: int
    total_bytes: int
    oldest_verified_at: int | None


@dataclass(frozen=True, slots=True)
class QuarantineWarning:
    """The quarantine of a drive, as recorded in the catalog, when it exceeds the size or age in the settings."""

    record: PlaceRecord
    recorded: QuarantineTotals
    is_large: bool
    is_old: bool


@dataclass(frozen=True, slots=True)
class Report:
    """Everything a person needs to know in the morning.

    Attributes:
        is_clear: nothing needs attention; the quarantine does not count.
        offsite_surplus: files and bytes offsite that belong to no select any more.
    """

    is_clear: bool
    findings: tuple[Finding, ...]
    missing_copies: tuple[ShootShortage, ...]
    places: tuple[PlaceStatus, ...]
    files: int
    total_bytes: int
    counts: dict[str, int]
    last_clearance: tuple[int, str, bool] | None
    quarantine: tuple[QuarantineWarning, ...] = ()
    habits: tuple[ModelQuirk, ...] = ()
    missing_frames: MissingFramesReport = field(default_factory=MissingFramesReport)
    offsite_surplus: tuple[int, int] = (0, 0)


def build_report(ctx: JobContext) -> Report:
    """Return what the catalog and the connected drives say now. Raises PlaceError, CatalogError."""
    places = list_place_statuses(ctx)
    offsite = get_offsite_totals(ctx)
    findings = [
        *_stored_findings(ctx, places),
        *list_damage_findings(ctx),
        *_under_replicated_findings(ctx, places),
        *_overdue_findings(ctx, places),
        *_cached_findings(ctx, places),
        *list_offsite_findings(ctx, offsite),
    ]
    numbers = report_latest_night(ctx)
    counts: dict[str, int] = {}
    for finding in findings:
        counts[finding.kind] = counts.get(finding.kind, 0) + finding.count
    files, total_bytes, _ = shoots.count_totals(ctx.catalog)
    return Report(
        is_clear=not findings and not any(one.is_card_suspected for one in numbers.open),
        findings=tuple(findings),
        missing_copies=tuple(shoots.list_shortages(ctx.catalog)),
        places=tuple(places),
        files=files,
        total_bytes=total_bytes,
        counts=counts,
        last_clearance=get_last_card_clearance(ctx.catalog),
        quarantine=tuple(_quarantine_warnings(ctx, places)),
        habits=tuple(list_model_quirks(ctx.catalog)),
        missing_frames=numbers,
        offsite_surplus=(offsite.surplus, offsite.surplus_bytes) if offsite else (0, 0),
    )


def list_place_statuses(ctx: JobContext) -> list[PlaceStatus]:
    """Return every place: its path now, how full it is, how long unverified. Raises PlaceError for cloned drives.

    The offsite place is not contacted, as that needs the network.
    """
    found: list[PlaceStatus] = []
    offsite = get_offsite_place(ctx)
    for record, path in [*locate_drives(ctx), *([(offsite, None)] if offsite else [])]:
        held = shoots.list_coverage(ctx.catalog, record.id)
        space = free_space_at(path, ctx) if path else None
        connected = "connected" if space is not None else NOT_ANSWERING
        now = "offsite" if record is offsite else (connected if path else "away")
        state = record.state if record.state is not PlaceState.ACTIVE else now
        if path is not None:
            _check_identity(ctx, record, path)
        found.append(
            PlaceStatus(
                record=record,
                state=str(state),
                path=path,
                space=space,
                files=sum(one.copies for one in held),
                total_bytes=sum(one.bytes for one in held),
                oldest_verified_at=due_copies.get_oldest_verified(ctx.catalog, record.id),
            )
        )
    return found


def _check_identity(ctx: JobContext, record: PlaceRecord, path: Path) -> None:
    """Check that a connected drive is on the file system it was on before."""
    identity = ctx.places.read_identity(path)
    if identity is not None:
        update_identity(ctx, record, identity, path)


def _quarantine_warnings(ctx: JobContext, places: list[PlaceStatus]) -> Iterator[QuarantineWarning]:
    drives, now = ctx.settings.drives, ctx.clock.now()
    for status in places:
        if status.record.state in (PlaceState.LOST, PlaceState.RETIRED):
            continue
        recorded = sum_quarantine(ctx.catalog, status.record.id)
        large = recorded.total_bytes > drives.quarantine_bytes
        old = is_at_least_old(recorded.oldest_since, int(drives.quarantine_seconds) * SECOND, now)
        if large or old:
            yield QuarantineWarning(status.record, recorded, large, old)


def free_space_at(path: Path, ctx: JobContext) -> FreeSpace | None:
    """Return the free space of the drive at `path`; None if it can't be determined."""
    return ctx.places.read_free_space(path, ctx.settings.drives.reserve_bytes)


def _stored_findings(ctx: JobContext, places: list[PlaceStatus]) -> list[Finding]:
    """Return the open findings that nobody has accepted."""
    away = {status.record.id for status in places if status.state in ("away", NOT_ANSWERING)}
    names = {place.id: place for place in list_places(ctx.catalog)}
    titles = {shoot.id: shoot.title for shoot in shoots.list_shoots(ctx.catalog)}
    found = []
    for one in list_open_findings(ctx.catalog):
        place = names[one.place_id]
        if one.accepted_at is not None or place.state in (PlaceState.LOST, PlaceState.RETIRED):
            continue
        severity, what, next_step = _FINDING_TEXTS[one.kind]
        if one.kind is FindingKind.STRAY and is_in_bin(one.path):
            what, next_step = _IN_BIN_TEXTS
        if place.kind is PlaceKind.OFFSITE:
            next_step = _OFFSITE_NEXT_STEPS.get(one.kind, next_step)
        if one.place_id in away:
            next_step = f"connect drive {place.name}, then {next_step}"
        digest = file_queries.get_file(ctx.catalog, one.file_id).file.digest if one.file_id else None
        found.append(
            Finding(
                kind=one.kind,
                severity=severity,
                place=place.name,
                path=one.path,
                digest=digest,
                shoot=titles.get(one.shoot_id) if one.shoot_id else None,
                since=one.since,
                message=f"{escape_text(one.path)} "
                f"{what.format(place=_place_phrase(place))}{_evidence_detail(one)}",
                next_step=next_step,
                number=one.id,
            )
        )
    return found


def _place_phrase(place: PlaceRecord) -> str:
    return "the offsite place" if place.kind is PlaceKind.OFFSITE else f"drive {place.name}"


def _evidence_detail(finding: StoredFinding) -> str:
    """Return details on what is wrong."""
    words = finding.evidence.get("damage") or finding.evidence.get("drill")
    if isinstance(words, str):
        return f" ({words})"
    unreadable = finding.evidence.get("unreadable")
    if isinstance(unreadable, int) and not isinstance(unreadable, bool):
        return f" ({unreadable:,} bytes can't be read)"
    was = finding.evidence.get("was")
    return f" (it was {escape_text(was)})" if isinstance(was, str) else ""


def _under_replicated_findings(ctx: JobContext, places: list[PlaceStatus]) -> list[Finding]:
    """Return files with fewer verified copies than the rule requires, summed by the number they have."""
    findings = []
    wanted = ctx.settings.rule.drive_copies
    away = [status.record.name for status in places if status.state in ("away", NOT_ANSWERING)]
    in_service = [one.record for one in places if is_counted_drive(one.record)]
    if len(in_service) < wanted:
        step = "Add another drive with `drives add NAME PATH`, then run `topup`"
    elif away:
        step = f"Connect drive {' or '.join(away)} and run `topup`"
    else:
        step = "Run `topup` with all drives connected"
    for have, count in sorted(shoots.count_under_replicated_by_copies(ctx.catalog).items()):
        words = {0: "no verified copy", 1: "one verified copy"}.get(have, f"{have} verified copies")
        last = "run `offload` again while the card still has them" if have == 0 else step
        findings.append(
            Finding(
                kind=FindingKind.UNDER_REPLICATED,
                severity=Severity.NOW if have == 0 else Severity.SOON,
                place=None,
                path=None,
                digest=None,
                shoot=None,
                since=None,
                message=f"{pluralize(count, 'file has', 'files have')} {words}, the rule asks for {wanted}",
                next_step=last,
                count=count,
            )
        )
    more = count_extra_missing_copies(ctx.catalog, wanted)
    if more:
        findings.append(
            Finding(
                kind=FindingKind.UNDER_REPLICATED,
                severity=Severity.SOON,
                place=None,
                path=None,
                digest=None,
                shoot=None,
                since=None,
                message=f"{more:,} {'file' if more == 1 else 'files'} with the bytes of another (equal sidecars) "
                f"are on fewer than {wanted} drives under their own name",
                next_step=step,
                count=more,
            )
        )
    return findings


def _overdue_findings(ctx: JobContext, places: list[PlaceStatus]) -> list[Finding]:
    """Return copies that were verified too long ago, summed by drive."""
    rule, findings = ctx.settings.rule, []
    for status in places:
        record = status.record
        if not is_counted_drive(record):
            continue
        now = ctx.clock.now()
        before = get_overdue_cutoff(record.role, rule.road_days, rule.shelf_days, now)
        step = f"{'Run' if status.path else f'Connect drive {record.name} and run'} `rescan`"
        days = get_interval_days(record.role, rule.road_days, rule.shelf_days)
        long_ago = f"verified more than {days} days ago"
        for words, (count, since) in (
            (long_ago, due_copies.count_overdue(ctx.catalog, record.id, before)),
            (
                "verified by a clock that was ahead, nobody knows when",
                due_copies.count_verified_in_future(ctx.catalog, record.id, now + DAY),
            ),
        ):
            if count:
                copies = pluralize(count, "copy", "copies")
                were = "was" if count == 1 else "were"
                findings.append(
                    Finding(
                        kind=FindingKind.OVERDUE,
                        severity=Severity.NOTE,
                        place=record.name,
                        path=None,
                        digest=None,
                        shoot=None,
                        since=since,
                        message=f"{copies} on drive {record.name} {were} {words}",
                        next_step=step,
                        count=count,
                    )
                )
    return findings


def _cached_findings(ctx: JobContext, places: list[PlaceStatus]) -> Iterator[Finding]:
    """Yield copies whose last reading may have come from the cache, summed by drive."""
    for status in places:
        record = status.record
        if not is_counted_drive(record):
            continue
        found = find_cached_copies(ctx, record, status.path)
        if found is not None:
            yield Finding(
                kind=FindingKind.OVERDUE,
                severity=Severity.SOON,
                place=record.name,
                path=None,
                digest=None,
                shoot=None,
                since=None,
                message=found.message,
                next_step=found.next_step,
                count=found.copies,
            )
