"""A rescan killed at any moment goes on where it was: on each drive it reads at most one picture twice.

The campaign in `scripts/campaign-faults` does it more often.
"""

from __future__ import annotations

import random
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from fault_file_system import fault_file_system
from fault_rules import Fault
from rescan_kill_campaign import Shelf, killed, resumed, shelf_below

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="asks the kernel of Linux what is opened")


@pytest.fixture(scope="module")
def shelf(disk: Path) -> Iterator[Shelf]:
    root = disk / "killed"
    root.mkdir()
    with shelf_below(root, 7, 200) as made:
        yield made


@pytest.mark.parametrize("limit", ["100GB/s", "60MB/s"])
@pytest.mark.parametrize("seed", range(2))
def test_a_killed_rescan_reads_at_most_one_picture_twice_on_each_drive(
    shelf: Shelf, seed: int, limit: str
) -> None:
    chance = random.Random(f"{seed} {limit}")
    resumed(shelf, killed(shelf, limit, chance.random() * (0.6 if limit == "100GB/s" else 2.5)))


def test_a_slow_disk_under_the_catalog_makes_no_more_to_read_again(here: Path) -> None:
    """While one reading is being entered no further picture is begun, nor more small files than make up one."""
    with fault_file_system(here / "backing-home", here / "home") as home, shelf_below(here, 3, 100) as shelf:
        for seconds in (0.2, 0.7):
            home.set_faults(Fault("fsync", "*-wal", error=0, delay_seconds=0.3))
            first = killed(shelf, "100GB/s", seconds)
            home.set_faults()
            resumed(shelf, first)
