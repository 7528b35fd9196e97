"""The rescan while somebody works: saving, renaming, pausing, pulling; and only what is so is told."""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from archive_faults import archive, folder_on, kinds, rot
from disk_images import Images, images_below, wait_until
from world import TestClock, World, finished

from tripleguard.clock import DAY
from tripleguard.jobs.background import Budget
from tripleguard.jobs.drives import open_drives, select_maintained_drives
from tripleguard.jobs.rescan.rescan import rescan
from tripleguard.jobs.rescan.rescan_result import RescanResult

pytestmark = pytest.mark.alone


@pytest.fixture
def images(here: Path) -> Iterator[Images]:
    with images_below(here) as made:
        yield made


def _told(world: World, *options: str) -> set[tuple[str, str]]:
    """What a rescan says it found: kind and file name."""
    found = world.run("rescan", "--json", *(options or ("--quick",))).json["findings"]
    return {(one["kind"], Path(one["path"]).name) for one in found}


@contextlib.contextmanager
def _running(world: World, *options: str) -> Iterator[subprocess.Popen[bytes]]:
    """A rescan in a process of its own, a little after it began to listen to signals."""
    words = world.command_line("rescan", "--all", *options)
    process = subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    try:
        wait_until(lambda: _catches(process.pid, signal.SIGUSR1), "the rescan has begun")
        time.sleep(0.5)
        yield process
    finally:
        process.kill()
        process.communicate()


def _catches(pid: int, number: signal.Signals) -> bool:
    """Whether a process has a handler for a signal (proc(5), /proc/pid/status, SigCgt)."""
    lines = Path(f"/proc/{pid}/status").read_text(encoding="ascii", errors="replace").splitlines()
    caught = next(line for line in lines if line.startswith("SigCgt:"))
    return bool(int(caught.split()[1], 16) >> (number - 1) & 1)


# Moved, and moved on


def test_a_renamed_shoot_is_told_as_moved_and_not_also_as_missing(world: World) -> None:
    _, a, _ = archive(world)
    a.parent.rename(a.parent.with_name("2026-06-13 harbour"))
    answer = world.run("rescan", "--quick")
    assert "missing" not in answer.out + answer.err
    assert answer.out.count("  misplaced: ") == 5


def test_a_moved_raw_that_is_deleted_is_missed_where_it_belongs(world: World) -> None:
    _, a, _ = archive(world)
    (a / "chosen").mkdir()
    (a / "ORR_0002.DNG").rename(a / "chosen/ORR_0002.DNG")
    world.run("rescan", "--quick")
    (a / "chosen/ORR_0002.DNG").unlink()
    assert _told(world) == {("missing", "ORR_0002.DNG")}
    (one,) = [one for one in world.run("findings", "--json").json["findings"] if one["path"]]
    assert (one["kind"], Path(one["path"]).parent.name) == ("missing", a.name)
    assert world.run("repair").status == 0
    assert world.on("A") == world.on("B")
    assert world.run("report").status == 0


def test_a_moved_raw_that_is_moved_on_is_told_once(world: World) -> None:
    _, a, _ = archive(world)
    for name in ("one", "two", "three"):
        (a / name).mkdir()
        next(a.rglob("ORR_0002.DNG")).rename(a / name / "ORR_0002.DNG")
        assert _told(world) == {("misplaced", "ORR_0002.DNG")}
        assert kinds(world) == {("misplaced", "ORR_0002.DNG")}
    assert world.run("repair").status == 0
    assert world.on("A") == world.on("B")


@pytest.mark.images
@pytest.mark.parametrize("what", ["files", "folder"])
def test_another_case_on_a_drive_that_minds_none_is_no_finding(bare: World, images: Images, what: str) -> None:
    """exFAT looks names up without regard to case: exFAT specification 1.00, section 7.4."""
    for name in ("A", "B"):
        bare.drives[name] = images.mount(f"drive-{name.lower()}", "exfat")
    given = [word for name, path in bare.drives.items() for word in ("--drive", f"{name}={path}")]
    assert bare.run("setup", "--allow-same-disk", *given).status == 0
    card, a, _ = archive(bare)
    if what == "folder":
        a = a.rename(a.with_name(a.name.upper()))
    else:
        for path in list(a.iterdir()):
            path.rename(path.with_name(path.name.lower()))
    for depth in ("--quick", "--all"):
        answer = bare.run("rescan", depth, "--json")
        assert (answer.status, answer.json["findings"], answer.json["unchanged"]) == (0, [], 10)
    rot(next(path for path in a.iterdir() if "0003" in path.name))
    assert bare.run("rescan", "--all").status == 1
    assert bare.run("repair").status == 0
    assert bare.run("rescan", "--all").status == 0
    assert bare.run("clearance", "card", card.root).status == 0


