"""A repair never puts a broken version in the place of a whole one, and says which versions there are."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from world import World, contents

MIB = 1 << 20


def part_and_whole(world: World) -> tuple[Path, bytes, bytes]:
    """A part of a picture came off the card to both drives; then the whole one was copied over it on drive A."""
    card = world.card()
    whole = card.raw("DCIM/100ORREY/ORR_0001.DNG", size=3 * MIB).read_bytes()
    card.put("DCIM/100ORREY/ORR_0001.DNG", whole[:MIB])
    card.frames(3, first=2)
    world.run("offload", card.root)
    path = next(world.drives["A"].glob("2026/*/*/*0001.DNG"))
    path.write_bytes(whole)
    return path, whole[:MIB], whole


def test_a_whole_picture_stays_where_the_recorded_one_is_known_to_be_broken(world: World) -> None:
    path, part, whole = part_and_whole(world)
    assert world.run("rescan", "--all").status == 1
    for options in (["--dry-run"], []):
        result = world.run("repair", *options, "--json").json
        assert result["repaired"] == []
        (reason,) = [one["reason"] for one in result["not_repaired"]]
        assert "the recorded version is broken" in reason
        assert "B: 2026/" in reason
    assert path.read_bytes() == whole
    assert next(world.drives["B"].glob("2026/*/*/*0001.DNG")).read_bytes() == part


def test_the_next_step_brings_both_versions_to_both_drives(world: World) -> None:
    path, part, whole = part_and_whole(world)
    world.run("rescan", "--all")
    world.run("repair")
    path.rename(path.with_name("ORR_0001 whole.DNG"))
    for command in ("rescan", "adopt", "topup"):
        world.run(command)
    for name in "AB":
        held = {found.read_bytes() for found in world.drives[name].glob("2026/*/*/*0001*.DNG")}
        assert held == {part, whole}, contents(world.drives[name])


@pytest.mark.parametrize("broken", [True, False])
def test_damage_is_still_repaired_whether_or_not_the_recorded_one_is_broken(world: World, broken: bool) -> None:
    card = world.card()
    content = card.raw("DCIM/100ORREY/ORR_0001.DNG", size=3 * MIB).read_bytes()
    recorded = content[: 2 * MIB] if broken else content
    card.put("DCIM/100ORREY/ORR_0001.DNG", recorded)
    card.frames(3, first=2)
    world.run("offload", card.root)
    path = next(world.drives["A"].glob("2026/*/*/*0001.DNG"))
    path.write_bytes(content[:MIB])
    os.utime(path)
    assert world.run("rescan", "--all").status == 1
    world.run("repair")
    assert path.read_bytes() == recorded
