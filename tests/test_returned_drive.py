"""A drive that was lost or retired: what may be said of it, and what counts when it turns up again."""

from __future__ import annotations

import pytest
from test_retire import _third
from world import World

from tripleguard.clock import DAY


@pytest.fixture
def shot(world: World) -> World:
    """Six frames on A and B."""
    card = world.card()
    card.frames(6)
    assert world.run("offload", card.root, "--shoot", "Harbour").status == 0
    return world


def _states(world: World) -> dict[str, str]:
    return {one["name"]: one["state"] for one in world.run("drives", "--json").json["places"]}


def _owed(world: World) -> int:
    return sum(one["short"] for one in world.run("report", "--json").json["owed"])


@pytest.mark.parametrize("word", ["shelve", "recall"])
def test_a_lost_drive_is_not_put_on_the_shelf_with_a_word(shot: World, word: str) -> None:
    """Who has it in hand connects it; nobody can tell from afar what became of it."""
    assert shot.run("drives", "lost", "B").status == 1
    refused = shot.run("drives", word, "B")
    assert refused.status == 2
    assert "drives add B PATH" in refused.err
    assert _states(shot)["B"] == "lost"
    assert _owed(shot) == 6


def test_a_retired_drive_stays_retired_whatever_is_said_of_it(shot: World) -> None:
    _third(shot)
    assert shot.run("drives", "retire", "A", "--prepare").status == 0
    assert shot.run("drives", "retire", "A").status == 0
    for word in ("shelve", "recall", "lost"):
        assert shot.run("drives", word, "A").status == 2
    assert _states(shot)["A"] == "retired"


def test_what_comes_back_counts_once_it_was_read_again(shot: World) -> None:
    """It fell, it was in other hands, it was wiped in part: what was proved before says nothing of that."""
    assert shot.run("drives", "lost", "B").status == 1
    assert shot.run("drives", "add", "B", shot.drives["B"]).status == 0
    assert _states(shot)["B"] == "connected"
    assert _owed(shot) == 6
    # The question reads back what nobody has read there since.
    assert shot.run("clearance", "card", shot.root / "card").status == 0
    assert _owed(shot) == 0
    assert shot.run("rescan", "--place", "B").status == 0
    assert shot.run("clearance", "card", shot.root / "card").status == 0


def test_a_drive_that_was_leaving_comes_back_as_it_was(shot: World) -> None:
    _third(shot)
    assert shot.run("retire", "A", "--prepare").status == 0
    assert shot.run("drives", "recall", "A").status == 0
    assert _owed(shot) == 0


def test_equal_sidecars_of_two_pictures_are_two_losses(world: World) -> None:
    """Three drives hold the same settings, but each picture has its own only twice: one of two goes with A."""
    for name, first, drives in (("one", 1, "AB"), ("two", 20, "AC")):
        if "C" in drives:
            _third(world)
        card = world.card(name)
        card.raw(f"DCIM/100ORREY/ORR_{first:04d}.DNG")
        card.put(f"DCIM/100ORREY/ORR_{first:04d}.xmp", b"<x:xmpmeta xmlns:x='adobe:ns:meta/'>the same</x:xmpmeta>")
        chosen = [part for drive in drives for part in ("--drive", drive)]
        assert world.run("offload", card.root, "--shoot", name, *chosen).status == 0
    answer = world.run("drives", "lost", "A", "--json")
    assert answer.json["held"]["files"] == 4
    assert answer.json["on_one_drive"]["files"] == 4
    assert {one["drive"]: one["files"] for one in answer.json["connect_first"]} == {"B": 2, "C": 2}
    assert {one["shoot"][-3:]: one["on_one_drive"]["files"] for one in answer.json["shoots"]} == {
        "one": 2,
        "two": 2,
    }
    assert world.run("drives", "lost", "B", "--json").json["nowhere"]["files"] == 2


def _aged(world: World, days: int) -> None:
    """All was read back so many days ago."""
    with world.ctx() as ctx, ctx.catalog.transaction():
        ctx.catalog.execute("UPDATE copies SET verified_at = verified_at - ?", days * DAY)


def test_what_rests_on_old_evidence_is_told_with_its_age_and_what_to_read_first(shot: World) -> None:
    """400 days are far beyond the rule: "verified on two other drives" says too much."""
    _third(shot)
    shot.run("topup")
    assert shot.run("retire", "A", "--prepare").status == 0
    assert shot.run("drives", "recall", "A").status == 0
    fresh = shot.run("drives", "lost", "A", "--json")
    assert fresh.status == 0
    assert [(one["drive"], one["connected"], one["overdue"]) for one in fresh.json["rests_on"]] == [
        ("B", True, 0),
        ("C", True, 0),
    ]
    assert shot.run("drives", "add", "A", shot.drives["A"]).status == 0
    shot.run("rescan", "--all")
    _aged(shot, 400)
    shot.unplug("B")
    shot.unplug("C")
    told = shot.run("drives", "lost", "A")
    assert told.status == 1
    assert "drive B (not connected): 6 copies, the one longest ago 400 days ago" in told.out
    assert "6 of them longer ago than the rule allows" in told.out
    assert "Read first: connect drive B, then run `tripleguard rescan --place B`" in told.out