def test_folders_within_folders_without_end_do_not_end_the_rescan(world: World) -> None:
    archive(world)
    deep = os.open(world.drives["A"], os.O_RDONLY)
    for _ in range(1200):
        os.mkdir("d", dir_fd=deep)
        below = os.open("d", os.O_RDONLY, dir_fd=deep)
        os.close(deep)
        deep = below
    os.close(deep)
    try:
        assert world.run("rescan", "--all").status == 0
    finally:
        subprocess.run(["rm", "-rf", world.drives["A"] / "d"], check=True)


# While an editor saves


def test_an_editor_that_saves_all_the_while_makes_no_finding(world: World) -> None:
    """Sidecars are replaced by name, as editors do, and written in place, many times a second."""
    _, a, _ = archive(world)
    stop = threading.Event()

    def save() -> None:
        number = 0
        while not stop.is_set():
            number += 1
            (a / "new.tmp").write_bytes(b"<x n='%06d'/>" % number)
            (a / "new.tmp").rename(a / "ORR_0001.xmp")
            # A kernel's clock for files ticks every 4 to 10 ms: what is saved twice in one tick has one time.
            time.sleep(0.02)
            with (a / "ORR_0001.xmp").open("r+b") as file:
                file.write(b"<y")
            time.sleep(0.02)

    editor = threading.Thread(target=save)
    editor.start()
    try:
        for _ in range(12):
            found = world.run("rescan", "--all", "--json").json["findings"]
            assert {one["kind"] for one in found} <= {"stray"}, found
    finally:
        stop.set()
        editor.join()
    world.run("rescan", "--quick")
    assert world.run("repair").status == 0
    assert world.on("A") == world.on("B")
    assert kinds(world) == set()


# Quiet, slow, and stopped


@pytest.mark.skipif(sys.platform != "linux", reason="looks into /proc")
def test_quiet_is_quiet_at_once_also_within_a_long_film(world: World) -> None:
    archive(world, frames=1, size=96 << 20)
    with _running(world, "--limit", "8MB/s") as process:
        process.send_signal(signal.SIGUSR1)
        time.sleep(0.5)
        before = _read_by(process.pid)
        time.sleep(1.0)
        assert _read_by(process.pid) == before
        process.send_signal(signal.SIGUSR2)
        time.sleep(1.0)
        assert _read_by(process.pid) > before
        process.send_signal(signal.SIGUSR1)
        time.sleep(0.3)
        process.send_signal(signal.SIGTERM)
        assert process.wait(120) == 130


def _read_by(pid: int) -> int:
    """Bytes that a process had read so far by its own count of reads (proc(5), /proc/pid/io, rchar)."""
    lines = Path(f"/proc/{pid}/io").read_text(encoding="ascii").split("\n")
    return int(lines[0].rpartition(" ")[2])


@pytest.mark.skipif(sys.platform != "linux", reason="looks into /proc")
def test_a_rescan_that_is_kept_quiet_past_its_time_lets_the_drives_go(world: World) -> None:
    archive(world, frames=2, size=48 << 20)
    with _running(world, "--limit", "8MB/s", "--for", "3s") as process:
        process.send_signal(signal.SIGUSR1)
        assert process.wait(120) == 0
    assert world.run("rescan", "--quick").status == 0


@pytest.mark.skipif(sys.platform != "linux", reason="looks into /proc")
def test_a_limit_holds_however_small_and_a_stop_ends_the_waiting(world: World) -> None:
    archive(world, frames=3, size=1 << 20)
    with _running(world, "--limit", "50kB/s") as process:
        time.sleep(1.5)
        assert process.poll() is None, "a megabyte takes twenty seconds at this rate"
        process.send_signal(signal.SIGTERM)
        assert process.wait(120) == 130


@pytest.mark.parametrize("options", [("--limit", "0"), ("--limit", "0 MB/s"), ("--for", "")])
def test_a_limit_or_time_of_nothing_is_refused(world: World, options: tuple[str, str]) -> None:
    answer = world.run("rescan", *options)
    assert answer.status == 2
    assert "What to do" in answer.err


# Clocks


def _rescanned(world: World, clock: TestClock, total_bytes: int | None = None) -> RescanResult:
    with world.ctx(clock) as ctx, open_drives(ctx, select_maintained_drives(ctx), "a test") as ready:
        return finished(rescan(ctx, ready.writable, "all", Budget(total_bytes=total_bytes)))


