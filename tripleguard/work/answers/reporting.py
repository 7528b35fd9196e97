"""The truth in one look: what is wrong, what is owed, where the drives are, what to do next."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from tripleguard.cameras.kinds import lies_in_bin
from tripleguard.catalog import due, questions, shoots
from tripleguard.catalog.aside import AsideSum, aside_sum
from tripleguard.catalog.findings import Noticed, open_findings
from tripleguard.catalog.journal import last_clearance
from tripleguard.catalog.looks import Habit, habits
from tripleguard.catalog.places import all_places
from tripleguard.catalog.shoots import Owed
from tripleguard.catalog.twins import further_debts
from tripleguard.clock import DAY, SECOND
from tripleguard.errors import TripleguardError
from tripleguard.model import Finding, FindingKind, PlaceKind, PlaceRecord, PlaceState, Room, Severity
from tripleguard.names import shown
from tripleguard.places.drive import held_root, room_at
from tripleguard.rules import interval_days, is_older, overdue_before
from tripleguard.wording import counted
from tripleguard.work.from_memory import from_memory
from tripleguard.work.identifying import settle_identity
from tripleguard.work.kit import Kit, where_drives_are
from tripleguard.work.looking import damage_findings
from tripleguard.work.numbering import Numbers, last_numbers
from tripleguard.work.offsite.offsite_findings import offsite_findings, offsite_standing
from tripleguard.work.offsite.third_place import offsite_record

_NOTICED: dict[FindingKind, tuple[Severity, str, str]] = {
    FindingKind.MISSING: (
        Severity.NOW,
        "is not on {place} any more",
        "run `mend`; while the card still has it, `offload` does it too",
    ),
    FindingKind.CORRUPT: (Severity.NOW, "does not read back as it was written on {place}", "run `mend`"),
    FindingKind.ALTERED: (
        Severity.NOW,
        "was changed on {place}: an original never changes",
        "run `mend`: the changed one is kept aside; or accept it with a reason",
    ),
    FindingKind.STALE: (
        Severity.SOON,
        "on {place} is an older version",
        "run `mend`; the older one is kept",
    ),
    FindingKind.MISPLACED: (
        Severity.NOTE,
        "on {place} was moved here and is whole",
        "run `mend` to move it back, or accept it with a reason",
    ),
    FindingKind.STRAY: (
        Severity.NOTE,
        "on {place} is not in the catalog",
        "run `adopt` to enter it as it lies, move it away yourself, or accept it with a reason",
    ),
}


_COUNT = (PlaceState.ACTIVE, PlaceState.SHELVED)

_IN_BIN = (
    "on {place} is in the bin there, and goes when that is emptied; it counts for nothing",
    "empty the bin once `mend` has put right what is missing, or accept it with a reason",
)


_OFFSITE_STEPS = {
    FindingKind.MISSING: "run `mend` with the drives connected: it is sent again",
    FindingKind.CORRUPT: "run `mend` with the drives connected: a good one is sent beside it, and this one stays",
    FindingKind.ALTERED: "run `mend` with the drives connected: a good one is sent beside it, and this one stays",
    FindingKind.STALE: "run `upload`; the older one stays",
    FindingKind.STRAY: "nothing, where others use this bucket too: accept it with a reason",
}


@dataclass(frozen=True, slots=True)
class PlaceStatus:
    """One drive now. path and room: None while it is away. oldest: longest-unverified copy, UTC ns."""

    record: PlaceRecord
    state: str
    path: Path | None
    room: Room | None
    files: int
    total_bytes: int
    oldest: int | None


@dataclass(frozen=True, slots=True)
class MuchAside:
    """What lies aside on a drive, as the catalog has it, when it is more or older than the settings say."""

    record: PlaceRecord
    recorded: AsideSum
    large: bool
    old: bool


@dataclass(frozen=True, slots=True)
class Report:
    """Everything a morning needs to know. clear: nothing wants attention; aside is only mentioned.

    surplus: files and bytes offsite that belong to no select any more.
    """

    clear: bool
    findings: tuple[Finding, ...]
    owed: tuple[Owed, ...]
    places: tuple[PlaceStatus, ...]
    files: int
    total_bytes: int
    counts: dict[str, int]
    last_clearance: tuple[int, str, bool] | None
    aside: tuple[MuchAside, ...] = ()
    habits: tuple[Habit, ...] = ()
    numbers: Numbers = field(default_factory=Numbers)
    surplus: tuple[int, int] = (0, 0)


def report(kit: Kit) -> Report:
    """What the catalog and a look at the connected drives say now. Raises PlaceTrouble, CatalogTrouble."""
    places = place_statuses(kit)
    offsite = offsite_standing(kit)
    findings = [
        *_noticed(kit, places),
        *damage_findings(kit),
        *_short(kit, places),
        *_overdue(kit, places),
        *_from_memory(kit, places),
        *offsite_findings(kit, offsite),
    ]
    numbers = last_numbers(kit)
    counts: dict[str, int] = {}
    for finding in findings:
        counts[finding.kind] = counts.get(finding.kind, 0) + finding.count
    files, total_bytes, _ = shoots.totals(kit.catalog)
    return Report(
        clear=not findings and not any(one.sure for one in numbers.open),
        findings=tuple(findings),
        owed=tuple(shoots.owed(kit.catalog)),
        places=tuple(places),
        files=files,
        total_bytes=total_bytes,
        counts=counts,
        last_clearance=last_clearance(kit.catalog),
        aside=tuple(_much_aside(kit, places)),
        habits=tuple(habits(kit.catalog)),
        numbers=numbers,
        surplus=(offsite.surplus, offsite.surplus_bytes) if offsite else (0, 0),
    )


def place_statuses(kit: Kit) -> list[PlaceStatus]:
    """Every place: where it is now, how full, how long unverified. Raises PlaceTrouble for clones.

    Whether the offsite place answers is not asked: that takes the network.
    """
    found: list[PlaceStatus] = []
    offsite = offsite_record(kit)
    for record, path in [*where_drives_are(kit), *([(offsite, None)] if offsite else [])]:
        held = shoots.coverage(kit.catalog, record.id)
        now = "offsite" if record is offsite else ("connected" if path else "away")
        state = record.state if record.state is not PlaceState.ACTIVE else now
        if path is not None:
            _identify(kit, record, path)
        found.append(
            PlaceStatus(
                record=record,
                state=str(state),
                path=path,
                room=room_there(path, kit) if path else None,
                files=sum(one.copies for one in held),
                total_bytes=sum(one.bytes for one in held),
                oldest=due.oldest_verified(kit.catalog, record.id),
            )
        )
    return found


def _identify(kit: Kit, record: PlaceRecord, path: Path) -> None:
    """Look whether a drive that is here is on the file system that it was on."""
    try:
        folder = held_root(path)
    except TripleguardError:
        return
    try:
        settle_identity(kit, record, folder)
    finally:
        folder.close()


def _much_aside(kit: Kit, places: list[PlaceStatus]) -> Iterator[MuchAside]:
    drives, now = kit.settings.drives, kit.clock.now()
    for status in places:
        if status.record.state in (PlaceState.LOST, PlaceState.RETIRED):
            continue
        recorded = aside_sum(kit.catalog, status.record.id)
        large = recorded.total_bytes > drives.aside_bytes
        old = is_older(recorded.oldest, int(drives.aside_seconds) * SECOND, now)
        if large or old:
            yield MuchAside(status.record, recorded, large, old)


def room_there(path: Path, kit: Kit) -> Room | None:
    """The room of the drive at path now; None if it can't say."""
    try:
        folder = held_root(path)
    except TripleguardError:
        return None
    try:
        return room_at(folder, kit.settings.drives.reserve_bytes)
    except OSError:
        return None
    finally:
        folder.close()


