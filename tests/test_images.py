"""The main job on real file systems: an exFAT card, an exFAT and an ext4 drive, each an image on a loop device.

Needs root, loop devices, FUSE and the tools that make the file systems; skips with the reason elsewhere.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from world import CardFolder, World, contents

pytestmark = pytest.mark.images

_TOOLS = ("losetup", "mkfs.exfat", "mount.exfat-fuse", "mkfs.ext4", "mount", "umount")


def _run(*words: object) -> str:
    return subprocess.run([str(word) for word in words], check=True, capture_output=True, text=True).stdout.strip()


class Images:
    """Images made, mounted and taken away again."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.up: dict[Path, str] = {}

    def mount(self, name: str, kind: str, megabytes: int = 64, at: str | None = None) -> Path:
        image, point = self.root / f"{name}.img", self.root / (at or f"mnt-{name}")
        point.mkdir(exist_ok=True)
        if not image.exists():
            with image.open("wb") as file:
                file.truncate(megabytes << 20)
            _run(*(["mkfs.exfat"] if kind == "exfat" else ["mkfs.ext4", "-q", "-F"]), image)
        device = _run("losetup", "-f", "--show", image)
        _run(*(["mount.exfat-fuse"] if kind == "exfat" else ["mount", "-t", "ext4"]), device, point)
        self.up[point] = device
        return point

    def unmount(self, point: Path) -> None:
        device = self.up.pop(point)
        _run("umount", point)
        for _ in range(100):
            if subprocess.run(["losetup", "-d", device], check=False, capture_output=True).returncode == 0:
                break
            time.sleep(0.05)

    def yank(self, point: Path) -> None:
        """Kill the driver, as a pulled cable would."""
        for process in Path("/proc").glob("[0-9]*"):
            try:
                words = (process / "cmdline").read_bytes().split(b"\0")
            except OSError:
                continue
            if words[0].endswith(b"exfat-fuse") and os.fsencode(point) in words:
                os.kill(int(process.name), 9)
        subprocess.run(["umount", "-l", str(point)], check=False, capture_output=True)
        subprocess.run(["losetup", "-d", self.up.pop(point)], check=False, capture_output=True)


@pytest.fixture
def images(here: Path) -> Iterator[Images]:
    if os.name != "posix" or os.geteuid() != 0:
        pytest.skip("needs root to mount images")
    missing = [tool for tool in _TOOLS if shutil.which(tool) is None]
    if missing or not Path("/dev/fuse").exists():
        pytest.skip(f"needs FUSE and {', '.join(missing) or 'loop devices'}")
    made = Images(here)
    try:
        made.mount("try", "ext4", 8)
    except subprocess.CalledProcessError as error:
        pytest.skip(f"images can't be mounted here: {error.stderr.strip()}")
    yield made
    for point in list(made.up):
        subprocess.run(["umount", "-l", str(point)], check=False, capture_output=True)
        subprocess.run(["losetup", "-d", made.up[point]], check=False, capture_output=True)


def test_from_an_exfat_card_to_an_exfat_and_an_ext4_drive(bare: World, images: Images) -> None:
    card = CardFolder(images.mount("card", "exfat"))
    samples = Path(__file__).resolve().parent.parent.parent / "shared" / "samples"
    if samples.is_dir():
        for sample in sorted(samples.iterdir())[:8]:
            card.put(f"DCIM/100ORREY/{sample.name}", sample.read_bytes())
    card.frames(4)
    before = card.digests()
    drives = {"A": images.mount("a", "exfat"), "B": images.mount("b", "ext4")}
    bare.drives = drives
    given = [word for name, path in drives.items() for word in ("--drive", f"{name}={path}")]
    assert bare.run("setup", *given).status == 0
    found = bare.run("offload", card.root, "--json")
    assert found.status == 0, found.json["clearance"]
    assert found.json["verified"] == {"A": len(before), "B": len(before)}
    assert sorted(bare.on("A").values()) == sorted(bare.on("B").values()) == sorted(before.values())
    assert card.digests() == before
    with bare.kit() as kit:
        media = {row[0] for row in kit.catalog.rows("SELECT DISTINCT medium FROM copies")}
    assert media <= {"direct", "dropped"}
    images.unmount(drives["A"])
    assert bare.run("clearance", "card", card.root).status == 1
    bare.drives["A"] = images.mount("a", "exfat", at="somewhere-else")
    bare.drives["A"].joinpath("x").exists()
    assert bare.run("drives", "add", "A", bare.drives["A"]).status == 0
    assert bare.run("clearance", "card", card.root).status == 0


def test_a_drive_that_fills_up_leaves_the_other_one_served(bare: World, images: Images) -> None:
    card = bare.card()
    card.frames(12, size=1 << 20)
    bare.drives = {"A": images.mount("small", "ext4", 10), "B": bare.folder("drive-b")}
    bare.run("setup", "--drive", f"A={bare.drives['A']}", "--drive", f"B={bare.drives['B']}")
    found = bare.run("offload", card.root, "--json")
    assert found.status == 1
    assert found.json["verified"]["B"] == 12
    assert 0 < found.json["verified"]["A"] < 12
    assert "full" in found.json["troubles"][0]["what"] or "room" in found.json["troubles"][0]["what"]
    assert set(bare.on("A").values()) <= set(contents(card.root).values())


def test_a_read_only_drive_is_left_out_and_said(bare: World, images: Images) -> None:
    card = bare.card()
    card.frames(2)
    bare.drives = {"A": images.mount("a", "ext4"), "B": bare.folder("drive-b")}
    bare.run("setup", "--drive", f"A={bare.drives['A']}", "--drive", f"B={bare.drives['B']}")
    _run("mount", "-o", "remount,ro", bare.drives["A"])
    found = bare.run("offload", card.root, "--json")
    assert (found.status, found.json["verified"]["B"]) == (1, 2)
    assert "read-only" in found.json["troubles"][0]["what"]


def test_a_card_pulled_in_the_middle_is_said_and_resumed(bare: World, images: Images) -> None:
    card = CardFolder(images.mount("card", "exfat", 160))
    card.frames(120, size=1 << 20)
    bare.setup()
    process = subprocess.Popen(
        bare.command_line("offload", card.root), stderr=subprocess.PIPE, stdout=subprocess.DEVNULL
    )
    while process.poll() is None and len(bare.on("A")) < 5:
        time.sleep(0.002)
    images.yank(card.root)
    said = process.communicate(timeout=60)[1].decode()
    assert process.returncode == 3
    assert "Do not reformat it" in said
    assert images.mount("card", "exfat") == card.root
    found = bare.run("offload", card.root, "--json")
    assert (found.status, found.json["verified"]) == (0, {"A": 120, "B": 120})
    assert found.json["resumed"] >= 4
