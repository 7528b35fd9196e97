"""An edit of a sidecar that leaves its size and hardly its time: no drive goes on the strength of the old bytes.

A rating is one digit, so that the size stays. A time may be kept by an editor, shown by a reader in another zone,
or stored in steps of two seconds (exFAT specification 1.00, 7.4.8 and 7.4.10).
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from archive_faults import folder_on, kinds
from test_retire import _third
from world import CardFolder, World

from tripleguard.clock import SECOND

MOVES = (0, 1, SECOND, 2 * SECOND, -SECOND, 3600 * SECOND, -15 * 60 * SECOND)


def _edit(path: Path, content: bytes, later: int) -> None:
    """Other bytes of the same size, and a time so many ns after the one before."""
    status = path.stat()
    assert status.st_size == len(content)
    path.write_bytes(content)
    os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns + later))


@pytest.fixture
def rated(world: World) -> World:
    """Two frames with sidecars on A, B and C."""
    _third(world)
    card = world.card()
    card.frames(2)
    for number in (1, 2):
        card.put(f"DCIM/100ORREY/ORR_{number:04d}.xmp", b"<x rating='%d'/>" % number)
    assert world.run("offload", card.root, *("--drive", "A", "--drive", "B")).status == 0
    assert world.run("retire", "A", "--prepare").status == 0
    assert world.run("clearance", "drive", "A").status == 0
    assert world.run("clearance", "drive", "A", "--withdraw").status in (0, 1)
    return world


@pytest.mark.parametrize("later", MOVES)
def test_an_edit_on_the_drive_that_is_to_go_is_a_reason(rated: World, later: int) -> None:
    _edit(folder_on(rated, "A") / "ORR_0001.xmp", b"<x rating='5'/>", later)
    answer = rated.run("clearance", "drive", "A", "--json")
    assert answer.status == 1
    assert {one["kind"] for one in answer.json["reasons"]} == {"changed here, leaving"}
    assert rated.run("retire", "A").status == 1


@pytest.mark.parametrize("later", MOVES)
def test_a_copy_that_was_edited_on_a_drive_that_stays_does_not_count(rated: World, later: int) -> None:
    _edit(folder_on(rated, "B") / "ORR_0001.xmp", b"<x rating='5'/>", later)
    answer = rated.run("clearance", "drive", "A", "--json")
    assert answer.status == 1
    assert {one["kind"] for one in answer.json["reasons"]} <= {
        "copy missing elsewhere",
        "not proved elsewhere",
        "one elsewhere",
    }


@pytest.mark.parametrize("later", [1, SECOND, 2 * SECOND, 3600 * SECOND])
def test_an_edit_a_moment_later_is_found_by_a_quick_look_and_is_the_newest(world: World, later: int) -> None:
    card = world.card()
    card.frames(1)
    card.put("DCIM/100ORREY/ORR_0001.xmp", b"<x rating='1'/>")
    assert world.run("offload", card.root).status == 0
    _edit(folder_on(world, "A") / "ORR_0001.xmp", b"<x rating='5'/>", later)
    world.run("rescan", "--quick")
    assert kinds(world) == {("stale", "ORR_0001.xmp")}
    assert world.run("repair").status == 0
    for name in "AB":
        assert (folder_on(world, name) / "ORR_0001.xmp").read_bytes() == b"<x rating='5'/>"


def test_an_edit_a_moment_later_is_not_moved_aside_by_a_topup(world: World) -> None:
    """A newer version comes from another drive, and nobody has looked at this one since."""
    card = world.card()
    card.frames(1)
    card.put("DCIM/100ORREY/ORR_0001.xmp", b"<x rating='1'/>")
    assert world.run("offload", card.root).status == 0
    world.unplug("B")
    (folder_on(world, "A") / "ORR_0001.xmp").write_bytes(b"<x rating='4' label='red'/>")
    world.run("rescan", "--quick")
    world.plug("B")
    edited = folder_on(world, "B") / "ORR_0001.xmp"
    _edit(edited, b"<x rating='5'/>", SECOND)
    world.run("topup")
    assert edited.read_bytes() == b"<x rating='5'/>"


def test_an_edit_a_moment_later_is_taken_in(world: World) -> None:
    card = CardFolder(world.drives["A"])
    picture = card.raw("old/2019-05-04 Quay/ORR_0001.DNG")
    card.put("old/2019-05-04 Quay/ORR_0001.xmp", b"<x rating='1'/>")
    world.run("adopt")
    world.run("topup")
    _edit(picture.with_suffix(".xmp"), b"<x rating='5'/>", SECOND)
    world.run("selects", "learn")
    world.run("rescan", "--quick")
    world.run("repair")
    on_b = world.drives["B"] / "old/2019-05-04 Quay/ORR_0001.xmp"
    assert on_b.read_bytes() == b"<x rating='5'/>"
