"""The chance of losing a file: the formulas against published tables, and against years played by lot.

Sources: Patterson, Gibson and Katz, SIGMOD 1988 (formula and table from memory, every number recomputed from it);
Baker et al., EuroSys 2006 (equations and example from memory; the printed results come out of them).
"""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from tripleguard.forecast.loss_risk import (
    ArchiveModel,
    FileGroup,
    PlaceModel,
    add_missing_copies,
    add_place,
    compute_loss_chance,
    compute_loss_rates,
    limit_replacement_time,
    shorten_detection,
    split_bag,
)
from tripleguard.forecast.loss_simulation import simulate
from tripleguard.forecast.published_models import (
    HOURS_PER_YEAR,
    TwoCopyModel,
    compute_array_life,
    compute_life_of_copies,
    compute_pair_life,
    get_chance_within,
)

DISK, HOUR = 30_000.0, 1.0
"""Mean time to failure and to repair in Patterson et al. 1988, hours."""


@pytest.mark.parametrize(
    ("group", "check_disks", "exact", "years"),
    [(1, 1, 4_500_000, 513.7), (10, 4, 494_505, 56.5), (10, 1, 818_182, 93.4), (25, 1, 346_154, 39.5)],
    ids=["level 1", "level 2", "levels 3 to 5, G=10", "levels 3 to 5, G=25"],
)
def test_the_table_of_patterson_gibson_and_katz(group: int, check_disks: int, exact: int, years: float) -> None:
    """`compute_array_life`, 100 data disks. The paper prints 4,500,000, 494,500, 820,000 and 346,000 h (from
    memory)."""
    life = compute_array_life(DISK, 100, group, check_disks, HOUR)
    assert round(life) == exact
    assert round(life / HOURS_PER_YEAR, 1) == years


def test_one_mirrored_pair() -> None:
    """`compute_array_life` with one data disk: MTTF^2 / (2 MTTR); the exact Markov chain is a ten-thousandth
    longer."""
    assert compute_array_life(DISK, 1, 1, 1, HOUR) == 450_000_000
    assert round(compute_pair_life(DISK, HOUR)) == 450_045_000
    assert DISK / 100 == 300  # hours without redundancy, 100 disks


SCRUBBED = TwoCopyModel(
    visible=1.4e6, latent=2.8e5, visible_repair=1 / 3, latent_repair=1 / 3, detection=HOURS_PER_YEAR / 3 / 2
)
"""Baker et al. 2006: a drive of the Cheetah class, scrubbed three times a year."""


@pytest.mark.parametrize(
    ("life", "years", "in_fifty"),
    [
        (SCRUBBED.latent, 31.963, 79.08),  # no scrubbing: the window never closes, so the life is ML
        (SCRUBBED.get_life_latent_only(), 6128.58, 0.81),
        (replace(SCRUBBED, independence=0.1).get_life_latent_only(), 612.86, 7.83),
        (replace(SCRUBBED, latent=1.4e7, independence=0.1).get_life_without_scrubbing(), 159.82, 26.87),
        (SCRUBBED.get_life(), 5106.9, 0.97),  # the whole closed form; the paper's 6128.7 drops visible faults
        (replace(SCRUBBED, latent=1.4e7, independence=0.1).get_life_without_scrubbing_capped(), 1598.1, 3.08),
    ],
    ids=["not scrubbed", "scrubbed", "scrubbed, alpha 0.1", "rare, never looked for", "whole formula", "capped"],
)
def test_the_examples_of_baker_and_others(life: float, years: float, in_fifty: float) -> None:
    """In years of 8760 h, and the chance of loss in 50 of them, in per cent."""
    assert life / HOURS_PER_YEAR == pytest.approx(years, rel=1e-4)
    assert 100 * get_chance_within(life, 50 * HOURS_PER_YEAR) == pytest.approx(in_fifty, abs=0.1)


