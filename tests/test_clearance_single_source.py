"""A yes comes from one component, and from what it saw itself; other parts have no way to say it.

Each of these was a yes once, with bytes on no drive.
"""

from __future__ import annotations

import ast
import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from world import CardFolder, TestClock, World, finished

import tripleguard
from tripleguard.clearance_answer import Clearance
from tripleguard.clock import HOUR
from tripleguard.jobs.clearance.card_answer import CardQuestion
from tripleguard.jobs.clearance.card_clearance import clear_card
from tripleguard.jobs.drives import locate_drives, open_drives
from tripleguard.model import Entry
from tripleguard.places.base import CardItem
from tripleguard.places.cache_bypass import MediumReader
from tripleguard.places.card import Card
from tripleguard.places.dir_handle import DirHandle

PACKAGE = Path(tripleguard.__file__).parent
MAKERS = {"jobs/clearance/decision.py"}
"""Where a clearance may be made."""


def _makes_a_clearance(source: str) -> list[int]:
    """Lines that construct a clearance, or change one that exists."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Call):
            name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
            words = {keyword.arg for keyword in node.keywords}
            if name in ("Clearance", "CardAnswer", "DriveAnswer") and name == "Clearance":
                found.append(node.lineno)
            if name in ("replace", "structs_replace", "__setattr__") and "answer" in words:
                found.append(node.lineno)
    return found


def test_nothing_else_in_the_package_makes_a_clearance() -> None:
    makers = {
        str(path.relative_to(PACKAGE)).replace(os.sep, "/")
        for path in PACKAGE.rglob("*.py")
        if _makes_a_clearance(path.read_text(encoding="utf-8"))
    }
    assert makers == MAKERS


def test_a_clearance_that_is_made_elsewhere_is_found() -> None:
    assert _makes_a_clearance("def f():\n    return answers.Clearance(answer=True)\n") == [2]
    assert _makes_a_clearance("x = replace(clearance, answer=True)\n") == [1]


def test_a_yes_with_a_reason_against_it_can_not_be_made() -> None:
    with pytest.raises(ValueError, match="covers every file"):
        Clearance(True, "card", 1, 2, 10, 1, bytes(32), ())


class Meddling(Card):
    """A card on which something happens when its third file is opened."""

    happens: Callable[[Path], object] = staticmethod(lambda root: None)
    opened = 0

    def open_reader(self, path: str) -> MediumReader:
        type(self).opened += 1
        if type(self).opened == 3:
            type(self).happens(self.root)
        return super().open_reader(path)


def _rewritten(path: Path, *, keep_time: bool) -> None:
    status, content = path.stat(), bytearray(path.read_bytes())
    content[len(content) // 2] ^= 0xFF
    path.write_bytes(content)
    if keep_time:
        os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))


FRAME = "DCIM/100ORREY/ORR_0001.DNG"
CHANGES: dict[str, Callable[[Path], object]] = {
    "appended": lambda root: (root / FRAME).write_bytes((root / FRAME).read_bytes() + b"more"),
    "rewritten": lambda root: _rewritten(root / FRAME, keep_time=False),
    "rewritten with its old time": lambda root: _rewritten(root / FRAME, keep_time=True),
    "a new frame": lambda root: shutil.copy(root / FRAME, root / "DCIM/100ORREY/ORR_0099.DNG"),
    "a new sidecar": lambda root: (root / "DCIM/100ORREY/ORR_0001.xmp").write_text("<x/>"),
    "a twin in other case": lambda root: (root / "DCIM/100ORREY/orr_0001.dng").write_bytes(b"twin"),
    "a new folder": lambda root: shutil.copytree(root / "DCIM/100ORREY", root / "DCIM/101ORREY"),
    "a time in 2107": lambda root: os.utime(root / FRAME, (4_323_000_000, 4_323_000_000)),
    "a frame deleted": lambda root: (root / FRAME).unlink(),
    "a frame renamed": lambda root: (root / FRAME).rename(root / "DCIM/100ORREY/ORR_0077.DNG"),
}


@pytest.fixture
def meddling() -> Iterator[type[Meddling]]:
    Meddling.opened = 0
    yield Meddling
    Meddling.happens = staticmethod(lambda root: None)


def _asked(world: World, card: CardFolder, kind: type[Card]) -> Clearance:
    with world.ctx() as ctx, open_drives(ctx, locate_drives(ctx), "a test") as ready:
        held = kind(DirHandle(card.root, no_atime=True))
        try:
            return finished(clear_card(ctx, CardQuestion(held), ready.connected)).clearance
        finally:
            held.close()


@pytest.mark.parametrize("change", CHANGES)
@pytest.mark.parametrize("asked", ["clearance", "offload"])
def test_a_card_that_changes_while_it_is_read_is_not_cleared(
    world: World, meddling: type[Meddling], change: str, asked: str
) -> None:
    card = world.card()
    card.frames(5)
    if asked == "clearance":
        assert world.run("offload", card.root).status == 0
    meddling.happens = staticmethod(CHANGES[change])
    answer = (
        _asked(world, card, meddling) if asked == "clearance" else world.offload_job(card.root, meddling).clearance
    )
    assert not answer.is_yes, change


@pytest.mark.parametrize("how", ["deleted", "zeroed, time kept", "drive away"])
def test_copies_that_change_while_the_card_is_read_do_not_count(
    world: World, meddling: type[Meddling], how: str
) -> None:
    card = world.card()
    card.frames(5)
    assert world.run("offload", card.root).status == 0

    def happens(_: Path) -> None:
        copies = sorted(world.drives["B"].rglob("*.DNG"))
        if how == "deleted":
            for copy in copies:
                copy.unlink()
        elif how == "zeroed, time kept":
            for copy in copies:
                status = copy.stat()
                copy.write_bytes(bytes(status.st_size))
                os.utime(copy, ns=(status.st_atime_ns, status.st_mtime_ns))
        else:
            world.unplug("B")

    meddling.happens = staticmethod(happens)
    card_at_rest = CardFolder(card.root)
    # An offload has looked at these copies before it reads; a clearance looks at them after.
    answer = world.offload_job(card_at_rest.root, meddling).clearance
    assert not answer.is_yes


class Shrinking(Card):
    """A card that lists its last file once, and never again."""

    times = 0

    def entries(self) -> Iterator[CardItem]:
        type(self).times += 1
        for item in super().entries():
            if type(self).times > 1 and isinstance(item, Entry) and item.path.endswith("ORR_0003.DNG"):
                continue
            yield item


def test_a_file_that_was_listed_once_and_never_again_is_a_no(world: World) -> None:
    card = world.card()
    card.frames(3)
    Shrinking.times = 0
    answer = world.offload_job(card.root, Shrinking).clearance
    assert [reason.kind for reason in answer.reasons][:1] == ["gone meanwhile"]


class Ending(Card):
    """A card of which an offload reads two files, and then is stopped for good."""

    last = "ORR_0003.DNG"

    def open_reader(self, path: str) -> MediumReader:
        if path.endswith(self.last):
            raise KeyboardInterrupt
        return super().open_reader(path)


def test_another_card_with_the_same_names_sizes_times_and_ends_is_read_itself(world: World) -> None:
    """A job was killed over the first card; the second differs only in the middle of each file."""
    first, second = world.card("first"), world.card("second")
    first.frames(4, size=400_000)
    shutil.copytree(first.root, second.root, dirs_exist_ok=True)
    for path in sorted(second.root.rglob("*.DNG")):
        _rewritten(path, keep_time=True)
    with pytest.raises(KeyboardInterrupt):
        world.offload_job(first.root, Ending)
    answer = world.run("offload", second.root, "--json")
    assert answer.json["resumed"] == 0
    held = set(world.on("A").values()) & set(world.on("B").values())
    assert set(second.digests().values()) <= held or answer.status != 0
    assert answer.status == 0


class EndingLate(Ending):
    """The same, long after the first files were entered."""

    last = "ORR_0040.DNG"


def test_the_same_card_in_the_same_mounting_goes_on_where_it_was(world: World) -> None:
    card = world.card()
    card.frames(40)
    with pytest.raises(KeyboardInterrupt):
        world.offload_job(card.root, EndingLate)
    answer = world.run("offload", card.root, "--json")
    assert answer.status == 0
    assert answer.json["resumed"] >= 1


def test_two_folders_on_one_disk_are_a_no_unless_the_settings_allow_it(world: World) -> None:
    card = world.card()
    card.frames(2)
    assert world.run("offload", card.root).status == 0
    text = (world.home / "settings.toml").read_text().replace("allow_same_disk = true", "allow_same_disk = false")
    (world.home / "settings.toml").write_text(text)
    answer = world.run("clearance", "card", card.root, "--json")
    assert (answer.status, [one["kind"] for one in answer.json["reasons"]]) == (1, ["one disk"])


def test_a_hard_link_to_the_other_copy_counts_never_twice(world: World) -> None:
    card = world.card()
    card.frames(2)
    assert world.run("offload", card.root).status == 0
    for copy in sorted(world.drives["A"].rglob("*.DNG")):
        other = world.drives["B"] / copy.relative_to(world.drives["A"])
        other.unlink()
        os.link(copy, other)
    answer = world.run("clearance", "card", card.root, "--json")
    assert (answer.status, [one["kind"] for one in answer.json["reasons"]]) == (1, ["one copy twice"])


def test_a_yes_names_its_moment_and_the_answer_follows_it(world: World) -> None:
    card = world.card()
    card.frames(3)
    clearance = world.offload_job(card.root).clearance
    assert clearance.is_yes
    assert clearance.at <= clearance.answered_at


def test_nothing_says_read_back_of_what_was_not_read_now(world: World) -> None:
    card = world.card()
    card.frames(3)
    world.offload_job(card.root, clock=TestClock(TestClock().at - 3 * HOUR))
    answer = world.run("offload", card.root)
    assert "0 read back now, 3 read back before, the oldest on" in answer.out
    assert "read back and equal" not in answer.out
