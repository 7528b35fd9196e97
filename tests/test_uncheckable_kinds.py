"""What no parser here knows is counted beside the verdict."""

from __future__ import annotations

from sample_files import picture
from world import World


def test_kinds_that_can_not_be_checked_are_named_beside_the_answer(world: World) -> None:
    """A JPEG XL codestream begins with FF 0A (ISO/IEC 18181-2); nothing here walks through one."""
    card = world.card()
    card.frames(2)
    for number in range(3):
        card.put(f"DCIM/100ORREY/ORR_01{number:02d}.JXL", b"\xff\x0a" + bytes(range(1, 200)) + bytes([number]))
    answer = world.run("offload", card.root, "--json")
    notes = {one["kind"]: one for one in answer.json["clearance"]["notes"]}
    assert answer.status == 0
    assert notes["kinds not checkable"]["message"] == "3 files of a kind that can't be checked: JXL"


def test_a_picture_that_could_not_be_looked_through_is_not_cleared_in_silence(world: World) -> None:
    """A JPEG with more segments than the look follows; whether it is whole nobody has seen."""
    card = world.card()
    card.frames(2)
    many = picture()[:2] + b"\xff\xfe\0\2" * 5000 + picture()[2:]
    card.put("DCIM/100ORREY/ORR_0005.JPG", many)
    for words in (("offload", card.root), ("clearance", "card", card.root)):
        answer = world.run(*words, "--json")
        clearance = answer.json.get("clearance", answer.json)
        assert (answer.status, clearance["answer"]) == (1, "no")
        assert {one["kind"]: one["count"] for one in clearance["reasons"]} == {"could not be checked": 1}
    answer = world.run("clearance", "card", card.root, "--accept-damaged", "--json")
    assert (answer.status, answer.json["answer"]) == (0, "yes")
    assert "unchecked accepted" in {one["kind"] for one in answer.json["notes"]}