def test_the_formulas_of_baker_and_others_agree_with_each_other() -> None:
    assert SCRUBBED.get_life_by_steps() == pytest.approx(SCRUBBED.get_life())
    rare = replace(SCRUBBED, latent=1e15)
    assert rare.get_life() == pytest.approx(rare.get_life_visible_only(), rel=1e-4)
    often = replace(SCRUBBED, visible=1e15)
    assert often.get_life() == pytest.approx(often.get_life_latent_only(), rel=1e-6)
    shared = replace(rare, visible_repair=10, independence=0.5)
    assert compute_life_of_copies(2, 1.4e6, 10, 0.5) == pytest.approx(shared.get_life_visible_only())


@given(
    visible=st.floats(1e4, 1e7),
    latent=st.floats(1e4, 1e7),
    repair=st.floats(0.1, 100),
    detect=st.floats(1, 5000),
    alpha=st.floats(0.05, 1),
)
def test_looking_more_often_repairing_faster_or_sharing_less_never_costs_life(
    visible: float, latent: float, repair: float, detect: float, alpha: float
) -> None:
    one = TwoCopyModel(visible, latent, repair, repair, detect, alpha)
    for better in (
        replace(one, detection=detect / 2),
        replace(one, visible_repair=repair / 2),
        replace(one, latent_repair=repair / 2),
        replace(one, independence=min(1.0, alpha * 2)),
    ):
        assert better.get_life() >= one.get_life() * (1 - 1e-12)


def pair(
    fails: float = 0.0, faults: float = 0.0, away: float = 0.01, hidden: float = 0.04, files: int = 100
) -> ArchiveModel:
    keeper = PlaceModel(fails, faults, away, hidden, is_in_bag=True)
    return ArchiveModel({1: keeper, 2: keeper}, [FileGroup(frozenset({1, 2}), files)], bag_losses_per_year=0.0)


def test_two_drives_that_only_die_are_the_pair_of_patterson_gibson_and_katz() -> None:
    world = pair(fails=HOURS_PER_YEAR / DISK, away=HOUR / HOURS_PER_YEAR)
    assert 1 / compute_loss_rates(world).events_per_year == pytest.approx(
        compute_array_life(DISK, 1, 1, 1, HOUR) / HOURS_PER_YEAR
    )


def test_two_drives_of_one_file_are_the_copies_of_baker_and_others() -> None:
    """With one file a second hidden fault always hits it. The paper counts a pair's first fault once, we twice."""
    life = TwoCopyModel(1.4e6, 2.8e5, 48.0, 24.0, 1460.0)
    world = pair(
        fails=HOURS_PER_YEAR / life.visible,
        faults=HOURS_PER_YEAR / life.latent,
        away=life.visible_repair / HOURS_PER_YEAR,
        hidden=(life.latent_repair + life.detection) / HOURS_PER_YEAR,
        files=1,
    )
    assert 1 / compute_loss_rates(world).events_per_year == pytest.approx(
        life.get_life() / HOURS_PER_YEAR / 2, rel=1e-3
    )


WORLDS = {
    "drives that die": pair(fails=1.2, away=0.02),
    "drives that die over hidden faults": pair(fails=0.5, faults=6.0, away=0.01, hidden=0.03),
    "a bag": replace(pair(fails=0.2), bag_losses_per_year=0.15),
    "a bag, and a third drive at home": replace(
        add_place(pair(fails=0.8, away=0.03), PlaceModel(0.8, 0.0, 0.05, 0.0, is_in_bag=False)),
        bag_losses_per_year=0.6,
    ),
    "hidden faults alone, few files": pair(faults=20.0, hidden=0.005, files=5),
    "files on one drive, on two and on three": ArchiveModel(
        {number: PlaceModel(0.5, 3.0, 0.02, 0.03, is_in_bag=number < 3) for number in (1, 2, 3)},
        [FileGroup(frozenset({1}), 20), FileGroup(frozenset({1, 2}), 200), FileGroup(frozenset({1, 2, 3}), 400)],
        bag_losses_per_year=0.05,
    ),
}


