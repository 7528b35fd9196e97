"""Attempts to make the tool lose a picture, damage one, or claim what is not so; each of them must fail."""

from __future__ import annotations

import errno
import gzip
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest
from sample_files import film
from world import CardFolder, TestClock, World, contents

from tripleguard.clock import DAY, SystemClock
from tripleguard.places.cache_bypass import MediumReader

pytestmark = pytest.mark.alone


def _offloaded(world: World, frames: int = 3, sidecars: int = 3) -> tuple[CardFolder, Path, Path]:
    """A card with raws and sidecars of equal bytes, offloaded; the folders of its pictures on A and B."""
    card = world.card()
    card.frames(frames)
    for number in range(1, sidecars + 1):
        card.put(f"DCIM/100ORREY/ORR_{number:04d}.xmp", b"<x rating='3'/>")
    assert world.run("offload", card.root).status == 0
    return card, next(world.drives["A"].glob("2026/*/*/")), next(world.drives["B"].glob("2026/*/*/"))


def _spoil(path: Path, offset: int = 0) -> None:
    """Flip one bit; size and time stay, as when a medium rots."""
    status = path.stat()
    content = bytearray(path.read_bytes())
    content[offset] ^= 1
    path.write_bytes(content)
    os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))


def _quarantine(drive: Path) -> list[bytes]:
    return [
        path.read_bytes()
        for path in (drive / ".tripleguard/quarantine").rglob("*")
        if path.is_file() and path.suffix != ".txt"
    ]


# Rot and editing


def test_rot_in_a_sidecar_is_no_edit_and_does_not_spread(world: World) -> None:
    _, a, b = _offloaded(world)
    _spoil(a / "ORR_0001.xmp", 5)
    world.run("rescan", "--all")
    # As for any file with a bad copy: the copy is corrupt, and its name is short of one.
    assert world.run("report", "--json").json["counts"] == {"corrupt": 1, "under-replicated": 1}
    assert world.run("repair").status == 0
    for folder in (a, b):
        assert (folder / "ORR_0001.xmp").read_bytes() == b"<x rating='3'/>"


def test_an_edit_of_the_same_size_is_not_undone_by_a_second_offload(world: World) -> None:
    card, a, _ = _offloaded(world)
    (a / "ORR_0001.xmp").write_bytes(b"<x rating='5'/>")
    world.run("offload", card.root)
    assert (a / "ORR_0001.xmp").read_bytes() == b"<x rating='5'/>"


def test_an_edit_between_rescan_and_mend_is_not_undone(world: World) -> None:
    _, a, b = _offloaded(world)
    (a / "ORR_0001.xmp").write_bytes(b"<x rating='4'/>")
    world.run("rescan", "--quick")
    (b / "ORR_0001.xmp").write_bytes(b"<x rating='5' label='red'/>")
    world.run("repair")
    assert (b / "ORR_0001.xmp").read_bytes() == b"<x rating='5' label='red'/>"


def test_an_edit_before_a_topup_is_not_undone(world: World) -> None:
    _, a, b = _offloaded(world)
    (a / "ORR_0001.xmp").write_bytes(b"<x rating='4'/>")
    world.run("rescan", "--quick")
    (b / "ORR_0001.xmp").write_bytes(b"<x rating='5' label='red'/>")
    world.run("topup")
    assert (b / "ORR_0001.xmp").read_bytes() == b"<x rating='5' label='red'/>"


def test_edits_on_both_drives_keep_every_version(world: World) -> None:
    _, a, b = _offloaded(world)
    (a / "ORR_0001.xmp").write_bytes(b"edited on A")
    time.sleep(0.02)
    (b / "ORR_0001.xmp").write_bytes(b"edited on B, later")
    world.run("rescan", "--all")
    assert world.run("repair").status == 0
    assert (a / "ORR_0001.xmp").read_bytes() == b"edited on B, later"
    assert (b / "ORR_0001.xmp").read_bytes() == b"edited on B, later"
    assert b"edited on A" in _quarantine(world.drives["A"])


# Companions with equal bytes


def test_a_new_sidecar_is_not_taken_for_a_missing_one_of_equal_bytes(world: World) -> None:
    _, a, _ = _offloaded(world, sidecars=1)
    (a / "ORR_0001.xmp").unlink()
    (a / "ORR_0003.xmp").write_bytes(b"<x rating='3'/>")
    world.run("rescan", "--all")
    world.run("repair")
    assert (a / "ORR_0001.xmp").exists()
    assert (a / "ORR_0003.xmp").exists()


