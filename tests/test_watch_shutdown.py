"""SIGTERM in the middle of each task: the watch ends, and the next one finishes what it left."""

from __future__ import annotations

import json
import os
import random
import time
from pathlib import Path

import pytest
from faulty_network import Faults, Line
from offsite_world import Offsite, credentials_for
from s3_gateway import Gateway
from watch_process import PATIENCE, Watching, ended, set_watch, watching
from world import TestClock, World

from tripleguard.clock import DAY

MIB = 1 << 20
SIZE = 200
"""MB that the work takes a while for."""

pytestmark = pytest.mark.slow


def missed(world: World, *what: str) -> None:
    (world.home / "watch").mkdir(exist_ok=True)
    served = dict.fromkeys(what, TestClock().at - 10 * DAY)
    (world.home / "watch" / "notes.json").write_text(json.dumps({"served": served}))


def ended_in(watch: Watching, what: str) -> None:
    """Wait until it is in the middle of that, and end it."""
    watch.until(lambda found: bool(found["doing"]) and found["doing"]["what"] == what, f"it is at {what}")
    time.sleep(random.random() * 0.2)
    watch.end()
    assert watch.process.returncode == 0


def film(path: Path, megabytes: int) -> None:
    """A file of so many MB that is quickly made."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("wb") as file:
        file.write(os.urandom(MIB))
        file.truncate(megabytes * MIB)


def offloaded(world: World) -> World:
    card = world.card("card")
    film(card.root / "DCIM/100ORREY/ORR_0001.MOV", SIZE)
    weeks_ago = TestClock()
    weeks_ago.at -= 40 * DAY
    assert world.offload_job(card.root, clock=weeks_ago).clearance.files == 1
    return world


def test_in_the_rescan_of_a_big_file(world: World) -> None:
    set_watch(offloaded(world))
    missed(world, "rescan")
    with watching(world) as watch:
        ended_in(watch, "rescan")
    with watching(world) as watch:
        assert (
            "1 read back, nothing new; drive B: 1 copy looked at, 1 read back"
            in watch.until_done("rescan")["message"]
        )


def test_in_a_drill(world: World) -> None:
    set_watch(offloaded(world))
    missed(world, "drill")
    with watching(world) as watch:
        ended_in(watch, "drill")
    with watching(world) as watch:
        # It may give way to what is owed first, and begin anew.
        watch.until(lambda found: any("0 failed" in one["message"] for one in ended(found, "drill")), "it is done")
    assert list((world.home / "scratch").iterdir()) == []


def test_in_the_taking_in_of_a_big_file(world: World) -> None:
    set_watch(world, settle="1s")
    film(world.drives["A"] / "2026/2026-06-13 Orrery Hall/ORR_0001.MOV", SIZE)
    with watching(world) as watch:
        ended_in(watch, "new files")
    with watching(world) as watch:
        watch.until(lambda _: len(world.on("B")) == 1, "the second copy is there")
        watch.until_idle()
    assert world.on("A") == world.on("B")


def test_in_a_top_up(world: World) -> None:
    card = world.card("card")
    film(card.root / "DCIM/100ORREY/ORR_0001.MOV", SIZE)
    set_watch(world)
    world.unplug("B")
    assert world.run("offload", card.root).status == 1
    world.plug("B")
    with watching(world) as watch:
        ended_in(watch, "top-up")
    with watching(world) as watch:
        assert "nothing is owed any more" in watch.until_done("top-up")["message"]
    assert world.on("A") == world.on("B")


def test_in_a_morning_report(world: World) -> None:
    set_watch(world)
    missed(world, "report")
    with watching(world) as watch:
        until_begun(watch, "report")
        watch.end()
    with watching(world) as watch:
        watch.until(lambda _: (world.home / "reports/newest.html").exists(), "it is written")


def until_begun(watch: Watching, what: str) -> None:
    deadline = time.monotonic() + PATIENCE
    while f"Begins: {what}" not in watch.log():
        assert time.monotonic() < deadline
        time.sleep(0.001)


@pytest.mark.parametrize("faults", [Faults(rate=20_000), Faults(stalls=1000)], ids=["slow", "silent"])
def test_in_an_upload_to_a_slow_server(
    world: World, gateway: Gateway, monkeypatch: pytest.MonkeyPatch, faults: Faults
) -> None:
    credentials_for(monkeypatch)
    with Line(gateway.port, Faults()) as line:
        offsite = Offsite(world, gateway, line.endpoint).setup()
        offsite.chosen(3, size=MIB)
        set_watch(world)
        line.faults = faults
        with watching(world) as watch:
            ended_in(watch, "upload")
        line.faults = Faults()
        line.cut()
        with watching(world) as watch:
            assert "nothing is owed offsite" in watch.until_done("upload")["message"]
    assert len(offsite.objects()) == 3
