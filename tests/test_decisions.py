"""The laptop dies after any command: whatever a person decided is known again from any one drive."""

from __future__ import annotations

import gzip
import json
import os
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click
import msgspec
import pytest
from archive_faults import archive, folder_on
from world import EVENING, World

from tripleguard.catalog.companions import find_newest_version
from tripleguard.catalog.decisions import collect_decisions
from tripleguard.cli import _root as root_command

pytestmark = pytest.mark.alone

SIDECAR = (
    '<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">'
    '<rdf:Description rdf:about="" xmlns:xmp="http://ns.adobe.com/xap/1.0/" xmp:Rating="{}"/></rdf:RDF>'
    "</x:xmpmeta>"
)


def _decided(world: World) -> dict[str, Any]:
    """All that was decided, in a form that two catalogs of the same files have in common."""
    with world.ctx() as ctx:
        said = msgspec.to_builtins(collect_decisions(ctx.catalog, 0))
        newest = {}
        for path, *_ in said["versions"]:
            file_id = find_newest_version(ctx.catalog, path, None)
            newest[path] = ctx.catalog.fetch_one("SELECT digest FROM files WHERE id = ?", file_id)
    for key in ("catalog", "generation", "at", "former", "versions"):
        del said[key]
    for place in said["places"]:
        # When that was decided stands in the log of the laptop that died.
        del place[7]
    return {key: sorted(map(repr, value)) for key, value in said.items()} | {"newest": newest}


def _finding(world: World, kind: str) -> int:
    found: list[int] = [
        one["number"] for one in world.run("findings", "--json").json["findings"] if one["kind"] == kind
    ]
    return found[0]


def _done(world: World, *command: object) -> bool:
    answer = world.run(*command)
    assert answer.status in (0, 1), answer.err
    assert answer.err == ""
    return True


def _rated(world: World) -> Path:
    folder = world.folder("edited")
    (folder / "ORR_0003.xmp").write_text(SIDECAR.format(5))
    return folder


def _third(world: World, name: str = "C") -> Path:
    world.drives[name] = world.folder(f"drive-{name.lower()}")
    return world.drives[name]


def _on_three(world: World) -> bool:
    assert world.run("drives", "add", "C", _third(world)).status == 0
    return _done(world, "offload", world.root / "card")


def _gone(world: World) -> bool:
    (folder_on(world, "B") / "ORR_0002.DNG").unlink()
    return world.run("rescan", "--all").status == 1


def _edited(world: World) -> bool:
    (sidecar,) = world.drives["A"].glob("2026/*/*/ORR_0001.xmp")
    at = sidecar.stat().st_mtime_ns + 3600 * 1_000_000_000
    sidecar.write_text("<mistake/>")
    os.utime(sidecar, ns=(at, at))
    return _done(world, "rescan")