def _noticed(kit: Kit, places: list[PlaceStatus]) -> list[Finding]:
    """What looks at the drives have found and nobody has accepted."""
    away = {status.record.id for status in places if status.state == "away"}
    names = {place.id: place for place in all_places(kit.catalog)}
    titles = {shoot.id: shoot.title for shoot in shoots.by_day(kit.catalog)}
    found = []
    for one in open_findings(kit.catalog):
        place = names[one.place_id]
        if one.accepted_at is not None or place.state in (PlaceState.LOST, PlaceState.RETIRED):
            continue
        severity, what, next_step = _NOTICED[one.kind]
        if one.kind is FindingKind.STRAY and lies_in_bin(one.path):
            what, next_step = _IN_BIN
        if place.kind is PlaceKind.OFFSITE:
            next_step = _OFFSITE_STEPS.get(one.kind, next_step)
        if one.place_id in away:
            next_step = f"connect drive {place.name}, then {next_step}"
        digest = questions.file_with_id(kit.catalog, one.file_id).file.digest if one.file_id else None
        found.append(
            Finding(
                kind=one.kind,
                severity=severity,
                place=place.name,
                path=one.path,
                digest=digest,
                shoot=titles.get(one.shoot_id) if one.shoot_id else None,
                since=one.since,
                message=f"{shown(one.path)} {what.format(place=_called(place))}{_detail(one)}",
                next_step=next_step,
                number=one.id,
            )
        )
    return found


