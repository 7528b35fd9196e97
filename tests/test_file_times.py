"""Modification times that no clock of a camera should give, and that file systems keep all the same."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest
from world import World

from tripleguard.clock import SECOND


@pytest.mark.parametrize("seconds", [13_000_000_000, -9_500_000_000], ids=["2381", "1668"])
def test_a_time_beyond_64_bits_of_nanoseconds_stops_nothing(tmp_path: Path, seconds: int) -> None:
    # ext4 keeps times up to 2446 and XFS up to 2486 (their kernel documentation, from memory); btrfs any year.
    world = World(tmp_path).setup()
    card = world.card()
    picture = card.frames(3)[1]
    os.utime(picture, ns=(seconds * SECOND, seconds * SECOND))
    answer = world.run("offload", card.root)
    assert answer.status == 0, answer
    assert world.run("clearance", "card", card.root).status == 0
    copy = next(world.drives["A"].rglob("ORR_0003.DNG"))
    os.utime(copy, ns=(seconds * SECOND, seconds * SECOND))
    shutil.copy2(copy, world.drives["A"] / "by hand.dng")
    for command in (["rescan", "--all"], ["repair"], ["adopt"], ["quarantine"], ["report"], ["where", "ORR_0002"]):
        answer = world.run(*command)
        assert "did not foresee" not in answer.err, (command, answer)
    assert world.run("clearance", "card", card.root).status == 0
