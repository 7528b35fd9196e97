"""What goes wrong with what is handed in: every case is told in words, and nothing is lost or claimed by it."""

from __future__ import annotations

import errno
import json
import os
import re
import shutil
import socket
import struct
from pathlib import Path

import pytest
from sample_files import box, film, marked, tiny_raw
from world import Answer, TestClock, World, contents

from tripleguard.cli.shell import print_lines
from tripleguard.digest import compute_digest, hash_chunks
from tripleguard.errors import CardGoneError
from tripleguard.places.cache_bypass import MediumReader
from tripleguard.places.card import Card
from tripleguard.places.dir_handle import DirHandle

pytestmark = pytest.mark.alone


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


@pytest.mark.parametrize(
    "content",
    [
        b"{ not json",
        b"",
        b"[]",
        b"null",
        b"{}",
        b'{"id": 5}',
        b"\xff\xfe",
        b'{"id": "x", "name": 1, "since": ""}',
        b"{" * 70_000,
    ],
)
def test_a_marker_that_does_not_parse(world: World, content: bytes) -> None:
    card = world.card()
    card.frames(1)
    marker = world.drives["A"] / ".tripleguard" / "place.json"
    marker.write_bytes(content)
    _told(world.run("offload", card.root), 3, "does not parse")
    _told(world.run("drives"), 3, str(world.drives["A"]))
    assert marker.read_bytes() == content
    assert world.on("A") == {}


@pytest.mark.parametrize("number", ["", "x" * 65])
def test_a_marker_without_a_usable_id(world: World, number: str) -> None:
    marker = world.drives["A"] / ".tripleguard" / "place.json"
    marker.write_text(json.dumps({**json.loads(marker.read_text()), "id": number}))
    _told(world.run("drives"), 3, "no usable id")


ESCAPES = "B\x1b[2J\x1b]0;pwned\x07\r\u202egnp"
"""Clears the screen, names the window, rings, and turns what follows around (ECMA-48; Unicode 15, table 23-3)."""


@pytest.mark.parametrize("key", ["name", "id"])
def test_a_marker_that_would_write_on_the_terminal_is_refused(world: World, key: str) -> None:
    marker = world.drives["A"] / ".tripleguard" / "place.json"
    content = json.loads(marker.read_text())
    marker.write_text(json.dumps({**content, key: ESCAPES}))
    root = world.drives["A"]
    for command in (("drives",), ("drives", "add", "Z", root), ("setup", f"--drive=Z={root}"), ("rebuild", root)):
        answer = world.run(*command)
        assert answer.status != 0
        assert not re.search("[\x00-\x09\x0b-\x1f\x7f\u202e]", answer.out + answer.err), command
    _told(world.run("drives"), 3, "names a drive")


def test_nothing_that_is_said_reaches_the_terminal_raw(capsys: pytest.CaptureFixture[str]) -> None:
    """Whatever a line quotes: it ends at one door."""
    print_lines([f"first\nDrive {ESCAPES}: \udc80 and b\u00e4d"])
    out = capsys.readouterr().out
    assert out == "first\nDrive B\\x1b[2J\\x1b]0;pwned\\x07\\r\\u202egnp: \\x80 and b\u00e4d\n"


def test_a_marker_that_is_no_file(world: World) -> None:
    """A folder, a pipe that nobody writes to, a link that leads elsewhere: nothing hangs, nothing is believed."""
    card = world.card()
    card.frames(1)
    marker = world.drives["A"] / ".tripleguard" / "place.json"
    kept = marker.read_bytes()
    marker.unlink()
    marker.mkdir()
    assert world.run("offload", card.root).status in (1, 3)
    marker.rmdir()
    os.mkfifo(marker)
    assert world.run("offload", card.root).status in (1, 3)
    marker.unlink()
    (world.root / "elsewhere.json").write_bytes(kept)
    marker.symlink_to(world.root / "elsewhere.json")
    assert world.run("offload", card.root).status in (1, 3)
    assert world.on("A") == {}


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
        card.put(b"DCIM/100ORREY/" + name, tiny_raw(name, 600))
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
    answer = world.run("offload", card.root)
    assert answer.status == 1
    assert answer.out.count("it is empty") == 1, "two paths with the same bytes are one file"
    assert sorted(Path(path).name for path in world.on("B")) == ["ORR_0001.DNG", "ORR_0002.DNG"]
    assert world.run("offload", card.root, "--accept-damaged").status == 0