def test_equal_sidecars_are_each_brought_to_a_new_drive(world: World) -> None:
    _offloaded(world)
    world.run("drives", "lost", "B")
    world.drives["C"] = world.folder("drive-c")
    world.run("drives", "add", "C", world.drives["C"])
    world.run("topup")
    assert world.on("C") == world.on("A")


def test_equal_sidecars_of_a_second_card_are_paid_by_topup(world: World) -> None:
    _offloaded(world)
    world.unplug("B")
    card = world.card("second")
    card.frames(1, first=11)
    card.put("DCIM/100ORREY/ORR_0011.xmp", b"<x rating='3'/>")
    world.run("offload", card.root)
    world.plug("B")
    world.run("topup")
    assert world.on("B") == world.on("A")
    assert world.run("clearance", "card", card.root).status == 0


def test_an_edited_sidecar_leaves_its_equal_twin_wanted(world: World) -> None:
    _, a, _ = _offloaded(world, sidecars=2)
    (a / "ORR_0002.xmp").write_bytes(b"<x rating='5' edited='yes'/>")
    world.run("rescan", "--quick")
    assert world.run("repair").status == 0
    world.run("drives", "lost", "B")
    world.drives["C"] = world.folder("drive-c")
    world.run("drives", "add", "C", world.drives["C"])
    world.run("topup")
    with world.ctx() as ctx:
        wants = ctx.catalog.fetch_all(
            "SELECT required_copies, drive_copies FROM files WHERE name LIKE '%.xmp' ORDER BY id"
        )
    assert wants == [(2, 2), (2, 2)]


def test_a_sidecar_lies_beside_its_own_picture(world: World) -> None:
    """Two bodies use one name; their sidecars hold the same bytes."""
    for name, serial in (("one", "40017731"), ("two", "40017732")):
        card = world.card(name)
        card.raw("DCIM/100ORREY/ORR_0001.DNG", serial=serial)
        card.put("DCIM/100ORREY/ORR_0001.xmp", b"<x rating='3'/>")
        assert world.run("offload", card.root).status == 0
    for drive in ("A", "B"):
        pictures = {path.removesuffix(".DNG") for path in world.on(drive) if path.endswith(".DNG")}
        sidecars = {path.removesuffix(".xmp") for path in world.on(drive) if path.endswith(".xmp")}
        assert pictures == sidecars
    second = world.root / "two"
    next(path for path in world.drives["B"].rglob("ORR_0001.xmp") if "7732" in path.parent.name).unlink()
    assert world.run("clearance", "card", second).status == 1


# What comes back, and what takes another's place


def test_a_copy_that_came_back_is_no_finding_and_is_not_made_twice(world: World) -> None:
    _, a, _ = _offloaded(world)
    before = world.on("A")
    elsewhere = world.root / "elsewhere"
    shutil.copytree(a, elsewhere)
    (a / "ORR_0001.DNG").unlink()
    assert world.run("rescan", "--all").status == 1
    shutil.copy2(elsewhere / "ORR_0001.DNG", a / "ORR_0001.DNG")
    world.run("repair")
    assert world.on("A") == before
    world.run("rescan", "--all")
    assert world.run("report").status == 0


def test_mending_twice_makes_no_second_copy(world: World) -> None:
    _, a, _ = _offloaded(world)
    (a / "ORR_0001.DNG").unlink()
    world.run("rescan", "--all")
    (a / "ORR_0001.DNG").write_bytes(b"a stranger")
    world.run("repair")
    once = world.on("A")
    assert (a / "ORR_0001.DNG").read_bytes() == b"a stranger"
    world.run("repair")
    assert world.on("A") == once


def test_swapped_names_are_put_right_and_nothing_is_lost(world: World) -> None:
    _, a, _ = _offloaded(world)
    before, bytes_before = world.on("A"), sorted(world.on("A").values())
    (a / "ORR_0001.DNG").rename(a / "x")
    (a / "ORR_0002.DNG").rename(a / "ORR_0001.DNG")
    (a / "x").rename(a / "ORR_0002.DNG")
    world.run("rescan", "--all")
    world.run("repair")
    assert world.on("A") == before
    assert sorted(world.on("A").values()) == bytes_before


def test_a_misplaced_copy_whose_place_was_taken_by_another_is_left(world: World) -> None:
    _, a, b = _offloaded(world)
    for folder in (a, b):
        (folder / "chosen").mkdir()
        (folder / "ORR_0001.DNG").rename(folder / "chosen/ORR_0001.DNG")
    world.run("rescan", "--all")
    other = world.card("other")
    other.raw("DCIM/100ORREY/ORR_0001.DNG")
    assert world.run("offload", other.root).status == 0
    (a / "ORR_0001.DNG").unlink()
    answer = world.run("repair")
    assert "Traceback" not in answer.err
    assert answer.status in (0, 1)
    world.run("rescan", "--all")
    world.run("repair")
    world.run("rescan", "--all")
    assert sorted(set(world.on("A").values())) == sorted(set(world.on("B").values()))


