"""May this drive go? Days on which the easy answer would be the wrong one."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest
from disk_images import images_below
from test_quarantine import BY_WORD
from test_real_file_systems import set_up
from test_rescan_and_repair import _rot
from test_retire import _reasons, _stamps, _third
from world import World, finished

from tripleguard.catalog.places import get_place
from tripleguard.jobs.lifecycle.retire import mark_leaving
from tripleguard.places.reserved import new_unfinished_name
from tripleguard.watch.queue import TaskKind, TaskStatus, WatchTask
from tripleguard.watch.tasks import create_job

pytestmark = pytest.mark.alone


@pytest.fixture
def shot(world: World) -> World:
    """Six frames and a sidecar on A and B, cleared."""
    card = world.card()
    card.frames(6)
    card.put("DCIM/100ORREY/ORR_0001.xmp", b"<x/>")
    assert world.run("offload", card.root).status == 0
    return world


def _sidecar(world: World, name: str) -> Path:
    (found,) = world.drives[name].glob("2026/*/*/ORR_0001.xmp")
    return found


def _edit(path: Path, content: bytes) -> None:
    later = path.stat().st_mtime_ns + 60_000_000_000
    path.write_bytes(content)
    os.utime(path, ns=(later, later))


def test_an_older_edit_is_not_given_up_for_a_newer_one_that_is_lost(shot: World) -> None:
    """The last edit was on B only, and B is gone: the edit before it, on A, is the best that is left."""
    _edit(_sidecar(shot, "B"), b"<x rating='5'/>")
    assert shot.run("rescan", "--all", "--place", "B").status in (0, 1)
    assert shot.run("drives", "lost", "B").status == 1
    _third(shot)
    _third(shot, "D")
    made = shot.run("retire", "A", "--prepare", "--json")
    assert made.out, made.err
    prepared = made.json
    sidecars = [name for name in ("C", "D") if list(shot.drives[name].glob("2026/*/*/ORR_0001.xmp"))]
    assert prepared["answer"] == "no" or sidecars == ["C", "D"], prepared
    assert _reasons(prepared) == {"only here": 1}


def test_an_older_edit_goes_where_the_newest_is_safe_without_the_drive(shot: World) -> None:
    _third(shot)
    before = _sidecar(shot, "A").read_bytes()
    _edit(_sidecar(shot, "B"), b"<x rating='5'/>")
    shot.run("rescan", "--all", "--place", "B")
    assert shot.run("retire", "A", "--prepare", "--json").json["answer"] == "yes"
    assert _sidecar(shot, "A").read_bytes() == before
    assert _sidecar(shot, "C").read_bytes() == b"<x rating='5'/>"


@pytest.mark.parametrize("command", ["offload", "adopt"])
def test_a_drive_that_leaves_is_not_written_to_also_when_it_is_named(shot: World, command: str) -> None:
    _third(shot)
    assert shot.run("retire", "A", "--prepare").status == 0
    before = _stamps(shot.drives["A"])
    late = shot.card("late")
    late.frames(2, first=90)
    given = (late.root,) if command == "offload" else ()
    refused = shot.run(command, *given, "--drive", "A")
    assert refused.status == 3, refused.out
    assert "leaving" in refused.err
    assert "drives recall A" in refused.err
    assert _stamps(shot.drives["A"]) == before
    assert shot.run("rescan", "--all", "--place", "A").status == 0


def test_with_no_other_drive_it_says_what_it_did(shot: World) -> None:
    shot.unplug("B")
    refused = shot.run("retire", "A", "--prepare")
    assert refused.status == 3
    assert "Nothing was changed" not in refused.err
    assert "leaving" in refused.err


def test_what_lies_aside_and_nobody_knows_keeps_the_drive(shot: World) -> None:
    """After a rebuild from check lists nobody knows what was moved to quarantine: it may be all there is of a
    picture."""
    _third(shot)
    quarantine = shot.drives["A"] / ".tripleguard/quarantine/20260614T013005Z-0a0b0c0d"
    quarantine.mkdir(parents=True)
    shutil.copy(next(shot.drives["A"].glob("2026/*/*/ORR_0003.DNG")), quarantine / "ORR_0300.DNG")
    with (quarantine / "ORR_0300.DNG").open("r+b") as file:
        file.write(b"\1\2\3\4")
    assert shot.run("retire", "A", "--prepare").status == 1
    answer = shot.run("clearance", "drive", "A", "--json").json
    assert _reasons(answer) == {"quarantine and unknown": 1}


def test_it_says_when_what_stays_lies_on_the_same_disk(shot: World) -> None:
    """Folders on one file system stand for two partitions of one disk."""
    _third(shot)
    assert shot.run("retire", "A", "--prepare").status == 0
    notes = shot.run("clearance", "drive", "A", "--json").json["notes"]
    assert "same device" in {one["kind"] for one in notes}


def test_equal_sidecars_of_two_pictures_do_not_stand_for_each_other(world: World) -> None:
    """The settings were copied from one frame to that of another night with the same number."""
    for night, seed in (("one", 1), ("two", 2)):
        card = world.card(night)
        card.raw("DCIM/100ORREY/ORR_0001.dng", seed=seed)
        card.put("DCIM/100ORREY/ORR_0001.XMP", b"<x/>")
        assert world.run("offload", card.root, "--shoot", night).status == 0
    _third(world)
    assert world.run("retire", "A", "--prepare").status == 0
    (gone,) = world.drives["C"].glob("2026/* one/*/ORR_0001.XMP")
    gone.unlink()
    answer = world.run("clearance", "drive", "A", "--json").json
    assert answer["answer"] == "no", answer


def test_the_newest_edit_gets_its_own_name_beside_an_older_one_on_a_drive_that_is_away(shot: World) -> None:
    """Under another name no editor would find it, and each top-up would make one more."""
    _third(shot)
    _edit(_sidecar(shot, "B"), b"<x rating='5'/>")
    assert shot.run("rescan", "--all", "--place", "B").status == 0
    shot.unplug("A")
    for _ in range(3):
        shot.run("topup")
    assert _sidecar(shot, "C").read_bytes() == b"<x rating='5'/>"
    for name in ("B", "C"):
        assert len(list(shot.drives[name].rglob("*.xmp"))) == 1


@pytest.mark.images
def test_a_dying_drive_that_can_only_be_read_is_copied_from(bare: World) -> None:
    """Its file system went read-only, as systems do after errors: no lock can be had on it."""
    with images_below(bare.root) as images:
        set_up(bare, A=images.mount("a", "ext4"), B=bare.folder("drive-b"))
        card = bare.card()
        card.frames(3)
        assert bare.run("offload", card.root, "--drive", "A").status == 1
        bare.run("topup")
        late = bare.card("late")
        late.frames(2, first=90)
        assert bare.run("offload", late.root, "--drive", "A").status == 1
        _third(bare)
        subprocess.run(["mount", "-o", "remount,ro", str(bare.drives["A"])], check=True)
        prepared = bare.run("retire", "A", "--prepare", "--json")
        assert prepared.json["answer"] == "yes", prepared.out + prepared.err
        assert len(list(bare.drives["C"].rglob("ORR_009*"))) == 2
        assert bare.run("retire", "A").status == 0


@pytest.mark.parametrize("copies", [1, 3])
def test_a_rule_of_one_or_three_copies_is_kept_without_the_drive(shot: World, copies: int) -> None:
    _third(shot)
    settings = (shot.home / "settings.toml").read_text()
    assert "drive_copies = 2" in settings
    shot.settings(settings.replace("drive_copies = 2", f"drive_copies = {copies}"))
    prepared = shot.run("retire", "A", "--prepare", "--json").json
    assert prepared["answer"] == ("yes" if copies == 1 else "no"), prepared
    if copies == 3:
        assert _reasons(prepared) == {"one elsewhere": 7}


def test_the_watch_pays_from_the_drive_that_leaves(shot: World) -> None:
    late = shot.card("late")
    late.frames(2, first=90)
    assert shot.run("offload", late.root, "--drive", "A").status == 1
    _third(shot)
    with shot.ctx() as ctx:
        mark_leaving(ctx, get_place(ctx.catalog, "A"))
        ended = finished(create_job(ctx, WatchTask(TaskKind.TOPUP)))
    assert ended.status is TaskStatus.DONE, ended
    assert len(list(shot.drives["B"].rglob("ORR_009*"))) == 2
    assert len(list(shot.drives["C"].rglob("ORR_009*"))) == 2


def test_a_copy_on_a_drive_that_is_away_is_no_sole_copy(shot: World) -> None:
    """It has to be connected before the answer; nobody is told that the pictures are on this drive only."""
    shot.unplug("B")
    answer = shot.run("clearance", "drive", "A", "--json").json
    assert _reasons(answer) == {"other drive away": 7}
    assert [one["sole"] for one in answer["shoots"]] == [0]


def _bytes_that_differ(one: Path, other: Path) -> set[int]:
    """Where two images are not the same."""
    found: set[int] = set()
    with one.open("rb") as first, other.open("rb") as second:
        for number, block in enumerate(iter(lambda: first.read(4096), b"")):
            if block != (against := second.read(4096)):
                pairs = zip(block, against, strict=True)
                found |= {number * 4096 + at for at, (left, right) in enumerate(pairs) if left != right}
    return found


def _journal_of(image: Path, kind: str) -> set[int]:
    """The blocks of 4 KiB in which ext4 keeps its journal: mounting alone writes there, each time further on."""
    if kind != "ext4":
        return set()
    told = [
        subprocess.run(["debugfs", "-R", what, str(image)], capture_output=True, text=True, check=True).stdout
        for what in ("stats", "blocks <8>")
    ]
    (size,) = (int(line.split()[-1]) for line in told[0].splitlines() if line.startswith("Block size"))
    return {int(number) * size // 4096 for number in told[1].split()}


# What a driver in user space notes of a reading, whoever reads and however: the time of the last access and the
# check sum over the entry (exFAT specification 1.00, section 7.4: offsets 2, 16 and 24 of 32).
_OF_A_READING = {"exfat": {2, 3, 16, 17, 18, 19, 24}, "ext4": frozenset()}


@pytest.mark.images
@pytest.mark.parametrize("kind", ["ext4", "exfat"])
def test_the_drive_that_leaves_is_not_written_to_at_all(bare: World, kind: str) -> None:
    """Compared as an image. What mounting and unmounting alone change is learnt from doing just that."""
    with images_below(bare.root) as images:
        set_up(bare, A=images.mount("a", kind), B=bare.folder("drive-b"), C=bare.folder("drive-c"))
        card = bare.card()
        card.frames(3)
        assert bare.run("offload", card.root, "--drive", "A", "--drive", "B").status in (0, 1)
        point = bare.drives["A"]
        half = point / ".tripleguard/incoming" / new_unfinished_name("part")
        half.write_bytes(b"half a picture")
        images.unmount(point)
        image, before, idle = images.root / "a.img", bare.root / "before.img", bare.root / "idle.img"

        def mounted_again() -> None:
            images.mount("a", kind)
            # ext4 notes where it is mounted when the first file is opened.
            os.close(os.open(half, os.O_RDONLY | os.O_NOATIME))

        # The first mounting after a change may settle something; from then on it is the same every time.
        mounted_again()
        images.unmount(point)
        shutil.copy(image, before)
        mounted_again()
        images.unmount(point)
        shutil.copy(image, idle)
        mounted_again()
        for command in (("clearance", "drive", "A"), ("retire", "A", "--prepare"), ("clearance", "drive", "A")):
            bare.run(*command)
        assert len(list(bare.drives["C"].rglob("ORR_*.DNG"))) == 3
        done = bare.run("retire", "A")
        assert done.status == 0, done.out + done.err
        images.unmount(point)
        settled = {at // 4096 for at in _bytes_that_differ(before, idle)} | _journal_of(image, kind)
        written = {at for at in _bytes_that_differ(before, image) if at // 4096 not in settled}
        assert {at for at in written if at % 32 not in _OF_A_READING[kind]} == set()
        mounted_again()
        assert half.read_bytes() == b"half a picture"


def _mended_quarantine(world: World, name: str) -> Path:
    """What is in quarantine on A under this name, once a rescan and a repair moved it there."""
    world.run("rescan", "--quick")
    world.run("repair")
    (found,) = (world.drives["A"] / ".tripleguard/quarantine").glob(f"*/{name}")
    return found


@pytest.mark.parametrize("what", ["edited in place", "another picture", "a sidecar"])
def test_somebodys_work_that_a_repair_moved_aside_keeps_the_drive(shot: World, what: str) -> None:
    """An original edited in place, another picture saved over it, settings that a repair replaced: only there."""
    _third(shot)
    assert shot.run("retire", "A", "--prepare").status == 0
    assert shot.run("drives", "recall", "A").status == 0
    name = "ORR_0001.xmp" if what == "a sidecar" else "ORR_0002.DNG"
    (path,) = shot.drives["A"].glob(f"2026/*/*/{name}")
    if what == "a sidecar":
        _edit(_sidecar(shot, "B"), b"<x rating='5'/>")
    else:
        content = path.read_bytes()
        path.write_bytes(
            content[:5000] + b"settings" + content[5008:] if what == "edited in place" else b"x" * 70_000
        )
    lies = _mended_quarantine(shot, name)
    shot.run("rescan", "--all")
    shot.run("topup")
    answer = shot.run("clearance", "drive", "A", "--json").json
    assert _reasons(answer) == {"only in quarantine": 1}
    assert shot.run("retire", "A").status == 1
    # The next step that is named: what is of use is moved to another disk.
    shutil.move(lies, shot.root)
    assert shot.run("clearance", "drive", "A").status == 0


def test_what_lies_aside_and_is_whole_elsewhere_keeps_no_drive(shot: World) -> None:
    """By its bytes, whatever it is called: the catalog takes it for a bad copy of another picture."""
    _third(shot)
    assert shot.run("retire", "A", "--prepare").status == 0
    assert shot.run("drives", "recall", "A").status == 0
    (path,) = shot.drives["A"].glob("2026/*/*/ORR_0002.DNG")
    (other,) = shot.drives["A"].glob("2026/*/*/ORR_0003.DNG")
    path.write_bytes(other.read_bytes())
    _mended_quarantine(shot, "ORR_0002.DNG")
    shot.run("rescan", "--all")
    assert shot.run("clearance", "drive", "A").status == 0


def test_what_only_rotted_goes_by_the_next_step_that_is_named(shot: World) -> None:
    _third(shot)
    assert shot.run("retire", "A", "--prepare").status == 0
    assert shot.run("drives", "recall", "A").status == 0
    (path,) = shot.drives["A"].glob("2026/*/*/ORR_0002.DNG")
    _rot(path, 5000)
    shot.run("rescan", "--all")
    _mended_quarantine(shot, "ORR_0002.DNG")
    answer = shot.run("clearance", "drive", "A", "--json").json
    assert _reasons(answer) == {"only in quarantine": 1}
    assert shot.run("quarantine", "empty", "--drive", "A", "--older-than", "0d", *BY_WORD).status == 0
    assert shot.run("clearance", "drive", "A").status == 0
