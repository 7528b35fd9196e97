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

from tripleguard.catalog.places import all_places, place_room
from tripleguard.catalog.spread import spread
from tripleguard.catalog.store import Catalog, create_catalog
from tripleguard.catalog.writing import Origin, copy_verified, copy_written, ensure_file, ensure_shoot
from tripleguard.clock import DAY, SECOND
from tripleguard.errors import WrongSettings
from tripleguard.forecast.losing import chance_within
from tripleguard.model import Entry, File, Kind, Medium, PlaceState, Room
from tripleguard.work.answers.chances import world_of
from tripleguard.work.answers.foreseeing import Forecast, foresee
from tripleguard.work.kit import Kit
from tripleguard.work.setting_up import change_drive

NOW = int(datetime(2026, 8, 30, 12, tzinfo=UTC).timestamp()) * SECOND
TB = 10**12
SHOW = 4_500 * 22_000_000
"""Bytes of a long show (common practice, no source)."""


def enter(catalog: Catalog, day: str, name: str, sizes: Sequence[int], kept: Sequence[Sequence[int]]) -> None:
    """A shoot whose n-th file has that size and a verified copy on each of the n-th places."""
    with catalog.writing():
        shoot = ensure_shoot(catalog, day, name, NOW)
        for number, (size, places) in enumerate(zip(sizes, kept, strict=True)):
            digest = random.Random(f"{day} {name} {number}").randbytes(32)
            origin = Origin(f"ORR_{number:04d}.DNG", Kind.RAW, shoot)
            file_id = ensure_file(catalog, File(digest, size), origin, None, 2, NOW)
            for place in places:
                entry = Entry(f"2026/{day} {name}/{number}.DNG", size, NOW)
                copy = copy_written(catalog, file_id, place, shoot, entry, NOW)
                copy_verified(catalog, copy, Medium.DIRECT, NOW)