def test_a_rescan_after_the_clock_was_set_right_reads_each_copy_once(world: World) -> None:
    archive(world)
    clock = TestClock()
    clock.at += 5 * DAY
    assert not _rescanned(world, clock, total_bytes=1).places[0].is_finished
    clock.at -= 5 * DAY
    for place in _rescanned(world, clock).places:
        assert (place.is_finished, place.read_back) == (True, 5)


def test_a_copy_that_rots_between_two_nights_is_found_whatever_the_clock_says(world: World) -> None:
    _, a, _ = archive(world)
    clock = TestClock()
    for years in (-9, 9, 0):
        clock.at += years * 365 * DAY
        rot(a / "ORR_0002.DNG", 2000 + years)
        assert [kind for kind, _ in _rescanned(world, clock).places[0].new_findings] == ["corrupt"]
        assert world.run("repair").status == 0
        clock.at -= years * 365 * DAY


# What is asked for, and what is here


def test_a_drive_that_was_asked_for_and_is_away_is_told(world: World) -> None:
    archive(world)
    world.unplug("B")
    answer = world.run("rescan", "--quick", "--place", "A", "--place", "B")
    assert answer.status == 1
    assert "Drive B is not connected" in answer.out
    assert world.run("rescan", "--quick").status == 0


@pytest.mark.images
@pytest.mark.parametrize("kind", ["ext4", "exfat"])
def test_a_drive_that_died_before_the_night_is_told_and_the_other_is_read(
    bare: World, images: Images, kind: str
) -> None:
    for name in ("A", "B"):
        bare.drives[name] = images.mount(f"drive-{name.lower()}", kind)
    given = [word for name, path in bare.drives.items() for word in ("--drive", f"{name}={path}")]
    assert bare.run("setup", "--allow-same-disk", *given).status == 0
    archive(bare)
    images.die(bare.drives["A"])
    answer = bare.run("rescan", "--all", "--json")
    assert answer.status == 1
    assert [one["place"] for one in answer.json["places"] if one["finished"]] == ["B"]
    assert answer.json["troubles"] or any(one["away"] for one in answer.json["places"])
    assert answer.json["findings"] == []


@pytest.mark.images
def test_a_write_protected_drive_is_read_all_the_same(bare: World, images: Images) -> None:
    for name in ("A", "B"):
        bare.drives[name] = images.mount(f"drive-{name.lower()}", "ext4")
    given = [word for name, path in bare.drives.items() for word in ("--drive", f"{name}={path}")]
    assert bare.run("setup", "--allow-same-disk", *given).status == 0
    archive(bare)
    rot(folder_on(bare, "A") / "ORR_0002.DNG")
    for path in bare.drives.values():
        subprocess.run(["mount", "-o", "remount,ro", path], check=True)
    answer = bare.run("rescan", "--all", "--json")
    assert (answer.status, len(answer.json["places"])) == (1, 2)
    assert [one["kind"] for one in answer.json["findings"]] == ["corrupt"]
    assert all("read-only" in one["what"] for one in answer.json["troubles"])
    assert bare.run("drill", "--files", "5", "--json").json["places"][1]["sampled"] == 5


def _not_allowed(world: World, *arguments: str) -> tuple[int, str]:
    """A command by somebody whom the modes of files hold off, also where root runs the tests."""
    if sys.platform != "linux" or shutil.which("setpriv") is None:
        pytest.skip("needs setpriv of util-linux")
    less = ["setpriv", "--bounding-set=-dac_override,-dac_read_search"] if os.geteuid() == 0 else []
    done = subprocess.run(
        [*less, *world.command_line(*arguments)], capture_output=True, text=True, timeout=60, check=False
    )
    return done.returncode, done.stdout + done.stderr


def test_what_another_laptops_user_may_not_read_is_not_called_rotten(world: World) -> None:
    """A drive formatted with ext4 keeps the owners of the laptop it was filled on."""
    _, a, b = archive(world)
    os.chmod(a / "ORR_0002.DNG", 0)
    os.chmod(b, 0)
    try:
        for depth in ("--all", "--quick"):
            status, said = _not_allowed(world, "rescan", depth)
            assert (status, "you may not read" in said) == (1, True), said
        status, said = _not_allowed(world, "drill", "--files", "30")
        assert (status, "you may not read" in said) == (3, True), said
    finally:
        os.chmod(b, 0o755)
        os.chmod(a / "ORR_0002.DNG", 0o644)
    assert kinds(world) == set()
    assert world.run("rescan", "--all").status == 0
