"""The main job on real file systems: cards and drives are images behind loop devices, made and mounted here.

What a folder can't show is shown here: a driver that knows whole seconds and no colons, a drive that is full,
dead, pulled or mounted elsewhere, a bit that rots below the file system. It needs root, and skips with the reason
where there is none.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import shutil
import signal
import subprocess
import unicodedata
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest
from disk_images import SAMPLES, Images, images_below, wait_until
from fault_file_system import FaultFileSystem, fault_file_system
from fault_rules import Fault
from oracle import Oracle, checked_lists
from world import CardFolder, TestClock, World, contents

from tripleguard.clock import DAY, SECOND

pytestmark = [pytest.mark.images, pytest.mark.alone]

MIB = 1 << 20


@pytest.fixture
def images(here: Path) -> Iterator[Images]:
    with images_below(here) as made:
        yield made


def set_up(world: World, **drives: Path) -> World:
    world.drives = drives
    given = [word for name, path in drives.items() for word in ("--drive", f"{name}={path}")]
    # The images lie on one disk.
    answer = world.run("setup", "--allow-same-disk", *given)
    assert answer.status == 0, answer.err
    return world


def named(drive: Path) -> list[Path]:
    """What stands under final names on a drive that a job is working on."""
    with contextlib.suppress(OSError):
        return list(drive.glob("2026/*/*/*"))
    return []


def b3sum_agrees(world: World) -> None:
    """Every list on every drive as the reference implementation of BLAKE3 reads it."""
    if shutil.which("b3sum") is None:
        return
    for path in checked_lists(world):
        done = subprocess.run(
            ["b3sum", "--check", path.name], cwd=path.parent, check=False, capture_output=True, text=True
        )
        assert done.returncode == 0, done.stdout + done.stderr


def media(world: World) -> dict[str, set[str]]:
    """How far down the read-back of each drive reached, by drive."""
    with world.ctx() as ctx:
        rows = ctx.catalog.fetch_all(
            "SELECT DISTINCT p.name, c.medium FROM copies c JOIN places p ON p.id = c.place_id"
        )
    found: dict[str, set[str]] = {}
    for name, medium in rows:
        found.setdefault(name, set()).add(medium)
    return found


@pytest.mark.parametrize(
    ("card_kind", "kinds", "direct", "steps"),
    [
        ("exfat", ("exfat", "ext4"), True, (SECOND, 1)),
        ("ext4", ("exfat", "ext4"), False, (SECOND, 1)),
        ("ext4", ("ntfs", "xfs"), True, (100, 1)),
    ],
    ids=lambda value: "-".join(value) if isinstance(value, tuple) and isinstance(value[0], str) else str(value),
)
def test_a_card_comes_out_whole_on_two_drives_of_any_kind(
    bare: World,
    images: Images,
    card_kind: str,
    kinds: tuple[str, str],
    direct: bool,
    steps: tuple[int, int],
) -> None:
    """Steps of time: what the driver of each file system keeps, measured; exFAT's user-space one whole seconds."""
    card = CardFolder(images.mount("card", card_kind, 96))
    for sample in sorted(SAMPLES.iterdir())[:12] if SAMPLES.is_dir() else []:
        card.put(f"DCIM/100ORREY/{sample.name}", sample.read_bytes())
    for path in card.frames(4, size=300_000):
        os.utime(path, ns=(0, 1_781_386_205_123_456_700))
    a, b = (images.mount(name, kind, 96, direct=direct) for name, kind in zip("ab", kinds, strict=True))
    set_up(bare, A=a, B=b)
    oracle = Oracle(bare, card.root)
    found = bare.run("offload", card.root, "--json")
    assert found.status == 0, found.out + found.err
    assert found.json["verified"] == {"A": len(oracle.wanted), "B": len(oracle.wanted)}
    oracle.finished()
    b3sum_agrees(bare)
    reached = {"exfat": "dropped", "ntfs": "dropped"}
    assert media(bare) == {
        name: {reached.get(kind, "direct" if direct else "dropped")}
        for name, kind in zip("AB", kinds, strict=True)
    }
    times = {path.name: path.stat().st_mtime_ns for path in card.root.rglob("*") if path.is_file()}
    for drive, step in zip((a, b), steps, strict=True):
        for path in named(drive):
            assert path.stat().st_mtime_ns == times[path.name] // step * step, path
    assert bare.run("clearance", "card", card.root).status == 0


