"""What goes wrong around a watch: it must go on, see again, and say what it could not do."""

from __future__ import annotations

import pytest
from test_landing import SHOOT, copied
from world import World, finished

from tripleguard.work.kit import drives_for_writing, opened
from tripleguard.work.taking_in import take_in


@pytest.mark.parametrize("late", [False, True])
def test_frames_that_came_without_a_card_are_on_no_missing_card(world: World, late: bool) -> None:
    for name, first in (("early", 1), ("late", 61)):
        card = world.card(name)
        card.frames(30, first=first)
        if name == "early" or late:
            world.run("offload", card.root)
    frames = world.card("cable")
    names = [frames.raw(f"ORR_{number:04d}.DNG").name for number in range(31, 61)]
    copied(world, frames, SHOOT)
    with world.kit() as kit, opened(kit, drives_for_writing(kit, ["A"]), "a test") as ready:
        assert finished(take_in(kit, ready.drives[0], [f"{SHOOT}/{name}" for name in names])).entered == 30
    if not late:
        world.run("offload", world.root / "late")
    assert world.run("numbers", "--json").json["open"] == []
    assert "may be missing" not in world.run("report").out
