"""The chance of losing files: this archive as it is spread over its drives, counted with what the settings say.

The arithmetic is in `forecast.losing`, and played by lot in `forecast.chance`. Every number that goes in is named
with its source, and can be changed in the settings. It is an estimate: a drive does not know what drives usually
do.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

from tripleguard.catalog.places import all_places
from tripleguard.catalog.spread import spread
from tripleguard.clock import SECOND
from tripleguard.forecast.chance import Played, play
from tripleguard.forecast.losing import (
    DAYS,
    Cause,
    Chance,
    Group,
    Keeper,
    World,
    carried_apart,
    chance_within,
    looked_at_more_often,
    owed_is_made,
    rates,
    replaced_within,
    with_another,
)
from tripleguard.model import PlaceKind, PlaceRecord, PlaceState, Role
from tripleguard.rules import interval_days
from tripleguard.sections import ForecastSettings
from tripleguard.work.kit import Kit

TOUR_WEEKS = 8
"""How far ahead is looked when no end of the tour is said: two months on the road (common practice, no source)."""

_LONGEST = 3650.0
"""Days between two readings beyond which it makes no difference."""


@dataclass(frozen=True, slots=True)
class Input:
    """One number that was counted with. key: in the settings; unit and source in words."""

    key: str
    value: float
    meaning: str
    source: str


@dataclass(frozen=True, slots=True)
class Change:
    """One thing that could be changed, and the chances in a year if it were."""

    kind: str
    words: str
    in_a_year: Chance


@dataclass(frozen=True, slots=True)
class Losing:
    """What may be lost. until: the end of the tour, or a day that stands for it.

    nowhere: files that have no good copy at all now, and are not counted. once: files with only one. causes: by
    what, in a year. changes: best first. played: the same by lot, if that was asked for, for a year.
    """

    files: int
    nowhere: int
    once: int
    until: date
    until_said: bool
    by_then: Chance
    in_a_year: Chance
    causes: Mapping[str, Cause]
    changes: tuple[Change, ...]
    inputs: tuple[Input, ...]
    played: Played | None = None


def losing(
    kit: Kit,
    sustained: Mapping[int, float],
    now: int,
    *,
    until: date | None = None,
    trials: int = 0,
    seed: int = 1,
) -> Losing:
    """Count it. sustained: for drives whose nights are too short, the interval in days that they keep.

    until: instead of what the settings say. trials: how often to play a year by lot as well. Raises
    CatalogTrouble.
    """
    settings, today = kit.settings.forecast, _today(kit, now)
    said = until or settings.tour_end
    end = said if said is not None and said > today else today + timedelta(weeks=TOUR_WEEKS)
    world = world_of(kit, sustained)
    kept = [group for group in world.groups if group.places]
    found = rates(world)
    return Losing(
        files=sum(group.files for group in kept),
        nowhere=sum(group.files for group in world.groups if not group.places),
        once=sum(group.files for group in kept if len(group.places) == 1),
        until=end,
        until_said=said is not None and said > today,
        by_then=chance_within(world, (end - today).days / DAYS),
        in_a_year=chance_within(world, 1.0),
        causes={"bag": found.bag, "drives": found.drives, "faults": found.faults},
        changes=tuple(_changes(kit, world)),
        inputs=tuple(_inputs(kit)),
        played=play(world, 1.0, trials, seed) if trials else None,
    )


def world_of(kit: Kit, sustained: Mapping[int, float]) -> World:
    """The places in service, how each fails, and which files are where."""
    places = {
        record.id: record
        for record in all_places(kit.catalog)
        if record.state in (PlaceState.ACTIVE, PlaceState.SHELVED)
    }
    keepers = {number: _keeper(kit, record, sustained.get(number, 0.0)) for number, record in places.items()}
    groups = [Group(where, files) for where, files in spread(kit.catalog, frozenset(places)).items()]
    return World(keepers, groups, kit.settings.forecast.bag_lost, kit.settings.forecast.independence)


def _keeper(kit: Kit, record: PlaceRecord, sustained_days: float) -> Keeper:
    says, rule = kit.settings.forecast, kit.settings.rule
    if record.kind is PlaceKind.OFFSITE:
        return Keeper(says.offsite_fails, 0.0, says.replace_days / DAYS, 0.0, in_bag=False)
    every = max(interval_days(record.role, rule.road_days, rule.shelf_days), min(sustained_days, _LONGEST))
    return _drive(says, every, record.role)


def _drive(says: ForecastSettings, every: float, role: Role) -> Keeper:
    """A drive that is read again every so many days. One on the shelf that died is found out then, too."""
    unnoticed = every / 2 if role is Role.SHELF else 0.0
    return Keeper(
        fails=says.drive_fails,
        faults=says.drive_faults,
        away=(says.replace_days + unnoticed) / DAYS,
        hidden=(every / 2 + says.mend_days) / DAYS,
        in_bag=says.one_bag and role is Role.ROAD,
    )


def _changes(kit: Kit, world: World) -> Sequence[Change]:
    """What could be changed, the one that saves most files on average first."""
    says, rule = kit.settings.forecast, kit.settings.rule
    ways: list[tuple[str, str, World]] = []
    if sum(one.in_bag for one in world.keepers.values()) > 1 and says.bag_lost > 0:
        ways.append(("two bags", "carry the drives apart, in two bags", carried_apart(world)))
    if world.keepers:
        home = _drive(says, rule.shelf_days, Role.SHELF)
        ways.append(
            ("another drive", "one more drive with everything, that stays at home", with_another(world, home))
        )
        ways.append(("twice as often", "read every copy again twice as often", looked_at_more_often(world, 0.5)))
    if says.replace_days > 1:
        ways.append(
            ("a spare", "have a spare drive with you, and fill it within a day", replaced_within(world, 1 / DAYS))
        )
    if any(0 < len(group.places) < rule.drive_copies for group in world.groups):
        ways.append(("what is owed", "make the copies that are owed", owed_is_made(world, rule.drive_copies)))
    found = [Change(kind, words, chance_within(other, 1.0)) for kind, words, other in ways]
    return sorted(found, key=lambda change: (change.in_a_year.files, change.in_a_year.at_least_one))


def _inputs(kit: Kit) -> Sequence[Input]:
    says, rule = kit.settings.forecast, kit.settings.rule
    ours = "our assumption, no source"
    usual = "common practice, no source"
    return [
        Input(
            "forecast.drive_fails",
            says.drive_fails,
            "a drive dies in a year",
            "replacement in the field is 2 to 4 %, more than data sheets say (Schroeder and Gibson, FAST 2007)",
        ),
        Input(
            "forecast.drive_faults",
            says.drive_faults,
            "hidden faults of a drive in a year, one file each",
            "8.5 to 9.5 % of nearline disks a year (Bairavasundaram et al., SIGMETRICS 2007, from memory)",
        ),
        Input("forecast.bag_lost", says.bag_lost, "a bag with all in it is lost in a year", ours),
        Input(
            "forecast.one_bag", float(says.one_bag), "the drives on the road travel in one bag", "your settings"
        ),
        Input("forecast.offsite_fails", says.offsite_fails, "the offsite tier is lost in a year", ours),
        Input("forecast.replace_days", says.replace_days, "days until a dead drive is replaced and filled", usual),
        Input("forecast.mend_days", says.mend_days, "days until a fault that was found is mended", usual),
        Input("forecast.independence", says.independence, "1 where drives have nothing else in common", ours),
        Input("rule.road_days", rule.road_days, "days between two readings on the road", "your settings"),
        Input("rule.shelf_days", rule.shelf_days, "days between two readings on the shelf", "your settings"),
    ]


def _today(kit: Kit, now: int) -> date:
    return datetime.fromtimestamp(now // SECOND, UTC).astimezone(kit.clock.zone()).date()
