"""Between the rescan and the repair: what changes meanwhile is neither lost, nor undone, nor taken for good."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from archive_faults import archive, change, folder_on, kinds, quarantine, reasons, rot
from disk_images import Images, images_below
from world import World

from tripleguard.places.drive import Drive


@pytest.fixture
def images(here: Path) -> Iterator[Images]:
    with images_below(here) as made:
        yield made


def _on_images(world: World, images: Images, megabytes: int = 64) -> None:
    for name in ("A", "B"):
        world.drives[name] = images.mount(f"drive-{name.lower()}", "ext4", megabytes)
    given = [word for name, path in world.drives.items() for word in ("--drive", f"{name}={path}")]
    assert world.run("setup", "--allow-same-disk", *given).status == 0


# Another name


def test_a_moved_raw_that_was_changed_before_the_mend_does_not_clear_its_card(world: World) -> None:
    """Its old evidence would go back to its old place with it, under its new time, and the card would be lost."""
    card, a, _ = archive(world)
    (a / "chosen").mkdir()
    moved = (a / "ORR_0002.DNG").rename(a / "chosen/ORR_0002.DNG")
    assert world.run("rescan", "--quick").status == 1
    change(moved)
    assert "run `rescan` first" in reasons(world)["ORR_0002.DNG"]
    assert moved.exists()
    assert world.run("clearance", "card", card.root).status == 1
    world.run("rescan", "--quick")
    assert kinds(world) == {("misplaced", "ORR_0002.DNG"), ("altered", "ORR_0002.DNG")}
    assert world.run("repair").status == 0
    assert world.on("A") == world.on("B")
    assert world.run("report").status == 0
    assert world.run("clearance", "card", card.root).status == 0


def test_a_moved_raw_that_went_away_is_not_a_drive_that_stopped_answering(world: World) -> None:
    _, a, _ = archive(world)
    (a / "chosen").mkdir()
    moved = (a / "ORR_0002.DNG").rename(a / "chosen/ORR_0002.DNG")
    world.run("rescan", "--quick")
    moved.unlink()
    assert "run `rescan` first" in reasons(world)["ORR_0002.DNG"]


def test_a_dry_run_says_that_a_name_is_taken(world: World) -> None:
    _, a, _ = archive(world)
    (a / "chosen").mkdir()
    (a / "ORR_0002.DNG").rename(a / "chosen/ORR_0002.DNG")
    world.run("rescan", "--quick")
    would = world.run("repair", "--dry-run", "--json").json["repaired"]
    assert [one["how"] for one in would] == ["would be moved back to its place"]
    (a / "ORR_0002.DNG").mkdir()
    assert "is taken on the drive" in reasons(world, "--dry-run")["ORR_0002.DNG"]
    assert "is taken on the drive" in reasons(world)["ORR_0002.DNG"]


def test_two_raws_that_changed_names_are_put_right_from_one_drive(world: World) -> None:
    """Nothing is lost but the names: nobody has to hear of a recovery service."""
    _, a, _ = archive(world)
    before = world.on("A")
    world.unplug("B")
    (a / "ORR_0001.DNG").rename(a / "x")
    (a / "ORR_0002.DNG").rename(a / "ORR_0001.DNG")
    (a / "x").rename(a / "ORR_0002.DNG")
    assert world.run("rescan", "--quick").status == 1
    assert world.run("repair").status == 0
    assert world.on("A") == before
    assert world.run("rescan", "--all").status == 0
    assert kinds(world) == set()


def test_raws_that_were_all_numbered_on_by_one_are_put_right_from_one_drive(world: World) -> None:
    _, a, _ = archive(world, frames=6)
    before = world.on("A")
    world.unplug("B")
    for number in range(6, 0, -1):
        (a / f"ORR_{number:04d}.DNG").rename(a / f"ORR_{number + 1:04d}.DNG")
    world.run("rescan", "--quick")
    assert set(reasons(world)) == {"ORR_0007.DNG"}, "the last one is a stray by now, and kept"
    assert {path: world.on("A")[path] for path in before} == before


# Something else stands there


def test_a_folder_in_a_raws_place_is_left_and_told(world: World) -> None:
    _, a, _ = archive(world)
    (a / "ORR_0002.DNG").unlink()
    (a / "ORR_0002.DNG").mkdir()
    (a / "ORR_0002.DNG/inside.jpg").write_bytes(b"mine")
    for _ in range(2):
        world.run("rescan", "--quick")
        assert "no plain file" in reasons(world)["ORR_0002.DNG"]
    assert (a / "ORR_0002.DNG/inside.jpg").read_bytes() == b"mine"


def test_a_folder_that_takes_a_rotten_raws_place_is_not_moved_quarantine(world: World) -> None:
    _, a, _ = archive(world)
    rot(a / "ORR_0002.DNG")
    world.run("rescan", "--all")
    (a / "ORR_0002.DNG").unlink()
    (a / "ORR_0002.DNG").mkdir()
    (a / "ORR_0002.DNG/inside.jpg").write_bytes(b"mine")
    assert "no plain file" in reasons(world)["ORR_0002.DNG"]
    assert quarantine(world, "A") == []


def test_another_picture_in_a_rotten_raws_place_is_not_moved_quarantine(world: World) -> None:
    _, a, _ = archive(world)
    rot(a / "ORR_0002.DNG")
    world.run("rescan", "--all")
    (a / "ORR_0002.DNG").write_bytes(b"a picture from elsewhere")
    assert "run `rescan` first" in reasons(world)["ORR_0002.DNG"]
    assert quarantine(world, "A") == []


def test_a_sidecar_saved_while_the_good_copy_was_on_its_way_stays(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    _, a, b = archive(world)
    (a / "ORR_0001.xmp").write_bytes(b"<x rating='5'/>")
    world.run("rescan", "--quick")
    real = Drive.exists

    def saved(drive: Drive, path: str) -> bool:
        if path.endswith(".xmp"):
            (b / "ORR_0001.xmp").write_bytes(b"<x rating='3'/>")
        return real(drive, path)

    monkeypatch.setattr(Drive, "exists", saved)
    assert "run `rescan` first" in reasons(world)["ORR_0001.xmp"]
    monkeypatch.undo()
    assert (b / "ORR_0001.xmp").read_bytes() == b"<x rating='3'/>"
    assert quarantine(world, "B") == []


# Sidecars


@pytest.mark.parametrize("fault", ["rots", "vanishes"])
def test_an_older_sidecar_that_also_rots_or_vanishes_gets_the_newest_version(world: World, fault: str) -> None:
    _, a, b = archive(world)
    (a / "ORR_0001.xmp").write_bytes(b"<x rating='5'/>")
    world.run("rescan", "--quick")
    if fault == "rots":
        rot(b / "ORR_0001.xmp", 1)
    else:
        (b / "ORR_0001.xmp").unlink()
    assert world.run("rescan", "--all").status == 1
    assert world.run("repair").status == 0
    assert (b / "ORR_0001.xmp").read_bytes() == b"<x rating='5'/>"
    assert world.run("report").status == 0


def test_a_sidecar_edited_on_the_other_drive_is_no_rotten_source(world: World) -> None:
    _, a, b = archive(world)
    (a / "ORR_0001.xmp").unlink()
    world.run("rescan", "--quick")
    (b / "ORR_0001.xmp").write_bytes(b"<y/>")
    assert "was changed since it was looked at" in reasons(world)["ORR_0001.xmp"]
    assert kinds(world) == {("missing", "ORR_0001.xmp")}
    world.run("rescan", "--quick")
    assert world.run("repair").status == 0
    assert (a / "ORR_0001.xmp").read_bytes() == b"<y/>"


# Where the good copy lies


def test_a_drive_from_the_shelf_is_mended_from_and_repaired(world: World) -> None:
    _, a, b = archive(world)
    assert world.run("drives", "shelve", "B").status == 0
    rot(a / "ORR_0002.DNG")
    (b / "ORR_0003.DNG").unlink()
    world.run("rescan", "--all")
    assert kinds(world) == {("corrupt", "ORR_0002.DNG"), ("missing", "ORR_0003.DNG")}
    assert world.run("repair").status == 0
    assert world.on("A") == world.on("B")


@pytest.mark.images
def test_a_write_protected_drive_is_read_from(bare: World, images: Images) -> None:
    _on_images(bare, images)
    archive(bare)
    rot(folder_on(bare, "A") / "ORR_0002.DNG")
    bare.run("rescan", "--all")
    subprocess.run(["mount", "-o", "remount,ro", bare.drives["B"]], check=True)
    answer = bare.run("repair")
    assert "Repaired: drive A" in answer.out
    assert "Drive B is read-only" in answer.out
    assert bare.on("A") == bare.on("B")
    subprocess.run(["mount", "-o", "remount,ro", bare.drives["A"]], check=True)
    assert "is read-only" in bare.run("repair").err


@pytest.mark.images
def test_a_full_drive_is_told_and_not_that_no_copy_is_left(bare: World, images: Images) -> None:
    _on_images(bare, images, 16)
    archive(bare, size=1 << 20)
    rot(folder_on(bare, "A") / "ORR_0002.DNG")
    (folder_on(bare, "A") / "ORR_0003.DNG").unlink()
    with (bare.drives["A"] / ".tripleguard/filler").open("wb") as filler:
        filler.write(bytes(16 << 20)[: shutil.disk_usage(bare.drives["A"]).free - 200_000])
    bare.run("rescan", "--all")
    why = reasons(bare)
    # What is nobody's there is told of as well.
    assert why.pop("filler")
    assert set(why) == {"ORR_0002.DNG", "ORR_0003.DNG"}
    assert all("no room" in reason for reason in why.values())
    assert quarantine(bare, "A") == []
