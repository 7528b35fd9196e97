"""A device that hangs holds up nobody: every command answers, names it, and goes on with the others."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from disk_images import Images, drivers_of, images_below
from watch_process import plug, set_watch, watching
from world import World, contents

from tripleguard.places import probe
from tripleguard.places.probe import hangs

pytestmark = [pytest.mark.images, pytest.mark.alone]


@pytest.fixture
def images(here: Path) -> Iterator[Images]:
    with images_below(here) as made:
        yield made


@contextmanager
def hung(images: Images, point: Path) -> Iterator[None]:
    """The driver of a mounted image is stopped, so every call on it waits."""
    drivers = drivers_of(images.up[point])
    assert drivers, "a kernel driver can't be stopped"
    for pid in drivers:
        os.kill(pid, signal.SIGSTOP)
    try:
        yield
    finally:
        for pid in drivers:
            os.kill(pid, signal.SIGCONT)


SHORT = (
    "import sys; from tripleguard.places import probe; probe._TIMEOUT_S = 1.0; sys.argv[0] = 'tripleguard'; "
    "from tripleguard.cli import main; main()"
)
"""The command line, less patient."""


def run(world: World, *arguments: object) -> subprocess.CompletedProcess[bytes]:
    words = [sys.executable, "-c", SHORT, "--home", str(world.home), *map(str, arguments)]
    return subprocess.run(words, capture_output=True, timeout=60, check=False)


def set_up(world: World, images: Images) -> Path:
    """Drive A is a folder, drive B an image; where B is."""
    point = images.mount("b", "exfat", 64)
    world.drives = {"A": world.folder("drive-a"), "B": point}
    given = [word for name, path in world.drives.items() for word in ("--drive", f"{name}={path}")]
    assert world.run("setup", "--allow-same-disk", *given).status == 0
    return point


def test_a_volume_is_asked_by_another_process(images: Images, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(probe, "_TIMEOUT_S", 1.0)
    point = images.mount("b", "exfat", 64)
    assert not hangs(point)
    with hung(images, point):
        time.sleep(probe._VALID_S)
        assert hangs(point / "folder")
    for _ in range(1000):
        if not hangs(point):
            break
        time.sleep(0.01)
    assert not hangs(point)


@pytest.mark.parametrize(
    "command", [["drives"], ["report"], ["status"], ["rescan"], ["topup"], ["repair"], ["clearance", "drive", "A"]]
)
def test_a_command_answers_though_a_drive_hangs_and_names_it(
    bare: World, images: Images, command: list[str]
) -> None:
    point = set_up(bare, images)
    card = bare.card()
    card.frames(2)
    assert bare.run("offload", card.root).status in (0, 1)
    with hung(images, point):
        done = run(bare, *command)
    if command != ["status"]:
        assert b"does not answer" in done.stdout + done.stderr, done
    assert done.returncode in (0, 1, 3), done


def test_a_card_is_copied_to_the_drive_that_answers(bare: World, images: Images) -> None:
    point = set_up(bare, images)
    card = bare.card()
    card.frames(2)
    with hung(images, point):
        done = run(bare, "offload", card.root)
        assert b"does not answer" in done.stdout + done.stderr, done
        assert b"NO: do not reformat" in done.stdout
        assert len(contents(bare.drives["A"])) >= 2
    assert bare.run("offload", card.root).status in (0, 1)
    assert bare.on("A") == bare.on("B")


def test_a_hung_card_is_named_and_nothing_waits_for_it(bare: World, images: Images) -> None:
    set_up(bare, images)
    point = images.mount("card", "exfat", 64)
    (point / "DCIM").mkdir()
    with hung(images, point):
        for command in (["offload", point], ["clearance", "card", point]):
            done = run(bare, *command)
            assert done.returncode == 3, done
            assert b"does not answer" in done.stderr


def test_the_watch_goes_on_with_the_other_drive_and_names_the_one_that_hangs(bare: World, images: Images) -> None:
    point = set_up(bare, images)
    card = bare.card("from-elsewhere")
    card.frames(2)
    set_watch(bare, look_also=[str(bare.root / "reader" / "from-elsewhere")])
    with watching(bare) as watch:
        watch.until(lambda found: len(found["here"]) == 2, "both drives are seen")
        watch.until_idle()
        with hung(images, point):
            found = watch.until(lambda found: "does not answer" in found["trouble"], "it is said", 120)
            assert f"Drive B at {point}" in found["trouble"]
            there = plug(bare, card.root)
            watch.until_done("card", str(there))
            assert len(contents(bare.drives["A"])) >= 2
        watch.until_said("may be reformatted", str(there))
    assert bare.on("A") == bare.on("B")
