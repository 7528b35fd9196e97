"""What goes wrong with what is handed in: every case is told in words, and nothing is lost or claimed by it."""

from __future__ import annotations

import os
import shutil
import socket
from pathlib import Path

import pytest
from world import Answer, World

from tripleguard.places.card import Card
from tripleguard.places.held import HeldFolder
from tripleguard.places.media import MediumReading


def _told(answer: Answer, status: int, what: str) -> None:
    """The answer has this status and says what happened, what is safe and what to do."""
    assert answer.status == status, answer.err
    assert what in answer.err
    for part in ("What happened:", "What is safe:", "What to do:"):
        assert part in answer.err


def test_no_such_card(world: World) -> None:
    _told(world.run("offload", world.root / "nowhere"), 2, "There is no card at")


def test_a_card_that_is_a_drive(world: World) -> None:
    _told(world.run("offload", world.drives["A"]), 2, "is one of the drives, not a card")


def test_a_drive_inside_the_card(world: World) -> None:
    _told(world.run("offload", world.root), 2, "holds the drive")


def test_a_card_inside_a_drive(world: World) -> None:
    inside = world.drives["A"] / "card"
    inside.mkdir()
    _told(world.run("clearance", "card", inside), 2, "lies on the drive")


def test_a_strange_drive_is_no_card(world: World, here: Path) -> None:
    other = World(world.folder("other")).setup("C", "D")
    _told(world.run("offload", other.drives["C"]), 2, "carries a drive's marker")


def test_two_drives_with_one_id(world: World) -> None:
    card = world.card()
    card.frames(1)
    shutil.rmtree(world.drives["B"])
    shutil.copytree(world.drives["A"], world.drives["B"])
    answer = world.run("offload", card.root)
    _told(answer, 3, "have the same id")
    assert str(world.drives["A"]) in answer.err
    assert str(world.drives["B"]) in answer.err


def test_a_marker_that_does_not_parse(world: World) -> None:
    card = world.card()
    card.frames(1)
    (world.drives["A"] / ".tripleguard" / "place.json").write_text("{ not json")
    _told(world.run("offload", card.root), 3, "does not parse")


def test_an_empty_folder_where_a_drive_was_is_away(world: World) -> None:
    world.unplug("B")
    world.drives["B"].mkdir()
    states = {one["name"]: one["state"] for one in world.run("drives", "--json").json["places"]}
    assert states == {"A": "connected", "B": "away"}
    assert list(world.drives["B"].iterdir()) == []


def test_a_typo_in_the_settings(world: World) -> None:
    world.settings("[rule]\ndrive_copys = 2\n")
    _told(world.run("report"), 2, "line 2: there is no setting rule.drive_copys; did you mean drive_copies?")


def test_no_home_yet(bare: World) -> None:
    _told(bare.run("report"), 2, "There is no catalog")


@pytest.mark.parametrize("name", ["", "a/b", "x:y", "end.", " lead", "nul", ".hidden", "tab\there"])
def test_a_shoot_that_no_drive_can_name(world: World, name: str) -> None:
    card = world.card()
    card.frames(1)
    _told(world.run("offload", card.root, "--shoot", name), 2, "can't be called")


def test_links_pipes_and_sockets_are_not_followed_and_make_it_a_no(world: World) -> None:
    card = world.card()
    card.frames(1)
    secret = world.root / "secret.DNG"
    secret.write_bytes(b"not on the card")
    (card.root / "link.DNG").symlink_to(secret)
    (card.root / "folder").symlink_to(world.root)
    os.mkfifo(card.root / "pipe")
    with socket.socket(socket.AF_UNIX) as listening:
        os.chdir(card.root)
        try:
            listening.bind("socket")
        finally:
            os.chdir("/")
    found = world.run("offload", card.root, "--json")
    assert found.status == 1
    assert {one["path"] for one in found.json["not_copied"]} == {"link.DNG", "folder", "pipe", "socket"}
    assert [reason["kind"] for reason in found.json["clearance"]["reasons"]] == ["odd"]
    assert len(world.on("A")) == 1


