"""Estimate the chance of losing files of this archive, as distributed over its drives.

The arithmetic is in `forecast`. Every input is listed with its source, and can be changed in the settings. It is
an estimate: failure rates are averages and say nothing about one particular drive.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

from tripleguard.catalog.forecast_inputs import count_files_by_places
from tripleguard.catalog.places import list_places
from tripleguard.clock import SECOND
from tripleguard.config_sections import ForecastSettings
from tripleguard.forecast.loss_risk import (
    DAYS_PER_YEAR,
    ArchiveModel,
    FileGroup,
    LossCause,
    LossChance,
    PlaceModel,
    add_missing_copies,
    add_place,
    compute_loss_chance,
    compute_loss_rates,
    limit_replacement_time,
    shorten_detection,
    split_bag,
)
from tripleguard.forecast.loss_simulation import SimulationResult, simulate
from tripleguard.jobs.context import JobContext
from tripleguard.model import DriveRole, PlaceKind, PlaceRecord
from tripleguard.rules import get_interval_days

TOUR_WEEKS = 8
"""The period forecast without an end of the tour: two months on the road (common practice, no source)."""

_MAX_INTERVAL_DAYS = 3650.0
"""Days between two rescans beyond which the interval makes no difference."""


@dataclass(frozen=True, slots=True)
class ForecastInput:
    """One input of the forecast. key: in the settings; meaning and source in words."""

    key: str
    value: float
    meaning: str
    source: str


@dataclass(frozen=True, slots=True)
class RiskReduction:
    """One possible change, and the chances within a year after it."""

    kind: str
    description: str
    in_a_year: LossChance


@dataclass(frozen=True, slots=True)
class LossForecast:
    """What may be lost.

    Attributes:
        without_copy: files that have no good copy now, and are not counted.
        with_one_copy: files with only one.
        end_date: the end of the tour, or a day used in its place.
        causes: losses by cause, per year.
        changes: best first.
        simulation: the result for a year by Monte Carlo, if requested.
    """

    files: int
    without_copy: int
    with_one_copy: int
    end_date: date
    is_until_given: bool
    by_then: LossChance
    in_a_year: LossChance
    causes: Mapping[str, LossCause]
    changes: tuple[RiskReduction, ...]
    inputs: tuple[ForecastInput, ...]
    simulation: SimulationResult | None = None


def forecast_loss(
    ctx: JobContext,
    sustained_days: Mapping[int, float],
    now: int,
    *,
    end_date: date | None = None,
    trials: int = 0,
    seed: int = 1,
) -> LossForecast:
    """Forecast the loss of files. Raises CatalogError.

    Args:
        ctx: the job's context.
        sustained_days: the interval in days that drives with too short nights sustain.
        now: UTC ns.
        end_date: overrides the settings.
        trials: number of simulated years; 0 for none.
        seed: of the simulation.
    """
    settings, today = ctx.settings.forecast, _today(ctx, now)
    chosen_end = end_date or settings.tour_end
    end = chosen_end if chosen_end is not None and chosen_end > today else today + timedelta(weeks=TOUR_WEEKS)
    archive = build_loss_model(ctx, sustained_days)
    kept = [group for group in archive.groups if group.places]
    found = compute_loss_rates(archive)
    return LossForecast(
        files=sum(group.file_count for group in kept),
        without_copy=sum(group.file_count for group in archive.groups if not group.places),
        with_one_copy=sum(group.file_count for group in kept if len(group.places) == 1),
        end_date=end,
        is_until_given=chosen_end is not None and chosen_end > today,
        by_then=compute_loss_chance(archive, (end - today).days / DAYS_PER_YEAR),
        in_a_year=compute_loss_chance(archive, 1.0),
        causes={"bag": found.bag, "drives": found.drives, "faults": found.faults},
        changes=tuple(_risk_reductions(ctx, archive)),
        inputs=tuple(_list_inputs(ctx)),
        simulation=simulate(archive, 1.0, trials, seed) if trials else None,
    )


def build_loss_model(ctx: JobContext, sustained_days: Mapping[int, float]) -> ArchiveModel:
    """Return the places in service, how each fails, and which files they hold."""
    places = {record.id: record for record in list_places(ctx.catalog) if record.state.is_in_service}
    keepers = {
        number: _drive_model_of(ctx, record, sustained_days.get(number, 0.0)) for number, record in places.items()
    }
    groups = [
        FileGroup(where, files) for where, files in count_files_by_places(ctx.catalog, frozenset(places)).items()
    ]
    return ArchiveModel(keepers, groups, ctx.settings.forecast.bag_lost, ctx.settings.forecast.independence)


def _drive_model_of(ctx: JobContext, record: PlaceRecord, sustained_days: float) -> PlaceModel:
    settings, rule = ctx.settings.forecast, ctx.settings.rule
    if record.kind is PlaceKind.OFFSITE:
        return PlaceModel(settings.offsite_fails, 0.0, settings.replace_days / DAYS_PER_YEAR, 0.0, is_in_bag=False)
    every = max(
        get_interval_days(record.role, rule.road_days, rule.shelf_days), min(sustained_days, _MAX_INTERVAL_DAYS)
    )
    return _drive_model(settings, every, record.role)


def _drive_model(settings: ForecastSettings, interval_days: float, role: DriveRole) -> PlaceModel:
    """Return a drive that is read at this interval.

    For one on the shelf, that is also when its failure is noticed.
    """
    unnoticed = interval_days / 2 if role is DriveRole.SHELF else 0.0
    return PlaceModel(
        failures_per_year=settings.drive_fails,
        faults_per_year=settings.drive_faults,
        replacement_years=(settings.replace_days + unnoticed) / DAYS_PER_YEAR,
        detection_years=(interval_days / 2 + settings.repair_days) / DAYS_PER_YEAR,
        is_in_bag=settings.one_bag and role is DriveRole.ROAD,
    )


def _risk_reductions(ctx: JobContext, archive: ArchiveModel) -> Sequence[RiskReduction]:
    """Return the possible changes, the one that saves most files on average first."""
    settings, rule = ctx.settings.forecast, ctx.settings.rule
    ways: list[tuple[str, str, ArchiveModel]] = []
    if sum(one.is_in_bag for one in archive.places.values()) > 1 and settings.bag_lost > 0:
        ways.append(("two bags", "carry the drives apart, in two bags", split_bag(archive)))
    if archive.places:
        home = _drive_model(settings, rule.shelf_days, DriveRole.SHELF)
        ways.append(
            ("another drive", "one more drive with everything, that stays at home", add_place(archive, home))
        )
        ways.append(("twice as often", "read every copy again twice as often", shorten_detection(archive, 0.5)))
    if settings.replace_days > 1:
        ways.append(
            (
                "a spare",
                "have a spare drive with you, and fill it within a day",
                limit_replacement_time(archive, 1 / DAYS_PER_YEAR),
            )
        )
    if any(0 < len(group.places) < rule.drive_copies for group in archive.groups):
        ways.append(
            ("what is owed", "make the copies that are owed", add_missing_copies(archive, rule.drive_copies))
        )
    found = [RiskReduction(kind, words, compute_loss_chance(other, 1.0)) for kind, words, other in ways]
    return sorted(found, key=lambda change: (change.in_a_year.expected_files, change.in_a_year.at_least_one))


def _list_inputs(ctx: JobContext) -> Sequence[ForecastInput]:
    settings, rule = ctx.settings.forecast, ctx.settings.rule
    ours = "our assumption, no source"
    usual = "common practice, no source"
    return [
        ForecastInput(
            "forecast.drive_fails",
            settings.drive_fails,
            "a drive dies in a year",
            "replacement in the field is 2 to 4 %, more than data sheets say (Schroeder and Gibson, FAST 2007)",
        ),
        ForecastInput(
            "forecast.drive_faults",
            settings.drive_faults,
            "hidden faults of a drive in a year, one file each",
            "8.5 to 9.5 % of nearline disks a year (Bairavasundaram et al., SIGMETRICS 2007, from memory)",
        ),
        ForecastInput("forecast.bag_lost", settings.bag_lost, "a bag with all in it is lost in a year", ours),
        ForecastInput(
            "forecast.one_bag",
            float(settings.one_bag),
            "the drives on the road travel in one bag",
            "your settings",
        ),
        ForecastInput(
            "forecast.offsite_fails", settings.offsite_fails, "the offsite tier is lost in a year", ours
        ),
        ForecastInput(
            "forecast.replace_days", settings.replace_days, "days until a dead drive is replaced and filled", usual
        ),
        ForecastInput(
            "forecast.repair_days", settings.repair_days, "days until a fault that was found is repaired", usual
        ),
        ForecastInput(
            "forecast.independence", settings.independence, "1 where drives have nothing else in common", ours
        ),
        ForecastInput("rule.road_days", rule.road_days, "days between two readings on the road", "your settings"),
        ForecastInput(
            "rule.shelf_days", rule.shelf_days, "days between two readings on the shelf", "your settings"
        ),
    ]


def _today(ctx: JobContext, now: int) -> date:
    return datetime.fromtimestamp(now // SECOND, UTC).astimezone(ctx.clock.zone()).date()
