"""What a file still needs, what counts towards it, and what to say about it. Pure functions.

In doubt a copy does not count.
"""

from __future__ import annotations

import enum
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations

from tripleguard.clock import DAY, HOUR, SECOND
from tripleguard.model import Copy, CopyState, Entry, Evidence, PlaceKind, PlaceRecord, PlaceState, Role

_TIME_STEP = 2 * SECOND
_ZONE_STEP = 15 * 60 * SECOND
_MOST_ZONE = 16 * HOUR


class Standing(enum.StrEnum):
    """Whether one copy counts towards the rule now, and if not, why not."""

    COUNTS = "counts"
    GONE = "copy missing"
    UNPROVED = "not verified"
    OVERDUE = "verified too long ago"
    CACHED = "read from memory"
    AWAY = "drive away"
    OUT = "out of service"


@dataclass(frozen=True, slots=True)
class Needs:
    """What the rule asks of a copy that is to count.

    road_days, shelf_days: how recently it must have been verified. accept_cached: whether a read-back that may
    have come from memory counts. within: how recently in ns, wherever the drive lives and not in the future; None:
    the days count.
    """

    road_days: int
    shelf_days: int
    accept_cached: bool
    within: int | None = None


def same_time(one: int, other: int) -> bool:
    """Whether two modification times (ns) can be one: within 2 s, or shifted by a zone and no more.

    FAT keeps local time in steps of 2 s; a reader in another zone sees it shifted by a multiple of 15 minutes
    (exFAT specification 1.00, sections 7.4.8 and 7.4.10), at most 16 hours.
    """
    apart = abs(one - other)
    if apart <= _TIME_STEP:
        return True
    if apart > _MOST_ZONE + _TIME_STEP:
        return False
    beside = apart % _ZONE_STEP
    return min(beside, _ZONE_STEP - beside) <= _TIME_STEP


def is_as_recorded(copy: Copy, seen: Entry | None) -> bool:
    """Whether a copy lies on its drive as the catalog has it: there, same size, same time."""
    return seen is not None and seen.size == copy.size and same_time(seen.mtime_ns, copy.mtime_ns)


def is_exactly_as_recorded(copy: Copy, seen: Entry) -> bool:
    """Whether a copy lies on its drive with the very size and time that the catalog has.

    Enough not to read it; where it is not so, only reading tells whether it was touched.
    """
    return (seen.size, seen.mtime_ns) == (copy.size, copy.mtime_ns)


def is_untouched(copy: Copy, seen: Entry) -> bool:
    """Whether nobody has written to a copy since it was recorded: same size, same time, no zone between.

    A time that another driver shows in whole seconds is the same one; two fine times that differ are two savings.
    """
    return seen.size == copy.size and is_untouched_time(seen.mtime_ns, copy.mtime_ns)


def is_untouched_time(one: int, other: int) -> bool:
    """Whether two modification times (ns) are one, shown by two drivers; one may round, no zone."""
    rounded = one % SECOND == 0 or other % SECOND == 0
    return one == other or (rounded and abs(one - other) <= _TIME_STEP)


def standing(
    copy: Copy,
    drive: PlaceState,
    role: Role,
    *,
    here: bool,
    seen: Entry | None,
    needs: Needs,
    now: int,
) -> Standing:
    """Whether this copy counts now. seen: what its drive lists at its path, if the drive is here. now: UTC ns."""
    if drive not in (PlaceState.ACTIVE, PlaceState.SHELVED):
        return Standing.OUT
    if copy.state is not CopyState.PRESENT or (here and not is_as_recorded(copy, seen)):
        return Standing.GONE
    evidence = copy.evidence
    if evidence.verified_at is None or evidence.medium is None:
        return Standing.UNPROVED
    if not here:
        return Standing.AWAY
    if not evidence.medium.reached_device and not needs.accept_cached:
        return Standing.CACHED
    if needs.within is not None:
        recent = now - needs.within <= evidence.verified_at <= now
    else:
        recent = is_recent(evidence.verified_at, role, needs.road_days, needs.shelf_days, now)
    return Standing.COUNTS if recent else Standing.OVERDUE