HOSTILE = [
    b"bell\x07.DNG",
    b"esc\x1b[31m.DNG",
    "rtl\u202egnp.DNG".encode(),
    b"[bold red]markup[bold].DNG",
    b"<script>alert(1)</script>.DNG".replace(b"/", b"\\"),
    b"bad\xff\xfe.DNG",
    b"trail .DNG ",
    b"x" * 251 + b".DNG",
    b"new\nline.DNG",
    b"-rf.DNG",
    b"NAME.DNG",
    b"name.DNG",
    "n\u00fa\u00f1ez.DNG".encode(),
    "nu\u0301n\u0303ez.DNG".encode(),
]
"""N\u00fa\u00f1ez in both normal forms: RFC 8493, section 6.1.1."""


def test_hostile_names_are_copied_as_they_are_and_shown_harmlessly(world: World) -> None:
    card = world.card()
    for name in HOSTILE:
        card.put(b"DCIM/100ORREY/" + name, b"picture " + name)
    before = card.digests()
    found = world.run("offload", card.root)
    assert found.status == 0, found.out + found.err
    assert sorted(world.on("A").values()) == sorted(before.values())
    assert {os.path.basename(path) for path in world.on("A")} == {os.fsdecode(name) for name in HOSTILE}
    for command in (("where", "DNG"), ("where", "DNG", "--json"), ("log",), ("report",)):
        out = world.run(*command).out
        assert not set(out) & {"\x07", "\x1b", "\u202e"}


def test_empty_files_keep_their_names(world: World) -> None:
    card = world.card()
    card.put("DCIM/100ORREY/ORR_0001.DNG", b"")
    card.put("DCIM/100ORREY/ORR_0002.DNG", b"")
    assert world.run("offload", card.root).status == 0
    assert sorted(Path(path).name for path in world.on("B")) == ["ORR_0001.DNG", "ORR_0002.DNG"]


class _Meddled(Card):
    """A card whose file is changed by somebody while it is read, every time."""

    def read(self, path: str) -> MediumReading:
        reading = super().read(path)
        if path.endswith("ORR_0002.DNG"):
            self.meddle(self.root / path)
        return reading

    def meddle(self, path: Path) -> None:
        raise NotImplementedError


class _Growing(_Meddled):
    def meddle(self, path: Path) -> None:
        with path.open("ab") as file:
            file.write(b"more")


class _Shrinking(_Meddled):
    def meddle(self, path: Path) -> None:
        os.truncate(path, max(0, path.stat().st_size - 5000))


class _Vanishing(_Meddled):
    def meddle(self, path: Path) -> None:
        path.unlink(missing_ok=True)


@pytest.mark.parametrize("kind", [_Growing, _Shrinking, _Vanishing])
def test_a_file_that_does_not_hold_still_is_never_claimed(world: World, kind: type[_Meddled]) -> None:
    card = world.card()
    card.frames(3)
    whole = card.digests()
    result = world.offload_job(card.root, kind)
    assert [note.path for note in result.not_copied] == ["DCIM/100ORREY/ORR_0002.DNG"]
    assert set(world.on("A").values()) == {
        digest for path, digest in whole.items() if not path.endswith("ORR_0002.DNG")
    }
    if kind is not _Vanishing:
        assert not result.clearance.answer
    assert result.verified == {"A": 2, "B": 2}


def test_a_link_inside_a_drive_is_not_written_through(world: World) -> None:
    card = world.card()
    card.frames(1)
    outside = world.folder("outside")
    (world.drives["A"] / "2026").symlink_to(outside)
    found = world.run("offload", card.root, "--json")
    assert found.status == 1
    assert list(outside.iterdir()) == []
    assert found.json["verified"]["B"] == 1


def test_a_drive_that_can_not_hold_a_file_says_so_before_writing(world: World) -> None:
    """FAT32 holds files up to 2^32 - 1 bytes (general reference)."""
    import dataclasses

    from tripleguard.errors import NoRoom
    from tripleguard.places.drive import open_drive
    from tripleguard.places.probe import FAT32_LARGEST

    drive = open_drive(world.drives["A"])
    try:
        drive._limits = dataclasses.replace(drive.limits, largest=FAT32_LARGEST)
        drive.begin(FAT32_LARGEST).discard()
        with pytest.raises(NoRoom, match="can't hold files over"):
            drive.begin(FAT32_LARGEST + 1)
    finally:
        drive.close()


def test_a_folder_that_is_held_does_not_follow_the_path_elsewhere(here: Path) -> None:
    (here / "a").mkdir()
    held = HeldFolder(here / "a")
    (here / "a").rename(here / "b")
    (here / "a").mkdir()
    assert not held.still_there()
    held.close()
