"""Real rot on real file systems: a bit flips in the image below, and neither size nor time nor inode tells.

It needs root to mount images; it skips with the reason where there is none.
"""

from __future__ import annotations

import re
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from disk_images import Images, images_below
from oracle import ASIDE
from world import World

pytestmark = [pytest.mark.images, pytest.mark.alone]

SIZE = 300_000


@pytest.fixture
def images(here: Path) -> Iterator[Images]:
    with images_below(here) as made:
        yield made


def offloaded(world: World, drive: Path, frames: int = 5) -> dict[str, Path]:
    """Two drives, A is the image; raws on both. By name, where they lie on A."""
    world.drives = {"A": drive, "B": world.folder("drive-b")}
    given = [word for name, path in world.drives.items() for word in ("--drive", f"{name}={path}")]
    assert world.run("setup", "--allow-same-disk", *given).status == 0
    card = world.card()
    card.frames(frames, size=SIZE)
    answer = world.run("offload", card.root)
    assert answer.status == 0, answer.out
    return {path.name: path for path in drive.glob("2026/*/*/*")}


def told(world: World) -> dict[str, tuple[str, str]]:
    """What is wrong with single copies: by drive and name, the kind and the message."""
    return {
        f"{one['place']} {Path(one['path']).name}": (one["kind"], one["message"])
        for one in world.run("findings", "--json").json["findings"]
        if one["path"]
    }


@pytest.mark.parametrize(("kind", "direct"), [("ext4", False), ("ext4", True), ("exfat", False), ("ntfs", False)])
def test_a_bit_that_rots_below_the_file_system_is_found_by_reading_and_repaired(
    bare: World, images: Images, kind: str, direct: bool
) -> None:
    drive = images.mount("a", kind, 48, direct=direct)
    on_a = offloaded(bare, drive)
    good = {path: path.stat() for path in bare.drives["B"].glob("2026/*/*/*")}
    victims = {"ORR_0002.DNG": 200_000, "ORR_0004.DNG": SIZE - 1}
    before = {name: on_a[name].stat() for name in victims}
    whole = bare.on("A")
    for name, offset in victims.items():
        images.rot(on_a[name], offset)
    for name in victims:
        one, other = before[name], on_a[name].stat()
        assert (one.st_size, one.st_mtime_ns, one.st_ino) == (other.st_size, other.st_mtime_ns, other.st_ino)
        assert one.st_ctime_ns == other.st_ctime_ns
    rotten = {on_a[name].read_bytes() for name in victims}

    assert bare.run("rescan", "--quick").status == 0, "a look at the list can't see it"
    assert bare.run("rescan", "--all").status == 1
    assert told(bare).keys() == {"A ORR_0002.DNG", "A ORR_0004.DNG"}
    for name, offset in victims.items():
        kind_of_finding, message = told(bare)[f"A {name}"]
        assert kind_of_finding == "corrupt"
        assert f"one bit is flipped, at byte {offset:,}" in message

    assert bare.run("repair").status == 0
    images.unmount(drive)
    images.mount("a", kind, at=drive.name)
    assert bare.on("A") == bare.on("B") == whole
    quarantine = {path.read_bytes() for path in (drive / ASIDE).rglob("*.DNG")}
    assert quarantine == rotten
    for path, status in good.items():
        now = path.stat()
        assert (now.st_ino, now.st_mtime_ns, now.st_ctime_ns) == (
            status.st_ino,
            status.st_mtime_ns,
            status.st_ctime_ns,
        )
    assert bare.run("rescan", "--all").status == 0
    assert bare.run("report").status == 0


def test_a_block_that_its_file_system_refuses_to_give_is_corrupt_and_counted(bare: World, images: Images) -> None:
    """btrfs keeps a checksum of each block of 4,096 bytes and answers EIO where it does not fit."""
    drive = images.mount("a", "btrfs", 128)
    on_a = offloaded(bare, drive)
    images.rot(on_a["ORR_0003.DNG"], 150_000)
    with pytest.raises(OSError, match="Input/output"):
        on_a["ORR_0003.DNG"].read_bytes()
    assert bare.run("rescan", "--all").status == 1
    assert told(bare).keys() == {"A ORR_0003.DNG"}
    kind, message = told(bare)["A ORR_0003.DNG"]
    assert kind == "corrupt"
    assert "(4,096 bytes can't be read)" in message
    assert bare.run("repair").status == 0
    for name, path in on_a.items():
        assert path.read_bytes() == (bare.card().root / "DCIM/100ORREY" / name).read_bytes()
    assert len(list((drive / ASIDE).rglob("*.DNG"))) == 1
    assert bare.run("rescan", "--all").status == 0


