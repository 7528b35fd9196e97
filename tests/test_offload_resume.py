"""An interrupted offload is trusted by the next run of the same card, and by no later one."""

from __future__ import annotations

import os

import pytest
from world import World

from tripleguard.errors import CardGoneError
from tripleguard.places.cache_bypass import MediumReader
from tripleguard.places.card import Card

LARGE = 400_000
"""Bytes of a raw whose middle is in neither of its two sampled ends (64 KiB each)."""


class PulledAtTheThird(Card):
    """A card that is pulled when its third frame is read."""

    def open_reader(self, path: str) -> MediumReader:
        if path.endswith("_0003.DNG"):
            raise OSError(5, "Input/output error")
        return super().open_reader(path)

    def is_connected(self) -> bool:
        return False


def test_once_a_card_was_offloaded_to_its_end_it_is_read_again_and_not_taken_for_interrupted(world: World) -> None:
    card = world.card()
    first = card.frames(4, size=LARGE)[0]
    with pytest.raises(CardGoneError):
        world.offload_job(card.root, PulledAtTheThird)
    resumed = world.run("offload", card.root, "--json").json
    assert resumed["resumed"] >= 2
    assert resumed["clearance"]["answer"] == "yes"

    before = first.stat()
    content = bytearray(first.read_bytes())
    content[LARGE // 2] ^= 1
    first.write_bytes(content)
    os.utime(first, ns=(before.st_atime_ns, before.st_mtime_ns))
    later = world.run("offload", card.root, "--json").json
    assert (later["resumed"], later["copied"], later["already_there"]) == (0, 1, 3)
    assert len(world.on("A")) == len(world.on("B")) == 5
    assert set(card.digests().values()) < set(world.on("A").values())
