"""More of the photographer's day, through the command line: what is kept, what is told, and what is never said."""

from __future__ import annotations

import json
import os
import resource
import signal
import subprocess
import sys
import time
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from sample_files import film, marked, memo, tiny_raw
from world import EVENING, SERIAL, SMALL, CardFolder, TestClock, World, contents

from tripleguard.clock import DAY, HOUR
from tripleguard.digest import compute_digest
from tripleguard.model import CopyState
from tripleguard.places.drive import open_drive
from tripleguard.places.locks import LockHolder, hold_lock
from tripleguard.places.reserved import new_unfinished_name

pytestmark = pytest.mark.alone

BODY = "2026/2026-06-13 quay/Orrery R7 7731"


def offloaded(world: World, card: CardFolder, *more: object) -> dict[str, object]:
    """Offload a card to the end and expect a yes; what it said."""
    answer = world.run("offload", card.root, "--shoot", "quay", "--json", *more)
    assert answer.status == 0, answer.out + answer.err
    return answer.json


def reason_kinds(answer: dict[str, object]) -> list[str]:
    clearance = answer.get("clearance", answer)
    assert isinstance(clearance, dict)
    return [reason["kind"] for reason in clearance["reasons"]]


# Names of fields: DESIGN, "What --json prints holds at least these". More is welcome.
OFFLOAD = {"shoot", "files", "bytes", "copied", "already_there", "verified", "not_copied", "seconds", "clearance"}
CLEARANCE = {"answer", "subject", "at", "files", "bytes", "covered", "reasons"}
REASON = {"kind", "count", "message", "paths"}
REPORT = {"answer", "findings", "owed", "places", "counts"}
FINDING = {"kind", "severity", "place", "path", "digest", "shoot", "since", "message", "next_step"}
WHERE = {"digest", "size", "name", "shoot", "captured_at", "copies"}
COPY = {"place", "path", "state", "verified_at"}
PLACE = {"name", "id", "role", "state", "path", "free", "total", "files", "verified_oldest"}


def test_every_field_that_a_script_may_rest_on_is_there(world: World) -> None:
    card = world.card()
    card.frames(2)
    (card.root / "link").symlink_to("nowhere")
    world.unplug("B")
    offload = world.run("offload", card.root, "--json").json
    assert set(offload) >= OFFLOAD | {"schema"}
    assert offload["schema"] == 1
    assert set(offload["clearance"]) >= CLEARANCE
    assert all(set(reason) >= REASON for reason in offload["clearance"]["reasons"])
    assert offload["not_copied"] == [{"path": "link", "reason": offload["not_copied"][0]["reason"]}]
    clearance = world.run("clearance", "card", card.root, "--json").json
    assert set(clearance) >= CLEARANCE | {"schema"}
    assert (clearance["answer"], clearance["subject"]) == ("no", str(card.root))
    report = world.run("report", "--json").json
    assert set(report) >= REPORT | {"schema"}
    assert report["findings"]
    assert all(set(finding) >= FINDING for finding in report["findings"])
    where = world.run("where", "ORR_0001", "--json").json
    assert "schema" in where
    assert set(where["files"][0]) >= WHERE
    assert set(where["files"][0]["copies"][0]) >= COPY
    drives = world.run("drives", "--json").json
    assert all(set(place) >= PLACE for place in drives["places"])
    assert [place["state"] for place in drives["places"]] == ["connected", "away"]


def test_exit_statuses_are_those_a_script_expects(world: World) -> None:
    """0 all is well, 1 needs attention, 2 the command is wrong, 3 it could not be done."""
    card = world.card()
    card.frames(1)
    assert world.run("report").status == 0
    assert world.run("offload", card.root).status == 0
    assert world.run("clearance", "card", card.root).status == 0
    assert world.run("where", "ORR_0001").status == 0
    assert world.run("where", "no such thing").status == 1
    card.frames(1, first=2)
    assert world.run("clearance", "card", card.root).status == 1
    assert world.run("offload").status == 2
    assert world.run("offlode", card.root).status == 2
    assert world.run("offload", card.root, "--drive", "Z").status == 2
    assert world.run("clearance", "card", world.root / "nowhere").status == 2
    world.unplug("A")
    world.unplug("B")
    assert world.run("offload", card.root).status == 3
    assert world.run("topup").status == 3