# Clocks


def test_a_rescan_of_all_reads_what_was_verified_by_a_clock_ahead(world: World) -> None:
    card = world.card()
    card.frames(3)
    ahead = TestClock(SystemClock().now() + 400 * DAY)
    world.offload_job(card.root, clock=ahead)
    victim = next(world.drives["A"].glob("2026/*/*/ORR_0002.DNG"))
    _spoil(victim, 40_000)
    found = world.run("rescan", "--all", "--json").json
    assert [one["kind"] for one in found["findings"]] == ["corrupt"]


def test_the_due_copies_include_those_verified_by_a_clock_ahead(world: World) -> None:
    card = world.card()
    card.frames(3)
    world.offload_job(card.root, clock=TestClock(SystemClock().now() + 400 * DAY))
    assert world.run("report", "--json").json["counts"].get("overdue") == 6
    assert world.run("rescan", "--due", "--json").json["read_back"] == 6
    assert world.run("report").status == 0


def test_a_clock_set_back_does_not_throw_the_newest_snapshot_away(world: World) -> None:
    ahead = SystemClock().now() + 400 * DAY
    for number in range(1, 5):
        card = world.card(f"card-{number}")
        card.frames(1, first=number)
        world.offload_job(card.root, clock=TestClock(ahead + number * DAY))
    last = world.card("last")
    last.frames(1, first=77)
    assert world.run("offload", last.root).status == 0
    for drive in world.drives.values():
        assert any(_knows(path, "ORR_0077.DNG", world.root) for path in (drive / ".tripleguard/catalog").iterdir())


def test_what_a_clock_that_was_ahead_says_was_read_back_is_read_back_again(world: World) -> None:
    card = world.card()
    card.frames(2)
    world.offload_job(card.root, clock=TestClock(SystemClock().now() + 2 * DAY))
    assert world.run("clearance", "card", card.root).status == 0
    victim = next(world.drives["B"].rglob("*.DNG"))
    world.offload_job(card.root, clock=TestClock(SystemClock().now() + 2 * DAY))
    status = victim.stat()
    victim.write_bytes(bytes(status.st_size))
    os.utime(victim, ns=(status.st_atime_ns, status.st_mtime_ns))
    assert world.run("clearance", "card", card.root).status == 1


# Two homes, old copies


def _knows(snapshot: Path, name: str, scratch: Path) -> bool:
    plain = scratch / "plain.db"
    plain.write_bytes(gzip.decompress(snapshot.read_bytes()))
    found = sqlite3.connect(plain).execute("SELECT count(*) FROM files WHERE name = ?", (name,)).fetchone()
    return bool(found[0])


def test_a_second_home_does_not_throw_away_the_first_ones_snapshots(world: World) -> None:
    card = world.card()
    card.frames(2, first=501)
    assert world.run("offload", card.root).status == 0
    second = World(world.root)
    second.home = world.root / "home-2"
    second.setup()
    for number in range(1, 6):
        card = second.card(f"card-{number}")
        card.frames(1, first=number)
        assert second.run("offload", card.root).status == 0
        time.sleep(1.05)
    for drive in world.drives.values():
        assert any(_knows(path, "ORR_0501.DNG", world.root) for path in (drive / ".tripleguard/catalog").iterdir())


def test_two_homes_share_drives_and_neither_loses_the_others_copies(world: World) -> None:
    card = world.card()
    card.frames(3)
    assert world.run("offload", card.root).status == 0
    first = world.on("A")
    second = World(world.root)
    second.home = world.root / "home-2"
    second.setup()
    other = world.card("other")
    other.frames(3)
    assert second.run("offload", other.root).status == 0
    assert second.run("offload", card.root).status == 0
    assert second.run("clearance", "card", card.root).status == 0
    assert len(world.on("A")) == 6
    assert first.items() <= world.on("A").items()
    second.run("rescan", "--all")
    second.run("repair")
    world.run("rescan", "--all")
    world.run("repair")
    assert len(world.on("A")) == len(world.on("B")) == 6
    assert world.run("clearance", "card", card.root).status == 0
    assert world.run("clearance", "card", other.root).status == 1


