"""Sidecars at night: no edit is undone, a crash's leavings do not spread, and each stays with its picture."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from archive_faults import archive, kinds, quarantine
from world import World

STARS = b"<x rating='5'/>"


def _night(world: World) -> None:
    world.run("rescan", "--quick")
    assert world.run("repair").status == 0
    assert world.run("rescan", "--quick").status == 0
    assert kinds(world) == set()


def test_an_edit_by_a_laptop_whose_clock_is_years_behind_is_not_undone(world: World) -> None:
    """A laptop's empty battery sets it to its first day; what it edits is the newest all the same."""
    _, a, b = archive(world)
    (a / "ORR_0001.xmp").write_bytes(STARS)
    os.utime(a / "ORR_0001.xmp", (10**9, 10**9))
    _night(world)
    assert (a / "ORR_0001.xmp").read_bytes() == (b / "ORR_0001.xmp").read_bytes() == STARS
    assert [path.read_bytes() for path in quarantine(world, "B")] == [b"<x/>"]


def test_an_edit_on_an_edit_by_a_clock_behind_is_the_newest(world: World) -> None:
    _, a, b = archive(world)
    for number, content in enumerate((b"<x one='1'/>", b"<x two='22'/>", b"<x three='333'/>")):
        (a / "ORR_0001.xmp").write_bytes(content)
        os.utime(a / "ORR_0001.xmp", (10**9 - number, 10**9 - number))
        _night(world)
        assert (b / "ORR_0001.xmp").read_bytes() == content


@pytest.mark.parametrize("left", [b"", bytes(4), bytes(4096)])
def test_a_sidecar_that_a_crash_left_empty_or_zeroed_does_not_spread(world: World, left: bytes) -> None:
    """A file that was being replaced when the power went comes back empty or full of zeros: common practice,
    no source."""
    _, a, b = archive(world)
    (a / "ORR_0001.xmp").write_bytes(left)
    assert world.run("rescan", "--quick").status == 1
    assert kinds(world) == {("altered", "ORR_0001.xmp")}
    assert world.run("repair").status == 0
    assert (a / "ORR_0001.xmp").read_bytes() == (b / "ORR_0001.xmp").read_bytes() == b"<x/>"
    assert [path.read_bytes() for path in quarantine(world, "A")] == [left]


def test_a_missing_sidecar_stays_missing_when_the_other_one_is_edited(world: World) -> None:
    _, a, b = archive(world)
    (a / "ORR_0001.xmp").unlink()
    world.run("rescan", "--quick")
    (b / "ORR_0001.xmp").write_bytes(STARS)
    world.run("rescan", "--quick")
    assert kinds(world) == {("missing", "ORR_0001.xmp")}
    _night(world)
    assert (a / "ORR_0001.xmp").read_bytes() == STARS


# With their pictures


def _renamed(world: World, a: Path) -> Path:
    """The shoot's folder gets another name, as when a person tidies up; where its pictures are then."""
    return a.parent.rename(a.parent.with_name("2026-06-13 harbour")) / a.name


def test_sidecars_edited_in_a_renamed_folder_go_home_with_their_pictures(world: World) -> None:
    _, a, b = archive(world)
    moved = _renamed(world, a)
    (moved / "ORR_0001.xmp").write_bytes(STARS)
    (moved / "ORR_0003.xmp").write_bytes(b"<x new='1'/>")
    found = world.run("rescan", "--quick", "--json").json["findings"]
    assert {one["kind"] for one in found} == {"misplaced"}, "nothing is missing: it only moved"
    assert len(found) == 6
    assert world.run("repair").status == 0
    assert (a / "ORR_0001.xmp").read_bytes() == (b / "ORR_0001.xmp").read_bytes() == STARS
    assert (a / "ORR_0003.xmp").read_bytes() == b"<x new='1'/>"
    world.run("topup")
    assert world.on("A") == world.on("B")
    assert world.run("rescan", "--all").status == 0
    assert world.run("report").status == 0


def test_capital_sidecars_go_home_as_well(world: World) -> None:
    """`.XMP` comes before `.dng` in a list of names, and so before the picture it hangs on."""
    card = world.card()
    card.raw("DCIM/100ORREY/orr_0001.dng")
    card.put("DCIM/100ORREY/orr_0001.XMP", b"<x/>")
    assert world.run("offload", card.root).status == 0
    a = next(world.drives["A"].glob("2026/*/*/"))
    (_renamed(world, a) / "orr_0001.XMP").write_bytes(STARS)
    _night(world)
    assert (a / "orr_0001.XMP").read_bytes() == STARS
    assert world.on("A") == world.on("B")


def test_a_frame_that_was_renamed_and_edited_gets_its_name_back_whole(world: World) -> None:
    _, a, _ = archive(world)
    (a / "ORR_0001.DNG").rename(a / "best.DNG")
    (a / "ORR_0001.xmp").rename(a / "best.xmp")
    (a / "best.xmp").write_bytes(STARS)
    _night(world)
    assert (a / "ORR_0001.xmp").read_bytes() == STARS
    assert not (a / "best.xmp").exists()
    assert world.on("A") == world.on("B")


def test_a_frame_that_was_renamed_is_no_new_sidecar(world: World) -> None:
    _, a, _ = archive(world)
    (a / "ORR_0001.DNG").rename(a / "best.DNG")
    (a / "ORR_0001.xmp").rename(a / "best.xmp")
    _night(world)
    assert world.on("A") == world.on("B")


def test_a_stray_sidecar_that_gets_its_picture_is_no_stray_any_more(world: World) -> None:
    _, a, _ = archive(world)
    chosen = world.drives["A"] / "2026/chosen"
    chosen.mkdir()
    (chosen / "ORR_0002.xmp").write_bytes(STARS)
    world.run("rescan", "--quick")
    assert kinds(world) == {("stray", "ORR_0002.xmp")}
    (a / "ORR_0002.DNG").rename(chosen / "ORR_0002.DNG")
    world.run("rescan", "--quick")
    assert kinds(world) == {("misplaced", "ORR_0002.DNG"), ("misplaced", "ORR_0002.xmp")}
