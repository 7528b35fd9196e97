"""An answer about a card is one about all of it, and nothing is written to a card."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from disk_images import Images, images_below
from world import Answer, CardFolder, World, contents

from tripleguard.places.enclosing import find_card_folder


@pytest.fixture
def world(tmp_path: Path) -> World:
    return World(tmp_path).setup()


@pytest.fixture
def images(tmp_path: Path) -> Iterator[Images]:
    with images_below(tmp_path) as made:
        yield made


def filled_card(world: World) -> Path:
    card = world.card("card")
    card.frames(3)
    card.raw("PRIVATE/M4ROOT/CLIP/C0001.DNG")
    return card.root


def both_questions(world: World, path: Path) -> list[Answer]:
    return [world.run("offload", path), world.run("clearance", "card", path)]


@pytest.mark.parametrize("part", ["DCIM", "DCIM/100ORREY", "PRIVATE", "PRIVATE/M4ROOT/CLIP"])
def test_a_part_of_a_card_is_refused_and_the_card_is_named(world: World, part: str) -> None:
    root = filled_card(world)
    for answer in both_questions(world, root / part):
        assert answer.status == 2, answer
        assert f"Give the whole card: {root}." in " ".join(answer.err.split())
    assert not list(world.drives["A"].glob("*/*/*/*.DNG"))


def test_a_link_to_a_part_of_a_card_is_refused(world: World) -> None:
    root = filled_card(world)
    link = world.root / "link"
    link.symlink_to(root / "DCIM")
    for answer in both_questions(world, link):
        assert answer.status == 2, answer


def test_a_folder_of_another_catalog_s_drive_is_no_card(world: World, tmp_path: Path) -> None:
    (tmp_path / "other").mkdir()
    other = World(tmp_path / "other").setup()
    assert other.run("offload", filled_card(other)).status == 0
    shoot = next(path for path in other.drives["A"].iterdir() if not path.name.startswith("."))
    for answer in both_questions(world, shoot):
        assert answer.status == 2, answer
        assert "lies on a drive" in " ".join(answer.err.split())


def test_a_folder_of_the_computer_s_own_disk_can_stand_for_a_card(world: World) -> None:
    assert world.run("offload", filled_card(world)).status == 0


@pytest.mark.images
@pytest.mark.alone
@pytest.mark.parametrize("kind", ["exfat", "ext4"])
def test_a_folder_of_a_volume_is_only_a_part_of_it(world: World, images: Images, kind: str) -> None:
    volume = images.mount("card", kind)
    world.card("made").frames(2)
    shutil.copytree(world.root / "made", volume / "saved")
    CardFolder(volume).raw("OTHER.DNG")
    for answer in both_questions(world, volume / "saved"):
        assert answer.status == 2, answer
        assert f"Give the whole card: {volume}." in " ".join(answer.err.split())
    assert world.run("offload", volume).status == 0


@pytest.mark.images
@pytest.mark.alone
def test_what_a_mount_hides_on_a_card_is_a_reason(world: World, images: Images) -> None:
    root = filled_card(world)
    hidden = root / "DCIM" / "101ORREY"
    hidden.mkdir()
    (hidden / "ORR_0101.DNG").write_bytes(b"under the mount")
    images.mount("over", "ext4", at="card/DCIM/101ORREY")
    for answer in both_questions(world, root):
        assert answer.status == 1, answer
        assert "101ORREY" in answer.out
        assert "another volume" in " ".join(answer.out.split())


@pytest.mark.parametrize("folder", ["DCIM", "dcim", "PRIVATE/AVCHD"])
def test_a_card_is_not_made_a_drive_and_no_page_or_bag_is_written_to_it(world: World, folder: str) -> None:
    card = world.root / "a card"
    (card / folder).mkdir(parents=True)
    before = contents(card)
    at_card = World(world.root)
    at_card.home = card / "home"
    attempts = [
        world.run("drives", "add", "C", card),
        world.run("drives", "add", "C", card / folder),
        world.run("setup", "--drive", f"C={card}"),
        world.run("setup", "--offsite", card.as_uri()),
        at_card.run("setup", "--drive", f"C={world.folder('C')}"),
        world.run("report", "--html", card / "page.html"),
        world.run("report", "--html", card / folder / "page.html"),
    ]
    for answer in attempts:
        assert answer.status == 2, answer
        assert "on a card" in " ".join(answer.err.split())
    assert at_card.process("rebuild", world.drives["A"]).returncode == 2
    assert contents(card) == before
    assert os.listdir(card) == [folder.split("/")[0]]


def test_the_home_and_a_drive_do_not_lie_inside_one_another(world: World) -> None:
    for root in (world.home / "drive", world.home):
        root.mkdir(exist_ok=True)
        answer = world.run("drives", "add", "C", root)
        assert answer.status == 2, answer
        assert not (root / ".tripleguard").exists()


def test_the_home_does_not_lie_on_a_drive(tmp_path: Path) -> None:
    world = World(tmp_path)
    answer = world.run("setup", "--drive", f"A={tmp_path}")
    assert answer.status == 2, answer
    assert not (tmp_path / ".tripleguard").exists()


def test_a_page_goes_into_a_folder_that_is_there(world: World) -> None:
    answer = world.run("report", "--html", world.root / "no such" / "page.html")
    assert answer.status != 0
    assert "There is no folder" in answer.err
    assert not (world.root / "no such").exists()


def test_card_folders_are_found_in_any_case(tmp_path: Path) -> None:
    (tmp_path / "private" / "avchd").mkdir(parents=True)
    assert find_card_folder(tmp_path, ["DCIM", "PRIVATE/AVCHD"]) == "PRIVATE/AVCHD"
    assert find_card_folder(tmp_path, ["DCIM", "PRIVATE/M4ROOT", ""]) is None


def test_no_drive_takes_the_name_of_the_place_offsite(world: World) -> None:
    answer = world.run("drives", "add", "Offsite", world.folder("drive-c"))
    assert answer.status == 2
    assert "kept for the place offsite" in answer.err
