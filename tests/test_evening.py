"""The photographer's evening, through the command line: cards in, copies out, and the answer."""

from __future__ import annotations

import gzip
import os
import shutil
import sqlite3
import subprocess
from datetime import datetime
from pathlib import Path

import pytest
from sample_files import film, memo
from world import EVENING, World

from tripleguard import checklist


def test_a_card_is_copied_twice_proved_and_cleared(world: World) -> None:
    card = world.card()
    card.frames(3)
    card.put("DCIM/100ORREY/ORR_0001.xmp", b"<x/>")
    card.put("DCIM/100ORREY/ORR_0002.WAV", memo(b"spoken"))
    card.put("PRIVATE/CLIP/C0001.MP4", film())
    card.put("odd.name", b"unknown")
    card.put("empty.txt", b"")
    card.put(".DS_Store", b"litter")
    before = card.digests()
    answer = world.run("offload", card.root, "--shoot", "quay", "--json")
    assert answer.status == 0, answer.err
    found = answer.json
    assert found["shoot"] == "2026-06-13 quay"
    assert (found["files"], found["copied"], found["already_there"], found["litter"]) == (8, 8, 0, 1)
    assert found["verified"] == {"A": 8, "B": 8}
    assert found["clearance"]["answer"] == "yes"
    wanted = sorted(digest for path, digest in before.items() if path != ".DS_Store")
    assert sorted(world.on("A").values()) == wanted
    assert world.on("A") == world.on("B")
    assert card.digests() == before


def test_times_are_kept_and_a_raw_lies_beside_its_sidecar(world: World) -> None:
    card = world.card()
    source = card.raw("DCIM/100ORREY/ORR_0001.DNG")
    card.put("DCIM/100ORREY/ORR_0001.xmp", b"<x/>")
    assert world.run("offload", card.root).status == 0
    copies = sorted(world.drives["A"].glob("2026/*/*/ORR_0001.*"))
    assert [path.suffix for path in copies] == [".DNG", ".xmp"]
    assert copies[0].stat().st_mtime_ns == source.stat().st_mtime_ns


def test_a_show_past_midnight_stays_one_shoot(world: World) -> None:
    card = world.card()
    card.raw("DCIM/100ORREY/ORR_0001.DNG", taken=datetime(2026, 6, 13, 23, 50))
    card.raw("DCIM/100ORREY/ORR_0002.DNG", taken=datetime(2026, 6, 14, 4, 59, 59))
    card.raw("DCIM/100ORREY/ORR_0003.DNG", taken=datetime(2026, 6, 14, 5, 0))
    found = world.run("offload", card.root, "--json").json
    assert found["shoots"] == ["2026-06-13 untitled", "2026-06-14 untitled"]


def test_a_second_offload_copies_nothing(world: World) -> None:
    card = world.card()
    card.frames(3)
    world.run("offload", card.root)
    again = world.run("offload", card.root, "--json").json
    assert (again["copied"], again["already_there"], again["clearance"]["answer"]) == (0, 3, "yes")


def test_the_number_starts_again_after_9999(world: World) -> None:
    """A name recurs every 9999 frames (DCF, from memory): both pictures are kept."""
    card = world.card()
    card.raw("DCIM/100ORREY/ORR_0001.DNG", seed=1)
    card.raw("DCIM/101ORREY/ORR_0001.DNG", seed=2)
    assert world.run("offload", card.root).status == 0
    names = sorted(Path(path).name for path in world.on("A"))
    assert names == ["ORR_0001-2.DNG", "ORR_0001.DNG"]


def test_a_changed_card_file_is_told_apart_and_both_are_kept(world: World) -> None:
    card = world.card()
    path = card.raw("DCIM/100ORREY/ORR_0001.DNG")
    world.run("offload", card.root)
    status = path.stat()
    content = bytearray(path.read_bytes())
    content[40_000] ^= 1
    path.write_bytes(content)
    os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))
    assert world.run("clearance", "card", card.root, "--json").json["reasons"][0]["kind"] == "changed"
    found = world.run("offload", card.root, "--json").json
    assert found["changed"][0]["path"] == "DCIM/100ORREY/ORR_0001.DNG"
    assert len(world.on("A")) == 2


def test_a_drive_that_is_away_is_paid_later(world: World) -> None:
    card = world.card()
    card.frames(3)
    world.unplug("B")
    found = world.run("offload", card.root, "--json")
    assert found.status == 1
    assert found.json["clearance"]["reasons"][0]["kind"] == "one copy"
    assert world.run("report", "--json").json["counts"] == {"under-replicated": 3}
    world.plug("B")
    assert world.run("topup", "--json").json["made"] == {"A": 0, "B": 3}
    assert world.run("clearance", "card", card.root).status == 0


def test_a_copy_that_vanished_makes_it_a_no_and_offload_puts_it_back(world: World) -> None:
    card = world.card()
    card.frames(2)
    world.run("offload", card.root)
    victim = next(world.drives["B"].glob("2026/*/*/ORR_0002.DNG"))
    victim.unlink()
    answer = world.run("clearance", "card", card.root, "--json")
    assert answer.status == 1
    assert answer.json["reasons"][0]["kind"] == "copy missing"
    assert world.run("offload", card.root).status == 0
    assert victim.exists()


def test_a_lost_drive_stops_counting_at_once(world: World) -> None:
    card = world.card()
    card.frames(2)
    world.run("offload", card.root)
    assert world.run("drives", "lost", "B").status == 1
    assert world.run("clearance", "card", card.root).status == 1
    assert world.run("report", "--json").json["counts"] == {"under-replicated": 2}


def test_a_new_frame_after_the_offload_is_not_covered(world: World) -> None:
    card = world.card()
    card.frames(2)
    world.run("offload", card.root)
    card.raw("DCIM/100ORREY/ORR_0003.DNG")
    answer = world.run("clearance", "card", card.root, "--json")
    assert (answer.status, answer.json["covered"], answer.json["files"]) == (1, 2, 3)


def test_an_empty_card_is_never_cleared(world: World) -> None:
    assert world.run("clearance", "card", world.card().root).status == 1


def test_check_lists_are_read_by_plain_tools(world: World) -> None:
    card = world.card()
    for name in (
        "a b.txt",
        "two  spaces.txt",
        " lead.txt",
        "star*.txt",
        "back\\slash.txt",
        "line\nfeed.txt",
        "x) = y",
    ):
        card.put(f"notes/{name}", name.encode(), at=EVENING)
    assert world.run("offload", card.root).status == 0
    lists = list(world.drives["A"].glob("2026/*/checksums.b3"))
    assert len(lists) == 1
    assert len(list(checklist.parse_b3sum(lists[0].read_bytes()))) == 7
    if shutil.which("b3sum") is None:
        pytest.skip("b3sum is not installed")
    checked = subprocess.run(
        ["b3sum", "--check", "checksums.b3"], cwd=lists[0].parent, capture_output=True, check=False
    )
    assert checked.returncode == 0, checked.stdout


def test_each_drive_carries_a_snapshot_and_the_record_of_the_yes(world: World, here: Path) -> None:
    card = world.card()
    card.frames(2)
    world.run("offload", card.root)
    for root in world.drives.values():
        packed = next(root.glob(".tripleguard/catalog/*.db.gz"))
        plain = here / "snapshot.db"
        plain.write_bytes(gzip.decompress(packed.read_bytes()))
        assert sqlite3.connect(plain).execute("SELECT count(*) FROM copies").fetchone() == (4,)
        assert "may be reformatted" in next(root.glob("2026/*/clearance-*.txt")).read_text()