class _Meddled(Card):
    """A card whose file is changed by somebody while it is read, every time."""

    def open_reader(self, path: str) -> MediumReader:
        reading = super().open_reader(path)
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
    assert not result.clearance.is_yes
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

    from tripleguard.errors import NoSpaceError
    from tripleguard.places.drive import open_drive
    from tripleguard.places.fs_limits import FAT32_MAX_FILE_BYTES

    drive = open_drive(world.drives["A"])
    try:
        drive._fs_limits = dataclasses.replace(drive.fs_limits, max_file_bytes=FAT32_MAX_FILE_BYTES)
        drive.begin_copy(FAT32_MAX_FILE_BYTES).discard()
        with pytest.raises(NoSpaceError, match="can't hold files over"):
            drive.begin_copy(FAT32_MAX_FILE_BYTES + 1)
    finally:
        drive.close()


def test_a_folder_that_is_held_does_not_follow_the_path_elsewhere(here: Path) -> None:
    (here / "a").mkdir()
    held = DirHandle(here / "a")
    (here / "a").rename(here / "b")
    (here / "a").mkdir()
    assert not held.is_still_at_root()
    held.close()


class _Late(_Meddled):
    """Somebody writes to the file once while it is read, and then leaves it alone."""

    done = False

    def meddle(self, path: Path) -> None:
        if not type(self).done:
            type(self).done = True
            with path.open("ab") as file:
                file.write(b"more")


def test_a_file_that_holds_still_at_the_second_try_is_taken_as_it_is_then(world: World) -> None:
    """What it was before is nowhere, so the run that saw it change says no; the next one finds all at rest."""
    card = world.card()
    card.frames(3)
    _Late.done = False
    result = world.offload_job(card.root, _Late)
    assert [reason.kind for reason in result.clearance.reasons] == ["changed meanwhile"]
    assert result.not_copied == ()
    assert world.offload_job(card.root).clearance.is_yes
    assert sorted(world.on("A").values()) == sorted(card.digests().values())


class _Failing(Card):
    """A card with a place that can't be read: an error at once, or in the middle of a file."""

    after = 0

    def open_reader(self, path: str) -> MediumReader:
        reading = super().open_reader(path)
        return _Torn(reading, self.after) if path.endswith("ORR_0002.DNG") else reading


class _FailingLater(_Failing):
    after = 1


class _Torn(MediumReader):
    """A reading that gives some pieces and then an input/output error."""

    def __init__(self, reading: MediumReader, after: int) -> None:
        self._inner, self._left = reading, after

    def readinto(self, buffer: memoryview) -> int:
        if self._left == 0:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        self._left -= 1
        return self._inner.readinto(buffer[:8192])

    def close(self) -> None:
        self._inner.close()


@pytest.mark.parametrize("kind", [_Failing, _FailingLater])
def test_a_read_error_on_the_card_stops_one_file_and_makes_it_a_no(world: World, kind: type[_Failing]) -> None:
    card = world.card()
    card.frames(4)
    result = world.offload_job(card.root, kind)
    assert [note.path for note in result.not_copied] == ["DCIM/100ORREY/ORR_0002.DNG"]
    assert "can't be read" in result.not_copied[0].reason
    assert result.verified == {"A": 3, "B": 3}
    assert [reason.kind for reason in result.clearance.reasons] == ["unreadable"]
    assert "keep the card" in result.clearance.reasons[0].message
    assert len(world.on("A")) == 3
    kept = [path for path in contents(world.drives["A"]) if "/quarantine/" in path and path.endswith(".part")]
    assert bool(kept) == (kind is _FailingLater), "what could be read is kept for a recovery"
    assert world.run("clearance", "card", card.root).status == 1
    assert world.run("offload", card.root).status == 0, "a better reader reads it"


class _Pulled(Card):
    """A card that is pulled out after a few files."""

    def open_reader(self, path: str) -> MediumReader:
        if path.endswith("ORR_0003.DNG") and self.root.exists():
            self.root.rename(self.root.with_name("in a pocket"))
            raise OSError(errno.ENODEV, os.strerror(errno.ENODEV))
        return super().open_reader(path)


def test_a_card_that_is_pulled_is_told_and_the_next_run_goes_on(world: World) -> None:
    card = world.card()
    card.frames(5)
    with pytest.raises(CardGoneError) as caught:
        world.offload_job(card.root, _Pulled)
    for part in (caught.value.what, caught.value.safe, caught.value.do):
        assert part
    assert "Do not reformat" in caught.value.do
    (world.root / "in a pocket").rename(card.root)
    found = world.run("offload", card.root, "--json")
    assert (found.status, found.json["verified"]) == (0, {"A": 5, "B": 5})


