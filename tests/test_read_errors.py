"""Drives that can't be read: in one place, once, or at all from some moment on.

A read error is damage of one copy only while its drive still answers. A drive that died says nothing of the copies
on it, whatever memory still answers in its name.
"""

from __future__ import annotations

import json
import subprocess
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from disk_images import images_below, wait_until
from fault_file_system import FaultFileSystem, fault_file_system
from fault_rules import Fault
from file_access_tracer import watched
from oracle import ASIDE
from world import World

pytestmark = pytest.mark.images

SIZE = 400_000
DEAD = (Fault("read"), Fault("open"))


@dataclass
class Failing:
    """A world whose drive A fails as it is asked to."""

    world: World
    drive: FaultFileSystem

    def on_a(self) -> dict[str, Path]:
        return {path.name: path for path in self.world.drives["A"].glob("2026/*/*/*.DNG")}


@pytest.fixture
def failing(bare: World, here: Path) -> Iterator[Failing]:
    with fault_file_system(here / "backing", here / "drive-a") as drive:
        set_up(bare, here / "drive-a")
        bare.settings("[rule]\naccept_cached = true\n")
        yield Failing(bare, drive)


def set_up(world: World, drive: Path) -> None:
    """Two drives, A where it is given, and eight raws on both."""
    world.drives = {"A": drive, "B": world.folder("drive-b")}
    given = [word for name, path in world.drives.items() for word in ("--drive", f"{name}={path}")]
    assert world.run("setup", "--allow-same-disk", *given).status == 0
    card = world.card()
    card.frames(8, size=SIZE)
    world.run("offload", card.root)
    assert world.on("A") == world.on("B")


def count_read(found: dict[str, Any]) -> int:
    """How many copies were read; nothing on a file system like this one is known to come from its device."""
    return int(found["read_back"] + found["from_memory"])


def messages(world: World) -> list[str]:
    found = world.run("findings", "--json").json["findings"]
    return [f"{one['kind']}: {one['message']}" for one in found if one["path"]]


@pytest.mark.parametrize(
    ("at", "length", "unreadable"),
    [(65536, 4096, 4096), (100_000, 1, 4096), (131_000, 20_000, 24_576), (SIZE - 10, 10, 2688), (0, SIZE, SIZE)],
)
def test_a_place_that_can_not_be_read_is_corrupt_counted_and_repaired(
    failing: Failing, at: int, length: int, unreadable: int
) -> None:
    """How much is tried in blocks of 4,096 bytes: the blocks of this place that are touched, as arithmetic."""
    world = failing.world
    whole = world.on("A")
    failing.drive.set_faults(Fault("read", "*ORR_0003.DNG", offset=at, length=length))
    found = world.run("rescan", "--all", "--json")
    assert (found.status, found.json["finished"], count_read(found.json)) == (1, True, 15)
    assert len(messages(world)) == 1
    assert messages(world)[0].startswith("corrupt: ")
    assert f"({unreadable:,} bytes can't be read)" in messages(world)[0]
    # The place goes on failing under that name: nothing is lost by trying, and the good copy is as it was.
    good = {path: path.stat().st_ctime_ns for path in world.drives["B"].glob("2026/*/*/*")}
    assert world.run("repair").status == 1
    failing.drive.set_faults()
    world.run("rescan", "--all")
    assert world.run("repair").status == 0
    assert world.on("A") == world.on("B") == whole
    assert {path: path.stat().st_ctime_ns for path in good} == good
    assert list((world.drives["A"] / ASIDE).rglob("ORR_0003.DNG"))
    assert world.run("rescan", "--all").status == 0


def test_an_error_that_heals_when_it_is_read_again_is_no_damage(failing: Failing) -> None:
    failing.drive.set_faults(Fault("read", "*ORR_0003.DNG", offset=65536, count=1))
    found = failing.world.run("rescan", "--all", "--json")
    assert (found.status, found.json["findings"], count_read(found.json)) == (0, [], 16)


@pytest.mark.parametrize("after", [0, 3])
def test_a_drive_that_dies_while_it_is_read_is_gone_and_not_all_corrupt(failing: Failing, after: int) -> None:
    world = failing.world
    found = rescanned_while(world, after, lambda: failing.drive.set_faults(*DEAD))
    _only_a_is_gone(world, found, after)
    failing.drive.set_faults()
    again = world.run("rescan", "--all", "--json")
    assert (again.status, again.json["findings"], again.json["finished"]) == (0, [], True)


def test_a_dead_drive_whose_marker_is_still_in_memory_is_gone_and_not_all_corrupt(bare: World, here: Path) -> None:
    """ext4 on a device that dies: what was read before is answered from memory, the marker with it."""
    with (
        fault_file_system(here / "backing", here / "disks") as disks,
        images_below(here / "disks") as images,
    ):
        drive = images.mount("a", "ext4", 48)
        set_up(bare, drive)
        found = rescanned_while(bare, 3, lambda: disks.set_faults(Fault("read", "*.img")))
        assert (drive / ".tripleguard/place.json").read_bytes(), "memory should still answer"
        disks.set_faults()
        _only_a_is_gone(bare, found, 3)
        again = bare.run("rescan", "--all", "--json")
        assert (again.status, again.json["findings"], again.json["finished"]) == (0, [], True)


def _only_a_is_gone(world: World, found: dict[str, Any], after: int) -> None:
    places = {one["place"]: one for one in found["places"]}
    assert (places["A"]["away"], places["A"]["finished"], places["A"]["findings"]) == (True, False, [])
    assert after <= count_read(places["A"]) < 8
    assert (places["B"]["away"], places["B"]["finished"], places["B"]["read_back"]) == (False, True, 8)
    assert messages(world) == []


def rescanned_while(world: World, after: int, it_dies: Callable[[], object]) -> dict[str, Any]:
    """What a rescan says whose drive A dies when more than so many of its pictures were begun."""
    pictures = next(world.drives["A"].glob("2026/*/*/"))
    with watched(pictures) as opened:
        process = subprocess.Popen(
            world.command_line("rescan", "--all", "--limit", "2MB/s", "--json"),
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        wait_until(lambda: len(set(opened.so_far())) > after or process.poll() is not None, "it reads")
        it_dies()
        out, said = process.communicate(timeout=60)
    assert process.returncode == 1, said
    assert "Drive A stopped answering; what was read before is entered." in said
    found: dict[str, Any] = json.loads(out)
    return found
