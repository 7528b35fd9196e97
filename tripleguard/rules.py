"""Decide which copies count, what a file still needs, and which reason to show first. Pure functions.

In doubt a copy does not count.
"""

from __future__ import annotations

import enum
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations

from tripleguard.clock import DAY, HOUR, SECOND
from tripleguard.model import (
    Copy,
    CopyState,
    DriveRole,
    Entry,
    Evidence,
    FileKind,
    PlaceKind,
    PlaceRecord,
    PlaceState,
)

_TIME_STEP = 2 * SECOND
_ZONE_STEP = 15 * 60 * SECOND
_MAX_ZONE_SHIFT = 16 * HOUR


class CopyStatus(enum.StrEnum):
    """Whether one copy counts towards the rule now, and if not, why not."""

    COUNTS = "counts"
    MISSING = "copy missing"
    UNVERIFIED = "not verified"
    OVERDUE = "verified too long ago"
    CACHED = "read from memory"
    AWAY = "drive away"
    OUT_OF_SERVICE = "out of service"


@dataclass(frozen=True, slots=True)
class CopyRequirements:
    """The rule's requirements for a copy to count.

    Attributes:
        road_days, shelf_days: How recently it must have been verified.
        accept_cached: A reading that may have come from a cache counts.
        max_age_ns: How recently, on any drive and not in the future; None to use the days.
    """

    road_days: int
    shelf_days: int
    accept_cached: bool
    max_age_ns: int | None = None


def is_same_mtime(first: int, second: int) -> bool:
    """Return whether two modification times (ns) can be equal: within 2 s, or shifted by a zone and no more.

    FAT stores local time in steps of 2 s; a reader in another zone sees it shifted by a multiple of 15 minutes
    (exFAT specification 1.00, sections 7.4.8 and 7.4.10), at most 16 hours.
    """
    apart = abs(first - second)
    if apart <= _TIME_STEP:
        return True
    if apart > _MAX_ZONE_SHIFT + _TIME_STEP:
        return False
    beside = apart % _ZONE_STEP
    return min(beside, _ZONE_STEP - beside) <= _TIME_STEP


def is_as_recorded(copy: Copy, entry: Entry | None) -> bool:
    """Return whether a copy is on its drive as recorded: present, same size, same time."""
    return entry is not None and entry.size == copy.size and is_same_mtime(entry.mtime_ns, copy.mtime_ns)


def is_exactly_as_recorded(copy: Copy, entry: Entry) -> bool:
    """Return whether a copy is on its drive with exactly the recorded size and time.

    Then it need not be read; otherwise only reading shows whether it was changed.
    """
    return (entry.size, entry.mtime_ns) == (copy.size, copy.mtime_ns)


def needs_recording(copy: Copy | None, entry: Entry, kind: FileKind) -> bool:
    """Return whether a file on a drive is new, or may have been saved since its copy was recorded.

    A copy that was found corrupt is not: nobody saved it, and `repair` decides about it.
    """
    if copy is None or copy.state is CopyState.MISSING:
        return True
    if kind is FileKind.COMPANION:
        return not is_exactly_as_recorded(copy, entry)
    return copy.state in (CopyState.PRESENT, CopyState.ALTERED) and not is_as_recorded(copy, entry)


def is_untouched(copy: Copy, entry: Entry) -> bool:
    """Return whether nobody has written to a copy since it was recorded: same size and time, no zone shift.

    A driver may show the same time in whole seconds. Two sub-second mtimes that differ mean the file was saved
    twice.
    """
    return entry.size == copy.size and is_untouched_mtime(entry.mtime_ns, copy.mtime_ns)


def is_untouched_mtime(first: int, second: int) -> bool:
    """Return whether two modification times (ns) are one, shown by two drivers; one may round, no zone."""
    rounded = first % SECOND == 0 or second % SECOND == 0
    return first == second or (rounded and abs(first - second) <= _TIME_STEP)


def is_verified(evidence: Evidence) -> bool:
    """Return whether a copy was read back and equal, however long ago and from whatever medium."""
    return evidence.verified_at is not None and evidence.medium is not None


def is_good_copy(copy: Copy) -> bool:
    """Return whether a copy is good: present at its path when last checked, and read back by this catalog.

    The catalog's view `good_copies` matches this. Whether a good copy counts now also depends on its place
    (`PlaceState.is_in_service`), on the drive as it is now and on the age of the reading (`copy_status`).
    """
    return copy.state is CopyState.PRESENT and is_verified(copy.evidence)


def is_counted_drive(place: PlaceRecord) -> bool:
    """Return whether good copies on this place count as copies on a drive."""
    return place.kind is PlaceKind.DRIVE and place.state.is_in_service


