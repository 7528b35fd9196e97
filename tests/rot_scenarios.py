"""Rot by the hundred: damages an archive on two drives, and holds rescan, repair and report against what was done.

A night is one seed: so many copies are damaged in clusters, everything is read again, repaired, and read once
more. Nothing here believes the program: what was damaged is known, and drives are read and listed with plain
calls.

`scripts/campaign-faults [N]` runs nights until N copies were damaged and prints what `docs/campaigns.md` tells.
"""

from __future__ import annotations

import contextlib
import os
import random
import shutil
import subprocess
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from typing import Any

from damage_injection import Fault, clustered, damage, shapes_of
from oracle import ASIDE, Oracle, checked_lists
from sample_files import film, memo
from world import EVENING, CardFolder, World

from tripleguard.digest import compute_digest

_SHIFTS = (timedelta(hours=1), timedelta(hours=-2), timedelta(minutes=45))
"""Zones by which a drive's times can seem to have moved: no fault (exFAT specification 1.00, 7.4.10)."""


@dataclass(frozen=True)
class Mark:
    """What a file is by plain calls: what changes when anybody writes to it, and its bytes."""

    inode: int
    mtime_ns: int
    ctime_ns: int
    digest: bytes


@dataclass
class Night:
    """What one night did: the faults, in how many clusters, and how long reading and repairing took (seconds)."""

    faults: list[Fault] = field(default_factory=list)
    clusters: int = 0
    rescan_seconds: float = 0.0
    repair_seconds: float = 0.0


@dataclass
class Archive:
    """An archive on two drives, whole before every night. files: path to what it holds, the same on both."""

    world: World
    card: CardFolder
    oracle: Oracle
    files: dict[str, bytes]

    def marks(self) -> dict[tuple[str, str], Mark]:
        """Every copy under its final name, by drive and path."""
        return {(name, path): self.mark(name, path) for name in self.world.drives for path in self.files}

    def mark(self, drive: str, path: str) -> Mark:
        where = self.world.drives[drive] / path
        status = where.stat()
        return Mark(status.st_ino, status.st_mtime_ns, status.st_ctime_ns, compute_digest(where.read_bytes()))

    def originals(self) -> list[str]:
        """Paths of the files that are large enough for every shape of damage."""
        return [path for path in self.files if path.endswith((".DNG", ".MP4"))]


@contextlib.contextmanager
def archive(root: Path, frames: int) -> Iterator[Archive]:
    """Two nights of two bodies, so many raws in all, with what lies beside them, offloaded to two drives."""
    world = World(root).setup()
    card = world.card()
    sizes = random.Random(frames)
    for number in range(1, frames + 1):
        body, night = number % 2, number * 2 // (frames + 1)
        name = f"DCIM/10{body}ORREY/ORR_{number:04d}"
        taken = EVENING + timedelta(days=night, seconds=number)
        card.raw(f"{name}.DNG", taken=taken, serial=f"4001773{body}", size=sizes.randrange(160_000, 420_000))
        if number % 5 == 0:
            card.picture(f"{name}.JPG", taken=taken, serial=f"4001773{body}")
        if number % 3 == 0:
            card.put(f"{name}.xmp", b"<x rating='3'/>", at=taken)
    card.put("PRIVATE/CLIP/C0001.MP4", film(sound=sizes.randbytes(700_001)))
    card.put("PRIVATE/CLIP/C0002.WAV", memo(sizes.randbytes(4_097)))
    card.put("PRIVATE/CLIP/INDEX.BIN", b"")
    answer = world.run("offload", card.root)
    assert answer.status == 0, answer.out
    files = world.on("A")
    assert files == world.on("B")
    yield Archive(world, card, Oracle(world, card.root), files)


