"""What is told, and what is not told any more: accepted findings, bins, clocks, and the exit status of a night."""

from __future__ import annotations

from pathlib import Path

import pytest
from archive_faults import archive, change, kinds, quarantine, rot
from world import World

from tripleguard.clock import DAY


def _accept(world: World, kind: str) -> None:
    """A person lives with what is open of this kind."""
    for one in world.run("findings", "--json").json["findings"]:
        if one["kind"] == kind and one["number"] is not None:
            assert world.run("findings", "accept", one["number"], "--because", "as it should be").status == 0
    assert kind not in {one for one, _ in kinds(world)}


# Accepted


def test_an_accepted_stray_does_not_hide_another_file_of_its_name(world: World) -> None:
    _, a, _ = archive(world)
    (a / "plan.pdf").write_bytes(b"a seating plan")
    world.run("rescan", "--quick")
    _accept(world, "stray")
    assert world.run("rescan", "--quick").status == 0
    assert kinds(world) == set()
    (a / "plan.pdf").write_bytes(b"something that came from somewhere")
    assert world.run("rescan", "--quick").status == 1
    assert kinds(world) == {("stray", "plan.pdf")}


@pytest.mark.parametrize("depth", ["--quick", "--all"])
def test_an_accepted_change_does_not_hide_the_next_one(world: World, depth: str) -> None:
    _, a, _ = archive(world)
    change(a / "ORR_0002.DNG", 100)
    world.run("rescan", depth)
    _accept(world, "altered")
    world.run("rescan", depth)
    assert kinds(world) == set()
    change(a / "ORR_0002.DNG", 2000)
    assert world.run("rescan", depth).status == 1
    assert kinds(world) == {("altered", "ORR_0002.DNG")}


def test_accepted_rot_that_gets_worse_is_told_anew_with_what_it_is_now(world: World) -> None:
    _, a, _ = archive(world)
    rot(a / "ORR_0002.DNG", 1000)
    world.run("rescan", "--all")
    _accept(world, "corrupt")
    rot(a / "ORR_0002.DNG", 40_000)
    assert world.run("rescan", "--all").status == 1
    (one,) = [one for one in world.run("findings", "--json").json["findings"] if one["path"]]
    assert "a region of 39,001 bytes is different, from byte 1,000 on" in one["message"]


def test_an_accepted_finding_that_was_put_right_and_comes_back_is_told(world: World) -> None:
    _, a, b = archive(world)
    content = (a / "ORR_0002.DNG").read_bytes()
    status = (a / "ORR_0002.DNG").stat()
    for _ in range(2):
        (a / "ORR_0002.DNG").unlink()
        assert world.run("rescan", "--quick").status == 1
        assert kinds(world) == {("missing", "ORR_0002.DNG")}
        _accept(world, "missing")
        (a / "ORR_0002.DNG").write_bytes(content)
        assert world.run("rescan", "--quick").status == 0
    assert status.st_size == (b / "ORR_0002.DNG").stat().st_size


def test_another_fault_where_one_was_accepted_is_told(world: World) -> None:
    _, a, _ = archive(world)
    change(a / "ORR_0002.DNG")
    world.run("rescan", "--quick")
    _accept(world, "altered")
    (a / "ORR_0002.DNG").unlink()
    assert world.run("rescan", "--quick").status == 1
    assert kinds(world) == {("missing", "ORR_0002.DNG")}


def test_what_is_accepted_counts_for_nothing_all_the_same(world: World) -> None:
    card, a, _ = archive(world)
    rot(a / "ORR_0002.DNG")
    world.run("rescan", "--all")
    _accept(world, "corrupt")
    assert world.run("clearance", "card", card.root).status == 1
    assert world.run("report", "--json").json["counts"] == {"under-replicated": 1}


# What is in a bin