def test_an_old_catalog_costs_no_copy_and_says_no_wrong_yes(world: World) -> None:
    first = world.card()
    first.frames(2)
    assert world.run("offload", first.root).status == 0
    shutil.copytree(world.home, world.root / "home-old")
    second = world.card("second")
    second.frames(2)
    assert world.run("offload", second.root).status == 0
    on_a = world.on("A")
    shutil.rmtree(world.home)
    (world.root / "home-old").rename(world.home)
    answer = world.run("clearance", "card", second.root)
    assert "older" in answer.err
    assert "read back" in answer.err
    world.run("rescan", "--all")
    world.run("repair")
    assert world.on("A") == on_a
    third = world.card("third")
    third.frames(2)
    assert world.run("offload", third.root).status == 0
    assert on_a.items() <= world.on("A").items()
    assert world.run("offload", second.root).status == 0
    assert sorted(world.on("A").values()) == sorted(
        {**first.digests(), **_prefixed(second), **_prefixed(third, 3)}.values()
    )


def _prefixed(card: CardFolder, number: int = 2) -> dict[str, bytes]:
    return {f"{number} {path}": digest for path, digest in card.digests().items()}


def test_a_drive_restored_from_an_old_backup_counts_only_for_what_it_has(world: World) -> None:
    first = world.card()
    first.frames(2)
    assert world.run("offload", first.root).status == 0
    shutil.copytree(world.drives["B"], world.root / "backup")
    second = world.card("second")
    second.frames(2, first=11)
    assert world.run("offload", second.root).status == 0
    shutil.rmtree(world.drives["B"])
    shutil.copytree(world.root / "backup", world.drives["B"])
    assert world.run("clearance", "card", second.root).status == 1
    world.run("rescan", "--all")
    assert world.run("repair").status == 0
    assert world.on("A") == world.on("B")
    assert world.run("clearance", "card", second.root).status == 0


# Interrupted


def test_a_killed_rescan_of_all_does_not_leave_copies_unread_for_weeks(world: World) -> None:
    """What goes on where it was cut off must not pass over what was verified in between by something else."""
    _, a, _ = _offloaded(world, frames=6, sidecars=0)
    now = SystemClock().now()
    with world.ctx() as ctx, ctx.catalog.transaction():
        ctx.catalog.execute("UPDATE copies SET verified_at = ?", now - 40 * DAY)
        for name in ("A", "B"):
            ctx.catalog.execute(
                "INSERT INTO jobs (kind, subject, agent, started_at) VALUES ('rescan all', ?, 'x', ?)",
                name,
                now - 50 * DAY,
            )
    _spoil(a / "ORR_0002.DNG", 40_000)
    found = world.run("rescan", "--all", "--json").json
    assert [one["kind"] for one in found["findings"]] == ["corrupt"]


