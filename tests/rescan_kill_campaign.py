"""Kills a rescan as a real process, and holds what the next one reads against what was read and entered before.

What was read is told by the kernel, and what is entered by the catalog; the program is not asked.
"""

from __future__ import annotations

import contextlib
import random
import signal
import subprocess
import time
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from file_access_tracer import Opened, watched
from oracle import Oracle
from sample_files import marked
from world import World

MIB = 1 << 20
LESS_THAN_A_PICTURE = 4 * MIB
"""Small files that may be read again together. A raw has 12 to 60 MB: common practice, no source."""


@dataclass
class Shelf:
    """An archive on two drives with pictures and many small files, and who watches over it."""

    world: World
    oracle: Oracle
    opened: Opened

    def copies(self) -> set[Path]:
        return {root / path for name, root in self.world.drives.items() for path in self.world.on(name)}

    def over_since(self, at: int) -> bool:
        """Whether a rescan of both drives that began since then came to its end."""
        with closing(self.oracle._catalog()) as catalog:
            ended = catalog.execute(
                "SELECT count(*) FROM jobs WHERE started_at >= ? AND outcome = 'success'", (at,)
            ).fetchone()
        return bool(ended[0])

    def verified_since(self, at: int) -> frozenset[Path]:
        """The copies that the catalog calls verified since then (UTC ns)."""
        with closing(self.oracle._catalog()) as catalog:
            rows = catalog.execute(
                "SELECT p.name, d.path, c.name FROM copies c JOIN folders d ON d.id = c.folder_id"
                " JOIN places p ON p.id = c.place_id WHERE c.state = 'present' AND c.verified_at >= ?",
                (at,),
            ).fetchall()
        return frozenset(self.world.drives[drive] / folder / name for drive, folder, name in rows)


@contextlib.contextmanager
def shelf_below(root: Path, frames: int, small: int) -> Iterator[Shelf]:
    """So many pictures of 9 MiB and so many small files, offloaded to two drives below root."""
    world = World(root).setup()
    card = world.card()
    card.frames(frames, size=9 * MIB)
    chance = random.Random(2)
    for number in range(1, small + 1):
        card.put(f"DCIM/101ORREY/ORR_{number:04d}.JPG", marked(chance.randbytes(chance.randrange(1, 60_000))))
    assert world.run("offload", card.root).status == 0
    folders = [path for drive in world.drives.values() for path in drive.glob("2026/*/*") if path.is_dir()]
    with watched(*folders) as opened:
        yield Shelf(world, Oracle(world, card.root), opened)


@dataclass(frozen=True)
class Killed:
    """A rescan that was killed: when it began (UTC ns), what it opened, and what the catalog has of it."""

    began: int
    opened: frozenset[Path]
    entered: frozenset[Path]
    over: bool


def killed(shelf: Shelf, limit: str, seconds: float) -> Killed:
    """Kill a rescan so long after it began to read. Raises AssertionError."""
    shelf.opened.take()
    began = time.time_ns()
    process = subprocess.Popen(
        shelf.world.command_line("rescan", "--all", "--limit", limit),
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    assert shelf.opened.wait(20), "it does not begin"
    time.sleep(seconds)
    process.send_signal(signal.SIGKILL)
    process.wait()
    found = Killed(began, frozenset(shelf.opened.take()), shelf.verified_since(began), shelf.over_since(began))
    shelf.oracle.audit()
    assert found.entered <= found.opened, "what was not read is called verified"
    return found


def resumed(shelf: Shelf, first: Killed) -> list[int]:
    """Let the next rescan go on, and hold what it reads against what was read and entered before.

    How many pictures were read twice on each drive; small files do not count. Raises AssertionError.
    """
    copies = shelf.copies()
    shelf.opened.take()
    second = shelf.world.run("rescan", "--all", "--json").json
    again = shelf.opened.take()
    assert (second["findings"], second["finished"]) == ([], True)
    assert shelf.verified_since(first.began) == copies
    if first.over:
        return []
    pictures: list[int] = []
    assert set(again) == copies - first.entered
    assert len(again) == second["read_back"] == len(copies) - len(first.entered)
    for drive in shelf.world.drives.values():
        twice = [path for path in first.opened & set(again) if path.is_relative_to(drive)]
        size = sum(path.stat().st_size for path in twice)
        pictures.append(sum(path.stat().st_size > LESS_THAN_A_PICTURE for path in twice))
        assert len(twice) <= 1 or size <= LESS_THAN_A_PICTURE, f"{len(twice)} files, {size:,} bytes"
    return pictures