def test_a_card_that_goes_away_during_the_question_is_no_yes(world: World) -> None:
    card = world.card()
    card.frames(2)
    assert world.run("offload", card.root).status == 0
    card.root.rename(world.root / "in a pocket")
    _told(world.run("clearance", "card", card.root), 2, "There is no card at")
    card.root.mkdir()
    answer = world.run("clearance", "card", card.root, "--json")
    assert (answer.status, answer.json["reasons"][0]["kind"]) == (1, "nothing")


def test_a_file_given_as_a_card(world: World) -> None:
    card = world.card()
    path = card.frames(1)[0]
    _told(world.run("offload", path), 2, "is not a folder")
    _told(world.run("clearance", "card", path), 2, "is not a folder")


def test_a_drive_given_as_a_card_through_a_link(world: World) -> None:
    link = world.root / "link"
    link.symlink_to(world.drives["A"])
    _told(world.run("offload", link), 2, "is one of the drives, not a card")
    inside = world.drives["A"] / "inside"
    inside.mkdir()
    (world.root / "deep").symlink_to(inside)
    _told(world.run("offload", world.root / "deep"), 2, "lies on the drive")


def test_a_card_in_a_folder_with_a_hostile_name(world: World) -> None:
    card = world.card("esc\x1b[31m [bold]\u202ecard\n")
    card.frames(1)
    for command in (("offload", card.root), ("clearance", "card", card.root), ("report",), ("log",)):
        answer = world.run(*command)
        assert answer.status == 0, answer.err
        assert not set(answer.out + answer.err) & {"\x1b", "\u202e"}
    assert world.run("clearance", "card", card.root, "--json").json["subject"] == str(card.root)
    assert "\x1b" not in next(world.drives["A"].glob("2026/*/clearance-*.txt")).read_text(encoding="utf-8")


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names_of_folders_and_of_what_can_not_be_copied(world: World, name: bytes) -> None:
    card = world.card()
    card.put(b"PRIVATE/" + name + b"/C0001.MP4", b"video")
    (card.root / os.fsdecode(name)).symlink_to("nowhere")
    answer = world.run("offload", card.root)
    assert answer.status == 1
    assert not set(answer.out + answer.err) & {"\x07", "\x1b", "\u202e"}
    assert set(world.on("A").values()) == {compute_digest(b"video")}
    assert any(f"/{os.fsdecode(name)}/C0001.MP4" in path for path in world.on("B"))
    assert world.run("offload", card.root, "--json").json["clearance"]["reasons"][0]["count"] == 1


def test_case_twins_and_twin_forms_keep_their_own_bytes(world: World) -> None:
    """RFC 8493, section 6.1.1 prints both forms of the second name."""
    card = world.card()
    twins = ("A.JPG", "a.jpg", "a.JPG", "Nu\u0301n\u0303ez.jpg", "N\u00fa\u00f1ez.jpg")
    for name in twins:
        card.put(f"DCIM/100ORREY/{name}", marked(name.encode()))
    assert world.run("offload", card.root).status == 0
    assert {Path(path).name: digest for path, digest in world.on("A").items()} == {
        name: compute_digest(marked(name.encode())) for name in twins
    }
    assert world.run("offload", card.root, "--json").json["copied"] == 0


def test_folders_that_are_nested_too_deep_are_told_and_make_it_a_no(world: World) -> None:
    card = world.card()
    card.frames(1)
    card.put("/".join("d" * 40) + "/deep.jpg", b"deep")
    answer = world.run("offload", card.root, "--json")
    assert answer.status == 1
    assert "nested" in answer.json["not_copied"][0]["reason"]


def test_a_card_with_nothing_but_litter_is_never_cleared(world: World) -> None:
    card = world.card()
    card.put(".DS_Store", b"x")
    answer = world.run("offload", card.root, "--json")
    assert (answer.status, [one["kind"] for one in answer.json["clearance"]["reasons"]]) == (1, ["nothing"])


def test_a_file_from_before_time_and_one_from_far_ahead(world: World) -> None:
    card = world.card()
    for name, seconds in (("old.jpg", -2_000_000_000), ("far.jpg", 8_000_000_000), ("zero.jpg", 0)):
        os.utime(card.put(f"DCIM/100ORREY/{name}", marked(name.encode())), (seconds, seconds))
    assert world.run("offload", card.root).status == 0
    assert world.run("clearance", "card", card.root).status == 0


