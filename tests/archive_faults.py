"""What the tests of the night share: an archive on two drives, and what can befall a file on one of them."""

from __future__ import annotations

import os
from pathlib import Path

from world import CardFolder, World

RAW = 64 << 10


def archive(world: World, frames: int = 4, size: int = RAW) -> tuple[CardFolder, Path, Path]:
    """A card with raws, each of its own second, and one sidecar, offloaded; the folders of its pictures."""
    card = world.card()
    for number, path in enumerate(card.frames(frames, size=size)):
        at = path.stat().st_mtime_ns + number * 60_000_000_000
        os.utime(path, ns=(at, at))
    card.put("DCIM/100ORREY/ORR_0001.xmp", b"<x/>")
    answer = world.run("offload", card.root)
    assert answer.status == 0, answer.out + answer.err
    return card, folder_on(world, "A"), folder_on(world, "B")


def folder_on(world: World, name: str) -> Path:
    """The folder of the pictures on a drive."""
    return next(world.drives[name].glob("2026/*/*/"))


def rot(path: Path, offset: int = 1000) -> None:
    """Flip one bit; size and time stay, as when a medium rots."""
    status = path.stat()
    with path.open("r+b") as file:
        file.seek(offset)
        old = file.read(1)
        file.seek(offset)
        file.write(bytes([old[0] ^ 1]))
    os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))


def change(path: Path, offset: int = 1000) -> None:
    """Change one byte as a program does that opens a file: the time moves on, the size stays."""
    content = bytearray(path.read_bytes())
    content[offset] ^= 0xFF
    path.write_bytes(content)


def kinds(world: World) -> set[tuple[str, str]]:
    """What is open on single copies: kind and file name."""
    found = world.run("findings", "--json").json["findings"]
    return {(one["kind"], Path(one["path"]).name) for one in found if one["path"]}


def reasons(world: World, *options: str) -> dict[str, str]:
    """What a repair leaves open: file name to the reason."""
    found = world.run("repair", "--json", *options).json["not_repaired"]
    return {Path(one["path"]).name: one["reason"] for one in found}


def quarantine(world: World, name: str) -> list[Path]:
    """What was moved to quarantine on a drive, without the notes."""
    found = (world.drives[name] / ".tripleguard/quarantine").glob("*/*")
    return sorted(path for path in found if not path.name.endswith(".why.txt"))