def test_the_answer_of_a_clearance_is_about_the_card_as_it_is_now(world: World) -> None:
    card = world.card()
    paths = card.frames(3)
    offloaded(world, card)
    answer = world.run("clearance", "card", card.root, "--json")
    assert (answer.status, answer.json["answer"], answer.json["covered"]) == (0, "yes", 3)
    status = paths[1].stat()
    content = bytearray(paths[1].read_bytes())
    content[SMALL // 2] ^= 0x40
    # Both ends, size and time as before: only reading it whole shows the change.
    big = bytes(content) + bytes(200_000)
    paths[1].write_bytes(big)
    os.utime(paths[1], ns=(status.st_atime_ns, status.st_mtime_ns))
    offloaded(world, card)
    changed = bytearray(big)
    changed[130_000] ^= 1
    paths[1].write_bytes(changed)
    os.utime(paths[1], ns=(status.st_atime_ns, status.st_mtime_ns))
    answer = world.run("clearance", "card", card.root, "--json")
    assert (answer.status, reason_kinds(answer.json)) == (1, ["changed"])
    assert answer.json["reasons"][0]["paths"] == ["DCIM/100ORREY/ORR_0002.DNG"]


def test_the_digest_of_the_list_stands_for_what_was_covered(world: World) -> None:
    card = world.card()
    card.frames(2)
    offloaded(world, card)
    first, second = (world.run("clearance", "card", card.root, "--json").json["list_digest"] for _ in range(2))
    assert first == second
    card.frames(1, first=3)
    offloaded(world, card)
    assert world.run("clearance", "card", card.root, "--json").json["list_digest"] != first


def test_a_mirrored_second_card_copies_nothing_and_is_cleared_too(world: World) -> None:
    """Two slots, one set: both cards may go only if what is on both is safe."""
    first, second = world.card("slot-1"), world.card("slot-2")
    for path in first.frames(4):
        second.put(str(path.relative_to(first.root)), path.read_bytes())
    offloaded(world, first)
    again = offloaded(world, second)
    assert (again["copied"], again["already_there"]) == (0, 4)
    assert len(world.on("A")) == 4
    second.raw("DCIM/100ORREY/ORR_0005.DNG")
    assert world.run("clearance", "card", second.root).status == 1
    assert world.run("clearance", "card", first.root).status == 0


def test_sidecars_with_equal_bytes_are_kept_under_both_names(world: World) -> None:
    card = world.card()
    card.frames(2)
    for number in (1, 2):
        card.put(f"DCIM/100ORREY/ORR_000{number}.xmp", b"<x:xmpmeta>five stars</x:xmpmeta>")
    offloaded(world, card)
    for name in world.drives:
        names = sorted(Path(path).name for path in world.on(name))
        assert names == ["ORR_0001.DNG", "ORR_0001.xmp", "ORR_0002.DNG", "ORR_0002.xmp"]
    again = offloaded(world, card)
    assert again["copied"] == 0


def test_what_was_owed_of_equal_sidecars_is_never_called_safe_too_early(world: World) -> None:
    card = world.card()
    card.frames(2)
    for number in (1, 2):
        card.put(f"DCIM/100ORREY/ORR_000{number}.xmp", b"<x:xmpmeta>five stars</x:xmpmeta>")
    world.unplug("B")
    assert world.run("offload", card.root, "--shoot", "quay").status == 1
    world.plug("B")
    world.run("topup")
    answer = world.run("clearance", "card", card.root, "--json")
    both = set(world.on("B")) == set(world.on("A"))
    assert (answer.status == 0) == both
    offloaded(world, card)
    assert world.on("A") == world.on("B")


def test_a_sidecar_with_two_versions_is_two_files(world: World) -> None:
    card = world.card()
    card.frames(1)
    card.put("DCIM/100ORREY/ORR_0001.xmp", b"one star")
    offloaded(world, card)
    card.put("DCIM/100ORREY/ORR_0001.xmp", b"two stars", at=EVENING + timedelta(hours=1))
    offloaded(world, card)
    kept = {digest for path, digest in world.on("A").items() if path.endswith(".xmp")}
    assert kept == {compute_digest(b"one star"), compute_digest(b"two stars")}


def test_everything_but_litter_comes_along(world: World) -> None:
    card = world.card()
    wanted = {
        "DCIM/100ORREY/ORR_0001.DNG": tiny_raw(b"raw", 4000),
        "DCIM/100ORREY/ORR_0001.JPG": marked(b"jpeg"),
        "DCIM/100ORREY/ORR_0001.WAV": memo(b"sound"),
        "DCIM/100ORREY/ORR_0001.xmp": b"sidecar",
        "DCIM/100ORREY/ORR_0002.xyz": b"unknown",
        "DCIM/100ORREY/noextension": b"unknown too",
        "PRIVATE/M4ROOT/CLIP/C0001.MP4": film(),
        "PRIVATE/M4ROOT/CLIP/C0001M01.XML": b"its metadata",
        "PRIVATE/M4ROOT/THMBNL/C0001T01.JPG": marked(b"its thumbnail"),
        "MISC/AUTPRINT.MRK": b"marks",
        # A picture in the trash of the card is a picture.
        ".Trashes/501/ORR_0009.DNG": tiny_raw(b"thrown away by mistake", 4000),
        # Named like half of a Mac file, but it does not begin like one (RFC 1740).
        "DCIM/100ORREY/._ORR_0003.JPG": marked(b"a real picture"),
    }
    litter = {
        ".DS_Store": b"x",
        "DCIM/.DS_Store": b"x",
        "DCIM/Thumbs.db": b"x",
        "DCIM/100ORREY/._ORR_0001.DNG": b"\0\x05\x16\x07\0\x02\0\0Mac OS X",
        "System Volume Information/IndexerVolumeGuid": b"x",
        ".Spotlight-V100/store": b"x",
    }
    for path, content in {**wanted, **litter}.items():
        card.put(path, content)
    found = offloaded(world, card)
    assert (found["files"], found["copied"], found["litter"]) == (len(wanted), len(wanted), len(litter))
    assert sorted(world.on("A").values()) == sorted(map(compute_digest, wanted.values()))
    there = set(world.on("B"))
    for path in ("PRIVATE/M4ROOT/CLIP/C0001.MP4", "PRIVATE/M4ROOT/THMBNL/C0001T01.JPG"):
        assert any(at.endswith("/" + path) for at in there), "a video's folders belong together"
    answer = world.run("clearance", "card", card.root, "--json").json
    assert {note["kind"]: note["count"] for note in answer["notes"]}["litter"] == len(litter)
    assert set(card.digests()) == set(wanted) | set(litter), "the card is only read"


@pytest.mark.parametrize("name", ["Thumbs.db", ".DS_Store", "desktop.ini", "._ORR_0007.JPG"])
def test_a_picture_that_is_called_as_litter_is_comes_along(world: World, name: str) -> None:
    card = world.card()
    card.frames(1)
    picture = card.picture("DCIM/100ORREY/ORR_0007.JPG")
    picture.rename(picture.with_name(name))
    found = world.run("offload", card.root, "--json").json
    assert (found["files"], found["copied"], found["litter"]) == (2, 2, 0)
    for drive in world.drives:
        assert sorted(world.on(drive).values()) == sorted(card.digests().values())


def test_nothing_on_the_card_changes_not_even_when_it_was_last_read(world: World) -> None:
    card = world.card()
    paths = card.frames(2)
    for path in paths:
        os.utime(path, ns=(1_000_000_000, path.stat().st_mtime_ns))
    before = [(path.stat(), path.read_bytes()) for path in paths]
    for path in paths:
        os.utime(path, ns=(1_000_000_000, path.stat().st_mtime_ns))
    offloaded(world, card)
    for path, (status, content) in zip(paths, before, strict=True):
        now = path.stat()
        assert (now.st_size, now.st_mtime_ns, now.st_mode) == (status.st_size, status.st_mtime_ns, status.st_mode)
        assert now.st_atime_ns == 1_000_000_000
        assert path.read_bytes() == content


def test_a_shoot_is_named_joined_by_its_day_or_called_as_the_settings_say(world: World) -> None:
    first, second, third = world.card("one"), world.card("two"), world.card("three")
    first.frames(1)
    second.frames(1, first=2)
    third.frames(1, first=3, taken=EVENING + timedelta(days=1))
    assert world.run("offload", first.root, "--shoot", "quay", "--json").json["shoot"] == "2026-06-13 quay"
    assert world.run("offload", second.root, "--json").json["shoot"] == "2026-06-13 quay"
    assert world.run("offload", third.root, "--json").json["shoot"] == "2026-06-14 untitled"
    assert {path.split("/")[1] for path in world.on("A")} == {"2026-06-13 quay", "2026-06-14 untitled"}


def test_a_day_with_two_shoots_is_not_guessed(world: World) -> None:
    for number, shoot in enumerate(("matinee", "evening"), 1):
        card = world.card(shoot)
        card.frames(1, first=number)
        world.run("offload", card.root, "--shoot", shoot)
    last = world.card("last")
    last.frames(1, first=9)
    assert world.run("offload", last.root, "--json").json["shoot"] == "2026-06-13 untitled"


def test_several_days_on_one_card_are_several_shoots_of_one_name(world: World) -> None:
    card = world.card()
    for number in range(1, 4):
        card.raw(f"DCIM/100ORREY/ORR_000{number}.DNG", taken=EVENING + timedelta(days=number - 1))
    found = offloaded(world, card)
    assert sorted(found["shoots"]) == [f"2026-06-{day} quay" for day in (13, 14, 15)]  # type: ignore[call-overload]
    for day in (13, 14, 15):
        shoot = world.drives["A"] / f"2026/2026-06-{day} quay"
        assert (shoot / "checksums.b3").exists()
        assert list(shoot.glob("clearance-*.txt")), "the record lies beside each shoot"


def test_two_bodies_with_one_number_on_one_card(world: World) -> None:
    card = world.card()
    card.raw("DCIM/100ORREY/ORR_0001.DNG", serial="11110001")
    card.raw("DCIM/101ORREY/ORR_0001.DNG", serial="22220002")
    offloaded(world, card)
    assert set(world.on("A")) == {
        f"2026/2026-06-13 quay/Orrery R7 {serial}/ORR_0001.DNG" for serial in ("0001", "0002")
    }


def test_a_frame_whose_name_is_taken_keeps_one_number_on_every_drive(world: World) -> None:
    """Body and number recur in the second folder: raw, JPEG and sidecar get one `-2`, later parts too."""
    card = world.card()
    for folder in ("100ORREY", "101ORREY"):
        card.raw(f"DCIM/{folder}/ORR_0001.DNG")
        card.picture(f"DCIM/{folder}/ORR_0001.JPG")
        card.put(f"DCIM/{folder}/ORR_0001.xmp", folder.encode())
    offloaded(world, card)
    late = card.put("DCIM/101ORREY/ORR_0001.WAV", memo(b"spoken later"))
    offloaded(world, card)
    wanted = {f"{BODY}/ORR_0001{number}.{end}" for number in ("", "-2") for end in ("DNG", "JPG", "xmp")}
    assert set(world.on("A")) == wanted | {f"{BODY}/ORR_0001-2.WAV"}
    assert world.on("A") == world.on("B")
    for number, folder in (("", "100ORREY"), ("-2", "101ORREY")):
        assert world.on("A")[f"{BODY}/ORR_0001{number}.xmp"] == compute_digest(folder.encode())
    assert world.on("B")[f"{BODY}/ORR_0001-2.WAV"] == compute_digest(late.read_bytes())


def test_a_name_that_is_taken_by_a_strangers_file_is_left_alone(world: World) -> None:
    stranger = world.drives["B"] / BODY / "ORR_0001.DNG"
    stranger.parent.mkdir(parents=True)
    stranger.write_bytes(b"the photographer's own")
    card = world.card()
    card.frames(1)
    offloaded(world, card)
    assert stranger.read_bytes() == b"the photographer's own"
    assert f"{BODY}/ORR_0001-2.DNG" in world.on("A")
    assert f"{BODY}/ORR_0001-2.DNG" in world.on("B")


@pytest.mark.parametrize("name", ["checksums.b3", "CHECKSUMS.B3", "checksums.b3.old", "clearance-notes.txt"])
def test_a_card_file_called_like_one_of_the_tools_own_is_never_lost(world: World, name: str) -> None:
    """In a template without a folder for the body it lies where check lists are put."""
    world.settings('[layout]\ntemplate = "{year}/{date} {shoot}/{name}"\n')
    card = world.card()
    card.frames(1)
    card.put(name, b"not a list of ours")
    for number in (2, 3):
        offloaded(world, card)
        for drive in world.drives.values():
            assert compute_digest(b"not a list of ours") in contents(drive).values()
        card.frames(1, first=number)
    offloaded(world, card)
    assert world.run("clearance", "card", card.root).status == 0


def test_twins_of_the_longest_name_are_both_kept(world: World) -> None:
    """255 bytes leave no room for a `-2` behind the name; the name gives way, not the number."""
    card = world.card()
    name = "x" * 251 + ".bin"
    card.put(f"DCIM/100ORREY/{name}", b"one")
    card.put(f"DCIM/101ORREY/{name}", b"another")
    offloaded(world, card)
    assert set(world.on("A").values()) == {compute_digest(b"one"), compute_digest(b"another")}
    assert all(len(Path(path).name) == 255 for path in world.on("A"))


def test_one_drive_asked_for_is_one_copy_and_a_no(world: World) -> None:
    card = world.card()
    card.frames(2)
    answer = world.run("offload", card.root, "--drive", "A", "--json")
    assert (answer.status, answer.json["verified"]) == (1, {"A": 2})
    assert reason_kinds(answer.json) == ["one copy"]
    assert world.on("B") == {}
    answer = world.run("offload", card.root, "--drive", "b", "--json")
    assert answer.status == 1, "drive A was not looked at by this run, so it can't be counted"
    assert world.on("A") == world.on("B")
    assert world.run("clearance", "card", card.root).status == 0


def test_a_full_night_of_three_cards_and_one_drive_late(world: World) -> None:
    cards = [world.card(f"card-{number}") for number in range(3)]
    for number, card in enumerate(cards):
        card.frames(3, first=1 + 3 * number)
    world.unplug("B")
    for card in cards:
        assert world.run("offload", card.root, "--shoot", "quay").status == 1
    owed = world.run("report", "--json").json["owed"]
    assert [(one["shoot"], one["short"]) for one in owed] == [("2026-06-13 quay", 9)]
    world.plug("B")
    answer = world.run("topup", "--json")
    assert (answer.status, answer.json["made"], answer.json["still_owed"]) == (0, {"A": 0, "B": 9}, 0)
    assert world.on("A") == world.on("B")
    for card in cards:
        assert world.run("clearance", "card", card.root).status == 0
    assert world.run("report").status == 0


def test_a_lost_drive_is_replaced_by_a_new_one(world: World) -> None:
    card = world.card()
    card.frames(3)
    offloaded(world, card)
    world.unplug("B")
    assert world.run("drives", "lost", "B").status == 1
    assert world.run("clearance", "card", card.root, "--json").json["reasons"][0]["kind"] == "out of service"
    world.drives["C"] = world.folder("drive-c")
    assert world.run("drives", "add", "C", world.drives["C"]).status == 0
    assert world.run("topup", "--json").json["made"] == {"A": 0, "C": 3}
    assert world.run("clearance", "card", card.root).status == 0
    assert world.on("A") == world.on("C")


def test_a_lost_drive_that_is_found_again_counts_once_it_was_read(world: World) -> None:
    card = world.card()
    card.frames(1)
    offloaded(world, card)
    world.run("drives", "lost", "B")
    assert world.run("clearance", "card", card.root).status == 1
    assert world.run("offload", card.root, "--drive", "B").status == 3
    assert world.run("drives", "add", "B", world.drives["B"]).status == 0
    with world.ctx() as ctx:
        assert ctx.catalog.fetch_all("SELECT verified_at FROM copies WHERE place_id = 2") == [(None,)]
    assert world.run("clearance", "card", card.root).status == 0
    with world.ctx() as ctx:
        assert ctx.catalog.fetch_all("SELECT verified_at FROM copies WHERE place_id = 2") != [(None,)]


def test_a_drive_is_known_by_its_marker_wherever_it_is(world: World) -> None:
    card = world.card()
    card.frames(1)
    offloaded(world, card)
    elsewhere = world.root / "elsewhere"
    world.drives["B"].rename(elsewhere)
    assert world.run("clearance", "card", card.root).status == 1
    assert world.run("drives", "add", "B", elsewhere).status == 0
    assert world.run("clearance", "card", card.root).status == 0


def test_a_copy_that_was_deleted_is_a_no_with_its_name_and_offload_mends_it(world: World) -> None:
    card = world.card()
    card.frames(3)
    offloaded(world, card)
    for name in world.drives:
        victim = world.drives[name] / BODY / "ORR_0002.DNG"
        victim.unlink()
        answer = world.run("clearance", "card", card.root, "--json")
        assert (answer.status, answer.json["covered"], reason_kinds(answer.json)) == (1, 2, ["copy missing"])
        assert answer.json["reasons"][0]["paths"] == ["DCIM/100ORREY/ORR_0002.DNG"]
        assert offloaded(world, card)["copied"] == 1
        assert victim.exists()


def test_both_copies_deleted_is_a_no_and_offload_mends_it(world: World) -> None:
    card = world.card()
    card.frames(2)
    offloaded(world, card)
    for root in world.drives.values():
        (root / BODY / "ORR_0001.DNG").unlink()
    answer = world.run("clearance", "card", card.root, "--json")
    assert (answer.status, answer.json["covered"]) == (1, 1)
    offloaded(world, card)
    assert world.on("A") == world.on("B")
    assert len(world.on("A")) == 2


@pytest.mark.parametrize("size", ["same", "shorter", "longer", "empty"])
def test_a_copy_that_was_changed_is_a_no_and_offload_mends_it(world: World, size: str) -> None:
    """An editor wrote into the archive. The bad copy is not deleted, the good one is put back."""
    card = world.card()
    card.frames(2)
    offloaded(world, card)
    victim = world.drives["A"] / BODY / "ORR_0001.DNG"
    good = victim.read_bytes()
    bad = {"same": good[:-1] + b"!", "shorter": good[:-5], "longer": good + b"more", "empty": b""}[size]
    victim.write_bytes(bad)
    os.utime(victim, (time.time(), time.time()))
    answer = world.run("clearance", "card", card.root, "--json")
    assert (answer.status, reason_kinds(answer.json)) == (1, ["copy missing"])
    offloaded(world, card)
    assert sorted(world.on("B").values()) == sorted(card.digests().values())
    assert compute_digest(good) in world.on("A").values()
    assert compute_digest(bad) in contents(world.drives["A"]).values(), "nothing is deleted"


def test_a_copy_with_another_time_and_the_same_bytes_is_proved_again(world: World) -> None:
    """Somebody's program touched it. The answer is no until it is read again, and then yes."""
    card = world.card()
    card.frames(1)
    offloaded(world, card)
    os.utime(world.drives["A"] / BODY / "ORR_0001.DNG", (time.time(), time.time()))
    assert world.run("clearance", "card", card.root).status == 1
    again = offloaded(world, card)
    assert again["copied"] == 0
    assert len(world.on("A")) == 1


def test_rot_is_found_when_evidence_is_old_and_the_card_still_has_the_picture(world: World) -> None:
    """Size and time are as recorded, so only reading the copy again can tell."""
    card = world.card()
    card.frames(3)
    now = TestClock()
    world.offload_job(card.root, clock=now, shoot="quay")
    victim = world.drives["B"] / BODY / "ORR_0002.DNG"
    status, content = victim.stat(), bytearray(victim.read_bytes())
    content[30_000] ^= 0x10
    victim.write_bytes(content)
    os.utime(victim, ns=(status.st_atime_ns, status.st_mtime_ns))
    later = TestClock(now.at + 31 * DAY)
    result = world.offload_job(card.root, clock=later, shoot="quay")
    assert result.clearance.is_yes
    assert result.verified == {"A": 3, "B": 3}
    assert result.copied == 1
    assert sorted(world.on("B").values()) == sorted(card.digests().values())
    assert compute_digest(bytes(content)) in contents(world.drives["B"]).values(), "the bad copy is in quarantine"
    with world.ctx(later) as ctx:
        states = ctx.catalog.fetch_all("SELECT state, count(*) FROM copies GROUP BY state ORDER BY state")
    assert states == [(CopyState.PRESENT, 6), (CopyState.QUARANTINED, 1)]


@pytest.mark.parametrize("command", [("clearance", "card"), ("offload",)])
def test_copies_that_were_read_back_long_ago_are_read_back_now(world: World, command: tuple[str, ...]) -> None:
    card = world.card()
    card.frames(2)
    world.offload_job(card.root, clock=TestClock(TestClock().at - 31 * DAY))
    assert world.run("report", "--json").json["counts"] == {"overdue": 4}
    assert world.run(*command, card.root).status == 0
    assert world.run("report").status == 0


@pytest.mark.parametrize("hours", [1, 25, 31 * 24])
def test_copies_that_became_zeros_are_no_yes(world: World, hours: int) -> None:
    """Size and time are as before: the time of change and reading show it, however young the evidence is."""
    card = world.card()
    card.frames(3)
    world.offload_job(card.root, clock=TestClock(TestClock().at - hours * HOUR))
    for drive in ("A", "B"):
        for copy in sorted(world.drives[drive].rglob("*.DNG")):
            status = copy.stat()
            copy.write_bytes(bytes(status.st_size))
            os.utime(copy, ns=(status.st_atime_ns, status.st_mtime_ns))
    answer = world.run("clearance", "card", card.root, "--json")
    assert (answer.status, answer.json["answer"]) == (1, "no")
    again = world.run("offload", card.root)
    assert "Drive A: 3 of 3" in again.out
    assert again.status == 0


def test_a_drive_away_does_not_count_also_when_the_laptops_clock_was_set_back(world: World) -> None:
    card = world.card()
    card.frames(1)
    world.offload_job(card.root, clock=TestClock(TestClock().at + HOUR))
    assert world.run("clearance", "card", card.root).status == 0
    world.unplug("B")
    answer = world.run("clearance", "card", card.root, "--json")
    assert (answer.status, reason_kinds(answer.json)) == (1, ["drive away"])


def test_a_protected_picture_is_noted_beside_the_answer(world: World) -> None:
    """The read-only attribute of FAT marks a picture as protected in the camera (encyclopedia article on DCF)."""
    card = world.card()
    card.frames(2)[0].chmod(0o444)
    offloaded(world, card)
    notes = world.run("clearance", "card", card.root, "--json").json["notes"]
    assert [(note["kind"], note["paths"]) for note in notes if note["kind"] == "protected"] == [
        ("protected", ["DCIM/100ORREY/ORR_0001.DNG"])
    ]


def test_the_record_says_who_when_what_and_how_to_check_it(world: World) -> None:
    card = world.card()
    card.frames(2)
    found = offloaded(world, card)
    clearance = found["clearance"]
    assert isinstance(clearance, dict)
    for drive in world.drives.values():
        record = next((drive / "2026/2026-06-13 quay").glob("clearance-*.txt")).read_text(encoding="utf-8")
        for part in (str(card.root), "2 of 2", clearance["at"], clearance["list_digest"]):
            assert part in record
        for name in world.drives:
            assert name in record
        for path, digest in card.digests().items():
            assert f"{digest.hex()}  {path}" in record
    with world.ctx() as ctx:
        kept = ctx.catalog.fetch_all("SELECT answer, files, covered, hex(list_digest) FROM clearances")
    assert kept == [(1, 2, 2, clearance["list_digest"].upper())]


def test_a_no_leaves_a_record_in_the_catalog_and_none_beside_the_shoot(world: World) -> None:
    card = world.card()
    card.frames(1)
    world.unplug("B")
    world.run("offload", card.root, "--shoot", "quay")
    assert list(world.drives["A"].glob("2026/*/clearance-*.txt")) == []
    with world.ctx() as ctx:
        assert ctx.catalog.fetch_all("SELECT answer FROM clearances") == [(0,)]
    assert world.run("report", "--json").json["last_clearance"]["answer"] == "no"


def test_a_laptop_that_was_stolen_costs_no_second_copy(world: World) -> None:
    """A new home knows nothing. What lies on the drives is found by its bytes, proved, and not copied again."""
    card = world.card()
    card.frames(4)
    card.put("DCIM/100ORREY/ORR_0001.xmp", b"sidecar")
    offloaded(world, card)
    before = world.on("A")
    world.home = world.root / "new-home"
    given = [part for name, path in world.drives.items() for part in ("--drive", f"{name}={path}")]
    assert world.run("setup", "--allow-same-disk", *given).status == 0
    answer = world.run("clearance", "card", card.root, "--json")
    assert (answer.status, reason_kinds(answer.json)) == (1, ["not offloaded"])
    again = offloaded(world, card)
    assert (again["copied"], again["verified"]) == (0, {"A": 5, "B": 5})
    assert world.on("A") == world.on("B") == before


def test_a_file_that_no_drive_can_hold_is_not_called_there_already(world: World) -> None:
    """A limit on the size of files stands for a drive that is full or can't hold it."""
    card = world.card()
    card.frames(2)
    card.put("DCIM/100ORREY/ORR_0009.MOV", film(sound=os.urandom(9_000_000)))

    def limited() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (8_000_000, 8_000_000))

    done = world.process("offload", card.root, "--shoot", "quay", "--json", preexec_fn=limited)
    assert done.returncode == 1, done.stderr
    found = json.loads(done.stdout)
    assert (found["copied"], found["already_there"]) == (2, 0)
    assert [one["path"] for one in found["not_copied"]] == ["DCIM/100ORREY/ORR_0009.MOV"]
    assert found["clearance"]["covered"] == 2
    assert not [path for path in contents(world.drives["A"]) if path.startswith(".tripleguard/incoming/")]
    offloaded(world, card)