def test_drives_are_known_by_their_marker_wherever_they_are_mounted(bare: World, images: Images) -> None:
    card = bare.card()
    card.frames(3)
    points = {"A": images.mount("a", "exfat"), "B": images.mount("b", "ext4")}
    set_up(bare, **points)
    assert bare.run("offload", card.root).status == 0
    images.unmount(points["A"])
    images.unmount(points["B"])
    bare.drives = {"A": images.mount("a", "exfat", at="mnt-b"), "B": images.mount("b", "ext4", at="elsewhere")}
    assert bare.run("clearance", "card", card.root).status == 0
    seen = {one["name"]: one for one in bare.run("drives", "--json").json["places"]}
    assert {name: (one["state"], one["path"]) for name, one in seen.items()} == {
        name: ("connected", str(path)) for name, path in bare.drives.items()
    }


def test_an_empty_mount_point_is_a_drive_that_is_away(bare: World, images: Images) -> None:
    card = bare.card()
    card.frames(3)
    set_up(bare, A=images.mount("a", "exfat"), B=images.mount("b", "ext4"))
    assert bare.run("offload", card.root).status == 0
    images.unmount(bare.drives["A"])
    answer = bare.run("clearance", "card", card.root, "--json")
    assert (answer.status, answer.json["reasons"][0]["kind"]) == (1, "drive away")
    card.frames(1, first=4)
    assert bare.run("offload", card.root).status == 1
    assert list(bare.drives["A"].iterdir()) == []
    images.mount("a", "exfat")
    assert bare.run("topup").status == 0
    assert bare.run("clearance", "card", card.root).status == 0


@pytest.mark.parametrize("kind", ["exfat", "ext4"])
def test_a_drive_that_fills_up_keeps_its_reserve_and_is_paid_when_there_is_room(
    bare: World, images: Images, kind: str
) -> None:
    card = bare.card()
    card.frames(12, size=MIB)
    set_up(bare, A=images.mount("a", kind, 40), B=bare.folder("drive-b"))
    ballast = bare.drives["A"] / "films"
    ballast.write_bytes(os.urandom(29 * MIB))
    oracle = Oracle(bare, card.root)
    found = bare.run("offload", card.root, "--json")
    assert found.status == 1
    assert found.json["verified"]["B"] == 12
    assert 0 < found.json["verified"]["A"] < 12
    assert re.search(r"Drive A (is full|has no room)", found.json["troubles"][0]["what"])
    room = os.statvfs(bare.drives["A"])
    assert room.f_bavail * room.f_frsize >= room.f_blocks * room.f_frsize // 20
    owed = bare.run("report", "--json").json["owed"]
    assert owed[0]["short"] == 12 - found.json["verified"]["A"]
    assert bare.run("topup").status == 1
    ballast.unlink()
    made = bare.run("topup", "--json")
    assert (made.status, made.json["made"]["B"]) == (0, 0)
    oracle.finished()
    assert bare.run("clearance", "card", card.root).status == 0


def test_what_a_full_drive_could_not_take_goes_to_a_new_one(bare: World, images: Images) -> None:
    card = bare.card()
    card.frames(8, size=MIB)
    set_up(bare, A=images.mount("a", "ext4", 8), B=bare.folder("drive-b"))
    assert bare.run("offload", card.root).status == 1
    assert bare.run("drives", "add", "C", images.mount("c", "exfat", 64)).status == 0
    made = bare.run("topup", "--json")
    assert (made.status, made.json["still_owed"]) == (0, 0)
    assert bare.run("clearance", "card", card.root).status == 0


def test_a_drive_with_no_room_for_one_more_name_does_not_hold_up_the_other(bare: World, images: Images) -> None:
    card = bare.card()
    card.frames(2)
    set_up(bare, A=images.mount("a", "ext4", 8), B=bare.folder("drive-b"))
    assert bare.run("offload", card.root).status == 0
    junk = bare.drives["A"] / "junk"
    junk.mkdir()
    with pytest.raises(OSError, match="No space left"):
        _touch_files(junk, 100_000)
    card.frames(2, first=3)
    found = bare.run("offload", card.root, "--json")
    assert (found.status, found.json["verified"]) == (1, {"A": 2, "B": 4})
    assert "Drive A is full" in found.json["troubles"][0]["what"]


def test_a_read_only_drive_is_left_out_and_said(bare: World, images: Images) -> None:
    card = bare.card()
    card.frames(2)
    set_up(bare, A=images.mount("a", "ext4"), B=bare.folder("drive-b"))
    subprocess.run(["mount", "-o", "remount,ro", str(bare.drives["A"])], check=True)
    found = bare.run("offload", card.root, "--json")
    assert (found.status, found.json["verified"]["B"]) == (1, 2)
    assert "read-only" in found.json["troubles"][0]["what"]
    subprocess.run(["mount", "-o", "remount,rw", str(bare.drives["A"])], check=True)
    assert bare.run("topup").status == 0
    assert bare.run("clearance", "card", card.root).status == 0