def test_a_mend_killed_at_any_moment_loses_nothing_and_is_finished_by_the_next(world: World) -> None:
    card = world.card()
    card.frames(8, size=2 << 20)
    assert world.run("offload", card.root).status == 0
    before = world.on("A")
    good = world.on("B")
    for delay in (0.25, 0.36, 0.45):
        for path in list(before)[:4]:
            if (world.drives["A"] / path).exists():
                _spoil(world.drives["A"] / path, 100_000)
        world.run("rescan", "--all")
        process = subprocess.Popen(
            world.command_line("repair"), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        time.sleep(delay)
        process.send_signal(signal.SIGKILL)
        process.wait()
        assert world.on("B") == good
        for path, digest in world.on("A").items():
            assert path in before or Path(path).stem.count("-"), (path, digest)
        world.run("rescan", "--all")
        world.run("repair")
        world.run("rescan", "--all")
        assert world.on("A") == before
        assert world.run("report").status == 0


def test_a_rotten_source_makes_nothing_and_is_itself_found(world: World) -> None:
    _, a, b = _offloaded(world)
    (a / "ORR_0001.DNG").unlink()
    world.run("rescan", "--all")
    _spoil(b / "ORR_0001.DNG", 40_000)
    rotten = (b / "ORR_0001.DNG").read_bytes()
    assert world.run("repair").status == 1
    assert not (a / "ORR_0001.DNG").exists()
    assert (b / "ORR_0001.DNG").read_bytes() == rotten
    counts = world.run("report", "--json").json["counts"]
    assert (counts["missing"], counts["corrupt"]) == (1, 1)


# Cards alike, links


def test_cards_alike_in_all_but_the_middle_of_one_file_are_told_apart(world: World) -> None:
    one, two = world.card("one"), world.card("two")
    for card, middle in ((one, b"1"), (two, b"2")):
        edge = b"\0" * (200 << 10)
        card.put("DCIM/100ORREY/ORR_0001.MOV", film(sound=edge + middle + edge))
    assert world.run("offload", one.root).status == 0
    shutil.rmtree(one.root)
    two.root.rename(one.root)
    assert world.run("clearance", "card", one.root).status == 1
    found = world.run("offload", one.root, "--json").json
    assert (found["copied"], found["clearance"]["answer"]) == (1, "yes")
    assert len(world.on("A")) == 2


def test_a_link_in_place_of_a_copy_or_its_folder_does_not_count(world: World) -> None:
    card, a, b = _offloaded(world)
    copy = a / "ORR_0001.DNG"
    copy.unlink()
    copy.symlink_to(b / "ORR_0001.DNG")
    assert world.run("clearance", "card", card.root).status == 1
    world.run("rescan", "--all")
    world.run("repair")
    assert copy.is_symlink()
    shutil.rmtree(a)
    a.symlink_to(b)
    assert world.run("clearance", "card", card.root).status == 1
    before = world.on("B")
    world.run("rescan", "--all")
    world.run("repair")
    assert world.on("B") == before


def test_a_drive_swapped_for_another_under_its_mount_point_counts_for_nothing(world: World) -> None:
    card, _, _ = _offloaded(world)
    world.unplug("B")
    shutil.copytree(world.drives["A"], world.drives["B"], ignore=shutil.ignore_patterns(".tripleguard"))
    assert world.run("clearance", "card", card.root).status == 1
    shutil.copytree(world.drives["A"] / ".tripleguard", world.drives["B"] / ".tripleguard")
    clone = world.run("clearance", "card", card.root)
    assert clone.status != 0


def test_two_clearances_in_one_second_leave_two_records(world: World) -> None:
    clock = TestClock()
    for name, first in (("one", 1), ("two", 11)):
        card = world.card(name)
        card.frames(1, first=first)
        world.offload_job(card.root, clock=clock)
    records = [path for path in contents(world.drives["A"]) if Path(path).name.startswith("clearance-")]
    assert len(records) == 2


# Whole days


def test_an_edit_reaches_the_other_drive_whatever_is_run_in_between(world: World) -> None:
    card, a, b = _offloaded(world)
    (a / "ORR_0001.xmp").write_bytes(b"<x rating='5'/>")
    for command in (("offload", card.root), ("rescan", "--all"), ("repair",), ("rescan", "--all")):
        world.run(*command)
    assert (b / "ORR_0001.xmp").read_bytes() == b"<x rating='5'/>"
    # The second offload kept the card's version beside the edited one on A; B gets it too.
    assert world.run("topup").status == 0
    assert world.run("report").status == 0
    before = world.on("A")
    for _ in range(2):
        world.run("topup")
        world.run("repair")
    assert world.on("A") == before


def test_touched_files_are_copied_no_second_time_for_good(world: World) -> None:
    card, a, _ = _offloaded(world, sidecars=0)
    before = world.on("A")
    for path in a.glob("*.DNG"):
        os.utime(path, ns=(1, 10**18))
    world.run("offload", card.root)
    assert world.run("clearance", "card", card.root).status == 0
    assert world.on("A") == before


def test_a_renamed_shoot_is_put_back_whole(world: World) -> None:
    _, a, _ = _offloaded(world)
    a.parent.rename(a.parent.with_name("2026-06-13 renamed"))
    for command in (("rescan", "--all"), ("repair",), ("rescan", "--all")):
        world.run(*command)
    assert world.on("A") == world.on("B")
    assert world.run("report").status == 0


# A drill that can't be done


def test_a_drive_pulled_from_a_drill_is_not_called_rotten(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    _offloaded(world)
    real = MediumReader.readinto

    def pulled(reading: MediumReader, buffer: memoryview) -> int:
        (world.drives["A"] / ".tripleguard/place.json").rename(world.root / "place.json")
        monkeypatch.setattr(MediumReader, "readinto", real)
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    monkeypatch.setattr(MediumReader, "readinto", pulled)
    assert world.run("drill", "--files", "3").status not in (0, 1)
    (world.root / "place.json").rename(world.drives["A"] / ".tripleguard/place.json")
    assert world.run("report").status == 0


@pytest.mark.skipif(sys.platform == "win32", reason="a limit for a file's size is set as POSIX sets it")
def test_a_scratch_folder_that_takes_no_more_makes_no_copy_rotten(world: World) -> None:
    import resource

    card = world.card()
    card.frames(2, size=4 << 20)
    assert world.run("offload", card.root).status == 0
    limit = 2 << 20
    ended = world.process(
        "drill", "--files", "1", preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
    )
    assert ended.returncode not in (0, 1)
    assert b"scratch folder can't take" in ended.stderr
    assert world.run("report").status == 0
