"""Compute the chance of losing a file from how drives fail.

Pure functions; `loss_simulation` does it by Monte Carlo.

Three things happen to a copy. Its drive fails, and every copy on it is gone until the drive is replaced and filled
again. A latent fault damages one file on the drive, until a rescan finds it and it is repaired. And everything
that travels in one bag can be lost at once. A file is lost when its last good copy goes.

A drive is failed for a share failure rate x replacement time, and a file on it is bad for an additional share
faults / files x detection time. A file is lost at the rate at which one of its copies goes while all others are
bad: the sum over copies of rate x product of the others' shares. For two drives without latent faults that is 2 x
failure rate^2 x replacement time, the mirrored pair of Patterson, Gibson and Katz (SIGMOD 1988); with latent
faults it is the sum of windows of Baker et al. (EuroSys 2006), where a second latent fault counts only if it hits
the same file. It holds while the windows are short compared with the time between failures. Mean times say little
to a person and are not reported (Greenan, Plank and Wylie, HotStorage 2010): the results are the chance within a
time, and how many files are lost in it on average.

Rates are per year; times are years.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

DAYS_PER_YEAR = 365.0


@dataclass(frozen=True, slots=True)
class PlaceModel:
    """One place that keeps copies, and how it fails.

    Rates are per year, times in years. A failed place is away until it is replaced and filled again; a latent
    fault damages one file and stays hidden until a rescan finds it.
    """

    failures_per_year: float
    faults_per_year: float
    replacement_years: float
    detection_years: float
    is_in_bag: bool


@dataclass(frozen=True, slots=True)
class FileGroup:
    """Files kept on the same places. places: numbers of places; if empty, these files are lost already."""

    places: frozenset[int]
    file_count: int


@dataclass(frozen=True, slots=True)
class ArchiveModel:
    """All places and files. independence: 1 if the places share no other cause of failure.

    With an independence of 0.5 a place is twice as likely to be bad while another one is.
    """

    places: Mapping[int, PlaceModel]
    groups: Sequence[FileGroup]
    bag_losses_per_year: float
    independence: float = 1.0

    def count_files_on(self, place: int) -> int:
        return sum(group.file_count for group in self.groups if place in group.places)


@dataclass(frozen=True, slots=True)
class LossChance:
    """What may happen within a time: the chance of losing at least one file, and the mean number of files lost."""

    at_least_one: float
    expected_files: float


@dataclass(frozen=True, slots=True)
class LossCause:
    """One way to lose files: events per year, and files lost per year on average."""

    events_per_year: float
    files_per_year: float


@dataclass(frozen=True, slots=True)
class LossRates:
    """How files are lost: with the bag, by failing drives alone, and with a latent fault involved.

    by_group holds how often per year a single file of each group is lost.
    """

    bag: LossCause
    drives: LossCause
    faults: LossCause
    by_group: tuple[float, ...]

    @property
    def events_per_year(self) -> float:
        return self.bag.events_per_year + self.drives.events_per_year + self.faults.events_per_year


def compute_loss_rates(archive: ArchiveModel) -> LossRates:
    """Return how often per year files are lost, by cause."""
    counted = _LossCalculator(archive)
    by_group = tuple(counted.compute_file_rate(group) for group in archive.groups)
    return LossRates(
        counted.compute_bag_losses(), counted.compute_drive_losses(), counted.compute_fault_losses(), by_group
    )


def compute_loss_chance(archive: ArchiveModel, years: float) -> LossChance:
    """Return what may happen within a number of years if everything stays as it is now."""
    found = compute_loss_rates(archive)
    files = sum(
        group.file_count * -math.expm1(-rate * years)
        for group, rate in zip(archive.groups, found.by_group, strict=True)
    )
    return LossChance(-math.expm1(-found.events_per_year * years), files)


# What a person could change.


def split_bag(archive: ArchiveModel) -> ArchiveModel:
    """Return the archive with the bag's drives in separate bags, each lost as often as the bag was."""
    keepers = {
        number: replace(
            one, failures_per_year=one.failures_per_year + archive.bag_losses_per_year, is_in_bag=False
        )
        if one.is_in_bag
        else one
        for number, one in archive.places.items()
    }
    return replace(archive, places=keepers, bag_losses_per_year=0.0)


def add_place(archive: ArchiveModel, place: PlaceModel) -> ArchiveModel:
    """Return the archive with one more place that keeps a copy of every file that is not lost already."""
    number = max(archive.places, default=0) + 1
    groups = [
        replace(group, places=group.places | {number}) if group.places else group for group in archive.groups
    ]
    return replace(archive, places={**archive.places, number: place}, groups=groups)


def shorten_detection(archive: ArchiveModel, share: float) -> ArchiveModel:
    """Return the archive with the detection time of latent faults multiplied by `share`."""
    keepers = {
        number: replace(one, detection_years=one.detection_years * share) for number, one in archive.places.items()
    }
    return replace(archive, places=keepers)


def limit_replacement_time(archive: ArchiveModel, years: float) -> ArchiveModel:
    """Return the archive with replacement times limited to `years`."""
    keepers = {
        number: replace(one, replacement_years=min(one.replacement_years, years))
        for number, one in archive.places.items()
    }
    return replace(archive, places=keepers)


