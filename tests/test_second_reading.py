"""A card or a reader that is failing gives other bytes each time, and says nothing of it."""

from __future__ import annotations

import errno
import mmap
from collections.abc import Iterator
from pathlib import Path

import pytest
from disk_images import Images, Mounted, images_below
from world import CardFolder, World

from tripleguard.digest import compute_digest
from tripleguard.jobs.cards.offload import OffloadResult
from tripleguard.places.cache_bypass import MediumReader
from tripleguard.places.card import Card

BODY = "2026/2026-06-13 untitled/Orrery R7 7731"
VICTIM = "ORR_0002.DNG"
AT = 50_000


class _Lying:
    """A reading in which one byte is another."""

    def __init__(self, reading: MediumReader) -> None:
        self._reading, self._at = reading, 0

    @property
    def medium(self) -> object:
        return self._reading.medium

    def readinto(self, buffer: memoryview) -> int:
        count = self._reading.readinto(buffer)
        if self._at <= AT < self._at + count:
            buffer[AT - self._at] ^= 1
        self._at += count
        return count

    def close(self) -> None:
        self._reading.close()


class FirstIsWrong(Card):
    """A card whose reader gives a wrong byte the first time a file is read."""

    lies = 1

    def open_reader(self, path: str) -> MediumReader:
        reading = super().open_reader(path)
        if path.endswith(VICTIM) and self.lies:
            self.lies -= 1
            return _Lying(reading)  # type: ignore[return-value]
        return reading


class SecondIsWrong(Card):
    """A card whose reader gives a wrong byte the second time."""

    def open_second_reader(self, path: str) -> MediumReader:
        reading = super().open_second_reader(path)
        return _Lying(reading) if path.endswith(VICTIM) else reading  # type: ignore[return-value]


class SecondFails(Card):
    """A card that gives up when it is read a second time."""

    def open_second_reader(self, path: str) -> MediumReader:
        if path.endswith(VICTIM):
            raise OSError(errno.EIO, "Input/output error")
        return super().open_second_reader(path)


class FirstStumbles(Card):
    """A card on which one reading fails, and the next one works."""

    fails = 1

    def open_reader(self, path: str) -> MediumReader:
        if path.endswith(VICTIM) and self.fails:
            self.fails -= 1
            raise OSError(errno.EIO, "Input/output error")
        return super().open_reader(path)


def kinds(result: OffloadResult) -> set[str]:
    return {reason.kind for reason in result.clearance.reasons}


def test_a_card_that_gives_the_same_twice_is_cleared(world: World) -> None:
    card = world.card()
    card.frames(3)
    found = world.run("offload", card.root, "--read-twice", "--json")
    assert found.status == 0, found.out
    second = found.json["second_reading"]
    assert (second["equal"], second["unsteady"]) == (3, [])
    assert "3 files gave the same, 0 did not" in world.run("offload", card.root, "--read-twice").out


def test_without_an_error_a_card_is_read_once(world: World) -> None:
    card = world.card()
    card.frames(2)
    assert world.run("offload", card.root, "--json").json["second_reading"] is None


def test_a_first_reading_that_was_silently_wrong_is_found_and_the_right_bytes_are_kept_too(world: World) -> None:
    card = world.card()
    paths = card.frames(3)
    right = compute_digest(paths[1].read_bytes())
    found = world.offload_job(card.root, FirstIsWrong, read_twice=True)
    assert kinds(found) == {"unsteady"}
    assert found.clearance.covered_files == 2
    assert found.second_reading is not None
    assert list(found.second_reading.unstable) == [f"DCIM/100ORREY/{VICTIM}"]
    for drive in ("A", "B"):
        assert right in world.on(drive).values()
        assert len(world.on(drive)) == 4, "what came the first time is kept as well"
    # The next question does not forget it, and neither does the morning.
    assert world.run("clearance", "card", card.root).status == 1
    told = world.run("report").out
    assert "two readings of it from the card gave different bytes" in told


def test_another_reader_that_gives_the_same_twice_clears_the_card(world: World) -> None:
    card = world.card()
    card.frames(3)
    assert not world.offload_job(card.root, FirstIsWrong, read_twice=True).clearance.is_yes
    assert not world.offload_job(card.root).clearance.is_yes, "one more reading alone proves nothing"
    assert world.offload_job(card.root, read_twice=True).clearance.is_yes
    assert world.run("clearance", "card", card.root).status == 0


@pytest.mark.parametrize("kind", [SecondIsWrong, SecondFails])
def test_a_second_reading_that_differs_or_fails_keeps_the_card(world: World, kind: type[Card]) -> None:
    card = world.card()
    paths = card.frames(3)
    found = world.offload_job(card.root, kind, read_twice=True)
    assert kinds(found) == {"unsteady"}
    assert compute_digest(paths[1].read_bytes()) in world.on("A").values()
    assert not found.not_copied
    assert world.run("clearance", "card", card.root).status == 1


def test_a_card_whose_first_reading_had_an_error_is_read_again_without_being_asked(world: World) -> None:
    card = world.card()
    card.frames(3)
    found = world.offload_job(card.root, FirstStumbles)
    assert found.second_reading is not None
    assert (found.second_reading.equal_files, found.clearance.is_yes) == (3, True)
    once = world.offload_job(card.root, FirstStumbles, read_twice=False)
    assert once.second_reading is None


def test_a_resumed_offload_compares_what_the_earlier_run_read(world: World) -> None:
    card = world.card()
    card.frames(3)
    assert world.offload_job(card.root).clearance.is_yes
    found = world.offload_job(card.root, SecondIsWrong, read_twice=True)
    assert kinds(found) == {"unsteady"}


@pytest.fixture
def images(here: Path) -> Iterator[Images]:
    with images_below(here) as found:
        yield found


@pytest.mark.images
def test_a_second_reading_of_a_real_card_comes_from_the_card(bare: World, images: Images) -> None:
    """A bit flips in the image between the two readings, below a cache that still has the old one."""
    bare.setup()
    point = images.mount("card", "exfat", 60)
    paths = CardFolder(point).frames(3)
    images.settle(point)

    class Rots(Card):
        def open_second_reader(self, path: str) -> MediumReader:
            if path.endswith(VICTIM) and not rotten:
                old = paths[1].read_bytes()
                flip_below(images.up[point], old[AT - 100 : AT + 412], 100)
                rotten.append(paths[1].read_bytes() == old)
            return super().open_second_reader(path)

    rotten: list[bool] = []
    found = bare.offload_job(point, Rots, read_twice=True)
    assert rotten == [True], "a cache hides it from whoever does not look past it"
    assert kinds(found) == {"unsteady"}
    assert found.second_reading is not None
    assert not found.second_reading.is_from_cache


def flip_below(mounted: Mounted, block: bytes, inside: int) -> None:
    """Flip a bit in the image without telling the device above it."""
    with mounted.image.open("r+b") as image, mmap.mmap(image.fileno(), 0) as whole:
        at = whole.find(block)
        assert at >= 0
        whole[at + inside] ^= 1
