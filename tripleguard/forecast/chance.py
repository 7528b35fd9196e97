"""The same as `losing`, played by lot: years of drives that die, faults that hide, and bags that are lost.

A seed decides everything, so that a run can be repeated. It knows none of the formulas: each trial is one stretch
of time with its events in order, single files with single faults, and rescans at their dates. It is slower and
rougher, and shows what the formulas leave out: that windows are not short, and that one event may follow another.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, field

from tripleguard.forecast.losing import World

_MOST_EVENTS = 1_000_000
"""Events of one trial, beyond which no such world is meant."""


@dataclass(frozen=True, slots=True)
class Played:
    """What came out: share of trials that lost a file, and files lost on average; each with its standard error."""

    trials: int
    at_least_one: float
    at_least_one_error: float
    files: float
    files_error: float


def play(world: World, years: float, trials: int, seed: int) -> Played:
    """Play the world so many times for so many years."""
    lot = random.Random(seed)
    ground = _Ground(world)
    lost = [_Trial(ground, years, lot).lost_files() for _ in range(trials)]
    hit = sum(1 for one in lost if one) / trials
    mean = sum(lost) / trials
    spread = math.sqrt(sum((one - mean) ** 2 for one in lost) / max(1, trials - 1))
    return Played(trials, hit, math.sqrt(hit * (1 - hit) / trials), mean, spread / math.sqrt(trials))


class _Ground:
    """What is the same in every trial."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.groups = [group for group in world.groups if group.places and group.files]
        self.on = {
            number: [g for g, one in enumerate(self.groups) if number in one.places] for number in world.keepers
        }
        self.bag = [number for number, one in world.keepers.items() if one.in_bag]
        self.sources: list[tuple[float, str, int]] = [
            (one.fails, "dies", number) for number, one in world.keepers.items() if one.fails > 0
        ]
        self.sources += [
            (one.faults, "fault", number)
            for number, one in world.keepers.items()
            if one.faults > 0 and self.on[number]
        ]
        if world.bag > 0 and self.bag:
            self.sources.append((world.bag, "bag", 0))
        self.total = sum(rate for rate, _, _ in self.sources)
        self.weights = [rate for rate, _, _ in self.sources]


@dataclass(slots=True)
class _Trial:
    """One stretch of time. back: when a dead place is whole again; bad: of each place, which file until when."""

    ground: _Ground
    years: float
    lot: random.Random
    back: dict[int, float] = field(default_factory=dict)
    bad: dict[int, dict[tuple[int, int], float]] = field(default_factory=dict)
    phase: dict[int, float] = field(default_factory=dict)
    lost_groups: set[int] = field(default_factory=set)
    lost: set[tuple[int, int]] = field(default_factory=set)

    def lost_files(self) -> int:
        if self.ground.total <= 0:
            return 0
        now = 0.0
        for _ in range(_MOST_EVENTS):
            now += self.lot.expovariate(self.ground.total)
            if now > self.years:
                break
            _, what, number = self.lot.choices(self.ground.sources, self.ground.weights)[0]
            if what == "fault":
                self._fault(number, now)
            else:
                self._dies(self.ground.bag if what == "bag" else [number], now)
        whole = sum(self.ground.groups[group].files for group in self.lost_groups)
        return whole + sum(1 for group, _ in self.lost if group not in self.lost_groups)

    def _dies(self, numbers: list[int], now: float) -> None:
        for number in numbers:
            self.back[number] = now + self.ground.world.keepers[number].away
            # What replaces it is filled from good copies: its hidden faults are gone with it.
            self.bad.pop(number, None)
        for group in sorted({group for number in numbers for group in self.ground.on[number]}):
            self._after(group, now)

    def _after(self, group: int, now: float) -> None:
        """What of a group has no good copy any more."""
        alive = [number for number in self.ground.groups[group].places if self.back.get(number, 0.0) <= now]
        if not alive:
            self.lost_groups.add(group)
            return
        first, *others = alive
        for file, until in self.bad.get(first, {}).items():
            if file[0] == group and until > now and all(self._is_bad(number, file, now) for number in others):
                self.lost.add(file)

    def _fault(self, number: int, now: float) -> None:
        if self.back.get(number, 0.0) > now:
            return
        file = self._some_file(number)
        found = self._next_look(number, now)
        faults = self.bad.setdefault(number, {})
        for old in [one for one, until in faults.items() if until <= now]:
            del faults[old]
        faults.setdefault(file, found)
        others = self.ground.groups[file[0]].places - {number}
        if all(self._is_bad(other, file, now) for other in others):
            self.lost.add(file)

    def _some_file(self, number: int) -> tuple[int, int]:
        """Any file on this place, each as likely as another."""
        groups = self.ground.on[number]
        group = self.lot.choices(groups, [self.ground.groups[one].files for one in groups])[0]
        return group, self.lot.randrange(self.ground.groups[group].files)

    def _next_look(self, number: int, now: float) -> float:
        """When the next rescan of this place is: every twice the mean time that a fault stays hidden."""
        every = 2 * self.ground.world.keepers[number].hidden
        if every <= 0:
            return now
        if number not in self.phase:
            self.phase[number] = self.lot.random() * every
        return now + every - (now - self.phase[number]) % every

    def _is_bad(self, number: int, file: tuple[int, int], now: float) -> bool:
        if self.back.get(number, 0.0) > now:
            return True
        return self.bad.get(number, {}).get(file, 0.0) > now
