"""The edit was a mistake: the older sidecar is the one to keep."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from world import World

EDIT = "<x:xmpmeta xmlns:x='adobe:ns:meta/'>{}</x:xmpmeta>"


@pytest.fixture
def edited(world: World) -> World:
    """Both drives have the sidecar as it was; on A it was edited an hour later."""
    card = world.card()
    card.frames(2)
    card.put("DCIM/100ORREY/ORR_0001.xmp", EDIT.format("first").encode())
    assert world.run("offload", card.root).status == 0
    _write(_sidecar(world, "A"), "a mistake", 3600)
    world.run("rescan")
    return world


def _sidecar(world: World, drive: str) -> Path:
    (path,) = world.drives[drive].glob("2026/*/*/ORR_0001.xmp")
    return path


def _write(path: Path, words: str, later: int) -> None:
    at = path.stat().st_mtime_ns + later * 1_000_000_000
    path.write_text(EDIT.format(words))
    os.utime(path, ns=(at, at))


def _stale(world: World) -> dict[str, int]:
    found = world.run("findings", "--json").json["findings"]
    return {one["place"]: one["number"] for one in found if one["kind"] == "stale"}


def test_the_older_edit_is_kept_and_the_newer_one_lies_quarantine(edited: World) -> None:
    stale = _stale(edited)
    assert list(stale) == ["B"]
    answer = edited.run("findings", "prefer", stale["B"])
    assert answer.status == 0, answer.err
    assert "the older version is the one to keep" in answer.out
    assert list(_stale(edited)) == ["A"]
    assert _sidecar(edited, "A").read_text() == EDIT.format("a mistake")
    assert edited.run("repair").status == 0
    assert {_sidecar(edited, drive).read_text() for drive in "AB"} == {EDIT.format("first")}
    kept = [path for path in (edited.drives["A"] / ".tripleguard/quarantine").rglob("*") if path.is_file()]
    assert EDIT.format("a mistake") in {path.read_text(errors="replace") for path in kept}
    assert edited.run("rescan", "--all").status == 0
    assert edited.run("report").status == 0
    assert "an older version was chosen" in edited.run("log").out


def test_the_next_edit_is_newer_again(edited: World) -> None:
    edited.run("findings", "prefer", _stale(edited)["B"])
    edited.run("repair")
    _write(_sidecar(edited, "B"), "third", 7200)
    edited.run("rescan")
    assert list(_stale(edited)) == ["A"]
    edited.run("repair")
    assert {_sidecar(edited, drive).read_text() for drive in "AB"} == {EDIT.format("third")}


def test_only_an_older_version_can_be_preferred(edited: World) -> None:
    _sidecar(edited, "B").with_suffix(".DNG").unlink()
    edited.run("rescan")
    missing = next(
        one["number"] for one in edited.run("findings", "--json").json["findings"] if one["kind"] == "missing"
    )
    assert edited.run("findings", "prefer", missing).status == 2
    assert edited.run("findings", "prefer", 999).status == 2
