"""The drill says no more than it has shown: what was sampled, of what, and what was left out."""

from __future__ import annotations

import os

import pytest
from archive_faults import archive, change, kinds, rot
from world import World

from tripleguard.forecast.rescan_plan import compute_bad_share_bound


def test_a_drill_says_what_it_left_out(world: World) -> None:
    """Copies known to be gone are not what the sample speaks for, and must not vanish from the sentence."""
    _, a, _ = archive(world, frames=10)
    for path in sorted(a.glob("*.DNG"))[:5]:
        path.unlink()
    world.run("rescan", "--quick")
    answer = world.run("drill", "--files", "3")
    assert "of these 6 can't be restored" in answer.out
    assert "Left out: 5 more copies, known to be missing or bad" in answer.out
    (one, other) = world.run("drill", "--files", "3", "--json").json["places"]
    assert (one["copies"], one["known_bad"], other["known_bad"]) == (6, 5, 0)


def test_a_drill_on_drives_where_all_is_gone_does_not_say_that_nothing_is_there_yet(world: World) -> None:
    _, a, _ = archive(world, frames=1)
    for path in a.iterdir():
        path.unlink()
    world.run("rescan", "--quick")
    answer = world.run("drill")
    assert "Left out: 2 more copies" in answer.out
    assert "no copies yet" not in answer.out


def test_a_drill_tells_what_is_missing_changed_or_rotten_as_that(world: World) -> None:
    _, a, _ = archive(world)
    (a / "ORR_0001.DNG").unlink()
    change(a / "ORR_0002.DNG")
    rot(a / "ORR_0003.DNG")
    assert world.run("drill", "--files", "30").status == 1
    assert kinds(world) == {
        ("missing", "ORR_0001.DNG"),
        ("altered", "ORR_0002.DNG"),
        ("corrupt", "ORR_0003.DNG"),
    }
    assert world.run("repair").status == 0
    assert world.on("A") == world.on("B")
    assert world.run("rescan", "--all").status == 0


def test_an_edited_sidecar_is_restored_as_it_is_and_no_failure(world: World) -> None:
    _, a, b = archive(world)
    (a / "ORR_0001.xmp").write_bytes(b"<x rating='5'/>")
    assert world.run("drill", "--files", "30").status == 0
    world.run("rescan", "--quick")
    assert world.run("repair").status == 0
    assert (b / "ORR_0001.xmp").read_bytes() == b"<x rating='5'/>"


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs pipes with names")
def test_a_drill_does_not_wait_for_ever_at_a_pipe(world: World) -> None:
    _, a, _ = archive(world)
    for path in a.glob("*.DNG"):
        path.unlink()
        os.mkfifo(path)
    ended = world.process("drill", "--files", "30")
    assert ended.returncode == 1
    assert {kind for kind, _ in kinds(world)} == {"missing"}


def test_a_drill_before_the_first_show_and_one_larger_than_the_archive(world: World) -> None:
    answer = world.run("drill")
    assert answer.status == 0
    assert answer.out.count("no copies yet") == 2
    archive(world, frames=1)
    for place in world.run("drill", "--files", "1000", "--json").json["places"]:
        assert (place["copies"], place["sampled"], place["failed"]) == (2, 2, [])
    one = world.run("drill", "--files", "1", "--json").json["places"][0]
    assert one["bad_share_at_most"] == round(compute_bad_share_bound(1, 0), 6) == 0.95


def test_a_sample_in_which_all_is_bad_bounds_nothing(world: World) -> None:
    _, a, _ = archive(world)
    for path in a.iterdir():
        rot(path, 1)
    place = world.run("drill", "--files", "2", "--json").json["places"][0]
    assert (len(place["failed"]), place["bad_share_at_most"]) == (2, 1.0)
