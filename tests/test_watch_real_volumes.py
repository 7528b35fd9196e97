"""The watch on real volumes: exFAT images that are mounted, unmounted and pulled while it runs. Needs root."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from disk_images import Images, images_below, wait_until
from oracle import Oracle
from watch_process import set_watch, watching
from world import CardFolder, World

pytestmark = [pytest.mark.images, pytest.mark.alone]

MIB = 1 << 20


def set_up(world: World, **drives: Path) -> None:
    """A home with these drives; folders for those that are not given."""
    world.drives = {name: drives.get(name) or world.folder(f"drive-{name.lower()}") for name in "AB"}
    given = [word for name, path in world.drives.items() for word in ("--drive", f"{name}={path}")]
    assert world.run("setup", "--allow-same-disk", *given).status == 0
    set_watch(world)


@pytest.fixture
def images(here: Path) -> Iterator[Images]:
    with images_below(here) as made:
        yield made


def card_image(
    images: Images, name: str, frames: int, *, size: int = MIB, first: int = 1, megabytes: int = 160
) -> Path:
    """A card that is filled and lies in the drawer: where it will be mounted."""
    point = images.mount(name, "exfat", megabytes)
    CardFolder(point).frames(frames, size=size, first=first)
    images.unmount(point)
    return point


def test_a_card_that_is_mounted_is_copied(bare: World, images: Images) -> None:
    point = card_image(images, "card", 40)
    set_up(bare)
    with watching(bare) as watch:
        watch.until_idle()
        images.mount("card", "exfat")
        assert "may be reformatted: 40 files" in watch.until_done("card", str(point))["message"]


def test_a_card_pulled_in_the_middle_is_said_and_goes_on_when_it_is_back(bare: World, images: Images) -> None:
    point = card_image(images, "card", 100)
    set_up(bare)
    with watching(bare) as watch:
        watch.until_idle()
        images.mount("card", "exfat")
        oracle = Oracle(bare, point)
        watch.until(lambda found: bool(found["doing"]) and found["doing"]["files"] >= 3, "it copies")
        images.yank(point)
        said = watch.until_done("card")
        assert said["outcome"] == "failed"
        assert "pulled or stopped answering" in said["message"]
        assert "Do not reformat it" in said["message"]
        oracle.audit(card_here=False)
        watch.until(
            lambda found: not found["doing"] and not found["waiting"], "nothing waits for a card that is gone"
        )
        images.mount("card", "exfat")
        watch.until_said("may be reformatted: 100 files", str(point))
        assert any(
            "known from the interrupted run" in line or "here, at" in line for line in watch.log().splitlines()
        )
    oracle.finished()


def test_a_drive_pulled_in_the_middle_gets_the_rest_when_it_is_back(bare: World, images: Images) -> None:
    point = card_image(images, "card", 60)
    set_up(bare, A=images.mount("a", "exfat", 120))
    with watching(bare) as watch:
        watch.until_idle()
        images.mount("card", "exfat")
        oracle = Oracle(bare, point)
        wait_until(lambda: len(list(bare.drives["A"].glob("2026/*/*/*"))) >= 3, "3 copies are named")
        images.yank(bare.drives["A"])
        said = watch.until_done("card")
        assert said["outcome"] == "attention"
        assert "Drive A stopped answering" in said["message"]
        oracle.audit()
        watch.until_idle()
        images.mount("a", "exfat")
        watch.until_said("may be reformatted: 60 files", str(point))
    oracle.finished()


def test_drives_and_cards_come_and_go_and_none_is_held_busy(bare: World, images: Images) -> None:
    """An unmount that fails because somebody holds the volume would be the watch's fault."""
    set_up(bare, A=images.mount("a", "exfat", 64), B=images.mount("b", "ext4", 64))
    points = [
        card_image(images, name, 4, size=100_000, first=first, megabytes=32)
        for name, first in (("card", 1), ("two", 50))
    ]
    with watching(bare) as watch:
        watch.until_idle()
        for point in points:
            images.mount(point.name.removeprefix("mnt-"), "exfat")
        for point in points:
            assert "may be reformatted" in watch.until_done("card", str(point))["message"]
        watch.until_idle()
        for point in (*points, *bare.drives.values()):
            images.unmount(point)
        watch.until(lambda found: found["here"] == [], "all is gone")
        images.mount("a", "exfat", at="somewhere-else")
        found = watch.until(lambda found: len(found["here"]) == 1, "drive A is back elsewhere")
        assert found["here"][0]["path"].endswith("somewhere-else")
