"""Quarantine is a folder on a drive: anything may lie there, and anything may happen while it is emptied."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from disk_images import Images, images_below, why_not
from test_quarantine import BY_WORD, emptied, folder, quarantine, repaired, rescan_and_repair
from test_rescan_and_repair import _rot
from test_terminal_output import on_terminal, too_wide
from world import World, contents

from tripleguard.places.drive import Drive, open_drive
from tripleguard.places.locks import LockHolder, hold_lock
from tripleguard.places.quarantine import QuarantineEntry, build_note_name

pytestmark = pytest.mark.alone

if sys.platform == "win32":
    pytest.skip("links and pipes as they are here", allow_module_level=True)

WORD = "empty A\n"


def _strange(world: World) -> Path:
    """The quarantine folder of drive A, with much that this tool never put there."""
    top = world.drives["A"] / ".tripleguard/quarantine"
    own = quarantine(world)["ORR_0001.DNG"].parent
    (world.root / "precious").mkdir()
    (world.root / "precious/picture.dng").write_bytes(b"mine")
    (own / "a link.DNG").symlink_to(world.root / "precious/picture.dng")
    (own / "deeper").mkdir()
    (own / "deeper/picture.dng").write_bytes(b"mine")
    (own / "\x1b[2J\x1b[1;31mred\n.DNG").write_bytes(b"mine")
    (top / "20260614T013005Z-00c0ffee").symlink_to(world.root / "precious")
    (top / "loose.dng").write_bytes(b"mine")
    (top / "somebody's").mkdir()
    (top / "somebody's/picture.dng").write_bytes(b"mine")
    (top / "20990101T000000Z-deadbeef").mkdir()
    (top / "20990101T000000Z-deadbeef/ORR_0001.DNG").write_bytes(b"from a time to come")
    os.mkfifo(own / "pipe")
    return top


def test_what_the_catalog_does_not_know_is_listed_and_stays_whatever_is_asked_for(world: World) -> None:
    repaired(world, 1)
    own = quarantine(world)["ORR_0001.DNG"]
    top = _strange(world)
    strangers = contents(top)
    known = str(own.relative_to(top))
    listed = world.run("quarantine")
    assert listed.status == 0
    assert "\x1b" not in listed.out
    assert "red\\n.DNG" in listed.out
    things = world.run("quarantine", "--json").json["places"][0]["things"]
    assert len(things) == 9
    assert sum(one["kept_because"] is None for one in things) == 1
    answer = world.run(
        "quarantine", "empty", "--drive", "A", "--keep-newest", "0", "--changed-too", *BY_WORD, "--json"
    )
    assert (answer.status, len(answer.json["removed"]), len(answer.json["kept"])) == (1, 1, 8)
    reasons = " ".join(one["reason"] for one in answer.json["kept"])
    for words in ("it is a link", "it is a folder", "it is no plain file", "the catalog does not know it"):
        assert words in reasons
    assert emptied(world)[:2] == (1, set()), "without an age it is not old"
    gone = set(strangers) - set(contents(top))
    assert gone == {known, f"{Path(known).parent}/{build_note_name(Path(known).name)}"}
    assert (world.root / "precious/picture.dng").read_bytes() == b"mine"


def test_a_note_that_is_none_of_ours_is_not_taken_for_one(world: World) -> None:
    repaired(world, 1)
    there = quarantine(world)["ORR_0001.DNG"]
    note = there.parent / build_note_name(there.name)
    note.write_bytes(b"\xff\x00 a diary\nof\nthe tour\n" * 50)
    status, went, kept = emptied(world)
    assert (status, went, set(kept)) == (1, {"ORR_0001.DNG"}, {note.name})
    assert note.read_bytes().startswith(b"\xff\x00 a diary")


def test_a_note_can_not_move_the_cursor(world: World) -> None:
    repaired(world, 1)
    there = quarantine(world)["ORR_0001.DNG"]
    note = there.parent / build_note_name(there.name)
    note.write_text("x\n\x1b[2Jall is well\nmoved here 20260614T013005Z; nothing was deleted\n")
    out = world.run("quarantine").out
    assert "\x1b" not in out
    assert "all is well" in out


def test_an_aside_folder_that_leads_elsewhere_is_not_entered(world: World) -> None:
    repaired(world, 1)
    top, elsewhere = world.drives["A"] / ".tripleguard/quarantine", world.root / "elsewhere"
    top.rename(elsewhere)
    top.symlink_to(elsewhere)
    before = contents(elsewhere)
    assert emptied(world) == (0, set(), {})
    assert "it is no folder of this drive" in world.run("quarantine").out
    assert contents(elsewhere) == before
    assert world.run("quarantine", "--json").json["places"][0]["not_there"] == 0, (
        "what was not looked at is not gone"
    )
    top.unlink()
    elsewhere.rename(top)
    assert emptied(world)[:2] == (0, {"ORR_0001.DNG"})


def test_a_bad_copy_with_a_second_name_stays(world: World) -> None:
    repaired(world, 1)
    os.link(quarantine(world)["ORR_0001.DNG"], world.drives["A"] / "also here.DNG")
    status, went, kept = emptied(world)
    assert (status, went) == (1, set())
    assert "another name on the drive" in kept["ORR_0001.DNG"]


def _lying(drive: Drive, name: str) -> QuarantineEntry:
    return next(one for one in drive.list_quarantine() if one.name == name)


def test_the_one_call_that_removes_takes_nothing_but_what_was_looked_at(world: World) -> None:
    repaired(world, 2)
    drive = open_drive(world.drives["A"])
    try:
        lying = _lying(drive, "ORR_0001.DNG")
        there = world.drives["A"] / lying.path
        for path in (
            "2026/x.DNG",
            ".tripleguard/quarantine/ORR_0001.DNG",
            ".tripleguard/quarantine/../../x.DNG",
            ".tripleguard/quarantine/x/../y.DNG",
            ".tripleguard/quarantine/x/y/z.DNG",
            ".tripleguard/catalog/x/y.DNG",
            "/.tripleguard/quarantine/x/y.DNG",
            ".tripleguard/quarantine/x/y\0.DNG",
        ):
            with pytest.raises(ValueError, match="may not be removed"):
                drive.writer.delete_quarantined(QuarantineEntry(path, link_count=1))
        with pytest.raises(ValueError, match="may not be removed"):
            drive.writer.delete_quarantined(
                QuarantineEntry(lying.path, lying.size, lying.mtime_ns, lying.inode_id, link_count=2)
            )
        os.utime(there, ns=(0, 0))
        assert not drive.writer.delete_quarantined(lying), "touched since"
        lying = _lying(drive, "ORR_0001.DNG")
        swapped = there.with_name("swapped")
        there.rename(swapped)
        there.symlink_to(swapped)
        assert not drive.writer.delete_quarantined(lying), "a link by now"
        there.unlink()
        there.write_bytes(swapped.read_bytes())
        os.utime(there, ns=(lying.mtime_ns, lying.mtime_ns))
        assert not drive.writer.delete_quarantined(lying), "another file of the same size and time"
        there.unlink()
        assert not drive.writer.delete_quarantined(lying), "gone already"
        swapped.rename(there)
        parent, elsewhere = there.parent, world.root / "elsewhere"
        parent.rename(elsewhere)
        parent.symlink_to(elsewhere)
        with pytest.raises(Exception, match="removing ORR_0001"):
            drive.writer.delete_quarantined(lying)
        assert (elsewhere / "ORR_0001.DNG").exists()
        parent.unlink()
        elsewhere.rename(parent)
        assert not drive.writer.delete_quarantined(lying), "moved there and back"
        lying = _lying(drive, "ORR_0001.DNG")
        assert drive.writer.delete_quarantined(lying)
        assert not there.exists()
        drive.writer.remove_empty_dir(f".tripleguard/quarantine/{parent.name}")
        assert parent.exists(), "its note is in it"
        with pytest.raises(ValueError, match="may not be removed"):
            drive.writer.remove_empty_dir("2026")
    finally:
        drive.close()


def test_while_another_job_holds_a_drive_nothing_is_emptied(world: World) -> None:
    """Also the other drive: its copies are what makes it safe, and a job may be moving them."""
    repaired(world, 1)
    for name in "AB":
        drive = open_drive(world.drives[name])
        try:
            holder = LockHolder(4242, "laptop", "repair", "2026-06-14T01:30:00Z")
            with hold_lock(f"Drive {name}", drive.writer.open_lock, holder):
                answer = world.run("quarantine", "empty", "--drive", "A", "--older-than", "0d", *BY_WORD)
                assert answer.status == 3
                assert f"Drive {name} is in use by repair" in answer.err
                assert world.run("quarantine").status == 0, "looking is free"
        finally:
            drive.close()
    assert set(quarantine(world)) == {"ORR_0001.DNG"}


def test_at_a_terminal_the_word_is_typed(world: World) -> None:
    repaired(world, 1)
    command = ("quarantine", "empty", "--drive", "A", "--older-than", "0d")
    for wrong in ("\n", "yes\n", "empty\n", "empty B\n", "y\n"):
        status, text = on_terminal(world, *command, *BY_WORD, typed=wrong)
        assert status == 130
        assert "What is safe: Nothing was removed." in text
        assert too_wide(text) == []
    assert set(quarantine(world)) == {"ORR_0001.DNG"}
    status, text = on_terminal(world, *command, typed=f"{WORD}to make room\n")
    assert status == 0, text
    assert "What goes can't be had back." in text
    assert "1 bad copy was removed" in text
    assert too_wide(text.replace(": ", ":\n")) == []
    assert quarantine(world) == {}
    assert "to make room" in world.run("log").out


def test_killed_in_the_middle_the_catalog_lags_and_the_next_run_goes_on(world: World) -> None:
    frames = 20
    repaired(world, frames)
    pictures = world.on("A"), world.on("B")
    words = world.command_line("quarantine", "empty", "--drive", "A", "--older-than", "0d", *BY_WORD)
    chance, cut = random.Random(11), 0
    for _ in range(4):
        running = subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        before = len(quarantine(world))
        deadline = time.monotonic() + 20
        while len(quarantine(world)) > before - chance.randrange(1, 5) and time.monotonic() < deadline:
            if running.poll() is not None:
                break
        running.send_signal(signal.SIGKILL)
        running.wait()
        cut += running.returncode == -signal.SIGKILL
        left = set(quarantine(world))
        place = world.run("quarantine", "--json").json["places"][0]
        assert {Path(one["path"]).name for one in place["things"]} == left
        assert place["not_there"] <= 1
        assert all(one["kept_because"] is None for one in place["things"])
        assert (world.on("A"), world.on("B")) == pictures
    assert cut >= 2
    status, _, kept = emptied(world)
    assert (status, kept, quarantine(world)) == (0, {}, {})
    events = world.run("log", "--last", "1000", "--json").json["events"]
    assert sum(one["type"] == "deletion" for one in events) == frames
    assert (world.on("A"), world.on("B")) == pictures
    assert list((world.drives["A"] / ".tripleguard/quarantine").iterdir()) == []


def _on_images(world: World, images: Images, kind: str) -> World:
    world.drives = {name: images.mount(name.lower(), kind, 64) for name in "AB"}
    given = [part for name, path in world.drives.items() for part in ("--drive", f"{name}={path}")]
    assert world.run("setup", "--allow-same-disk", *given).status == 0
    return world


@pytest.mark.images
@pytest.mark.parametrize("kind", ["exfat", "ntfs", "ext4"])
def test_on_file_systems_of_the_road_it_goes_the_same_way(bare: World, kind: str) -> None:
    if (why := why_not(kind)) is not None:
        pytest.skip(why)
    with images_below(bare.root) as images:
        world = repaired(_on_images(bare, images, kind), 3)
        before = world.on("A"), world.on("B")
        assert emptied(world) == (0, {"ORR_0001.DNG", "ORR_0002.DNG", "ORR_0003.DNG"}, {})
        assert (world.on("A"), world.on("B")) == before
        assert list((world.drives["A"] / ".tripleguard/quarantine").iterdir()) == []


@pytest.mark.images
def test_a_drive_that_turned_read_only_keeps_all_and_says_so(bare: World) -> None:
    if (why := why_not("ext4")) is not None:
        pytest.skip(why)
    with images_below(bare.root) as images:
        world = repaired(_on_images(bare, images, "ext4"), 1)
        _rot(folder(world, "B") / "ORR_0002.DNG", 99)
        rescan_and_repair(world)
        subprocess.run(["mount", "-o", "remount,ro", str(world.drives["A"])], check=True)
        assert "1 copy is in quarantine" in world.run("quarantine").out
        answer = world.run("quarantine", "empty", "--drive", "A", "--older-than", "0d", *BY_WORD)
        assert answer.status == 3
        assert "Drive A is read-only" in answer.err
        assert set(quarantine(world)) == {"ORR_0001.DNG"}
        other = world.run("quarantine", "empty", "--drive", "B", "--older-than", "0d", *BY_WORD)
        assert other.status == 0, "the copies on a drive that nobody can write to count"
        assert quarantine(world, "B") == {}
