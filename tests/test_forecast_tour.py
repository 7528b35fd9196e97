"""What lies ahead, asked of a whole tour: when drives fill up, and what may be lost. Shoots are entered, not
shot.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from world import TestClock, World

from tripleguard.catalog.file_updates import (
    FileOrigin,
    ensure_file,
    ensure_shoot,
    record_copy,
    record_copy_verified,
)
from tripleguard.catalog.forecast_inputs import count_files_by_places
from tripleguard.catalog.places import list_places, record_place_space
from tripleguard.catalog.store import Catalog, create_catalog
from tripleguard.clock import DAY, SECOND
from tripleguard.errors import SettingsError
from tripleguard.forecast.loss_risk import compute_loss_chance
from tripleguard.jobs.context import JobContext
from tripleguard.jobs.drive_setup import set_drive_state
from tripleguard.jobs.queries.forecast_query import Forecast, make_forecast
from tripleguard.jobs.queries.loss_risk import build_loss_model
from tripleguard.model import Entry, File, FileKind, FreeSpace, Medium, PlaceState

NOW = int(datetime(2026, 8, 30, 12, tzinfo=UTC).timestamp()) * SECOND
TB = 10**12
SHOW = 4_500 * 22_000_000
"""Bytes of a long show (common practice, no source)."""


def enter(catalog: Catalog, day: str, name: str, sizes: Sequence[int], kept: Sequence[Sequence[int]]) -> None:
    """A shoot whose n-th file has that size and a verified copy on each of the n-th places."""
    with catalog.transaction():
        shoot = ensure_shoot(catalog, day, name, NOW)
        for number, (size, places) in enumerate(zip(sizes, kept, strict=True)):
            digest = random.Random(f"{day} {name} {number}").randbytes(32)
            origin = FileOrigin(f"ORR_{number:04d}.DNG", FileKind.RAW, shoot)
            file_id = ensure_file(catalog, File(digest, size), origin, None, 2, NOW)
            for place in places:
                entry = Entry(f"2026/{day} {name}/{number}.DNG", size, NOW)
                copy = record_copy(catalog, file_id, place, shoot, entry, NOW)
                record_copy_verified(catalog, copy, Medium.DIRECT, NOW)


def tour(catalog: Catalog, places: Sequence[int], *, weeks: int = 8, show: int = SHOW) -> None:
    """Five shows in two weeks, until today; each as ten files on all of the places."""
    for week in range(weeks):
        for weekday in (0, 3) if week % 2 else (0, 2, 4):
            day = datetime.fromtimestamp((NOW - ((week * 7 + weekday) * DAY)) // SECOND, UTC).date().isoformat()
            enter(catalog, day, "show", [show // 10] * 10, [list(places)] * 10)


def room(ctx: JobContext, name: str, free: int, total: int = 4 * TB) -> None:
    """A drive that is not here had this much room when it was last seen."""
    place = next(one for one in list_places(ctx.catalog) if one.name == name)
    with ctx.catalog.transaction():
        record_place_space(ctx.catalog, place.id, FreeSpace(free, total, 0), NOW - DAY)


def ahead(world: World, ctx: JobContext, *, free: int | None = None) -> Forecast:
    """The forecast with all drives at home in a drawer."""
    for name in world.drives:
        if free is not None:
            room(ctx, name, free)
    return make_forecast(ctx)


@pytest.fixture
def away(world: World) -> World:
    """Drives A and B, neither of them connected."""
    for name in world.drives:
        world.unplug(name)
    return world


def test_two_terabytes_are_full_in_eight_weeks(away: World) -> None:
    """2.5 shows a week of 4,500 frames of 22 MB (common practice, no source)."""
    with away.ctx(TestClock(NOW)) as ctx:
        tour(ctx.catalog, [1, 2])
        found = ahead(away, ctx, free=2 * TB + 2 * 2**30).fill
    assert found.shooting_rate is not None
    assert found.shooting_rate.mean_bytes == pytest.approx(2.5 * SHOW, rel=0.01)
    for one in found.places:
        assert one.full is not None
        assert one.full.weeks == pytest.approx(8, abs=0.2)
        assert one.full.soonest is not None
        assert one.full.latest is not None
        assert 6.5 < one.full.soonest < one.full.weeks < one.full.latest < 10
    assert found.buy_by is not None
    assert 6 * 7 - 14 < (found.buy_by - found.today).days < 8 * 7 - 14
    assert not found.is_due
    assert dict(found.weeks_by_size)[2 * TB] == pytest.approx(8.08, abs=0.1)


def test_a_drive_that_is_nearly_full_wants_new_ones_now(away: World) -> None:
    with away.ctx(TestClock(NOW)) as ctx:
        tour(ctx.catalog, [1, 2])
        room(ctx, "A", 3 * TB)
        room(ctx, "B", 400 * 10**9)
        found = make_forecast(ctx)
    assert found.fill.is_due
    assert not found.is_clear
    with away.ctx(TestClock(NOW)) as ctx:
        from tripleguard.presentation.drive_filling import format_filling

        text = "\n".join(format_filling(found.fill, NOW))
    assert text.startswith("Room: drive B is full first, in about 2 weeks")
    assert "Next: 2 new drives now; 2.0 TB would last 8 weeks, 4.0 TB would last 16 weeks." in text


def test_a_drive_that_takes_turns_fills_more_slowly(bare: World) -> None:
    world = bare.setup("A", "B", "C")
    for name in world.drives:
        world.unplug(name)
    with world.ctx(TestClock(NOW)) as ctx:
        ctx.catalog.fetch_all("SELECT 1")
        with ctx.catalog.transaction():
            ctx.catalog.execute("UPDATE places SET added_at = ?", NOW - 80 * DAY)
        for week in range(8):
            day = datetime.fromtimestamp((NOW - week * 7 * DAY) // SECOND, UTC).date().isoformat()
            enter(ctx.catalog, day, "show", [SHOW], [[1, 2] if week % 2 else [1, 3]])
        places = ahead(world, ctx, free=TB).fill.places
    shares = {one.record.name: one.share for one in places}
    assert shares == {"A": 1.0, "B": 0.5, "C": 0.5}
    weeks = {one.record.name: one.full.weeks for one in places if one.full is not None}
    assert weeks["B"] == pytest.approx(2 * weeks["A"], rel=0.01)


def test_a_drive_whose_room_was_never_seen_is_said_so(away: World) -> None:
    with away.ctx(TestClock(NOW)) as ctx:
        tour(ctx.catalog, [1, 2])
        with ctx.catalog.transaction():
            ctx.catalog.execute("UPDATE places SET free = NULL, total = NULL, space_at = NULL")
        found = make_forecast(ctx).fill
        assert [one.full for one in found.places] == [None, None]
        assert found.buy_by is None


def test_a_job_remembers_how_full_a_drive_is(world: World) -> None:
    world.card().frames(1)
    assert world.run("offload", world.root / "card").status == 0
    with world.ctx() as ctx:
        for record in list_places(ctx.catalog):
            assert record.known_space is not None
            assert 0 < record.known_space.free <= record.known_space.total
    answer = world.run("forecast", "--json")
    assert answer.json["filling"]["places"][0]["free"] > 0


def brute_spread(catalog: Catalog, places: frozenset[int]) -> dict[frozenset[int], int]:
    """The same, file by file."""
    found: dict[frozenset[int], int] = {}
    for (file_id,) in catalog.fetch_all("SELECT id FROM files WHERE required_copies > 0"):
        rows = catalog.fetch_all(
            "SELECT DISTINCT place_id FROM copies WHERE file_id = ? AND state = 'present'"
            " AND verified_at IS NOT NULL",
            file_id,
        )
        there = frozenset(row[0] for row in rows) & places
        found[there] = found.get(there, 0) + 1
    return found


@settings(max_examples=25, deadline=None)
@given(
    shoots=st.lists(
        st.one_of(
            st.tuples(st.integers(1, 6), st.sets(st.integers(1, 3))).map(lambda pair: [sorted(pair[1])] * pair[0]),
            st.lists(st.sets(st.integers(1, 3)).map(sorted), min_size=1, max_size=6),
        ),
        max_size=5,
    ),
    counting=st.sets(st.integers(1, 3)),
)
def test_files_are_counted_where_they_are(
    tmp_path_factory: pytest.TempPathFactory, shoots: list[list[list[int]]], counting: set[int]
) -> None:
    catalog = create_catalog(tmp_path_factory.mktemp("spread") / "catalog.db")
    try:
        with catalog.transaction():
            for number in (1, 2, 3):
                catalog.execute(
                    "INSERT INTO places (uid, name, kind, role, state, added_at) VALUES (?, ?, 'drive', 'road',"
                    " 'active', 0)",
                    str(number),
                    str(number),
                )
        for number, kept in enumerate(shoots):
            enter(catalog, "2026-06-13", f"shoot {number}", [1000] * len(kept), kept)
        assert count_files_by_places(catalog, frozenset(counting)) == brute_spread(catalog, frozenset(counting))
    finally:
        catalog.close()


def test_one_bag_is_the_greatest_danger_and_two_bags_the_remedy(away: World) -> None:
    with away.ctx(TestClock(NOW)) as ctx:
        tour(ctx.catalog, [1, 2], weeks=2, show=1000)
        found = make_forecast(ctx).loss
    assert max(found.causes, key=lambda cause: found.causes[cause].files_per_year) == "bag"
    assert found.changes[0].kind == "two bags"
    assert found.in_a_year.at_least_one == pytest.approx(0.01, rel=0.1)
    assert found.changes[0].in_a_year.expected_files < found.in_a_year.expected_files / 100
    assert found.by_then.at_least_one < found.in_a_year.at_least_one


def test_what_is_kept_once_is_told_and_making_the_copies_helps(away: World) -> None:
    with away.ctx(TestClock(NOW)) as ctx:
        enter(ctx.catalog, "2026-08-20", "show", [100] * 8, [[1]] * 5 + [[1, 2]] * 2 + [[]])
        found = make_forecast(ctx).loss
        assert (found.files, found.with_one_copy, found.without_copy) == (7, 5, 1)
        owed = next(change for change in found.changes if change.kind == "what is owed")
        assert owed.in_a_year.expected_files < found.in_a_year.expected_files
        answer = away.run("forecast")
    assert "5 files of them have only one good copy. Next: `tripleguard topup`." in answer.out
    assert "1 file more have no good copy" in answer.out


def test_a_lost_drive_does_not_count_and_one_on_the_shelf_is_not_in_the_bag(away: World) -> None:
    with away.ctx(TestClock(NOW)) as ctx:
        tour(ctx.catalog, [1, 2], weeks=1, show=1000)
        before = make_forecast(ctx).loss
        set_drive_state(ctx, "B", PlaceState.SHELVED)
        shelved = make_forecast(ctx).loss
        assert shelved.in_a_year.at_least_one < before.in_a_year.at_least_one / 5
        keepers = build_loss_model(ctx, {}).places
        assert (keepers[1].is_in_bag, keepers[2].is_in_bag) == (True, False)
        # On the shelf a drive that died is found out only when it is read again.
        assert keepers[2].replacement_years > 90 / 365 > keepers[1].replacement_years
        set_drive_state(ctx, "B", PlaceState.LOST)
        lost = make_forecast(ctx).loss
    assert lost.with_one_copy == before.files
    assert lost.in_a_year.expected_files > 2 * before.in_a_year.expected_files


def test_what_was_counted_with_is_in_the_settings(away: World) -> None:
    away.settings(
        "[forecast]\ntour_ends = '2026-09-13'\nbag_lost = 0.0\n"
        "drive_fails = 0.5\nreplace_days = 10\ndrive_faults = 0\n"
    )
    with away.ctx(TestClock(NOW)) as ctx:
        tour(ctx.catalog, [1, 2], weeks=1, show=1000)
        found = make_forecast(ctx).loss
        assert (found.end_date.isoformat(), found.is_until_given) == ("2026-09-13", True)
        # Two drives that only die: 2 x fails^2 x replacement (Patterson, Gibson and Katz, SIGMOD 1988).
        assert found.causes["drives"].events_per_year == pytest.approx(2 * 0.5**2 * 10 / 365)
        assert found.causes["bag"].events_per_year == 0
        assert {one.key: one.value for one in found.inputs}["forecast.drive_fails"] == 0.5
        assert all(one.source for one in found.inputs)
        assert make_forecast(ctx, end_date=datetime(2027, 1, 1).date()).loss.end_date.isoformat() == "2027-01-01"


def test_a_year_that_is_played_agrees_with_what_was_counted(away: World) -> None:
    away.settings("[forecast]\nbag_lost = 0.1\ndrive_fails = 0.6\nreplace_days = 6\ndrive_faults = 1\n")
    with away.ctx(TestClock(NOW)) as ctx:
        tour(ctx.catalog, [1, 2], weeks=2, show=1000)
        found = make_forecast(ctx, trials=8000, seed=5).loss
    assert found.simulation is not None
    near = 4 * found.simulation.at_least_one_error + 0.05 * found.in_a_year.at_least_one
    assert abs(found.simulation.at_least_one - found.in_a_year.at_least_one) < near


def test_nights_that_are_too_short_leave_faults_hidden_for_longer(away: World) -> None:
    with away.ctx(TestClock(NOW)) as ctx:
        tour(ctx.catalog, [1, 2], weeks=1, show=1000)
        enough, short = build_loss_model(ctx, {}), build_loss_model(ctx, {1: 300.0, 2: 300.0})
    assert short.places[1].detection_years == pytest.approx((150 + 1) / 365)
    none_in_a_bag = replace(enough, bag_losses_per_year=0.0), replace(short, bag_losses_per_year=0.0)
    assert (
        compute_loss_chance(none_in_a_bag[1], 1.0).expected_files
        > compute_loss_chance(none_in_a_bag[0], 1.0).expected_files
    )


def test_a_tour_that_ends_on_no_day_is_a_wrong_setting(away: World) -> None:
    away.settings('[forecast]\ntour_ends = "in August"\n')
    with pytest.raises(SettingsError, match=r"line 2: forecast.tour_ends"), away.ctx():
        pass
    assert away.run("forecast").status == 2


def test_the_command_says_all_of_it(away: World, tmp_path: Path) -> None:
    with away.ctx(TestClock(NOW)) as ctx:
        tour(ctx.catalog, [1, 2], weeks=2, show=1000)
    answer = away.run("forecast", "--until", "2035-01-01", "--play", "1000", "--seed", "3")
    for words in (
        "Reading again:",
        "Room:",
        "Losing files: the chance that at least one of 50 files is lost is",
        "by 2035-01-01 (the end of the tour)",
        "What would help most: carry the drives apart",
        "Played by lot, 1,000 years:",
        "(Schroeder and Gibson, FAST 2007)",
        "Caution: this is an estimate.",
    ):
        assert words in answer.out, words
    assert away.run("forecast", "--until", "soon").status == 2
