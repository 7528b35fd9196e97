"""A yes for one drive, and then a question about another: what was given away once counts no more."""

from __future__ import annotations

import shutil

import pytest
from archive_faults import archive
from world import World

from tripleguard.catalog.event_log import list_drives_with_yes
from tripleguard.catalog.places import get_place


@pytest.fixture
def three(world: World) -> World:
    """An archive whose files lie on A, B and C, each read back."""
    if "C" not in world.drives:
        world.drives["C"] = world.folder("drive-c")
        assert world.run("drives", "add", "C", world.drives["C"]).status == 0
    archive(world)
    return world


def _given(world: World) -> set[str]:
    with world.ctx() as ctx:
        given = list_drives_with_yes(ctx.catalog)
        return {name for name in world.drives if get_place(ctx.catalog, name).id in given}


def test_two_drives_that_rest_on_each_other_are_not_both_given_a_yes(three: World) -> None:
    assert three.run("clearance", "drive", "A").status == 0
    answer = three.run("clearance", "drive", "B", "--json")
    assert (answer.status, answer.json["answer"]) == (1, "no")
    assert {one["kind"]: one["count"] for one in answer.json["reasons"]} == {"yes given": 5}
    assert {one["kind"]: one["paths"] for one in answer.json["notes"]}["yes stands"] == ["A"]
    assert three.run("retire", "B").status == 1
    assert _given(three) == {"A"}


def test_asking_again_about_the_same_drive_is_no_other_question(three: World) -> None:
    for _ in range(2):
        assert three.run("clearance", "drive", "A").status == 0


def test_a_no_gives_nothing_away(world: World) -> None:
    archive(world)
    assert world.run("clearance", "drive", "A").status == 1
    assert _given(world) == set()


@pytest.mark.parametrize("how", ["withdraw", "recall", "add"])
def test_who_keeps_the_drive_after_all_says_so_and_the_other_may_go(three: World, how: str) -> None:
    assert three.run("clearance", "drive", "A").status == 0
    words = {
        "withdraw": ("clearance", "drive", "A", "--withdraw"),
        "recall": ("drives", "recall", "A"),
        "add": ("drives", "add", "A", three.drives["A"]),
    }
    assert three.run(*words[how]).status == 0
    assert _given(three) == set()
    assert three.run("clearance", "drive", "B").status == 0


def test_what_takes_nothing_back_leaves_it_as_it_was(three: World) -> None:
    assert three.run("clearance", "drive", "A").status == 0
    for command in (
        ("rescan", "--all"),
        ("topup",),
        ("drives", "note", "A", "shelf 2"),
        ("drives", "shelve", "A"),
        ("clearance", "drive", "B"),
    ):
        three.run(*command)
        assert _given(three) == {"A"}, command


def test_a_no_later_on_does_not_take_it_back(three: World) -> None:
    assert three.run("clearance", "drive", "A").status == 0
    three.unplug("B")
    assert three.run("clearance", "drive", "A").status == 1
    assert _given(three) == {"A"}


def test_withdrawing_what_was_never_given_says_so(three: World) -> None:
    answer = three.run("clearance", "drive", "A", "--withdraw", "--json")
    assert (answer.status, answer.json["withdrawn"]) == (0, False)
    assert three.run("clearance", "drive", "A").status == 0
    answer = three.run("clearance", "drive", "A", "--withdraw", "--json")
    assert (answer.status, answer.json["withdrawn"]) == (0, True)
    assert "the yes for drive A was taken back" in three.run("log").out


def test_once_the_drive_is_retired_new_copies_free_the_other_one(three: World) -> None:
    assert three.run("clearance", "drive", "A").status == 0
    assert three.run("retire", "A").status == 0
    three.drives["D"] = three.folder("drive-d")
    assert three.run("drives", "add", "D", three.drives["D"]).status == 0
    assert three.run("clearance", "drive", "B").status == 1
    assert three.run("retire", "B", "--prepare").status == 0
    assert three.run("retire", "B").status == 0


def test_a_yes_outlives_the_laptop(three: World) -> None:
    assert three.run("clearance", "drive", "A").status == 0
    later = three.card("later")
    later.frames(1, first=70)
    assert three.run("offload", later.root).status == 0
    shutil.rmtree(three.home)
    three.run("rebuild", *three.drives.values())
    assert _given(three) == {"A"}
    three.run("rescan", "--all")
    assert three.run("clearance", "drive", "B").status == 1


def test_a_yes_outlives_a_home_that_comes_back_from_an_older_copy(three: World) -> None:
    kept = three.root / "before"
    shutil.copytree(three.home, kept)
    assert three.run("clearance", "drive", "A").status == 0
    shutil.rmtree(three.home)
    shutil.copytree(kept, three.home)
    answer = three.run("clearance", "drive", "B")
    assert answer.status == 1
    assert "restored from an older copy" in answer.err
    three.run("rescan", "--all")
    assert _given(three) == {"A"}
    assert three.run("clearance", "drive", "B").status == 1


def test_a_drive_that_was_retired_leaves_a_next_step_that_helps(bare: World) -> None:
    bare.setup("A", "B", "C")
    card = bare.card()
    card.frames(2)
    assert bare.run("offload", card.root, "--drive", "A", "--drive", "B").status == 0
    assert bare.run("retire", "A", "--prepare").status == 0
    assert bare.run("retire", "A").status == 0
    answer = bare.run("clearance", "drive", "B")
    assert answer.status == 1
    assert "retire B --prepare" in " ".join(answer.out.split())
    assert "--withdraw" not in answer.out
    assert "\n       A\n" not in answer.out
    bare.drives["D"] = bare.folder("drive-d")
    assert bare.run("drives", "add", "D", bare.drives["D"]).status == 0
    assert bare.run("retire", "B", "--prepare").status == 0
