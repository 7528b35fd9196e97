"""One night at a fifth of its frames, each at a five-thousandth of its bytes.

With `TRIPLEGUARD_NIGHT=full` at all its frames.
"""

from __future__ import annotations

import os
from datetime import timedelta

from sample_files import tiny_raw
from world import EVENING, World

FRAMES = 4_500
FRAME_BYTES = 22_000_000
DRIVE_BYTES = 2_000_000_000_000
SCALE = 5_000
CARDS = 6
OF = 1 if os.environ.get("TRIPLEGUARD_NIGHT") == "full" else 5
"""One frame in so many is shot."""


def test_a_night_of_two_bodies_and_six_cards_is_one_shoot_on_two_drives(world: World) -> None:
    """4,500 frames of 22 MB, two bodies, three cards each: 99 GB, and 2 TB hold 20 such nights.

    Common practice, no source.
    """
    a_card = FRAMES // CARDS // OF
    for number in range(CARDS):
        card = world.card(f"card-{number}")
        body, first = number % 2, 1 + (number // 2) * a_card
        for frame in range(first, first + a_card):
            content = tiny_raw(f"body {body} frame {frame} ".encode(), FRAME_BYTES // SCALE)
            card.put(
                f"DCIM/100ORREY/OR{body}_{frame:04d}.DNG",
                content,
                at=EVENING + timedelta(seconds=4 * (frame + body)),
            )
        found = world.run("offload", card.root, "--shoot", "Merrowick", "--json")
        assert found.status == 0, found.json["clearance"]
        assert found.json["verified"] == {"A": a_card, "B": a_card}
        assert found.json["shoot"] == "2026-06-13 Merrowick"
    report = world.run("report", "--json").json
    assert (report["answer"], report["files"]) == ("clear", FRAMES // OF)
    assert report["bytes"] * SCALE * OF == FRAMES * FRAME_BYTES == 99_000_000_000
    assert DRIVE_BYTES // (report["bytes"] * SCALE * OF) == 20
    assert len(world.on("A")) == len(world.on("B")) == FRAMES // OF
