"""Decide which copies count, what a file still needs, and which reason to show first. Pure functions.

In doubt a copy does not count.
"""

from __future__ import annotations

import enum
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations

from tripleguard.clock import DAY, HOUR, SECOND
from tripleguard.model import Copy, CopyState, DriveRole, Entry, Evidence, PlaceKind, PlaceRecord, PlaceState

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
    """What the rule asks of a copy that is to count.

    road_days, shelf_days: how recently it must have been verified. accept_cached: whether a read-back that may
    have come from memory counts. within: how recently in ns, wherever the drive lives and not in the future; None:
    the days count.
    """

    road_days: int
    shelf_days: int
    accept_cached: bool
    max_age_ns: int | None = None


def is_same_mtime(first: int, second: int) -> bool:
    """Return whether two modification times (ns) can be one: within 2 s, or shifted by a zone and no more.

    FAT keeps local time in steps of 2 s; a reader in another zone sees it shifted by a multiple of 15 minutes
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
    """Return whether a copy lies on its drive as the catalog has it: there, same size, same time."""
    return entry is not None and entry.size == copy.size and is_same_mtime(entry.mtime_ns, copy.mtime_ns)


def is_exactly_as_recorded(copy: Copy, entry: Entry) -> bool:
    """Return whether a copy lies on its drive with the very size and time that the catalog has.

    Enough not to read it; where it is not so, only reading tells whether it was touched.
    """
    return (entry.size, entry.mtime_ns) == (copy.size, copy.mtime_ns)


def is_untouched(copy: Copy, entry: Entry) -> bool:
    """Return whether nobody has written to a copy since it was recorded: same size, same time, no zone between.

    A time that another driver shows in whole seconds is the same one; two fine times that differ are two savings.
    """
    return entry.size == copy.size and is_untouched_mtime(entry.mtime_ns, copy.mtime_ns)


def is_untouched_mtime(first: int, second: int) -> bool:
    """Return whether two modification times (ns) are one, shown by two drivers; one may round, no zone."""
    rounded = first % SECOND == 0 or second % SECOND == 0
    return first == second or (rounded and abs(first - second) <= _TIME_STEP)


def is_verified(evidence: Evidence) -> bool:
    """Return whether a copy was read back and was as it should be, however long ago and however far down."""
    return evidence.verified_at is not None and evidence.medium is not None


def is_good_copy(copy: Copy) -> bool:
    """Return whether a copy is good: present at its path when last looked at, and read back by this catalog.

    The view `good_copies` of the catalog says the same. Whether a good copy counts now depends on more: on its
    place (`PlaceState.is_in_service`), on the drive as it is now and on how old the reading is (`copy_status`).
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
    """Whether this copy counts now. seen: what its drive lists at its path, if the drive is here. now: UTC ns."""
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
    """Return whether reading a copy again, which was last read from memory, maybe, would bring its evidence on.

    reaches_device: readings on its drive go past every cache. insertion: the drive's now, None if it is not known.
    The first reading through the cache in an insertion counts, see `Medium.REMOUNTED`. Of a copy of which it is
    not known when it was in memory, a reading makes that known, so that one in the next insertion counts.
    """
    return reaches_device or (insertion is not None and evidence.cached_insertion != insertion)


def primary_reason(statuses: Iterable[CopyStatus]) -> CopyStatus | None:
    """Of the copies that do not count, the reason that a person should hear first; None if there is none."""
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
    """Return how often copies on a drive of this role are to be verified, in days."""
    return shelf_days if role is DriveRole.SHELF else road_days


def is_recent(verified_at: int, role: DriveRole, road_days: int, shelf_days: int, now: int) -> bool:
    """Whether a verification is recent enough for the rule; one from a day or more ahead is a wrong clock's."""
    return get_overdue_cutoff(role, road_days, shelf_days, now) <= verified_at <= now + DAY


def get_overdue_cutoff(role: DriveRole, road_days: int, shelf_days: int, now: int) -> int:
    """Copies on a drive of this role verified before this moment (UTC ns) are overdue."""
    return now - get_interval_days(role, road_days, shelf_days) * DAY


def can_share_disk(first: frozenset[str] | None, second: frozenset[str] | None) -> bool:
    """Whether two copies may lie on one disk. None: it can't be told where one lies; in doubt it is the same."""
    return first is None or second is None or bool(first & second)


def count_independent(disks: Sequence[frozenset[str] | None], *, allow_same_disk: bool) -> int:
    """Return how many of these copies count: the most of them of which no two may share a disk.

    disks: for each copy, the disks that its drive is on. allow_same_disk: a person said that one disk is enough;
    then every copy counts.
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
    """Return which of these (since UTC ns, bytes) are left when the newest are kept, keep bytes of them at most.

    One of unknown age is taken for the newest of all.
    """
    order = sorted(range(len(items)), key=lambda index: (items[index][0] is None, items[index][0] or 0))
    beyond, total = [False] * len(items), 0
    for index in reversed(order):
        total += items[index][1]
        beyond[index] = total > max_bytes
    return beyond


def is_at_least_old(since: int | None, min_age_ns: int, now: int) -> bool:
    """Return whether something is at least so old (ns); what has no age, or a clock ahead gave one, is not."""
    return since is not None and since <= now - min_age_ns and since <= now


def rank_fetch_source(copy: Copy, place: PlaceRecord, *, is_connected: bool) -> tuple[int, ...] | None:
    """How soon this copy is the one to fetch, the least first; None: not at all. here: its place is connected.

    A verified copy before one that was not, what is connected before what lies on a shelf, a drive before the
    offsite tier, and of equals the one that was verified on a later day.
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
