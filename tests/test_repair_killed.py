"""A repair that is killed: between any two steps, each fault of the night at once, and the next one finishes."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from archive_faults import archive, change, kinds, rot
from world import World

_KILLED = 9

_AT_A_STEP = """
import contextlib, os, sys
from tripleguard.catalog.store import Catalog
from tripleguard.places.place_writer import PlaceWriter

count, last = 0, int(sys.argv[1])

def step():
    global count
    count += 1
    if count == last:
        os._exit(9)

def stepping(name):
    real = getattr(PlaceWriter, name)
    def called(*given, **named):
        step()
        done = real(*given, **named)
        step()
        return done
    setattr(PlaceWriter, name, called)

for name in ("_rename_if_free", "_write_new", "fsync_dirs", "publish"):
    stepping(name)
real = Catalog.transaction

@contextlib.contextmanager
def transaction(catalog, **options):
    step()
    with real(catalog, **options):
        yield
    step()

Catalog.transaction = transaction
"""
"""Ends the process at the so-manieth step on a drive or in the catalog, before it or after it."""

_AFTER_ASIDE = """
import os, sys
from tripleguard.jobs.copying.engine import CopyEngine
from tripleguard.jobs.copying.recording import CopyRecorder

real = CopyEngine.iter_batches
CopyEngine.iter_batches = lambda copier: ([one] for batch in real(copier) for one in batch)
CopyRecorder.record_written = lambda *given, **named: os._exit(9)
"""
"""Ends the process once it is entered that the bad copy is in quarantine, and not that the good one has its
place."""

_MEND = """
sys.argv = ["tripleguard", "--home", sys.argv[2], "repair"]
from tripleguard.cli import main
main()
"""


def _mend_killed(world: World, script: str, at: int = 0) -> int:
    """Exit status of a repair in a process of its own that ends in the middle."""
    words = [sys.executable, "-c", script + _MEND, str(at), str(world.home)]
    done = subprocess.run(words, capture_output=True, timeout=60, check=False)
    assert b"Traceback" not in done.stderr, done.stderr.decode()
    return done.returncode


def _spoilt(a: Path, number: int) -> None:
    """One of each: rotten, changed, gone, moved, edited."""
    rot(a / "ORR_0001.DNG", 100 + number)
    change(a / "ORR_0002.DNG", 200 + number)
    (a / "ORR_0003.DNG").unlink()
    (a / "chosen").mkdir(exist_ok=True)
    (a / "ORR_0004.DNG").rename(a / "chosen/ORR_0004.DNG")
    (a / "ORR_0001.xmp").write_bytes(b"<x n='%d'/>" % number)


def _pictures(found: dict[str, bytes]) -> dict[str, bytes]:
    return {path: digest for path, digest in found.items() if path.endswith(".DNG")}


@pytest.mark.parametrize("first", [1, 3])
def test_a_mend_killed_at_a_step_spoils_nothing_and_the_next_one_finishes(world: World, first: int) -> None:
    _, a, b = archive(world)
    whole = _pictures(world.on("B"))
    for at in range(40 + first * 9, 160, 29):
        _spoilt(a, at)
        assert world.run("rescan", "--all").status == 1
        status = _mend_killed(world, _AT_A_STEP, at)
        assert status in (0, _KILLED), at
        assert _pictures(world.on("B")) == whole, at
        world.run("rescan", "--quick")
        world.run("repair")
        assert world.run("rescan", "--all").status == 0, at
        assert world.run("repair").status == 0, at
        assert kinds(world) == set(), at
        assert _pictures(world.on("A")) == whole, at
        assert (a / "ORR_0001.xmp").read_bytes() == (b / "ORR_0001.xmp").read_bytes() == b"<x n='%d'/>" % at


@pytest.mark.parametrize("fault", ["rotten", "older"])
def test_a_good_copy_that_a_killed_mend_left_is_no_stray(world: World, fault: str) -> None:
    _, a, b = archive(world)
    if fault == "rotten":
        rot(a / "ORR_0002.DNG")
    else:
        (b / "ORR_0001.xmp").write_bytes(b"<x rating='5'/>")
    world.run("rescan", "--all")
    assert _mend_killed(world, _AFTER_ASIDE) == _KILLED
    assert world.on("A") == world.on("B")
    world.run("rescan", "--quick")
    assert kinds(world) == set()
    assert world.run("repair").status == 0
    assert world.run("report").status == 0
    assert world.on("A") == world.on("B")


def test_a_stranger_in_the_place_that_a_killed_mend_left_empty_is_told_as_one(world: World) -> None:
    _, a, _ = archive(world)
    rot(a / "ORR_0002.DNG")
    world.run("rescan", "--all")
    assert _mend_killed(world, _AFTER_ASIDE) == _KILLED
    (a / "ORR_0002.DNG").write_bytes(b"somebody else's")
    for _ in range(2):
        world.run("rescan", "--quick")
        out = world.run("repair").out
        assert "a file that is not in the catalog has its name now" in out
    (a / "ORR_0002.DNG").unlink()
    world.run("rescan", "--quick")
    assert world.run("repair").status == 0
    assert world.on("A") == world.on("B")
