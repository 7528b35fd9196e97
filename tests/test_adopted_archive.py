"""An archive made by hand, and what the tool knows of it afterwards."""

from __future__ import annotations

import pytest
from test_retire import _reasons, _third
from world import CardFolder, World

from tripleguard.digest import compute_digest


@pytest.fixture
def archive(world: World) -> World:
    """The same picture under two names on two drives, and twice on one of them; a note that holds nothing."""
    for name, path in (("A", "old/2019-05-04 Quay/ORR_0001.DNG"), ("B", "archive/quay/best.DNG")):
        CardFolder(world.drives[name]).raw(path, seed=7)
    CardFolder(world.drives["A"]).raw("old/again.DNG", seed=7)
    CardFolder(world.drives["A"]).put("old/2019-05-04 Quay/seen.txt")
    assert world.run("adopt", "--json").json["short"] == 1
    return world


@pytest.mark.parametrize("name", ["ORR_0001", "best", "again"])
def test_a_picture_is_found_by_the_name_of_any_of_its_copies(archive: World, name: str) -> None:
    (found,) = archive.run("where", name, "--json").json["files"]
    assert {one["place"] for one in found["copies"]} == {"A", "B"}


def test_two_copies_on_one_drive_are_one_when_the_other_drive_goes(archive: World) -> None:
    answer = archive.run("clearance", "drive", "B", "--json").json
    assert _reasons(answer) == {"one elsewhere": 1}
    _third(archive)
    assert archive.run("retire", "B", "--prepare", "--json").json["answer"] == "yes"


def test_a_file_that_holds_nothing_is_told_and_goes_along_when_its_drive_is_retired(archive: World) -> None:
    CardFolder(archive.drives["A"]).put("old/2018-01-02 Pier/note.txt")
    told = archive.run("adopt").out
    assert "1 empty file among them" in told
    assert "old/2018-01-02 Pier/note.txt" in told
    _third(archive)
    answer = archive.run("retire", "A", "--prepare", "--json").json
    assert (answer["answer"], answer["reasons"]) == ("yes", [])
    for path in ("2018-01-02 Pier/note.txt", "2019-05-04 Quay/seen.txt"):
        assert {one.stat().st_size for name in ("B", "C") for one in archive.drives[name].glob(f"**/{path}")} == {
            0
        }


def test_a_picture_that_lost_all_its_bytes_is_entered_as_damaged_and_does_not_hide_the_whole_one(
    world: World,
) -> None:
    whole = CardFolder(world.drives["A"]).raw("old/2019-05-04 Quay/ORR_0001.DNG")
    CardFolder(world.drives["B"]).put("old/2019-05-04 Quay/ORR_0001.DNG")
    answer = world.run("adopt", "--json")
    places = {one["name"]: one for one in answer.json["places"]}
    assert [places[name]["empty"] for name in "AB"] == [[], ["old/2019-05-04 Quay/ORR_0001.DNG"]]
    assert answer.json["differing"] == ["old/2019-05-04 Quay/ORR_0001.DNG"]
    world.run("topup")
    assert compute_digest(whole.read_bytes()) in world.on("B").values()


def test_equal_sidecars_stay_beside_their_own_pictures(world: World) -> None:
    """A folder without a date is read first; the other shoots still have their sidecars when handed over."""
    card = CardFolder(world.drives["A"])
    for number, folder in enumerate(("aaa", "old/2019-05-04 Quay", "old/2019-06-04 Pier"), 1):
        card.raw(f"{folder}/ORR_{number:04d}.DNG")
        card.put(f"{folder}/ORR_{number:04d}.xmp", b"<x/>")
    world.run("adopt")
    world.run("topup")
    for shoot, number in (("aaa", 1), ("Quay", 2), ("Pier", 3)):
        target = world.root / f"for the client {number}"
        assert world.run("handover", shoot, target).status == 0
        assert {path.name for path in target.rglob("ORR_*")} == {f"ORR_{number:04d}.DNG", f"ORR_{number:04d}.xmp"}


def test_a_sidecar_that_holds_nothing_or_lies_alone_goes_along_too(world: World) -> None:
    card = CardFolder(world.drives["A"])
    card.raw("old/2019-05-04 Quay/ORR_0001.DNG")
    card.put("old/2019-05-04 Quay/ORR_0001.xmp")
    card.put("old/settings/look.xmp", b"<x/>")
    told = world.run("adopt", "--json").json
    assert told["places"][0]["empty"] == ["old/2019-05-04 Quay/ORR_0001.xmp"]
    assert told["places"][0]["entered"] == 3
    _third(world)
    answer = world.run("retire", "A", "--prepare", "--json").json
    assert (answer["answer"], answer["reasons"]) == ("yes", [])
    assert world.on("A").keys() <= world.on("B").keys() | world.on("C").keys()
    assert world.run("rescan", "--all").status == 0
    assert world.run("report").status == 0
