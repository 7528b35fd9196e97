"""Years of pictures, copied by hand before there was a catalog, become an archive that is looked after."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest
from world import CardFolder, World

from tripleguard.layout import guess_shoot


def _stamps(root: Path) -> dict[str, tuple[int, int, int]]:
    return {
        str(path.relative_to(root)): (path.stat().st_ino, path.stat().st_size, path.stat().st_mtime_ns)
        for path in root.rglob("*")
        if path.is_file() and ".tripleguard" not in path.parts
    }


@pytest.fixture
def by_hand(world: World) -> World:
    """A has a shoot under its date and one under a name; B has the same bytes in other folders, and one less."""
    a = CardFolder(world.drives["A"])
    for number in range(1, 6):
        a.raw(f"Work/2024-05-04 Harbour gig/RAW/ORR_{number:04d}.DNG")
    a.put("Work/2024-05-04 Harbour gig/RAW/ORR_0001.xmp", b"<x/>")
    a.raw("Work/Lighthouse/ORR_0100.DNG")
    a.put("Work/Lighthouse/.DS_Store", b"litter")
    shutil.copytree(world.drives["A"] / "Work/2024-05-04 Harbour gig/RAW", world.drives["B"] / "copy of gig")
    (world.drives["B"] / "copy of gig/ORR_0005.DNG").rename(world.drives["B"] / "copy of gig/best one.DNG")
    return world


def test_an_archive_made_by_hand_is_entered_as_it_lies_and_paired_by_content(by_hand: World) -> None:
    before = {name: _stamps(root) for name, root in by_hand.drives.items()}
    answer = by_hand.run("adopt", "--json")
    assert answer.status == 1, answer.err
    assert {one["name"]: one["entered"] for one in answer.json["places"]} == {"A": 7, "B": 6}
    assert (answer.json["short"], answer.json["differing"]) == (1, [])
    assert {name: _stamps(root) for name, root in by_hand.drives.items()} == before
    gig = by_hand.run("where", "Harbour gig", "--json").json["files"]
    assert len(gig) == 6
    for one in gig:
        assert {copy["place"] for copy in one["copies"] if copy["verified_at"]} == {"A", "B"}
        assert one["captured_at"] or one["name"].endswith(".xmp")
    (alone,) = by_hand.run("where", "ORR_0100", "--json").json["files"]
    assert alone["shoot"] == "2026-06-13 Lighthouse"
    assert by_hand.run("topup").status == 0
    assert by_hand.run("report").status == 0
    assert by_hand.run("rescan", "--all").status == 0
    assert by_hand.run("adopt").status == 0


def test_what_differs_between_the_drives_is_named_and_both_are_kept(world: World) -> None:
    for name in ("A", "B"):
        CardFolder(world.drives[name]).raw("Gig/ORR_0001.DNG", seed=5)
    (world.drives["B"] / "Gig/ORR_0001.DNG").write_bytes(b"rotten" * 1000)
    answer = world.run("adopt", "--json")
    assert answer.json["differing"] == ["Gig/ORR_0001.DNG"]
    assert (world.drives["B"] / "Gig/ORR_0001.DNG").read_bytes() == b"rotten" * 1000


@pytest.mark.skipif(shutil.which("b3sum") is None, reason="b3sum is not installed")
def test_what_was_adopted_can_be_checked_without_the_tool(by_hand: World) -> None:
    assert by_hand.run("adopt").status == 1
    for root in by_hand.drives.values():
        lists = list((root / ".tripleguard/lists").glob("*.b3"))
        assert lists
        for one in lists:
            subprocess.run(["b3sum", "--check", "--quiet", one], cwd=root, check=True, stdout=subprocess.DEVNULL)


def test_what_was_adopted_is_known_again_after_the_laptop_was_stolen(by_hand: World) -> None:
    assert by_hand.run("adopt").status == 1
    shutil.rmtree(by_hand.home)
    for root in by_hand.drives.values():
        shutil.rmtree(root / ".tripleguard/catalog")
    answer = by_hand.run("rebuild", *by_hand.drives.values(), "--json")
    assert [one["listed"] for one in answer.json["places"]] == [7, 6]
    assert by_hand.run("rescan").status == 0
    assert by_hand.run("report", "--json").json["owed"][0]["short"] == 1


def test_a_card_is_cleared_by_what_was_adopted(by_hand: World) -> None:
    assert by_hand.run("adopt").status == 1
    card = by_hand.folder("old card")
    shutil.copytree(by_hand.drives["A"] / "Work/2024-05-04 Harbour gig/RAW", card / "DCIM/100ORREY")
    os.remove(card / "DCIM/100ORREY/ORR_0001.xmp")
    assert by_hand.run("clearance", "card", card).status == 0


@pytest.mark.parametrize(
    ("folder", "called"),
    [
        ("Work/2024-05-04 Harbour gig/RAW", ("2024-05-04", "Harbour gig")),
        ("2024/20240504_Harbour gig/DCIM/100ORREY", ("2024-05-04", "Harbour gig")),
        ("2024/Harbour gig/RAW", (None, "Harbour gig")),
        ("2024/2024-02-31 No such day", (None, "2024-02-31 No such day")),
        ("2024/05", (None, None)),
        ("DCIM/100ORREY", (None, None)),
        ("", (None, None)),
    ],
)
def test_a_folder_says_what_shoot_it_is(folder: str, called: tuple[str | None, str | None]) -> None:
    assert guess_shoot(folder) == called


def test_a_broken_picture_in_an_old_archive_is_told_and_no_card_is_spoken_of(world: World) -> None:
    archive = CardFolder(world.drives["A"])
    archive.frames(3, folder="Work/Lighthouse")
    whole = (world.drives["A"] / "Work/Lighthouse/ORR_0002.DNG").read_bytes()
    archive.put("Work/Lighthouse/ORR_0002.DNG", whole[:40_000])
    archive.put("Work/Lighthouse/notes.txt", b"not a picture")
    shutil.copytree(world.drives["A"] / "Work", world.drives["B"] / "Work")
    world.run("adopt")
    (found,) = [
        one for one in world.run("report", "--json").json["findings"] if one["kind"] == "damaged at source"
    ]
    assert found["path"] == "Work/Lighthouse/ORR_0002.DNG"
    assert "is broken: it is cut short" in found["message"]
    assert "came off the card" not in found["message"]