def reading_helps(evidence: Evidence, *, reaches_device: bool, insertion: str | None) -> bool:
    """Whether reading a copy again, which was last read from memory, maybe, would bring its evidence on.

    reaches_device: readings on its drive go past every cache. insertion: the drive's now, None if it is not known.
    The first reading through the cache in an insertion counts, see `Medium.REMOUNTED`. Of a copy of which it is
    not known when it was in memory, a reading makes that known, so that one in the next insertion counts.
    """
    return reaches_device or (insertion is not None and evidence.cached_in != insertion)


def telling(standings: Iterable[Standing]) -> Standing | None:
    """Of the copies that do not count, the reason that a person should hear first; None if there is none."""
    found = set(standings)
    order = (
        Standing.GONE,
        Standing.UNPROVED,
        Standing.OVERDUE,
        Standing.CACHED,
        Standing.AWAY,
        Standing.OUT,
    )
    return next((reason for reason in order if reason in found), None)


def interval_days(role: Role, road_days: int, shelf_days: int) -> int:
    """How often copies on a drive of this role are to be verified, in days."""
    return shelf_days if role is Role.SHELF else road_days


def is_recent(verified_at: int, role: Role, road_days: int, shelf_days: int, now: int) -> bool:
    """Whether a verification is recent enough for the rule; one from a day or more ahead is a wrong clock's."""
    return overdue_before(role, road_days, shelf_days, now) <= verified_at <= now + DAY


def overdue_before(role: Role, road_days: int, shelf_days: int, now: int) -> int:
    """Copies on a drive of this role verified before this moment (UTC ns) are overdue."""
    return now - interval_days(role, road_days, shelf_days) * DAY


def may_share_a_disk(one: frozenset[str] | None, other: frozenset[str] | None) -> bool:
    """Whether two copies may lie on one disk. None: it can't be told where one lies; in doubt it is the same."""
    return one is None or other is None or bool(one & other)


def independent_count(disks: Sequence[frozenset[str] | None], *, allow_same_disk: bool) -> int:
    """How many of these copies count: the most of them of which no two may share a disk.

    disks: for each copy, the disks that its drive is on. allow_same_disk: a person said that one disk is enough;
    then every copy counts.
    """
    if allow_same_disk:
        return len(disks)
    best = min(1, len(disks))
    for size in range(2, len(disks) + 1):
        if not any(_all_apart(some) for some in combinations(disks, size)):
            break
        best = size
    return best


def _all_apart(disks: Sequence[frozenset[str] | None]) -> bool:
    return not any(may_share_a_disk(one, other) for one, other in combinations(disks, 2))


def beyond_newest(things: Sequence[tuple[int | None, int]], keep: int) -> list[bool]:
    """Which of these (since UTC ns, bytes) are left when the newest are kept, keep bytes of them at most.

    One of unknown age is taken for the newest of all.
    """
    order = sorted(range(len(things)), key=lambda index: (things[index][0] is None, things[index][0] or 0))
    beyond, total = [False] * len(things), 0
    for index in reversed(order):
        total += things[index][1]
        beyond[index] = total > keep
    return beyond


def is_older(since: int | None, least: int, now: int) -> bool:
    """Whether something is at least so old (ns); what has no age, or a clock ahead gave one, is not."""
    return since is not None and since <= now - least and since <= now


def fetch_rank(copy: Copy, place: PlaceRecord, *, here: bool) -> tuple[int, ...] | None:
    """How soon this copy is the one to fetch, the least first; None: not at all. here: its place is connected.

    A verified copy before one that was not, what is connected before what lies on a shelf, a drive before the
    offsite tier, and of equals the one that was verified on a later day.
    """
    if copy.state is not CopyState.PRESENT or place.state in (PlaceState.LOST, PlaceState.RETIRED):
        return None
    verified = copy.evidence.verified_at
    from_memory = copy.evidence.medium is not None and not copy.evidence.medium.reached_device
    offsite = place.kind is PlaceKind.OFFSITE
    return (verified is None, not here or offsite, offsite, from_memory, -((verified or 0) // DAY), copy.place_id)
