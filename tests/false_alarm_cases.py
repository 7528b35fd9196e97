"""Many clean files and all that looks like a fault and is none: a rescan must find nothing.

What may mislead: sidecars of equal bytes, empty files, a zone that moved the times, a copy saved anew with its own
bytes, names that are not ASCII, and the litter of the systems.
"""

from __future__ import annotations

import os
import random
import time
from dataclasses import dataclass
from pathlib import Path

from sample_files import marked, memo
from world import CardFolder, World

_HOUR = 3600 * 10**9
_EQUAL = 100
"""Sidecars of equal bytes, and empty ones."""


@dataclass(frozen=True)
class Clean:
    """What a look at clean files said. seconds: of the rescan of both drives."""

    files: int
    read_back: int
    false: int
    seconds: float


def clean_rescan(root: Path, number: int) -> Clean:
    """Offload so many small files, mislead as above, and read everything back. Raises AssertionError."""
    world = World(root).setup()
    card = world.card()
    _fill(card, number)
    answer = world.run("offload", card.root)
    assert answer.status == 0, answer.out
    files = world.on("A")
    for drive in world.drives.values():
        _mislead(drive, sorted(files))
    before = {name: world.on(name) for name in world.drives}
    began = time.monotonic()
    found = world.run("rescan", "--all", "--json")
    took = time.monotonic() - began
    assert (found.status, found.json["finished"]) == (0, True), found.out[:2000]
    report = world.run("report", "--json")
    assert (report.status, report.json["findings"]) == (0, []), report.out[:2000]
    assert {name: world.on(name) for name in world.drives} == before
    return Clean(len(files), found.json["read_back"], len(found.json["findings"]), took)


def _fill(card: CardFolder, number: int) -> None:
    """Small files as many cameras and an editor leave them; a few hundred to a folder, as DCF has it."""
    chance = random.Random(number)
    for one in range(number):
        folder = f"DCIM/{100 + one // 500}ORREY"
        name = f"{folder}/ORR_{one % 9999 + 1:04d}"
        match one % 8:
            case 0 if one < _EQUAL * 8:
                card.put(f"{name}.xmp", b"<x rating='3'/>" if one % 16 else b"")
            case 1:
                card.put(f"{name} B\u00fchne \u4e2d.jpg", marked(chance.randbytes(chance.randrange(1, 6000))))
            case 2:
                card.put(f"{name}.WAV", memo(chance.randbytes(4096)))
            case _:
                card.put(f"{name}.JPG", marked(chance.randbytes(chance.randrange(1, 9000))))


def _mislead(drive: Path, paths: list[str]) -> None:
    """Shift the times of most by an hour, save some anew with the same bytes; leave what systems leave."""
    for place, path in enumerate(paths):
        where = drive / path
        status = where.stat()
        if place % 3 == 0:
            os.utime(where, ns=(status.st_atime_ns, status.st_mtime_ns + _HOUR))
        elif place % 50 == 1 and not path.endswith(".xmp"):
            where.write_bytes(where.read_bytes())
    for litter in (".DS_Store", "Thumbs.db", "System Volume Information/IndexerVolumeGuid", ".Trashes/501/x"):
        where = drive / litter
        where.parent.mkdir(parents=True, exist_ok=True)
        where.write_bytes(b"litter")
    # The half of a Mac file that other file systems can't hold: RFC 1740, appendix A.
    picture = drive / next(path for path in paths if path.endswith(".JPG"))
    picture.with_name(f"._{picture.name}").write_bytes(bytes.fromhex("0005160700020000") + bytes(74))