def _called(place: PlaceRecord) -> str:
    return "the offsite place" if place.kind is PlaceKind.OFFSITE else f"drive {place.name}"


def _detail(one: Noticed) -> str:
    """What is known of how it is wrong."""
    words = one.evidence.get("damage") or one.evidence.get("drill")
    if isinstance(words, str):
        return f" ({words})"
    unreadable = one.evidence.get("unreadable")
    if isinstance(unreadable, int) and not isinstance(unreadable, bool):
        return f" ({unreadable:,} bytes can't be read)"
    was = one.evidence.get("was")
    return f" (it was {shown(was)})" if isinstance(was, str) else ""


def _short(kit: Kit, places: list[PlaceStatus]) -> list[Finding]:
    """Files with fewer verified copies than the rule asks, summed by how many they have."""
    findings = []
    wanted = kit.settings.rule.drive_copies
    away = [status.record.name for status in places if status.state == "away"]
    in_service = [
        one.record for one in places if one.record.kind is PlaceKind.DRIVE and one.record.state in _COUNT
    ]
    if len(in_service) < wanted:
        step = "Add another drive with `drives add NAME PATH`, then run `topup`"
    elif away:
        step = f"Connect drive {' or '.join(away)} and run `topup`"
    else:
        step = "Run `topup` with all drives connected"
    for have, count in sorted(shoots.short_by_copies(kit.catalog).items()):
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
                message=f"{counted(count, 'file has', 'files have')} {words}, the rule asks for {wanted}",
                next_step=last,
                count=count,
            )
        )
    more = further_debts(kit.catalog, wanted)
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


def _overdue(kit: Kit, places: list[PlaceStatus]) -> list[Finding]:
    """Copies that were verified too long ago, summed by drive."""
    rule, findings = kit.settings.rule, []
    for status in places:
        record = status.record
        if record.state not in (PlaceState.ACTIVE, PlaceState.SHELVED) or record.kind is PlaceKind.OFFSITE:
            continue
        now = kit.clock.now()
        before = overdue_before(record.role, rule.road_days, rule.shelf_days, now)
        step = f"{'Run' if status.path else f'Connect drive {record.name} and run'} `rescan`"
        days = interval_days(record.role, rule.road_days, rule.shelf_days)
        long_ago = f"verified more than {days} days ago"
        for words, (count, since) in (
            (long_ago, due.overdue(kit.catalog, record.id, before)),
            (
                "verified by a clock that was ahead, nobody knows when",
                due.ahead(kit.catalog, record.id, now + DAY),
            ),
        ):
            if count:
                copies = counted(count, "copy", "copies")
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


def _from_memory(kit: Kit, places: list[PlaceStatus]) -> Iterator[Finding]:
    """Copies whose last reading may have come from memory, summed by drive."""
    for status in places:
        record = status.record
        if record.state not in (PlaceState.ACTIVE, PlaceState.SHELVED) or record.kind is PlaceKind.OFFSITE:
            continue
        found = from_memory(kit, record, status.path)
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