@pytest.mark.parametrize("kind", ["exfat", "ext4"])
def test_a_card_pulled_in_the_middle_is_said_and_resumed(bare: World, images: Images, kind: str) -> None:
    card = CardFolder(images.mount("card", kind, 160))
    card.frames(100, size=MIB)
    images.settle(card.root)
    bare.setup()
    oracle = Oracle(bare, card.root)
    with _offloading(bare, card.root) as process:
        wait_until(lambda: len(named(bare.drives["A"])) >= 5 or process.poll() is not None, "5 copies are named")
        images.yank(card.root)
        said = process.communicate(timeout=60)[1]
    assert process.returncode == 3
    assert "pulled or stopped answering" in said
    assert "Do not reformat it" in said
    oracle.audit(card_here=False)
    assert images.mount("card", kind) == card.root
    found = bare.run("offload", card.root, "--json")
    assert (found.status, found.json["verified"]) == (0, {"A": 100, "B": 100})
    # It was taken out, so each file is read again; what was copied is not copied again.
    assert (found.json["resumed"], found.json["already_there"] >= 4) == (0, True)
    oracle.finished()


@pytest.mark.parametrize(("kind", "known"), [("exfat", 0), ("exfat", 30), ("ext4", 30), ("xfs", 0)])
def test_a_drive_pulled_in_the_middle_stops_itself_and_is_paid_later(
    bare: World, images: Images, kind: str, known: int
) -> None:
    card = bare.card()
    set_up(bare, A=images.mount("a", kind, 96), B=bare.folder("drive-b"))
    if known:
        card.frames(known, size=MIB // 2)
        assert bare.run("offload", card.root).status == 0
    card.frames(80, first=1001, folder="DCIM/099ORREY" if known else "DCIM/100ORREY", size=MIB // 2)
    number = known + 80
    oracle = Oracle(bare, card.root)
    with _offloading(bare, card.root, "--json") as process:
        wait_until(lambda: len(named(bare.drives["A"])) > known or process.poll() is not None, "a copy is named")
        images.yank(bare.drives["A"])
        answer, said = process.communicate(timeout=60)
    assert process.returncode == 1, said
    found = json.loads(answer)
    assert found["verified"] == {"A": 0, "B": number}
    assert "Drive A stopped answering" in found["troubles"][0]["what"]
    # A copy that was named when the cable came out had perhaps not been read back yet.
    told = {reason["kind"] for reason in found["clearance"]["reasons"]}
    assert told <= {"one copy", "drive away", "not verified"}
    oracle.audit()
    images.mount("a", kind)
    oracle.audit()
    assert bare.run("topup").status == 0
    oracle.finished()
    assert bare.run("clearance", "card", card.root).status == 0
    b3sum_agrees(bare)


@pytest.mark.parametrize("kind", ["ext4", "xfs", "exfat"])
def test_a_dead_drive_that_is_still_mounted_is_said_and_the_other_one_served(
    bare: World, images: Images, kind: str
) -> None:
    card = bare.card()
    card.frames(3)
    set_up(bare, A=images.mount("a", kind), B=bare.folder("drive-b"))
    images.settle(bare.drives["A"])
    images.die(bare.drives["A"])
    found = bare.run("offload", card.root, "--json")
    assert found.status == 1, found.err
    assert found.json["verified"]["B"] == 3
    assert re.search("can't be (read|opened)", found.json["troubles"][0]["what"])
    assert re.search("can't be (read|opened)", bare.run("topup", "--json").json["troubles"][0]["what"])
    assert bare.run("clearance", "card", card.root).status == 1
    images.yank(bare.drives["A"])
    images.mount("a", kind)
    assert bare.run("topup").status == 0
    assert bare.run("clearance", "card", card.root).status == 0


def test_twins_in_case_and_in_unicode_form_both_arrive(bare: World, images: Images) -> None:
    card = CardFolder(images.mount("card", "ext4"))
    for name in ("STAGE.JPG", "stage.jpg", "Stage.jpg"):
        card.picture(f"DCIM/100ORREY/{name}")
    for form in ("NFC", "NFD"):
        card.picture(f"DCIM/100ORREY/{unicodedata.normalize(form, 'Señora Núñez')}.JPG")
    assert len(set(card.digests().values())) == 5
    set_up(bare, A=images.mount("a", "exfat"), B=images.mount("b", "ext4"))
    oracle = Oracle(bare, card.root)
    found = bare.run("offload", card.root, "--json")
    assert found.status == 0, found.out
    oracle.finished()
    names = [path.name.casefold() for path in named(bare.drives["A"])]
    assert len(set(names)) == 5
    b3sum_agrees(bare)
    assert bare.run("offload", card.root, "--json").json["copied"] == 0


def test_names_that_a_drive_cannot_hold_are_fitted_and_the_catalog_keeps_the_old_ones(
    bare: World, images: Images
) -> None:
    card = CardFolder(images.mount("card", "ext4"))
    names = [b"a:b?.jpg", b"a?b:.jpg", b"tab\there.jpg", b"pipe|star*.jpg", b"broken \xff\xfe.jpg", b"plain.jpg"]
    for seed, name in enumerate(names):
        card.picture(os.fsdecode(b"DCIM/100ORREY/" + name), seed=seed)
    set_up(bare, A=images.mount("a", "exfat"), B=images.mount("b", "ext4"))
    found = bare.run("offload", card.root, "--json")
    assert found.status == 0, found.out
    assert Counter(bare.on("A").values()) == Counter(card.digests().values())
    # A name is the same on all drives where they can hold it, so the number goes with both twins.
    assert {os.fsencode(path.name) for path in named(bare.drives["B"])} == {*names[2:], names[0], b"a?b:-2.jpg"}
    fitted = {path.name for path in named(bare.drives["A"])}
    assert {"a_b_.jpg", "a_b_-2.jpg", "tab_here.jpg", "pipe_star_.jpg", "plain.jpg"} < fitted
    with bare.ctx() as ctx:
        kept = {os.fsencode(row[0]) for row in ctx.catalog.fetch_all("SELECT name FROM files")}
    assert kept == set(names)
    b3sum_agrees(bare)
    assert bare.run("offload", card.root, "--json").json["copied"] == 0
    assert bare.run("clearance", "card", card.root).status == 0


@pytest.mark.parametrize("kind", ["exfat", "ext4", "xfs"])
def test_a_bit_that_rots_on_a_drive_is_found_by_the_next_proof_and_copied_again(
    bare: World, images: Images, kind: str
) -> None:
    card = bare.card()
    card.frames(4, size=300_000)
    set_up(bare, A=images.mount("a", kind, 64), B=bare.folder("drive-b"))
    assert bare.run("offload", card.root).status == 0
    victim = next(path for path in named(bare.drives["A"]) if path.name == "ORR_0002.DNG")
    before, good = victim.stat(), victim.read_bytes()
    images.rot(victim, 200_000)
    after, rotten = victim.stat(), victim.read_bytes()
    assert (after.st_size, after.st_mtime_ns) == (before.st_size, before.st_mtime_ns)
    assert rotten != good
    later = TestClock()
    later.at += 31 * DAY
    result = bare.offload_job(card.root, clock=later)
    assert result.clearance.is_yes
    assert victim.read_bytes() == good
    quarantine = list(bare.drives["A"].glob(".tripleguard/quarantine/*/*.DNG"))
    assert [path.read_bytes() for path in quarantine] == [rotten]
    why = quarantine[0].with_name(f"{quarantine[0].name}.why.txt").read_text(encoding="utf-8")
    assert "nothing was deleted" in why
    assert Counter(bare.on("A").values()) == Counter(card.digests().values())


def test_a_card_file_that_cannot_be_read_is_said_and_its_piece_kept(bare: World, here: Path) -> None:
    backing = CardFolder(bare.folder("backing"))
    backing.frames(6, size=6 * MIB)
    with fault_file_system(backing.root, here / "card") as faulty:
        faulty.set_faults(Fault("read", "*0003.DNG", offset=5_000_000, length=4096))
        bare.setup()
        card = here / "card"
        found = bare.run("offload", card, "--json")
        assert found.status == 1
        assert [one["path"] for one in found.json["not_copied"]] == ["DCIM/100ORREY/ORR_0003.DNG"]
        assert "can't be read" in found.json["not_copied"][0]["reason"]
        assert found.json["clearance"]["reasons"][0]["kind"] == "unreadable"
        assert found.json["verified"] == {"A": 5, "B": 5}
        whole = (backing.root / "DCIM/100ORREY/ORR_0003.DNG").read_bytes()
        for drive in bare.drives.values():
            pieces = list(drive.glob(".tripleguard/quarantine/*/ORR_0003.DNG.part"))
            assert pieces
            assert all(whole.startswith(piece.read_bytes()) for piece in pieces)
            assert max(piece.stat().st_size for piece in pieces) >= 4 * MIB
        faulty.set_faults()
        assert bare.run("offload", card).status == 0


@pytest.mark.parametrize(("count", "quarantine"), [(1, 0), (2, 1)], ids=["once", "twice"])
def test_a_reading_back_that_fails(bare: World, here: Path, count: int, quarantine: int) -> None:
    """Once: read again, and the copy stands. Twice: it is moved to quarantine and copied anew from the card."""
    card = bare.card()
    card.frames(4)
    with _faulty_drive(bare, here) as drive:
        drive.set_faults(Fault("read", "*/ORR_0002.DNG", count=count))
        found = bare.run("offload", card.root, "--json")
        assert (found.status, found.json["verified"]) == (0, {"A": 4, "B": 4})
        assert len(list(drive.point.glob(".tripleguard/quarantine/*/*.DNG"))) == quarantine
        assert Counter(bare.on("A").values()) == Counter(card.digests().values())
        assert "reading back was different" in bare.run("log").out or quarantine


def test_a_flush_that_fails_once_is_not_repeated_the_copy_is_made_anew(bare: World, here: Path) -> None:
    """After a failed fsync the kernel may have dropped the pages, and a second one says yes (fsync(2), NOTES)."""
    card = bare.card()
    card.frames(4)
    with _faulty_drive(bare, here) as drive:
        drive.set_faults(Fault("fsync", "*.part", count=1))
        found = bare.run("offload", card.root, "--json")
        assert "Trying 1 file" in found.err
        assert (found.status, found.json["verified"]) == (0, {"A": 4, "B": 4})
        assert len(named(drive.point)) == 4
        assert Counter(bare.on("A").values()) == Counter(card.digests().values())


def test_a_flush_that_always_fails_is_said(bare: World, here: Path) -> None:
    card = bare.card()
    card.frames(3)
    with _faulty_drive(bare, here) as drive:
        drive.set_faults(Fault("fsync", "*.part"))
        found = bare.run("offload", card.root, "--json")
        assert (found.status, found.json["verified"]) == (1, {"A": 0, "B": 3})
        assert "Drive A stopped answering (flushing a copy" in found.json["troubles"][0]["what"]
        assert bare.on("A") == {}


def test_a_second_offload_at_the_same_time_is_told_who_holds_the_drives(bare: World, images: Images) -> None:
    card = bare.card()
    card.frames(30, size=MIB)
    set_up(bare, A=images.mount("a", "exfat", 96), B=images.mount("b", "ext4", 96))
    with _offloading(bare, card.root) as first:
        wait_until(lambda: bool(named(bare.drives["B"])) or first.poll() is not None, "the first one is at work")
        first.send_signal(signal.SIGSTOP)
        second = bare.process("offload", card.root)
        first.send_signal(signal.SIGCONT)
        first.communicate(timeout=60)
    assert second.returncode == 3
    assert f"is in use by offload of {card.root} (process {first.pid}" in " ".join(second.stderr.decode().split())
    assert first.returncode == 0
    assert bare.run("offload", card.root, "--json").json["copied"] == 0


def _touch_files(folder: Path, number: int) -> None:
    for name in range(number):
        (folder / str(name)).touch()


@contextlib.contextmanager
def _offloading(world: World, *words: object) -> Iterator[subprocess.Popen[str]]:
    """An offload in a process of its own; it does not outlive the block."""
    process = subprocess.Popen(
        world.command_line("offload", *words), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    try:
        yield process
    finally:
        process.kill()
        process.communicate()


@contextlib.contextmanager
def _faulty_drive(world: World, here: Path) -> Iterator[FaultFileSystem]:
    """Drive A on a file system that can be told to fail, where nothing can be read past the cache."""
    with fault_file_system(here / "backing-a", here / "drive-a") as drive:
        set_up(world, A=here / "drive-a", B=world.folder("drive-b"))
        world.settings("[rule]\naccept_cached = true\n")
        yield drive


def test_the_images_leave_nothing_behind(here: Path) -> None:
    with images_below(here) as made:
        point = made.mount("a", "ext4", 8)
        device = made.up[point].device
        assert point.is_mount()
    assert not point.is_mount()
    assert contents(point) == {}
    attached = subprocess.run(["losetup", "-j", str(here / "a.img")], check=True, capture_output=True, text=True)
    assert device not in attached.stdout