def night(place: Archive, seed: int, number: int) -> Night:
    """Damage that many copies, find them all and nothing else, repair them all. Raises AssertionError."""
    chance, world, told = random.Random(seed), place.world, Night()
    before = place.marks()
    targets, told.clusters = clustered(dict.fromkeys(world.drives, place.originals()), number, chance)
    shapes = shapes_of(number, chance)
    for (drive, path), shape in zip(targets, shapes, strict=True):
        told.faults.append(damage(world.drives[drive], drive, path, shape, chance))
    hurt = {(fault.drive, fault.path): fault for fault in told.faults}
    _shift_times(place, set(before) - set(hurt), chance)
    damaged = place.marks()

    found = world.run("rescan", "--all", "--json")
    assert (found.status, found.json["checked"]) == (1, 2 * len(place.files)), found.err
    told.rescan_seconds = found.json["seconds"]
    _all_found(found.json, told.faults)
    _all_told(world, told.faults)
    assert place.marks() == damaged, "a rescan changed a file"

    kept_quarantine = _quarantine(world)
    would = world.run("repair", "--dry-run", "--json").json
    assert (len(would["repaired"]), would["not_repaired"]) == (number, [])
    assert place.marks() == damaged, "a dry run changed a file"
    done = world.run("repair", "--json")
    assert done.status == 0, f"{done.out}{done.err}"
    told.repair_seconds = done.json["seconds"]
    assert Counter((one["kind"], one["place"], one["path"]) for one in done.json["repaired"]) == Counter(
        fault.found for fault in told.faults
    )
    after = place.marks()
    for key, mark in damaged.items():
        if key not in hurt:
            assert after[key] == mark, f"a good copy was touched: {key}"
        else:
            # Whole again, another file than the bad one, and with the time of the good one that it was made from.
            good = damaged["B" if key[0] == "A" else "A", key[1]]
            assert (after[key].digest, after[key].inode != mark.inode) == (before[key].digest, True), key
            assert after[key].mtime_ns == good.mtime_ns, f"its time: {key}"
    _all_quarantine(world, kept_quarantine, damaged, told.faults)
    all_clear(place)
    return told


def all_clear(place: Archive, *, twice: int = 0) -> None:
    """Everything is read again and nothing is found; report and lists say so; the oracle agrees.

    twice: how many files lie under a second name as well.
    """
    world = place.world
    again = world.run("rescan", "--all", "--json")
    assert (again.status, again.json["findings"], again.json["finished"]) == (0, [], True), again.out
    assert again.json["read_back"] == 2 * (len(place.files) + twice)
    report = world.run("report", "--json")
    assert (report.status, report.json["answer"], report.json["findings"]) == (0, "clear", []), report.out
    for name in world.drives:
        on = world.on(name)
        assert place.files.items() <= on.items()
        assert len(on) == len(place.files) + twice
    place.oracle.audit()
    if shutil.which("b3sum") is not None:
        for path in checked_lists(world):
            done = subprocess.run(["b3sum", "--check", "--quiet", path.name], cwd=path.parent, check=False)
            assert done.returncode == 0, path


def _shift_times(place: Archive, whole: set[tuple[str, str]], chance: random.Random) -> None:
    """Let some whole copies seem to be of another zone: no finding may come of it."""
    for drive, path in chance.sample(sorted(whole), 5):
        where = place.world.drives[drive] / path
        shift = chance.choice(_SHIFTS) // timedelta(microseconds=1) * 1000
        os.utime(where, ns=(where.stat().st_atime_ns, where.stat().st_mtime_ns + shift))


def _all_found(found: dict[str, Any], faults: list[Fault]) -> None:
    told = Counter((one["kind"], one["place"], one["path"]) for one in found["findings"])
    wanted = Counter(fault.found for fault in faults)
    assert not wanted - told, f"not found: {list((wanted - told).elements())}"
    assert not told - wanted, f"found, but not so: {list((told - wanted).elements())}"
    assert found["finished"]


def _all_told(world: World, faults: list[Fault]) -> None:
    """Each is told in words, with its shape and where."""
    said = {
        (one["kind"], one["place"], one["path"]): one["message"]
        for one in world.run("findings", "--json").json["findings"]
        if one["path"] is not None
    }
    assert set(said) == {fault.found for fault in faults}
    for fault in faults:
        wanted = f"({fault.sentence()})"
        assert wanted in said[fault.found], f"{fault.shape} of {fault.path}: {said[fault.found]!r}, not {wanted!r}"


def _quarantine(world: World) -> set[Path]:
    return {
        path
        for root in world.drives.values()
        for path in (root / ASIDE).rglob("*")
        if path.is_file() and not path.name.endswith(".why.txt")
    }


def _all_quarantine(
    world: World, earlier: set[Path], damaged: dict[tuple[str, str], Mark], faults: list[Fault]
) -> None:
    """Each bad copy is in quarantine on its own drive, the very file it was, with a note that says what it is."""
    new = {path.stat().st_ino: path for path in _quarantine(world) - earlier}
    assert len(new) == len(faults), f"{len(new)} files were moved to quarantine, not {len(faults)}"
    for fault in faults:
        mark = damaged[fault.drive, fault.path]
        where = new[mark.inode]
        assert where.is_relative_to(world.drives[fault.drive]), where
        assert (where.read_bytes(), where.stat().st_mtime_ns) == (fault.bad, mark.mtime_ns), where
        note = where.with_name(f"{where.name[:60]}.why.txt").read_text(encoding="utf-8")
        assert note.startswith(f"{fault.path}\n{fault.kind} since "), note
        assert "nothing was deleted" in note
