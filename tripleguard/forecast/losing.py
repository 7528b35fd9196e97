"""The chance of losing a file, counted from how drives fail. Pure functions; `chance` plays the same by lot.

Three things happen to a copy. Its drive dies, and every copy on it is gone until the drive is replaced and filled
again. A fault that nobody sees takes one file on the drive, until a rescan finds it and it is mended. And whatever
travels in one bag can be lost at one stroke. A file is lost when its last good copy goes.

Counted so: a drive is dead for a share fails x replacement of the time, and a file on it is bad for a share faults
/ files x detection beside that. A file is lost at the rate at which one of its copies goes while all others are
bad, sum over copies of rate x product of the others' shares. For two drives without hidden faults that is 2 x
fails^2 x replacement, the mirrored pair of Patterson, Gibson and Katz (SIGMOD 1988); with hidden faults it is the
sum of windows of Baker et al. (EuroSys 2006), where a second hidden fault counts only if it hits the same file. It
holds while the windows are short against the time between failures. Mean times say little to a person, and are not
told (Greenan, Plank and Wylie, HotStorage 2010): told is the chance in a time, and how many files are lost in it
on average.

Rates are per year; times are years.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

DAYS = 365.0


@dataclass(frozen=True, slots=True)
class Keeper:
    """One place that keeps copies, and how it fails.

    fails: how often a year it dies; faults: hidden faults a year, one file each; away: years until it is replaced
    and filled again; hidden: years that a hidden fault stays; in_bag: whether it is lost with the bag.
    """

    fails: float
    faults: float
    away: float
    hidden: float
    in_bag: bool


@dataclass(frozen=True, slots=True)
class Group:
    """Files that are kept on the same places. places: numbers of keepers; none: these files are lost already."""

    places: frozenset[int]
    files: int


@dataclass(frozen=True, slots=True)
class World:
    """All places and files. bag: how often a year the bag is lost. independence: 1 where they share nothing else.

    With an independence of 0.5 a place is twice as likely to be bad while another one is.
    """

    keepers: Mapping[int, Keeper]
    groups: Sequence[Group]
    bag: float
    independence: float = 1.0

    def files_on(self, place: int) -> int:
        return sum(group.files for group in self.groups if place in group.places)


@dataclass(frozen=True, slots=True)
class Chance:
    """What may happen within a time: the chance that at least one file is lost, and how many on average."""

    at_least_one: float
    files: float


@dataclass(frozen=True, slots=True)
class Cause:
    """One way to lose files: how often a year, and how many files a year on average."""

    events: float
    files: float


@dataclass(frozen=True, slots=True)
class Rates:
    """How files are lost: with the bag, by dying drives alone, and where a hidden fault has a part in it.

    by_group: how often a year a single file of each group is lost.
    """

    bag: Cause
    drives: Cause
    faults: Cause
    by_group: tuple[float, ...]

    @property
    def events(self) -> float:
        return self.bag.events + self.drives.events + self.faults.events


def rates(world: World) -> Rates:
    """How often a year files are lost, and by what."""
    counted = _Counted(world)
    by_group = tuple(counted.of_file(group) for group in world.groups)
    return Rates(counted.bag(), counted.drives(), counted.faults(), by_group)


def chance_within(world: World, years: float) -> Chance:
    """What may happen within so many years, if all stays as it is now."""
    found = rates(world)
    files = sum(
        group.files * -math.expm1(-rate * years) for group, rate in zip(world.groups, found.by_group, strict=True)
    )
    return Chance(-math.expm1(-found.events * years), files)


# What one could change


def carried_apart(world: World) -> World:
    """The drives of the bag in two or more bags: each is lost by itself, as often as the bag was."""
    keepers = {
        number: replace(one, fails=one.fails + world.bag, in_bag=False) if one.in_bag else one
        for number, one in world.keepers.items()
    }
    return replace(world, keepers=keepers, bag=0.0)


def with_another(world: World, keeper: Keeper) -> World:
    """One more place that keeps a copy of every file that is not lost already."""
    number = max(world.keepers, default=0) + 1
    groups = [replace(group, places=group.places | {number}) if group.places else group for group in world.groups]
    return replace(world, keepers={**world.keepers, number: keeper}, groups=groups)


def looked_at_more_often(world: World, share: float) -> World:
    """Hidden faults are found in this share of the time."""
    keepers = {number: replace(one, hidden=one.hidden * share) for number, one in world.keepers.items()}
    return replace(world, keepers=keepers)


def replaced_within(world: World, years: float) -> World:
    """A dead place is replaced within this time, if it is not already."""
    keepers = {number: replace(one, away=min(one.away, years)) for number, one in world.keepers.items()}
    return replace(world, keepers=keepers)


def owed_is_made(world: World, copies: int) -> World:
    """Every file that is on fewer places than that gets the missing copies, on the places that hold most."""
    by_files = sorted(world.keepers, key=lambda number: -world.files_on(number))
    groups = []
    for group in world.groups:
        more = [number for number in by_files if number not in group.places]
        missing = max(0, copies - len(group.places)) if group.places else 0
        groups.append(replace(group, places=group.places | frozenset(more[:missing])))
    return replace(world, groups=groups)


_OfOthers = Callable[[Group, frozenset[int]], float]
"""Something of a group, if the places that are left are these."""


class _Counted:
    """The shares and rates of one world."""

    def __init__(self, world: World) -> None:
        self._world = world
        self._groups = [group for group in world.groups if group.places and group.files]
        self._fault = {
            number: one.faults / max(1, world.files_on(number)) for number, one in world.keepers.items()
        }
        """How often a year a hidden fault takes one particular file of a place."""

    def bag(self) -> Cause:
        """The bag goes: each file whose other copies are bad at that moment goes with it."""
        bag = frozenset(number for number, one in self._world.keepers.items() if one.in_bag)
        rate = self._world.bag if bag else 0.0
        struck = [group for group in self._groups if group.places & bag]
        chances = [self._some_lost(group, group.places - bag) for group in struck]
        files = sum(group.files * self._all_bad(group.places - bag) for group in struck)
        return Cause(rate * _any(chances), rate * files)

    def drives(self) -> Cause:
        """A drive dies while all others that hold a file are dead."""
        return self._dying(
            lambda group, others: self._all_dead(others), lambda group, others: self._all_dead(others)
        )

    def faults(self) -> Cause:
        """What is lost beyond that: a drive dies over a hidden fault, or a fault hits the last good copy."""
        dying = self._dying(
            lambda group, others: self._some_lost(group, others) - self._all_dead(others),
            lambda group, others: self._all_bad(others) - self._all_dead(others),
        )
        hit = sum(
            group.files * self._fault[number] * self._all_bad(group.places - {number})
            for group in self._groups
            for number in group.places
        )
        return Cause(dying.events + hit, dying.files + hit)

    def of_file(self, group: Group) -> float:
        """How often a year one file of a group is lost."""
        keepers = self._world.keepers
        bag = frozenset(number for number in group.places if keepers[number].in_bag)
        struck = self._world.bag * self._all_bad(group.places - bag) if bag else 0.0
        return struck + sum(
            (keepers[number].fails + self._fault[number]) * self._all_bad(group.places - {number})
            for number in group.places
        )

    def _dying(self, some: _OfOthers, share: _OfOthers) -> Cause:
        events = files = 0.0
        for number, one in self._world.keepers.items():
            struck = [(group, group.places - {number}) for group in self._groups if number in group.places]
            events += one.fails * _any([some(group, others) for group, others in struck])
            files += one.fails * sum(group.files * share(group, others) for group, others in struck)
        return Cause(events, files)

    def _some_lost(self, group: Group, others: frozenset[int]) -> float:
        """The chance that of a group at least one file has no good copy on these others."""
        dead = self._all_dead(others)
        by_faults = group.files * (self._all_bad(others) - dead)
        return 1 - (1 - dead) * math.exp(-by_faults)

    def _all_dead(self, places: frozenset[int]) -> float:
        """The share of the time in which all of these are dead: one by one, or those of the bag at one stroke."""
        keepers = self._world.keepers
        return self._all(places, {number: keepers[number].fails * keepers[number].away for number in places})

    def _all_bad(self, places: frozenset[int]) -> float:
        """The same for one file: dead, or the file is hit by a fault that nobody has seen yet."""
        keepers = self._world.keepers
        return self._all(
            places,
            {
                number: keepers[number].fails * keepers[number].away + self._fault[number] * keepers[number].hidden
                for number in places
            },
        )

    def _all(self, places: frozenset[int], shares: Mapping[int, float]) -> float:
        scaled = {number: min(1.0, share / self._world.independence) for number, share in shares.items()}
        one_by_one = math.prod(scaled.values())
        bag = [number for number in places if self._world.keepers[number].in_bag]
        if not bag:
            return one_by_one
        gone = self._world.bag * min(self._world.keepers[number].away for number in bag)
        return min(1.0, one_by_one + gone * math.prod(scaled[number] for number in places.difference(bag)))


def _any(chances: Sequence[float]) -> float:
    """The chance of at least one of several that have nothing to do with each other."""
    return 1 - math.prod(1 - min(1.0, max(0.0, one)) for one in chances)
