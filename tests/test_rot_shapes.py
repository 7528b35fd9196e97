"""Rot of every shape: all of it is found and told, all of it is repaired, and no good copy is touched.

The campaign in `scripts/campaign-faults` runs the same with many more.
"""

from __future__ import annotations

import os
import random
from collections.abc import Iterator
from pathlib import Path

import psutil
import pytest
from both_copies_damaged import both_damaged
from damage_injection import damaged, rewrite
from false_alarm_cases import clean_rescan
from rot_scenarios import Archive, archive, night
from world import World


@pytest.fixture(scope="module")
def place(disk: Path) -> Iterator[Archive]:
    root = disk / "faults"
    root.mkdir()
    with archive(root, 110) as made:
        yield made


@pytest.mark.parametrize("seed", [1])
def test_sixty_copies_rot_in_a_night_and_all_are_found_told_and_repaired(place: Archive, seed: int) -> None:
    """A failing seed is replayed by `scripts/campaign-faults 60 --first SEED`."""
    told = night(place, seed, 60)
    assert len(told.faults) == 60


def _told(world: World) -> list[str]:
    """What is said of single copies."""
    return [one["message"] for one in world.run("findings", "--json").json["findings"] if one["path"]]


def _offloaded(world: World, frames: int = 3) -> Path:
    """The folder of the pictures on A."""
    card = world.card()
    card.frames(frames, size=200_000)
    assert world.run("offload", card.root).status == 0
    return next(world.drives["A"].glob("2026/*/*/"))


def test_rot_found_while_the_other_drive_was_away_is_told_once_it_is_here(world: World) -> None:
    victim = _offloaded(world) / "ORR_0002.DNG"
    rewrite(victim, _flipped(victim, 70_000))
    world.unplug("B")
    assert world.run("rescan", "--all").status == 1
    assert "flipped" not in _told(world)[0]
    world.plug("B")
    world.run("rescan", "--quick")
    assert "one bit is flipped, at byte 70,000" in _told(world)[0]


def test_a_copy_that_rots_on_is_told_as_it_is_now(world: World) -> None:
    victim = _offloaded(world) / "ORR_0002.DNG"
    rewrite(victim, _flipped(victim, 70_000))
    world.run("rescan", "--all")
    rewrite(victim, damaged(victim.read_bytes(), "sector", random.Random(5))[0])
    world.run("rescan", "--all")
    assert len(_told(world)) == 1
    assert "between byte" in _told(world)[0]


def test_a_good_copy_that_rotted_since_is_no_measure_of_the_bad_one(world: World) -> None:
    """B rots while only A is looked at: what differs between the two is then no word about A."""
    victim = _offloaded(world) / "ORR_0002.DNG"
    other = world.drives["B"] / victim.relative_to(world.drives["A"])
    rewrite(victim, _flipped(victim, 70_000))
    assert world.run("rescan", "--place", "A", "--all").status == 1
    rewrite(other, _flipped(other, 150_000))
    world.run("rescan", "--quick")
    assert "flipped" not in _told(world)[0]
    assert "between" not in _told(world)[0]


def test_a_picture_in_the_trash_of_a_drive_is_no_litter(world: World) -> None:
    victim = _offloaded(world) / "ORR_0002.DNG"
    trash = world.drives["A"] / ".Trashes/501"
    trash.mkdir(parents=True)
    (trash / "._ORR_0002.DNG").write_bytes(bytes.fromhex("0005160700020000") + bytes(74))
    victim.rename(trash / victim.name)
    found = world.run("rescan", "--all", "--json").json["findings"]
    assert ("stray", f".Trashes/501/{victim.name}") in [(one["kind"], one["path"]) for one in found]
    assert not [one for one in found if "._" in one["path"]]
    world.run("repair")
    assert victim.exists()


def test_what_runs_after_a_rescan_is_as_eager_as_before(world: World) -> None:
    """A night's reading gives way to everything; the offload that the same process does next must not."""
    _offloaded(world)
    before = (os.getpriority(os.PRIO_PROCESS, 0), psutil.Process().ionice())
    assert world.run("rescan", "--all").status == 0
    assert (os.getpriority(os.PRIO_PROCESS, 0), psutil.Process().ionice()) == before


def _flipped(path: Path, offset: int) -> bytes:
    content = bytearray(path.read_bytes())
    content[offset] ^= 1
    return bytes(content)


def test_both_copies_rot_and_only_what_is_proved_whole_is_put_together(here: Path) -> None:
    with archive(here, 30) as place:
        told = both_damaged(place, seed=1, each=2)
    assert told == {"put together": 6, "not": 10}


def test_two_thousand_clean_copies_give_no_finding(here: Path) -> None:
    told = clean_rescan(here, 1000)
    assert (told.files, told.read_back, told.false) == (1000, 2000, 0)