def test_a_raw_in_the_bin_of_a_drive_clears_no_card_and_is_had_back(world: World) -> None:
    """Who deletes on a removable volume moves to a folder there: FreeDesktop.org Trash specification 1.0."""
    card, a, _ = archive(world)
    bin_folder = world.drives["A"] / ".Trash-1000/files"
    bin_folder.mkdir(parents=True)
    (a / "ORR_0002.DNG").rename(bin_folder / "ORR_0002.DNG")
    assert world.run("rescan", "--quick").status == 1
    assert world.run("clearance", "card", card.root).status == 1
    assert kinds(world) == {("missing", "ORR_0002.DNG"), ("stray", "ORR_0002.DNG")}
    assert "in the bin" in world.run("report").out
    world.unplug("B")
    world.run("repair")
    assert (a / "ORR_0002.DNG").exists()
    assert (bin_folder / "ORR_0002.DNG").exists()
    world.plug("B")
    assert world.run("rescan", "--all").status == 0
    assert world.run("clearance", "card", card.root).status == 0


# What is said


def test_a_night_that_finds_nothing_new_still_says_what_is_open(world: World) -> None:
    _, a, _ = archive(world)
    (a / "ORR_0002.DNG").unlink()
    assert world.run("rescan", "--quick").status == 1
    again = world.run("rescan", "--quick")
    assert again.status == 1
    assert "1 copy is missing or bad on these drives" in again.out
    assert world.run("rescan", "--quick", "--json").json["still_open"] == 1
    assert world.run("findings").status == 1
    assert world.run("repair").status == 0
    assert world.run("rescan", "--quick").status == 0
    assert world.run("findings").status == 0


def test_the_next_step_for_a_drive_that_is_away_begins_with_connecting_it(world: World) -> None:
    _, a, _ = archive(world)
    (a / "ORR_0002.DNG").unlink()
    world.run("rescan", "--quick")
    assert "  Next: run `repair`" in world.run("findings").out
    world.unplug("A")
    assert "  Next: connect drive A, then run `repair`" in world.run("findings").out


def test_copies_that_a_clock_ahead_verified_are_not_told_as_old_ones(world: World) -> None:
    archive(world)
    with world.ctx() as ctx, ctx.catalog.transaction():
        ctx.catalog.execute("UPDATE copies SET verified_at = verified_at + ?", 900 * DAY)
    answer = world.run("report")
    assert "by a clock that was ahead" in answer.out
    assert "more than 30 days ago" not in answer.out
    assert "just now" not in answer.out
    assert world.run("report", "--json").json["counts"] == {"overdue": 10}
    assert world.run("rescan").status == 0
    assert world.run("report").status == 0


# Quarantine


def test_a_bad_copy_with_a_name_that_its_own_note_would_take_is_repaired(world: World) -> None:
    card = world.card()
    names = ["N" * 251 + ".DNG", "\u00e9" * 124 + "y.DNG"]
    for name in names:
        card.raw(f"DCIM/100ORREY/{name}")
    card.put("DCIM/100ORREY/" + "W" * 60 + ".why.txt", b"a note of my own, with room to rot")
    assert world.run("offload", card.root).status == 0
    a = next(world.drives["A"].glob("2026/*/*/"))
    for path in a.iterdir():
        rot(path, 3)
    assert world.run("rescan", "--all").status == 1
    assert world.run("repair").status == 0
    assert world.on("A") == world.on("B")
    assert {path.name for path in quarantine(world, "A")} == set(names)
    assert world.run("rescan", "--all").status == 0


def test_twenty_versions_of_one_bad_copy_lie_aside_side_by_side(world: World) -> None:
    _, a, _ = archive(world, frames=1)
    for number in range(20):
        rot(a / "ORR_0001.DNG", 500 + number)
        world.run("rescan", "--all")
        assert world.run("repair").status == 0
    assert len({path.read_bytes() for path in quarantine(world, "A")}) == 20
    assert Path(quarantine(world, "A")[0]).name == "ORR_0001.DNG"
