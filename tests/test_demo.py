"""The demo is the first thing a newcomer runs: it plays through, keeps to its folder, and fails when it should."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from world import World, contents

from tripleguard.demo import tour


def played(folder: Path, home: Path) -> subprocess.CompletedProcess[str]:
    """The demo as somebody runs it from a pipe, with a home folder of their own."""
    environment = {**os.environ, "HOME": str(home), "TRIPLEGUARD_HOME": str(home / "real")}
    return subprocess.run(
        [sys.executable, "-m", "tripleguard", "demo", str(folder)],
        env=environment,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        encoding="utf-8",
        timeout=120,
        check=False,
    )


def test_the_evening_plays_through_and_keeps_to_its_folder(here: Path) -> None:
    home = here / "home-of-the-newcomer"
    home.mkdir()
    ended = played(here / "tour", home)
    assert ended.returncode == 0, ended.stdout + ended.stderr
    assert ended.stderr == ""
    assert contents(home) == {}

    told = ended.stdout
    steps = [int(number) for number in re.findall(r"^(\d+)\. ", told, re.MULTILINE)]
    assert steps == list(range(1, 18))
    commands = re.findall(r"^  \$ tripleguard (\S+)", told, re.MULTILINE)
    assert {"setup", "offload", "topup", "clearance", "report", "rescan", "repair", "where", "log"} <= set(
        commands
    )
    answers = re.findall(r"^    (YES|NO): ", told, re.MULTILINE)
    assert answers == ["YES", "YES", "NO", "YES", "NO", "YES"]
    assert re.search(r"Stopped after [1-9]\d* of 70 files\.", told)
    assert "Every step came out as it should." in told
    assert f"rm -r {here / 'tour'}" in told
    assert "two drives in one bag" in told.casefold()

    on_a, on_b = (contents(here / "tour" / drive) for drive in ("drive-a", "other-port/drive-b"))
    for card in ("card-1", "card-2"):
        shot = {digest for path, digest in contents(here / "tour" / card).items() if ".DS_Store" not in path}
        assert shot <= set(on_a.values())
        assert shot <= set(on_b.values())
    days = {path.split("/")[1] for path in on_a if path.startswith("2026/")}
    assert days == {"2026-06-13 Merrowick harbour theatre"}, "a show past midnight is one shoot"


def test_the_tour_is_the_same_on_every_machine(here: Path) -> None:
    for name in ("one", "other"):
        folder = tour.make_scratch_folder(here / name)
        tour.set_up_tour(folder, accept_cached=False)
    assert contents(here / "one") == contents(here / "other")
    assert len(contents(here / "one" / "card-1")) == 71
    assert len(contents(here / "one" / "card-2")) == 47


def test_a_step_that_comes_out_otherwise_is_told_and_ends_the_demo(
    bare: World, here: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tour, "unplug_drive_b", lambda _: None)
    answer = bare.run("demo", here / "tour")
    assert answer.status == 3
    assert "Every step came out" not in answer.out
    assert "did not come out as it should: offload card-2: it ended with 0, not 1" in answer.err


def test_a_folder_that_holds_something_is_not_played_in(bare: World, here: Path) -> None:
    (here / "mine").mkdir()
    (here / "mine" / "wedding.txt").write_text("keep")
    for taken in (here / "mine", here / "mine" / "wedding.txt"):
        answer = bare.run("demo", taken)
        assert answer.status == 2
        assert "is not an empty folder" in answer.err
    assert (here / "mine" / "wedding.txt").read_text() == "keep"
    assert [path.name for path in (here / "mine").iterdir()] == ["wedding.txt"]


def test_without_a_folder_it_takes_a_fresh_one_below_the_cache(
    here: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    if sys.platform != "linux":
        pytest.skip("XDG_CACHE_HOME names the cache folder on Linux only")
    monkeypatch.setenv("XDG_CACHE_HOME", str(here / "cache"))
    one, other = tour.make_scratch_folder(None), tour.make_scratch_folder(None)
    assert one != other
    assert one.parent == other.parent == here / "cache" / "tripleguard"