@pytest.mark.parametrize("name", ["", "a/b", "x:y", "end.", " lead", "nul", ".hidden", "tab\there", "x" * 121])
def test_a_drive_that_can_not_be_called_so(bare: World, name: str) -> None:
    answer = bare.run("setup", "--drive", f"{name}={bare.folder('a')}")
    assert answer.status == 2
    if name:
        assert "can't be called" in answer.err
    assert list((bare.root / "a").iterdir()) == []


def test_a_drive_that_is_not_there_or_no_folder(bare: World) -> None:
    _told(bare.run("setup", "--drive", f"A={bare.root / 'nowhere'}"), 3, "There is nothing at")
    (bare.root / "file").write_bytes(b"x")
    _told(bare.run("setup", "--drive", f"A={bare.root / 'file'}"), 3, "is not a folder")


def test_one_folder_is_not_two_drives(bare: World) -> None:
    inner = bare.folder("a") / "inner"
    inner.mkdir()
    (bare.root / "link").symlink_to(bare.root / "a")
    assert bare.run("setup", "--drive", f"A={bare.root / 'a'}").status == 0
    for other in (bare.root / "a", bare.root / "link"):
        _told(bare.run("setup", "--drive", f"B={other}"), 2, "is known as A")
    _told(bare.run("setup", "--drive", f"B={inner}"), 3, "lie inside one another")
    _told(bare.run("setup", "--drive", f"B={bare.root}"), 3, "lie inside one another")
    assert [one["name"] for one in bare.run("drives", "--json").json["places"]] == ["A"]


def test_setup_without_a_terminal_asks_for_nothing(bare: World) -> None:
    done = bare.process("setup", stdin=-3)
    assert done.returncode == 2
    assert b"--drive NAME=PATH" in done.stderr
    assert bare.run("setup", "--drive", "A").status == 2


def test_a_home_that_can_not_be_made(bare: World) -> None:
    (bare.root / "home").write_bytes(b"a file is in the way")
    _told(bare.run("setup", "--drive", f"A={bare.folder('a')}"), 3, "home folder")


def test_a_file_in_the_way_of_a_folder_is_left_alone(world: World) -> None:
    (world.drives["A"] / "2026").write_bytes(b"somebody's own file")
    card = world.card()
    card.frames(1)
    answer = world.run("offload", card.root, "--json")
    assert (answer.status, answer.json["verified"]) == (1, {"A": 0, "B": 1})
    assert (world.drives["A"] / "2026").read_bytes() == b"somebody's own file"
    (world.drives["A"] / "2026").unlink()
    assert world.run("topup").status == 0
    assert world.run("clearance", "card", card.root).status == 0


def test_evidence_from_the_future_is_no_evidence(world: World) -> None:
    """A laptop whose clock was years ahead when it verified."""
    card = world.card()
    card.frames(1)
    world.offload_job(card.root, clock=TestClock(4_000_000_000 * 10**9))
    assert set(world.run("offload", card.root, "--json").json["read_back"]["A"].values()) == {1, 0, None}


@pytest.mark.slow
@pytest.mark.skipif("TRIPLEGUARD_SLOW" not in os.environ, reason="writes 4 GiB; set TRIPLEGUARD_SLOW=1 to run it")
def test_more_than_four_gib_is_one_file_like_any_other(world: World) -> None:
    """2^32 bytes and a few: where a 32-bit size would begin anew. The card's file is sparse, the copy is real."""
    size = 2**32 + 4096 + 7
    if shutil.disk_usage(world.root).free < 3 * size:
        pytest.skip("not enough room on this disk for a file of 4 GiB")
    world.settings("[rule]\ndrive_copies = 1\n")
    card = world.card()
    start = film()[:24] + box(b"moov", bytes(100))
    path = card.put("PRIVATE/M4ROOT/CLIP/C0001.MP4", start + struct.pack(">I4sQ", 1, b"mdat", size - len(start)))
    os.truncate(path, size)
    with path.open("r+b") as file:
        file.seek(2**32)
        file.write(b"beyond")
    answer = world.run("offload", card.root, "--drive", "A", "--json")
    assert answer.status == 0, answer.err
    assert answer.json["bytes"] == size
    assert answer.json["verified"] == {"A": 1}
    copy = next(world.drives["A"].glob("2026/*/**/C0001.MP4"))
    assert copy.stat().st_size == size

    with path.open("rb") as one, copy.open("rb") as other:
        assert hash_chunks(iter(lambda: one.read(1 << 22), b"")) == hash_chunks(
            iter(lambda: other.read(1 << 22), b"")
        )
