"""What no parser here knows is counted beside the verdict."""

from __future__ import annotations

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
