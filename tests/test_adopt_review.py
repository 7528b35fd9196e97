"""An archive made by hand, and what the tool knows of it afterwards."""

from __future__ import annotations

import pytest
from test_retire import _reasons, _third
from world import CardFolder, World


@pytest.fixture
def archive(world: World) -> World:
    """The same picture under two names on two drives, and twice on one of them; a note that holds nothing."""
    for name, path in (("A", "old/2019-05-04 Quay/ORR_0001.DNG"), ("B", "archive/quay/best.DNG")):
        CardFolder(world.drives[name]).raw(path, seed=7)
    CardFolder(world.drives["A"]).raw("old/again.DNG", seed=7)
    CardFolder(world.drives["A"]).put("old/2019-05-04 Quay/seen.txt")
    assert world.run("adopt").status == 0
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


def test_an_empty_file_that_was_not_entered_keeps_its_drive(archive: World) -> None:
    _third(archive)
    archive.run("retire", "A", "--prepare")
    assert _reasons(archive.run("clearance", "drive", "A", "--json").json) == {"not in the catalog": 1}