def test_stopped_by_ctrl_c_it_ends_in_order_and_goes_on_where_it_was(world: World) -> None:
    card = world.card()
    card.frames(40, size=1 << 20)
    running = subprocess.Popen(
        world.command_line("offload", card.root, "--shoot", "quay", "--json"),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    deadline = time.monotonic() + 20
    while len(world.on("A")) < 3 and time.monotonic() < deadline and running.poll() is None:
        time.sleep(0.005)
    running.send_signal(signal.SIGINT)
    out, err = running.communicate(timeout=30)
    assert running.returncode == 130, err
    assert out == b""
    assert b"What is safe:" in err
    assert b"Traceback" not in err
    finished = len(world.on("A"))
    assert 0 < finished < 40
    found = offloaded(world, card)
    assert found["resumed"], "what was finished is not read again"
    assert found["verified"] == {"A": 40, "B": 40}
    assert world.on("A") == world.on("B")


def test_a_drive_in_use_names_who_uses_it(world: World) -> None:
    card = world.card()
    card.frames(1)
    drive = open_drive(world.drives["B"])
    try:
        with hold_lock(
            "Drive B",
            drive.writer.open_lock,
            LockHolder(4242, "laptop", "offload of /media/card", "2026-06-14T01:30:00Z"),
        ):
            answer = world.run("offload", card.root)
            assert answer.status == 3
            for part in ("Drive B is in use by offload of /media/card", "process 4242", "What to do: Wait"):
                assert part in answer.err
    finally:
        drive.close()
    assert world.run("offload", card.root).status == 0


def test_two_offloads_at_once_do_not_mix(world: World) -> None:
    """The one that comes second is told to wait, or is in time; nothing is lost or doubled."""
    cards = [world.card(f"card-{number}") for number in range(2)]
    for number, card in enumerate(cards):
        card.frames(15, first=1 + 15 * number, size=1 << 19)
    running = [
        subprocess.Popen(
            world.command_line("offload", card.root, "--shoot", "quay"),
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        for card in cards
    ]
    statuses = set()
    for process in running:
        _, err = process.communicate(timeout=60)
        statuses.add(process.returncode)
        if process.returncode == 3:
            assert b"is in use by offload of" in err
    assert statuses <= {0, 3}
    assert 0 in statuses
    for card in cards:
        offloaded(world, card)
    assert len(world.on("A")) == 30
    assert world.on("A") == world.on("B")


def test_unfinished_copies_of_a_killed_run_are_cleared_by_the_next(world: World) -> None:
    left = world.drives["A"] / ".tripleguard/incoming"
    left.mkdir(exist_ok=True)
    (left / new_unfinished_name("part")).write_bytes(b"half a picture")
    card = world.card()
    card.frames(1)
    offloaded(world, card)
    assert list(left.iterdir()) == []


def test_a_clone_is_not_taken_for_the_drive_while_both_are_here(world: World) -> None:
    clone = world.root / "clone"
    subprocess.run(["cp", "-a", str(world.drives["A"]), str(clone)], check=True)
    for command in (("drives", "add", "A", clone), ("setup", "--drive", f"A={clone}")):
        answer = world.run(*command)
        assert answer.status == 3, answer.out
        assert str(clone) in answer.err
        assert str(world.drives["A"]) in answer.err
    assert world.run("drives", "--json").json["places"][0]["path"] == str(world.drives["A"])


def test_a_drive_of_another_name_is_not_renamed_silently(world: World) -> None:
    answer = world.run("drives", "add", "C", world.drives["A"])
    assert answer.status == 2
    assert "known as A" in answer.err


@pytest.mark.parametrize("command", [("where",), ("log", "--shoot"), ("drives", "lost"), ("offload", "--drive")])
def test_words_that_are_no_text_are_told_not_to_be_known(world: World, command: tuple[str, ...]) -> None:
    """A shell hands on any bytes. They are looked for like any other, and printed harmlessly."""
    card = world.card()
    card.frames(1)
    world.run("offload", card.root)
    word = os.fsdecode(b"caf\xe9\x1b[31m")
    arguments = [command[0], card.root, *command[1:], word] if command[0] == "offload" else [*command, word]
    answer = world.run(*arguments)
    assert answer.status == (1 if command == ("where",) else 2), answer.err
    assert "did not foresee" not in answer.err
    assert "\x1b" not in answer.out + answer.err


def test_names_that_are_not_utf8_are_found_again(world: World) -> None:
    card = world.card()
    card.put(b"DCIM/100ORREY/caf\xe9.JPG", marked(b"a picture"))
    offloaded(world, card)
    assert any(os.fsencode(path).endswith(b"/caf\xe9.JPG") for path in world.on("A"))
    found = world.run("where", "caf", "--json").json["files"]
    assert [one["name"] for one in found] == ["caf\\xe9.JPG"]
    assert world.run("offload", card.root, "--json").json["copied"] == 0


def test_where_finds_by_name_day_shoot_body_and_digest(world: World) -> None:
    card = world.card()
    card.frames(2)
    offloaded(world, card)
    digest = world.on("A")[f"{BODY}/ORR_0001.DNG"].hex()
    for pattern, count in (("orr_0001", 1), ("2026-06-13", 2), ("quay", 2), ("Orrery R7", 2), (digest[:12], 1)):
        found = world.run("where", pattern, "--json").json["files"]
        assert len(found) == count, pattern
    copies = world.run("where", "ORR_0001", "--json").json["files"][0]["copies"]
    assert {(copy["place"], copy["path"], copy["state"]) for copy in copies} == {
        (name, f"{BODY}/ORR_0001.DNG", "present") for name in world.drives
    }
    assert all(copy["verified_at"] and copy["medium"] in ("direct", "dropped") for copy in copies)


def test_the_log_tells_the_evening_in_premis_words(world: World) -> None:
    """Event words: id.loc.gov preservation/eventType, revision of 24 September 2018."""
    card = world.card()
    card.frames(2)
    offloaded(world, card)
    events = world.run("log", "--json").json["events"]
    kinds = [event["type"] for event in events]
    for word in ("ingestion", "replication", "fixity check"):
        assert word in kinds
    assert all(event["at"] and event["outcome"] in ("success", "partial", "failure") for event in events)
    assert world.run("log", "--shoot", "quay", "--json").json["events"]
    assert world.run("log", "--shoot", "nothing like it").status == 2


def test_times_are_kept_to_the_nanosecond_where_the_drive_can(world: World) -> None:
    card = world.card()
    path = card.frames(1)[0]
    ns = int(datetime(2026, 6, 13, 21, 30).timestamp()) * 10**9 + 123_456_789
    os.utime(path, ns=(ns, ns))
    offloaded(world, card)
    for drive in world.drives.values():
        assert (drive / BODY / "ORR_0001.DNG").stat().st_mtime_ns == ns


def test_the_module_is_started_as_a_program(world: World) -> None:
    card = world.card()
    card.frames(1)
    done = world.process("offload", card.root)
    assert (done.returncode, done.stderr) == (0, b"")
    assert done.stdout.splitlines()[0].startswith(b"Shoot: ")
    assert subprocess.run(
        [sys.executable, "-m", "tripleguard", "--version"], check=True, capture_output=True
    ).stdout


def test_serial_of_the_body_is_known(world: World) -> None:
    card = world.card()
    card.frames(1)
    offloaded(world, card)
    with world.ctx() as ctx:
        assert ctx.catalog.fetch_all("SELECT make, model, serial FROM bodies") == [("Orrery", "Orrery R7", SERIAL)]