@pytest.mark.parametrize("world", WORLDS.values(), ids=WORLDS)
def test_the_formulas_agree_with_years_that_are_played(world: ArchiveModel) -> None:
    """Within four standard errors, and a twentieth for windows that are not endlessly short."""
    counted = compute_loss_chance(world, 0.5)
    played = simulate(world, 0.5, 6000, seed=7)
    near = 4 * played.at_least_one_error + 0.05 * counted.at_least_one
    assert abs(counted.at_least_one - played.at_least_one) <= near
    near = 4 * played.mean_files_error + 0.05 * counted.expected_files
    assert abs(counted.expected_files - played.mean_files) <= near
    assert played.at_least_one > 0.005, "a world in which nothing happens shows nothing"


def test_a_seed_plays_the_same_again() -> None:
    world = WORLDS["a bag"]
    assert simulate(world, 1.0, 300, seed=3) == simulate(world, 1.0, 300, seed=3)
    assert simulate(world, 1.0, 300, seed=3) != simulate(world, 1.0, 300, seed=4)


@settings(max_examples=60, deadline=None)
@given(
    fails=st.floats(0, 0.5),
    faults=st.floats(0, 10),
    away=st.floats(0.0001, 0.1),
    hidden=st.floats(0.0001, 0.2),
    files=st.integers(1, 10**6),
    bag=st.floats(0, 0.2),
    single=st.integers(0, 1000),
)
def test_whatever_helps_never_harms(
    fails: float, faults: float, away: float, hidden: float, files: int, bag: float, single: int
) -> None:
    assume(fails * away + faults / files * hidden < 0.2)  # else the windows are not short, and nothing is promised
    world = replace(pair(fails, faults, away, hidden, files), bag_losses_per_year=bag)
    world = replace(world, groups=[*world.groups, FileGroup(frozenset({1}), single)])
    home = PlaceModel(fails, faults, away, hidden, is_in_bag=False)
    now = compute_loss_chance(world, 1.0)
    assert 0 <= now.at_least_one <= 1
    assert 0 <= now.expected_files <= files + single
    for better in (
        add_place(world, home),
        shorten_detection(world, 0.5),
        limit_replacement_time(world, away / 2),
        add_missing_copies(world, 2),
        replace(world, bag_losses_per_year=bag / 2),
    ):
        then = compute_loss_chance(better, 1.0)
        assert then.at_least_one <= now.at_least_one + 1e-9
        assert then.expected_files <= now.expected_files * (1 + 1e-9) + 1e-9
    assert compute_loss_chance(world, 2.0).at_least_one >= now.at_least_one
    shared = compute_loss_chance(replace(world, independence=0.5), 1.0)
    assert shared.at_least_one >= now.at_least_one - 1e-12


def test_two_bags_are_lost_one_at_a_time() -> None:
    together = replace(pair(fails=0.02, away=3 / 365), bag_losses_per_year=0.01)
    apart = split_bag(together)
    assert compute_loss_chance(together, 1.0).at_least_one == pytest.approx(1 - math.exp(-0.01), rel=0.01)
    assert compute_loss_chance(apart, 1.0).at_least_one < compute_loss_chance(together, 1.0).at_least_one / 100


def test_what_is_owed_is_made_on_the_drives_that_have_most() -> None:
    world = ArchiveModel(
        {number: PlaceModel(0.02, 0.0, 0.01, 0.0, is_in_bag=False) for number in (1, 2, 3)},
        [
            FileGroup(frozenset({1}), 5),
            FileGroup(frozenset({1, 2}), 50),
            FileGroup(frozenset({3}), 1),
            FileGroup(frozenset(), 2),
        ],
        bag_losses_per_year=0.0,
    )
    assert [group.places for group in add_missing_copies(world, 2).groups] == [
        frozenset({1, 2}),
        frozenset({1, 2}),
        frozenset({1, 3}),
        frozenset(),
    ]


def test_without_drives_or_files_nothing_is_counted() -> None:
    empty = ArchiveModel({}, [], 0.01)
    assert compute_loss_chance(empty, 1.0).at_least_one == 0
    assert simulate(empty, 1.0, 10, seed=1).at_least_one == 0
    gone = ArchiveModel({1: PlaceModel(0.1, 0.1, 0.1, 0.1, is_in_bag=True)}, [FileGroup(frozenset(), 7)], 0.01)
    assert compute_loss_chance(gone, 1.0).expected_files == 0
