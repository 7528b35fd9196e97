"""Simulate years of failing drives, latent faults and lost bags: `loss_risk` by Monte Carlo.

A seed determines everything, so a run can be repeated. The simulation uses none of the formulas: each trial is one
period with its events in order, single files with single faults, and rescans at their dates. It is slower and less
precise, and shows what the formulas neglect: windows are not short, and events may follow each other.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, field

from tripleguard.forecast.loss_risk import ArchiveModel

_MAX_EVENTS = 1_000_000
"""Events in one trial; a model that exceeds it is not meaningful."""


@dataclass(frozen=True, slots=True)
class SimulationResult:
    """The share of trials that lost a file, and the mean number of files lost, each with its standard error."""

    trials: int
    at_least_one: float
    at_least_one_error: float
    mean_files: float
    mean_files_error: float


def simulate(archive: ArchiveModel, years: float, trials: int, seed: int) -> SimulationResult:
    """Simulate the archive `trials` times for a number of years."""
    lot = random.Random(seed)
    ground = _SimulationSetup(archive)
    lost = [_SimulationTrial(ground, years, lot).count_lost_files() for _ in range(trials)]
    hit = sum(1 for one in lost if one) / trials
    mean = sum(lost) / trials
    spread = math.sqrt(sum((one - mean) ** 2 for one in lost) / max(1, trials - 1))
    return SimulationResult(trials, hit, math.sqrt(hit * (1 - hit) / trials), mean, spread / math.sqrt(trials))


class _SimulationSetup:
    """What all trials share."""

    def __init__(self, archive: ArchiveModel) -> None:
        self.archive = archive
        self.groups = [group for group in archive.groups if group.places and group.file_count]
        self.groups_by_place = {
            number: [g for g, one in enumerate(self.groups) if number in one.places] for number in archive.places
        }
        self.places_in_bag = [number for number, one in archive.places.items() if one.is_in_bag]
        self.event_sources: list[tuple[float, str, int]] = [
            (one.failures_per_year, "dies", number)
            for number, one in archive.places.items()
            if one.failures_per_year > 0
        ]
        self.event_sources += [
            (one.faults_per_year, "fault", number)
            for number, one in archive.places.items()
            if one.faults_per_year > 0 and self.groups_by_place[number]
        ]
        if archive.bag_losses_per_year > 0 and self.places_in_bag:
            self.event_sources.append((archive.bag_losses_per_year, "bag", 0))
        self.total_rate = sum(rate for rate, _, _ in self.event_sources)
        self.weights = [rate for rate, _, _ in self.event_sources]


@dataclass(slots=True)
class _SimulationTrial:
    """One trial. For each place it keeps when a failed one is restored, and which files are bad until when."""

    setup: _SimulationSetup
    years: float
    rng: random.Random
    back_at: dict[int, float] = field(default_factory=dict)
    bad_until: dict[int, dict[tuple[int, int], float]] = field(default_factory=dict)
    rescan_phase: dict[int, float] = field(default_factory=dict)
    lost_groups: set[int] = field(default_factory=set)
    lost_file_ids: set[tuple[int, int]] = field(default_factory=set)

    def count_lost_files(self) -> int:
        if self.setup.total_rate <= 0:
            return 0
        now = 0.0
        for _ in range(_MAX_EVENTS):
            now += self.rng.expovariate(self.setup.total_rate)
            if now > self.years:
                break
            _, what, number = self.rng.choices(self.setup.event_sources, self.setup.weights)[0]
            if what == "fault":
                self._add_fault(number, now)
            else:
                self._fail_places(self.setup.places_in_bag if what == "bag" else [number], now)
        whole = sum(self.setup.groups[group].file_count for group in self.lost_groups)
        return whole + sum(1 for group, _ in self.lost_file_ids if group not in self.lost_groups)

    def _fail_places(self, numbers: list[int], now: float) -> None:
        for number in numbers:
            self.back_at[number] = now + self.setup.archive.places[number].replacement_years
            # The replacement is filled from good copies, so the latent faults are gone.
            self.bad_until.pop(number, None)
        for group in sorted({group for number in numbers for group in self.setup.groups_by_place[number]}):
            self._record_lost_copies(group, now)

    def _record_lost_copies(self, group: int, now: float) -> None:
        """Record the files of a group that have no good copy any more."""
        alive = [number for number in self.setup.groups[group].places if self.back_at.get(number, 0.0) <= now]
        if not alive:
            self.lost_groups.add(group)
            return
        first, *others = alive
        for file, until in self.bad_until.get(first, {}).items():
            if file[0] == group and until > now and all(self._is_bad(number, file, now) for number in others):
                self.lost_file_ids.add(file)

    def _add_fault(self, number: int, now: float) -> None:
        if self.back_at.get(number, 0.0) > now:
            return
        file = self._pick_file(number)
        found = self._get_next_rescan(number, now)
        faults = self.bad_until.setdefault(number, {})
        for old in [one for one, until in faults.items() if until <= now]:
            del faults[old]
        faults.setdefault(file, found)
        others = self.setup.groups[file[0]].places - {number}
        if all(self._is_bad(other, file, now) for other in others):
            self.lost_file_ids.add(file)

    def _pick_file(self, number: int) -> tuple[int, int]:
        """Return a random file on this place, uniformly distributed."""
        groups = self.setup.groups_by_place[number]
        group = self.rng.choices(groups, [self.setup.groups[one].file_count for one in groups])[0]
        return group, self.rng.randrange(self.setup.groups[group].file_count)

    def _get_next_rescan(self, number: int, now: float) -> float:
        """Return the next rescan of this place; the interval is twice the mean time that a fault stays hidden."""
        every = 2 * self.setup.archive.places[number].detection_years
        if every <= 0:
            return now
        if number not in self.rescan_phase:
            self.rescan_phase[number] = self.rng.random() * every
        return now + every - (now - self.rescan_phase[number]) % every

    def _is_bad(self, number: int, file: tuple[int, int], now: float) -> bool:
        if self.back_at.get(number, 0.0) > now:
            return True
        return self.bad_until.get(number, {}).get(file, 0.0) > now
