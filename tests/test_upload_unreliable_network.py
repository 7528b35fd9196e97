"""Five hundred selects over a line that drops and lies, and kills in the middle: what it costs, held to numbers.

In the suite times and sizes are small. `scripts/campaign-line` does it with a line of 16 Mbit/s that drops every
20 s, and with more kills (`TRIPLEGUARD_LINE=full`).
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import time
from dataclasses import dataclass

import pytest
from faulty_network import Faults, Line
from offsite_world import BIG, PART, Offsite, credentials_for, paths_on
from s3_gateway import Gateway
from world import World

from tripleguard.jobs.offsite.network import RetryPolicy

FULL = os.environ.get("TRIPLEGUARD_LINE") == "full"


@dataclass(frozen=True)
class Night:
    """How bad the line is, and how much has to go over it. rate: bytes/s; large, small: (files, bytes each)."""

    rate: int
    drops_every: float
    large: tuple[int, int]
    small: tuple[int, int]


NIGHT = (
    Night(2_000_000, 20.0, (40, 12_000_000), (460, 1_000_000))
    if FULL
    else Night(6_000_000, 1.2, (0, 0), (500, 64 << 10))
)
PATIENCE = RetryPolicy(
    first_wait_s=0.05, max_wait_s=2.0, max_tries=60, give_up_after_s=120.0, response_timeout_s=5.0
)
KILLS = range(20) if FULL else range(3)


@pytest.fixture(autouse=True)
def credentials(monkeypatch: pytest.MonkeyPatch) -> None:
    credentials_for(monkeypatch)


def test_five_hundred_selects_arrive_over_a_line_that_drops_and_corrupts_one_body_in_a_hundred(
    world: World, gateway: Gateway
) -> None:
    with Line(gateway.port, Faults()) as line:
        offsite = Offsite(world, gateway, line.endpoint).setup()
        card = world.card()
        card.frames(NIGHT.small[0], size=NIGHT.small[1])
        card.frames(NIGHT.large[0], first=5001, size=NIGHT.large[1])
        assert world.run("offload", card.root, "--shoot", "Harbour").status == 0
        assert world.run("selects", "add", card.root, "--json").json["added"] == 500
        need = sum(path.stat().st_size for path in card.root.rglob("*.DNG"))
        line.faults.rate, line.faults.corrupt, line.faults.cut_every = NIGHT.rate, 0.01, NIGHT.drops_every
        before, began = line.received, time.monotonic()
        result = offsite.send(patience=PATIENCE)
        line.faults.cut_every = line.faults.corrupt = 0.0
        took = time.monotonic() - began
    assert (result.sent, result.missing, result.not_sent) == (500, 0, [])
    assert line.cuts >= 3
    assert line.corrupted >= 1
    assert offsite.objects() == paths_on(world)
    spent = (line.received - before) / need
    print(f"{spent:.3f} of the need in {took:.0f} s, {line.cuts} cuts, {line.corrupted} bodies corrupted")
    assert spent <= 1.10


@pytest.mark.parametrize("seed", KILLS)
def test_a_kill_at_any_moment_costs_at_most_one_part(world: World, gateway: Gateway, seed: int) -> None:
    dice = random.Random(seed)
    with Line(gateway.port, Faults()) as line:
        offsite = Offsite(world, gateway, line.endpoint).setup()
        offsite.chosen(3, more=lambda card: card.raw("DCIM/100ORREY/ORR_0009.DNG", size=BIG))
        world.run("selects", "add", "ORR_0009")
        need = sum(len(path.read_bytes()) for path in world.drives["A"].rglob("*.DNG"))
        line.faults.rate = 8_000_000
        before = line.received
        process = subprocess.Popen(
            world.command_line("upload"),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            env=dict(os.environ),
        )
        wanted = dice.randrange(20_000, need)
        until = time.monotonic() + 60
        while line.received - before < wanted and process.poll() is None and time.monotonic() < until:
            time.sleep(0.002)
        process.send_signal(signal.SIGKILL)
        process.wait()
        line.faults.rate = 0
        assert offsite.send().missing == 0
    assert offsite.objects() == paths_on(world)
    # What else goes over the line: questions, check lists, snapshots of the catalog.
    assert line.received - before <= need + PART + 200_000