def add_missing_copies(archive: ArchiveModel, copies: int) -> ArchiveModel:
    """Return the archive with every file on at least `copies` places.

    Missing copies go to the places that hold most.
    """
    by_files = sorted(archive.places, key=lambda number: -archive.count_files_on(number))
    groups = []
    for group in archive.groups:
        more = [number for number in by_files if number not in group.places]
        missing = max(0, copies - len(group.places)) if group.places else 0
        groups.append(replace(group, places=group.places | frozenset(more[:missing])))
    return replace(archive, groups=groups)


_GroupFunction = Callable[[FileGroup, frozenset[int]], float]
"""A function of a group and the places that remain."""


class _LossCalculator:
    """The shares and rates of one archive."""

    def __init__(self, archive: ArchiveModel) -> None:
        self._archive = archive
        self._groups = [group for group in archive.groups if group.places and group.file_count]
        self._fault_rate_per_file = {
            number: one.faults_per_year / max(1, archive.count_files_on(number))
            for number, one in archive.places.items()
        }
        """Latent faults per year of one particular file of a place."""

    def compute_bag_losses(self) -> LossCause:
        """Return the losses with the bag: each file whose other copies are bad at that moment."""
        bag = frozenset(number for number, one in self._archive.places.items() if one.is_in_bag)
        rate = self._archive.bag_losses_per_year if bag else 0.0
        struck = [group for group in self._groups if group.places & bag]
        chances = [self._get_chance_some_lost(group, group.places - bag) for group in struck]
        files = sum(group.file_count * self._get_share_all_bad(group.places - bag) for group in struck)
        return LossCause(rate * _get_chance_of_any(chances), rate * files)

    def compute_drive_losses(self) -> LossCause:
        """Return the losses when a drive fails while all others that hold a file are failed."""
        return self._sum_drive_failures(
            lambda group, others: self._get_share_all_dead(others),
            lambda group, others: self._get_share_all_dead(others),
        )

    def compute_fault_losses(self) -> LossCause:
        """Return the losses that involve a latent fault.

        A drive fails over one, or one hits the last good copy.
        """
        dying = self._sum_drive_failures(
            lambda group, others: self._get_chance_some_lost(group, others) - self._get_share_all_dead(others),
            lambda group, others: self._get_share_all_bad(others) - self._get_share_all_dead(others),
        )
        hit = sum(
            group.file_count * self._fault_rate_per_file[number] * self._get_share_all_bad(group.places - {number})
            for group in self._groups
            for number in group.places
        )
        return LossCause(dying.events_per_year + hit, dying.files_per_year + hit)

    def compute_file_rate(self, group: FileGroup) -> float:
        """Return how often per year one file of a group is lost."""
        keepers = self._archive.places
        bag = frozenset(number for number in group.places if keepers[number].is_in_bag)
        struck = self._archive.bag_losses_per_year * self._get_share_all_bad(group.places - bag) if bag else 0.0
        return struck + sum(
            (keepers[number].failures_per_year + self._fault_rate_per_file[number])
            * self._get_share_all_bad(group.places - {number})
            for number in group.places
        )

    def _sum_drive_failures(self, some: _GroupFunction, share: _GroupFunction) -> LossCause:
        events = files = 0.0
        for number, one in self._archive.places.items():
            struck = [(group, group.places - {number}) for group in self._groups if number in group.places]
            events += one.failures_per_year * _get_chance_of_any([some(group, others) for group, others in struck])
            files += one.failures_per_year * sum(
                group.file_count * share(group, others) for group, others in struck
            )
        return LossCause(events, files)

    def _get_chance_some_lost(self, group: FileGroup, others: frozenset[int]) -> float:
        """Return the chance that at least one file of a group has no good copy on these other places."""
        dead = self._get_share_all_dead(others)
        by_faults = group.file_count * (self._get_share_all_bad(others) - dead)
        return 1 - (1 - dead) * math.exp(-by_faults)

    def _get_share_all_dead(self, places: frozenset[int]) -> float:
        """Return the share of time in which all of these are failed, one by one or together with the bag."""
        keepers = self._archive.places
        return self._get_joint_share(
            places,
            {number: keepers[number].failures_per_year * keepers[number].replacement_years for number in places},
        )

    def _get_share_all_bad(self, places: frozenset[int]) -> float:
        """Return the share of time in which all of these are failed or have an undetected fault in one file."""
        keepers = self._archive.places
        return self._get_joint_share(
            places,
            {
                number: keepers[number].failures_per_year * keepers[number].replacement_years
                + self._fault_rate_per_file[number] * keepers[number].detection_years
                for number in places
            },
        )

    def _get_joint_share(self, places: frozenset[int], shares: Mapping[int, float]) -> float:
        scaled = {number: min(1.0, share / self._archive.independence) for number, share in shares.items()}
        one_by_one = math.prod(scaled.values())
        bag = [number for number in places if self._archive.places[number].is_in_bag]
        if not bag:
            return one_by_one
        gone = self._archive.bag_losses_per_year * min(
            self._archive.places[number].replacement_years for number in bag
        )
        return min(1.0, one_by_one + gone * math.prod(scaled[number] for number in places.difference(bag)))


def _get_chance_of_any(chances: Sequence[float]) -> float:
    """Return the chance of at least one of several independent events."""
    return 1 - math.prod(1 - min(1.0, max(0.0, one)) for one in chances)