def copy_status(
    copy: Copy,
    drive: PlaceState,
    role: DriveRole,
    *,
    is_connected: bool,
    entry: Entry | None,
    requirements: CopyRequirements,
    now: int,
) -> CopyStatus:
    """Return whether this copy counts now, and if not, why.

    Args:
        entry: What its connected drive lists at its path.
        now: UTC ns.
    """
    if not drive.is_in_service:
        return CopyStatus.OUT_OF_SERVICE
    if copy.state is not CopyState.PRESENT or (is_connected and not is_as_recorded(copy, entry)):
        return CopyStatus.MISSING
    evidence = copy.evidence
    if evidence.verified_at is None or evidence.medium is None:
        return CopyStatus.UNVERIFIED
    if not is_connected:
        return CopyStatus.AWAY
    if not evidence.medium.is_from_device and not requirements.accept_cached:
        return CopyStatus.CACHED
    if requirements.max_age_ns is not None:
        recent = now - requirements.max_age_ns <= evidence.verified_at <= now
    else:
        recent = is_recent(evidence.verified_at, role, requirements.road_days, requirements.shelf_days, now)
    return CopyStatus.COUNTS if recent else CopyStatus.OVERDUE


def should_read_again(evidence: Evidence, *, reaches_device: bool, insertion: str | None) -> bool:
    """Return whether reading a copy again, after a reading from a cache, would improve its evidence.

    reaches_device: readings on its drive bypass every cache. insertion: the drive's current one, None if unknown.
    The first reading through the cache in an insertion counts, see `Medium.REMOUNTED`. If it is unknown when a
    copy was in a cache, a reading records that, so that one in the next insertion counts.
    """
    return reaches_device or (insertion is not None and evidence.cached_insertion != insertion)


def primary_reason(statuses: Iterable[CopyStatus]) -> CopyStatus | None:
    """Return the reason to show first of copies that do not count; None if there is none."""
    found = set(statuses)
    order = (
        CopyStatus.MISSING,
        CopyStatus.UNVERIFIED,
        CopyStatus.OVERDUE,
        CopyStatus.CACHED,
        CopyStatus.AWAY,
        CopyStatus.OUT_OF_SERVICE,
    )
    return next((reason for reason in order if reason in found), None)


def get_interval_days(role: DriveRole, road_days: int, shelf_days: int) -> int:
    """Return how often copies on a drive of this role must be verified, in days."""
    return shelf_days if role is DriveRole.SHELF else road_days


def is_recent(verified_at: int, role: DriveRole, road_days: int, shelf_days: int, now: int) -> bool:
    """Return whether a verification is recent enough; one from a day or more ahead is a wrong clock's."""
    return get_overdue_cutoff(role, road_days, shelf_days, now) <= verified_at <= now + DAY


def get_overdue_cutoff(role: DriveRole, road_days: int, shelf_days: int, now: int) -> int:
    """Return the time (UTC ns) before which verifications on a drive of this role are overdue."""
    return now - get_interval_days(role, road_days, shelf_days) * DAY


def can_share_disk(first: frozenset[str] | None, second: frozenset[str] | None) -> bool:
    """Return whether two copies may share a disk; None: unknown, so assume that they do."""
    return first is None or second is None or bool(first & second)


def count_independent(disks: Sequence[frozenset[str] | None], *, allow_same_disk: bool) -> int:
    """Return how many of these copies count: the largest number of which no two may share a disk.

    disks: the disks of each copy's drive. allow_same_disk: a person accepts one disk, so every copy counts.
    """
    if allow_same_disk:
        return len(disks)
    best = min(1, len(disks))
    for size in range(2, len(disks) + 1):
        if not any(_are_independent(some) for some in combinations(disks, size)):
            break
        best = size
    return best


def _are_independent(disks: Sequence[frozenset[str] | None]) -> bool:
    return not any(can_share_disk(one, other) for one, other in combinations(disks, 2))


def mark_beyond_limit(items: Sequence[tuple[int | None, int]], max_bytes: int) -> list[bool]:
    """Return which of these (since UTC ns, bytes) are beyond `max_bytes` when the newest are kept.

    An item of unknown age counts as the newest.
    """
    order = sorted(range(len(items)), key=lambda index: (items[index][0] is None, items[index][0] or 0))
    beyond, total = [False] * len(items), 0
    for index in reversed(order):
        total += items[index][1]
        beyond[index] = total > max_bytes
    return beyond


def is_at_least_old(since: int | None, min_age_ns: int, now: int) -> bool:
    """Return whether something is at least this old (ns); False if its age is unknown or in the future."""
    return since is not None and since <= now - min_age_ns and since <= now


def rank_fetch_source(copy: Copy, place: PlaceRecord, *, is_connected: bool) -> tuple[int, ...] | None:
    """Return the rank of this copy as the one to fetch, lowest first; None: not at all.

    A verified copy comes before an unverified one, a connected place before an absent one, a drive before the
    offsite place, and among equals the one verified on a later day.
    """
    if copy.state is not CopyState.PRESENT or place.state in (PlaceState.LOST, PlaceState.RETIRED):
        return None
    verified = copy.evidence.verified_at
    from_memory = copy.evidence.medium is not None and not copy.evidence.medium.is_from_device
    offsite = place.kind is PlaceKind.OFFSITE
    return (
        verified is None,
        not is_connected or offsite,
        offsite,
        from_memory,
        -((verified or 0) // DAY),
        copy.place_id,
    )
