"""A campaign: the catalog of a very large archive made anew. Run by `scripts/campaign-rebuild`.

The files are shells: their names, sizes and times are real, their bytes are not, for a rebuild reads none. Half of
the work is making them.
"""

from __future__ import annotations

import argparse
import gzip
import os
import shutil
import sys
import tempfile
import time
from pathlib import Path

from world import World

from tripleguard.catalog.store import open_catalog
from tripleguard.digest import compute_digest

PER_SHOOT = 4_000


def main() -> int:
    """Make the archive, rebuild it twice, print seconds; 1 if a count is wrong."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("files", nargs="?", type=int, default=1_000_000)
    words.add_argument("--above", type=Path, default=Path("/var/tmp"))
    asked = words.parse_args()
    root = Path(tempfile.mkdtemp(prefix="rebuild-", dir=asked.above))
    try:
        return 0 if _campaign(World(root).setup(), asked.files) else 1
    finally:
        shutil.rmtree(root)


def _campaign(world: World, files: int) -> bool:
    began = time.monotonic()
    for drive in world.drives.values():
        for shoot in range(0, files, PER_SHOOT):
            _shoot(drive, shoot, min(PER_SHOOT, files - shoot))
    print(f"{files:,} files on each of two drives, made in {time.monotonic() - began:.0f} s", flush=True)
    right = _timed(world, "check lists alone", files)
    snapshot = world.root / "snapshot.db"
    catalog = open_catalog(world.home / "catalog.db")
    catalog.back_up_to(snapshot)
    catalog.close()
    for drive in world.drives.values():
        into = drive / ".tripleguard/catalog"
        into.mkdir(exist_ok=True)
        name = into / "catalog-20260613T210000Z-00000000.db.gz"
        with gzip.open(name, "wb", compresslevel=1) as packed, snapshot.open("rb") as plain:
            shutil.copyfileobj(plain, packed)
    return _timed(world, "a snapshot on each drive", files) and right


def _shoot(drive: Path, first: int, count: int) -> None:
    night = first // PER_SHOOT
    day = f"20{10 + night // 300:02d}-{1 + night % 12:02d}-{1 + night % 28:02d}"
    folder = drive / day[:4] / f"{day} Night {night:04d}"
    body = folder / "Orrery R7 7731"
    body.mkdir(parents=True)
    lines = []
    for number in range(first, first + count):
        name = f"ORR_{number - first + 1:04d}.DNG"
        descriptor = os.open(body / name, os.O_WRONLY | os.O_CREAT | os.O_EXCL)
        os.ftruncate(descriptor, 22_000_000 + number)
        os.close(descriptor)
        lines.append(f"{compute_digest(str(number).encode()).hex()}  {body.name}/{name}\n")
    (folder / "checksums.b3").write_text("".join(lines))


def _timed(world: World, source: str, files: int) -> bool:
    began = time.monotonic()
    answer = world.run("rebuild", *world.drives.values(), "--anew", "--json")
    seconds = time.monotonic() - began
    if answer.status != 1:
        print(answer.err)
        return False
    found = answer.json
    held = [one["known"] + one["listed"] for one in found["places"]]
    right = found["files"] == files and held == [files, files] and not found["conflicts"]
    print(
        f"from {source}: {seconds:.0f} s, {files / seconds:,.0f} files/s, {'right' if right else held}", flush=True
    )
    return right


if __name__ == "__main__":
    sys.exit(main())