def tour(catalog: Catalog, places: Sequence[int], *, weeks: int = 8, show: int = SHOW) -> None:
    """Five shows in two weeks, until today; each as ten files on all of the places."""
    for week in range(weeks):
        for weekday in (0, 3) if week % 2 else (0, 2, 4):
            day = datetime.fromtimestamp((NOW - ((week * 7 + weekday) * DAY)) // SECOND, UTC).date().isoformat()
            enter(catalog, day, "show", [show // 10] * 10, [list(places)] * 10)


def room(kit: Kit, name: str, free: int, total: int = 4 * TB) -> None:
    """A drive that is not here had this much room when it was last seen."""
    place = next(one for one in all_places(kit.catalog) if one.name == name)
    with kit.catalog.writing():
        place_room(kit.catalog, place.id, Room(free, total, 0), NOW - DAY)


def ahead(world: World, kit: Kit, *, free: int | None = None) -> Forecast:
    """The forecast with all drives at home in a drawer."""
    for name in world.drives:
        if free is not None:
            room(kit, name, free)
    return foresee(kit)


@pytest.fixture
def away(world: World) -> World:
    """Drives A and B, neither of them connected."""
    for name in world.drives:
        world.unplug(name)
    return world


def test_two_terabytes_are_full_in_eight_weeks(away: World) -> None:
    """2.5 shows a week of 4,500 frames of 22 MB (common practice, no source)."""
    with away.kit(TestClock(NOW)) as kit:
        tour(kit.catalog, [1, 2])
        found = ahead(away, kit, free=2 * TB + 2 * 2**30).filling
    assert found.pace is not None
    assert found.pace.mean == pytest.approx(2.5 * SHOW, rel=0.01)
    for one in found.places:
        assert one.full is not None
        assert one.full.weeks == pytest.approx(8, abs=0.2)
        assert one.full.soonest is not None
        assert one.full.latest is not None
        assert 6.5 < one.full.soonest < one.full.weeks < one.full.latest < 10
    assert found.buy_by is not None
    assert 6 * 7 - 14 < (found.buy_by - found.today).days < 8 * 7 - 14
    assert not found.soon
    assert dict(found.lasting)[2 * TB] == pytest.approx(8.08, abs=0.1)


def test_a_drive_that_is_nearly_full_wants_new_ones_now(away: World) -> None:
    with away.kit(TestClock(NOW)) as kit:
        tour(kit.catalog, [1, 2])
        room(kit, "A", 3 * TB)
        room(kit, "B", 400 * 10**9)
        found = foresee(kit)
    assert found.filling.soon
    assert not found.clear
    with away.kit(TestClock(NOW)) as kit:
        from tripleguard.reports.filling import lines

        text = "\n".join(lines(found.filling, NOW))
    assert text.startswith("Room: drive B is full first, in about 2 weeks")
    assert "Next: 2 new drives now; 2.0 TB would last 8 weeks, 4.0 TB would last 16 weeks." in text


def test_a_drive_that_takes_turns_fills_more_slowly(bare: World) -> None:
    world = bare.setup("A", "B", "C")
    for name in world.drives:
        world.unplug(name)
    with world.kit(TestClock(NOW)) as kit:
        kit.catalog.rows("SELECT 1")
        with kit.catalog.writing():
            kit.catalog.run("UPDATE places SET added_at = ?", NOW - 80 * DAY)
        for week in range(8):
            day = datetime.fromtimestamp((NOW - week * 7 * DAY) // SECOND, UTC).date().isoformat()
            enter(kit.catalog, day, "show", [SHOW], [[1, 2] if week % 2 else [1, 3]])
        places = ahead(world, kit, free=TB).filling.places
    shares = {one.record.name: one.share for one in places}
    assert shares == {"A": 1.0, "B": 0.5, "C": 0.5}
    weeks = {one.record.name: one.full.weeks for one in places if one.full is not None}
    assert weeks["B"] == pytest.approx(2 * weeks["A"], rel=0.01)


def test_a_drive_whose_room_was_never_seen_is_said_so(away: World) -> None:
    with away.kit(TestClock(NOW)) as kit:
        tour(kit.catalog, [1, 2])
        with kit.catalog.writing():
            kit.catalog.run("UPDATE places SET free = NULL, total = NULL, room_at = NULL")
        found = foresee(kit).filling
        assert [one.full for one in found.places] == [None, None]
        assert found.buy_by is None


def test_a_job_remembers_how_full_a_drive_is(world: World) -> None:
    world.card().frames(1)
    assert world.run("offload", world.root / "card").status == 0
    with world.kit() as kit:
        for record in all_places(kit.catalog):
            assert record.room is not None
            assert 0 < record.room.free <= record.room.total
    answer = world.run("forecast", "--json")
    assert answer.json["filling"]["places"][0]["free"] > 0


def brute_spread(catalog: Catalog, places: frozenset[int]) -> dict[frozenset[int], int]:
    """The same, file by file."""
    found: dict[frozenset[int], int] = {}
    for (file_id,) in catalog.rows("SELECT id FROM files WHERE wants > 0"):
        rows = catalog.rows(
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
        with catalog.writing():
            for number in (1, 2, 3):
                catalog.run(
                    "INSERT INTO places (uid, name, kind, role, state, added_at) VALUES (?, ?, 'drive', 'road',"
                    " 'active', 0)",
                    str(number),
                    str(number),
                )
        for number, kept in enumerate(shoots):
            enter(catalog, "2026-06-13", f"shoot {number}", [1000] * len(kept), kept)
        assert spread(catalog, frozenset(counting)) == brute_spread(catalog, frozenset(counting))
    finally:
        catalog.close()


def test_one_bag_is_the_greatest_danger_and_two_bags_the_remedy(away: World) -> None:
    with away.kit(TestClock(NOW)) as kit:
        tour(kit.catalog, [1, 2], weeks=2, show=1000)
        found = foresee(kit).losing
    assert max(found.causes, key=lambda cause: found.causes[cause].files) == "bag"
    assert found.changes[0].kind == "two bags"
    assert found.in_a_year.at_least_one == pytest.approx(0.01, rel=0.1)
    assert found.changes[0].in_a_year.files < found.in_a_year.files / 100
    assert found.by_then.at_least_one < found.in_a_year.at_least_one


def test_what_is_kept_once_is_told_and_making_the_copies_helps(away: World) -> None:
    with away.kit(TestClock(NOW)) as kit:
        enter(kit.catalog, "2026-08-20", "show", [100] * 8, [[1]] * 5 + [[1, 2]] * 2 + [[]])
        found = foresee(kit).losing
        assert (found.files, found.once, found.nowhere) == (7, 5, 1)
        owed = next(change for change in found.changes if change.kind == "what is owed")
        assert owed.in_a_year.files < found.in_a_year.files
        answer = away.run("forecast")
    assert "5 files of them have only one good copy. Next: `tripleguard topup`." in answer.out
    assert "1 file more have no good copy" in answer.out


def test_a_lost_drive_does_not_count_and_one_on_the_shelf_is_not_in_the_bag(away: World) -> None:
    with away.kit(TestClock(NOW)) as kit:
        tour(kit.catalog, [1, 2], weeks=1, show=1000)
        before = foresee(kit).losing
        change_drive(kit, "B", PlaceState.SHELVED)
        shelved = foresee(kit).losing
        assert shelved.in_a_year.at_least_one < before.in_a_year.at_least_one / 5
        keepers = world_of(kit, {}).keepers
        assert (keepers[1].in_bag, keepers[2].in_bag) == (True, False)
        # On the shelf a drive that died is found out only when it is read again.
        assert keepers[2].away > 90 / 365 > keepers[1].away
        change_drive(kit, "B", PlaceState.LOST)
        lost = foresee(kit).losing
    assert lost.once == before.files
    assert lost.in_a_year.files > 2 * before.in_a_year.files


def test_what_was_counted_with_is_in_the_settings(away: World) -> None:
    away.settings(
        "[forecast]\ntour_ends = '2026-09-13'\nbag_lost = 0.0\n"
        "drive_fails = 0.5\nreplace_days = 10\ndrive_faults = 0\n"
    )
    with away.kit(TestClock(NOW)) as kit:
        tour(kit.catalog, [1, 2], weeks=1, show=1000)
        found = foresee(kit).losing
        assert (found.until.isoformat(), found.until_said) == ("2026-09-13", True)
        # Two drives that only die: 2 x fails^2 x replacement (Patterson, Gibson and Katz, SIGMOD 1988).
        assert found.causes["drives"].events == pytest.approx(2 * 0.5**2 * 10 / 365)
        assert found.causes["bag"].events == 0
        assert {one.key: one.value for one in found.inputs}["forecast.drive_fails"] == 0.5
        assert all(one.source for one in found.inputs)
        assert foresee(kit, until=datetime(2027, 1, 1).date()).losing.until.isoformat() == "2027-01-01"


def test_a_year_that_is_played_agrees_with_what_was_counted(away: World) -> None:
    away.settings("[forecast]\nbag_lost = 0.1\ndrive_fails = 0.6\nreplace_days = 6\ndrive_faults = 1\n")
    with away.kit(TestClock(NOW)) as kit:
        tour(kit.catalog, [1, 2], weeks=2, show=1000)
        found = foresee(kit, trials=8000, seed=5).losing
    assert found.played is not None
    near = 4 * found.played.at_least_one_error + 0.05 * found.in_a_year.at_least_one
    assert abs(found.played.at_least_one - found.in_a_year.at_least_one) < near


def test_nights_that_are_too_short_leave_faults_hidden_for_longer(away: World) -> None:
    with away.kit(TestClock(NOW)) as kit:
        tour(kit.catalog, [1, 2], weeks=1, show=1000)
        enough, short = world_of(kit, {}), world_of(kit, {1: 300.0, 2: 300.0})
    assert short.keepers[1].hidden == pytest.approx((150 + 1) / 365)
    none_in_a_bag = replace(enough, bag=0.0), replace(short, bag=0.0)
    assert chance_within(none_in_a_bag[1], 1.0).files > chance_within(none_in_a_bag[0], 1.0).files


def test_a_tour_that_ends_on_no_day_is_a_wrong_setting(away: World) -> None:
    away.settings('[forecast]\ntour_ends = "in August"\n')
    with pytest.raises(WrongSettings, match=r"line 2: forecast.tour_ends"), away.kit():
        pass
    assert away.run("forecast").status == 2


def test_the_command_says_all_of_it(away: World, tmp_path: Path) -> None:
    with away.kit(TestClock(NOW)) as kit:
        tour(kit.catalog, [1, 2], weeks=2, show=1000)
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