def rot_in_the_tables(images: Images, drive: Path, path: Path) -> None:
    """Flip a bit in the inode of a file or folder on ext4, below the file system; mounted again afterwards."""
    mounted, number = images.up[drive], path.stat().st_ino
    images.unmount(drive)
    said = subprocess.run(
        ["debugfs", "-R", f"imap <{number}>", mounted.image], check=True, capture_output=True, text=True
    ).stdout
    block, offset = re.findall(r"block (\d+), offset (0x[0-9a-f]+)", said)[0]
    with mounted.image.open("r+b") as image:
        place = int(block) * 1024 + int(offset, 16) + 0x10
        image.seek(place)
        byte = image.read(1)[0]
        image.seek(place)
        image.write(bytes([byte ^ 1]))
    images.mount("a", "ext4", at=drive.name)


def test_a_file_that_its_file_system_lost_the_way_to_is_corrupt_and_not_missing(
    bare: World, images: Images
) -> None:
    """ext4 refuses an inode that does not fit its checksum (metadata_csum: kernel documentation, ext4)."""
    drive = images.mount("a", "ext4", 48)
    on_a = offloaded(bare, drive)
    whole = bare.on("A")
    rot_in_the_tables(images, drive, on_a["ORR_0003.DNG"])
    images.rot(on_a["ORR_0005.DNG"], 1000)
    with pytest.raises(OSError, match="Bad message"):
        on_a["ORR_0003.DNG"].stat()
    found = bare.run("rescan", "--all", "--json")
    assert (found.status, found.json["finished"], found.json["read_back"]) == (1, True, 8)
    assert found.json["checked"] == 10
    assert {name: kind for name, (kind, _) in told(bare).items()} == {
        "A ORR_0003.DNG": "corrupt",
        "A ORR_0005.DNG": "corrupt",
    }
    assert f"({SIZE:,} bytes can't be read)" in told(bare)["A ORR_0003.DNG"][1]
    done = bare.run("repair", "--json")
    assert (done.status, [Path(one["path"]).name for one in done.json["repaired"]]) == (1, ["ORR_0005.DNG"])
    assert "its file system is damaged" in done.json["not_repaired"][0]["reason"]

    repaired(images, drive)
    bare.run("rescan", "--all")
    assert bare.run("repair").status == 0
    assert bare.on("A") == bare.on("B") == whole
    assert bare.run("rescan", "--all").status == 0


def test_a_folder_that_can_not_be_listed_is_not_called_empty(bare: World, images: Images) -> None:
    drive = images.mount("a", "ext4", 48)
    on_a = offloaded(bare, drive)
    whole = bare.on("A")
    rot_in_the_tables(images, drive, on_a["ORR_0003.DNG"].parent)
    found = bare.run("rescan", "--all", "--json")
    assert (found.status, found.json["finished"]) == (1, True)
    assert [kind for kind, _ in told(bare).values()] == ["corrupt"] * len(on_a)
    assert bare.run("clearance", "card", bare.card().root).status == 1
    assert all("damaged" in one["reason"] for one in bare.run("repair", "--json").json["not_repaired"])

    repaired(images, drive)
    bare.run("rescan", "--all")
    assert bare.run("repair").status == 0
    assert bare.on("A") == bare.on("B") == whole
    assert bare.run("rescan", "--all").status == 0


def repaired(images: Images, drive: Path) -> None:
    """Have the file system put its tables right, as the person is told to, and mount it again."""
    image = images.up[drive].image
    images.unmount(drive)
    done = subprocess.run(["e2fsck", "-f", "-y", image], check=False, capture_output=True, text=True)
    assert done.returncode == 1, done.stdout
    images.mount("a", "ext4", at=drive.name)