def _broken(world: World) -> Path:
    card = world.card("broken")
    content = card.raw("DCIM/100ORREY/ORR_0090.DNG").read_bytes()
    card.put("DCIM/100ORREY/ORR_0090.DNG", content[: len(content) // 2], at=EVENING)
    world.run("offload", card.root)
    return card.root


Step = Callable[[World], object]
DECIDING: dict[str, Step] = {
    "selects add": lambda world: _done(world, "selects", "add", "ORR_0002"),
    "selects drop": lambda world: (
        _done(world, "selects", "add", "ORR_0002", "ORR_0003"),
        _done(world, "selects", "drop", "ORR_0002"),
    ),
    "selects learn": lambda world: _done(world, "selects", "learn", _rated(world)),
    "drives add": lambda world: _done(world, "drives", "add", "C", _third(world)),
    "drives note": lambda world: _done(world, "drives", "note", "B", "shelf 2, box 4"),
    "drives shelve": lambda world: _done(world, "drives", "shelve", "B"),
    "drives lost": lambda world: _done(world, "drives", "lost", "B"),
    "drives recall": lambda world: (
        _done(world, "drives", "shelve", "B"),
        _done(world, "offload", _later(world)),
        _done(world, "drives", "recall", "B"),
    ),
    "retire --prepare": lambda world: (_on_three(world), _done(world, "retire", "B", "--prepare")),
    "retire": lambda world: (_on_three(world), _done(world, "retire", "B")),
    "findings accept": lambda world: (
        _gone(world),
        _done(world, "findings", "accept", _finding(world, "missing"), "--because", "I took it away"),
    ),
    "findings accept, damaged": lambda world: (
        _broken(world),
        _done(world, "findings", "accept", _finding(world, "damaged at source"), "--because", "it fell"),
    ),
    "findings prefer": lambda world: (
        _edited(world),
        _done(world, "findings", "prefer", _finding(world, "stale")),
    ),
    "frames close": lambda world: _done(
        world, "frames", "close", _doubt(world), "--because", "that card never was"
    ),
    "frames cards": lambda world: _done(world, "frames", "cards", "3"),
    "clearance card": lambda world: _done(world, "clearance", "card", world.root / "card"),
    "clearance card --accept-damaged": lambda world: _done(
        world, "clearance", "card", _broken(world), "--accept-damaged"
    ),
    "clearance drive": lambda world: (_on_three(world), _done(world, "clearance", "drive", "B")),
    "clearance drive --withdraw": lambda world: (
        _on_three(world),
        _done(world, "clearance", "drive", "B"),
        _done(world, "offload", _later(world)),
        _done(world, "clearance", "drive", "B", "--withdraw"),
    ),
}
"""Each way to decide something, and what goes before it."""

DECIDES_NOTHING = {
    "adopt": "enters what lies on the drives",
    "quarantine": "its removals are done on the drives",
    "inspect": "what is found is found again",
    "demo": "has a home of its own",
    "drill": "reads",
    "forecast": "asks",
    "handover": "what it makes lies in its target",
    "log": "asks",
    "repair": "what it does lies on the drives",
    "offload": "what it copies lies on the drives, with a snapshot",
    "rebuild": "takes over",
    "report": "asks",
    "rescan": "what is found is found again",
    "setup": "before it there is nothing to lose; it adds drives as `drives add` does",
    "status": "asks",
    "topup": "what it copies lies on the drives",
    "upload": "what it sends lies offsite",
    "watch": "does what the others do",
    "where": "asks",
}


def _later(world: World) -> Path:
    card = world.card("later")
    card.frames(1, first=70)
    return card.root


def _doubt(world: World) -> int:
    """A card of the middle of the night is missing."""
    for first in (201, 301):
        card = world.card(f"card{first}")
        card.frames(40, first=first)
        world.run("offload", card.root)
    found: list[int] = [one["number"] for one in world.run("frames", "--json").json["open"]]
    return found[0]


@pytest.mark.parametrize("what", DECIDING)
def test_after_any_command_one_drive_brings_back_what_was_decided(world: World, what: str) -> None:
    archive(world)
    DECIDING[what](world)
    before = _decided(world)
    assert any(before.values())
    shutil.rmtree(world.home)
    assert world.run("rebuild", world.drives["A"]).status == 1
    assert _decided(world) == before
    # And from what was rebuilt, once more.
    world.run("drives", "note", "A", "in the bag")
    before = _decided(world)
    shutil.rmtree(world.home)
    assert world.run("rebuild", world.drives["A"]).status == 1
    assert _decided(world) == before


def test_every_command_is_known_to_decide_something_or_nothing() -> None:
    context = click.Context(root_command)
    named = {name.split()[0] for name in DECIDING}
    assert set(root_command.list_commands(context)) == named | DECIDES_NOTHING.keys()
    for group in ("selects", "drives", "findings", "frames", "clearance"):
        command = root_command.get_command(context, group)
        assert isinstance(command, click.Group)
        known = {" ".join(name.split(",")[0].split()[:2]) for name in DECIDING}
        for inner in command.commands:
            assert f"{group} {inner}" in known or inner in named, f"{group} {inner}"


def test_an_older_home_is_told_what_was_decided_since(world: World) -> None:
    archive(world)
    kept = world.root / "before"
    shutil.copytree(world.home, kept)
    _done(world, "rescan", "--all")
    _done(world, "selects", "add", "ORR_0002")
    _done(world, "drives", "note", "B", "shelf 2")
    before = _decided(world)
    shutil.rmtree(world.home)
    shutil.copytree(kept, world.home)
    world.run("rescan", "--all")
    assert _decided(world) == before


def test_with_what_an_older_home_does_not_know_it_overwrites_nothing(world: World) -> None:
    """The first command after it came back decides something itself."""
    archive(world)
    kept = world.root / "before"
    shutil.copytree(world.home, kept)
    _done(world, "rescan", "--all")
    _done(world, "selects", "add", "ORR_0002")
    shutil.rmtree(world.home)
    shutil.copytree(kept, world.home)
    assert "restored from an older copy" in world.run("selects", "add", "ORR_0003").err
    assert world.run("selects", "--json").json["selects"] == 2


def test_what_was_decided_while_a_drive_was_away_gets_there_with_the_next_command(world: World) -> None:
    archive(world)
    world.unplug("B")
    _done(world, "selects", "add", "ORR_0002")
    world.plug("B")
    _done(world, "drives", "note", "A", "in the bag")
    before = _decided(world)
    shutil.rmtree(world.home)
    world.run("rebuild", world.drives["B"])
    assert _decided(world) == before


def test_a_drive_that_may_be_gone_or_leaves_is_not_written_to(world: World) -> None:
    archive(world)
    _on_three(world)
    _done(world, "clearance", "drive", "B")
    before = {path: path.read_bytes() for path in (world.drives["B"] / ".tripleguard/decisions").iterdir()}
    _done(world, "selects", "add", "ORR_0002")
    _done(world, "retire", "B")
    _done(world, "selects", "drop", "ORR_0002")
    assert {path: path.read_bytes() for path in (world.drives["B"] / ".tripleguard/decisions").iterdir()} == before


def test_a_drive_that_can_not_take_it_is_told_and_fails_nothing(world: World) -> None:
    archive(world)
    shutil.rmtree(world.drives["B"] / ".tripleguard/decisions", ignore_errors=True)
    (world.drives["B"] / ".tripleguard/decisions").write_bytes(b"")
    answer = world.run("selects", "add", "ORR_0002")
    assert answer.status == 0
    assert "What was decided is not on drive B yet" in " ".join(answer.err.split())


@pytest.mark.parametrize(
    "spoil",
    [
        lambda said: said["selects"].append(["zz", True, "hand", 1]),
        lambda said: said["selects"].append(["00" * 32, True, "whim", 1]),
        lambda said: said["selects"].append([said["selects"][0][0], True, "hand", 1 << 80]),
        lambda said: said["places"][0].__setitem__(3, "dreaming"),
        lambda said: said["places"].append(["x" * 32, "../../x", "drive", "active", "road", None, "", 1, None]),
        lambda said: said["accepted"].append(
            ["corrupt", said["places"][0][0], ".tripleguard/place.json", None, 1, 1, 1, "x", "y", "{}"]
        ),
        lambda said: said["accepted"].append(["stray", None, "x", None, 1, 1, 1, "x", "y", "[]"]),
        lambda said: said["versions"].append(
            ["../x", said["selects"][0][0], 1, "companion", ["2026-06-13", "x"], 1, 1]
        ),
        lambda said: said["versions"].append(
            ["x", said["selects"][0][0], 1, "companion", ["2026-06-13", "../x"], 1, 1]
        ),
        lambda said: said.__setitem__("catalog", "../../../x"),
    ],
)
def test_hostile_decisions_are_passed_over(world: World, spoil: Callable[[dict[str, Any]], object]) -> None:
    archive(world)
    _done(world, "selects", "add", "ORR_0002")
    for root in world.drives.values():
        (path,) = (root / ".tripleguard/decisions").iterdir()
        said = json.loads(gzip.decompress(path.read_bytes()))
        spoil(said)
        path.write_bytes(gzip.compress(json.dumps(said).encode()))
    shutil.rmtree(world.home)
    assert world.run("rebuild", *world.drives.values()).status == 1
    assert {one["name"] for one in world.run("drives", "--json").json["places"]} == {"A", "B"}
    for command in (("rescan", "--all"), ("repair",), ("report",), ("findings",)):
        assert world.run(*command).status in (0, 1), command


@pytest.mark.parametrize(
    "content",
    [b"", b"x", gzip.compress(b"["), gzip.compress(b"[" * 10**6)],
    ids=["empty", "no gzip", "cut", "deep"],
)
def test_damaged_decisions_are_passed_over(world: World, content: bytes) -> None:
    archive(world)
    _done(world, "selects", "add", "ORR_0002")
    for root in world.drives.values():
        (path,) = (root / ".tripleguard/decisions").iterdir()
        path.write_bytes(content)
    shutil.rmtree(world.home)
    assert world.run("rebuild", *world.drives.values()).status == 1
    # What is not of the tool's form is somebody else's file, whatever it is called.
    assert world.run("rescan", "--all").status == 1
