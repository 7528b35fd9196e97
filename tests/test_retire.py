"""A drive is full, old or dead: may it go, what has to be copied first, and what is left without it."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from test_rescan_and_repair import _rot
from world import TestClock, World, finished

from tripleguard.catalog.places import get_place
from tripleguard.clock import DAY
from tripleguard.jobs.clearance.drive_answer import DriveClearanceResult
from tripleguard.jobs.clearance.drive_clearance import clear_drive
from tripleguard.jobs.drives import locate_drives, open_drives
from tripleguard.jobs.lifecycle.retire import mark_leaving, prepare_retirement


def _stamps(root: Path) -> dict[str, tuple[int, int, int]]:
    """Every file of a drive but the tool's own: inode, size and time."""
    return {
        str(path.relative_to(root)): (path.stat().st_ino, path.stat().st_size, path.stat().st_mtime_ns)
        for path in root.rglob("*")
        if path.is_file() and ".tripleguard" not in path.parts
    }


def _reasons(answer: dict[str, object]) -> dict[str, int]:
    reasons = answer["reasons"]
    assert isinstance(reasons, list)
    return {one["kind"]: one["count"] for one in reasons}


@pytest.fixture
def shot(world: World) -> World:
    """Six frames and a sidecar on A and B, cleared."""
    card = world.card()
    card.frames(6)
    card.put("DCIM/100ORREY/ORR_0001.xmp", b"<x/>")
    assert world.run("offload", card.root).status == 0
    return world


def _third(world: World, name: str = "C") -> None:
    world.drives[name] = world.folder(f"drive-{name.lower()}")
    assert world.run("drives", "add", name, world.drives[name]).status == 0


def test_a_drive_with_one_other_copy_of_its_files_must_be_kept(shot: World) -> None:
    answer = shot.run("clearance", "drive", "A", "--json")
    assert (answer.status, answer.json["answer"]) == (1, "no")
    assert _reasons(answer.json) == {"one elsewhere": 7}
    assert (answer.json["files"], answer.json["covered"]) == (7, 0)
    assert [(one["files"], one["sole"]) for one in answer.json["shoots"]] == [(7, 0)]
    assert all(one["elsewhere"] == 1 for one in answer.json["uncovered"])
    assert shot.run("retire", "A").status == 1
    assert "NO: keep drive A as it is." in shot.run("retire", "A").out
    assert {one["state"] for one in shot.run("drives", "--json").json["places"]} == {"connected"}


def test_a_drive_is_prepared_and_retired_and_nothing_on_it_is_touched(shot: World) -> None:
    _third(shot)
    before = _stamps(shot.drives["A"])
    prepared = shot.run("retire", "A", "--prepare", "--json")
    assert (prepared.status, prepared.json["answer"], prepared.json["retired"]) == (0, "yes", False)
    assert prepared.json["made"]["made"] == {"B": 0, "C": 7}
    assert shot.on("C") == shot.on("A")
    states = {one["name"]: one["state"] for one in shot.run("drives", "--json").json["places"]}
    assert states == {"A": "leaving", "B": "connected", "C": "connected"}
    assert shot.run("report").status == 0
    done = shot.run("retire", "A")
    assert done.status == 0, done.out
    assert "Drive A is retired now." in done.out
    assert "local law" in done.out
    assert _stamps(shot.drives["A"]) == before
    for name in ("B", "C"):
        (record,) = (shot.drives[name] / ".tripleguard/records").iterdir()
        assert record.read_text().count("ORR_") == 7
    assert shot.run("retire", "A").status == 2


def test_a_retired_drive_that_turns_up_again_is_known_and_not_written_to(shot: World) -> None:
    _third(shot)
    assert shot.run("retire", "A", "--prepare").status == 0
    assert shot.run("retire", "A").status == 0
    before = _stamps(shot.drives["A"])
    later = shot.card("later")
    later.frames(2, first=50)
    assert shot.run("offload", later.root).status == 0
    places = {one["name"]: one for one in shot.run("drives", "--json").json["places"]}
    assert (places["A"]["state"], places["A"]["path"]) == ("retired", str(shot.drives["A"]))
    assert _stamps(shot.drives["A"]) == before


def test_what_is_only_on_the_drive_comes_first(shot: World) -> None:
    card = shot.card("late")
    card.frames(2, first=90)
    assert shot.run("offload", card.root, "--drive", "A").status == 1
    answer = shot.run("clearance", "drive", "A", "--json").json
    assert [one["kind"] for one in answer["reasons"]] == ["only here", "one elsewhere"]
    assert [Path(one["path"]).name for one in answer["uncovered"][:2]] == ["ORR_0090.DNG", "ORR_0091.DNG"]
    assert answer["shoots"][0]["sole"] == 2


@pytest.mark.parametrize("trouble", ["stranger", "edited", "link"])
def test_what_the_drive_holds_besides_is_not_forgotten(shot: World, trouble: str) -> None:
    _third(shot)
    assert shot.run("retire", "A", "--prepare").status == 0
    folder = next(shot.drives["A"].glob("2026/*/*/"))
    if trouble == "stranger":
        (shot.drives["A"] / "tax papers.pdf").write_bytes(b"%PDF")
        word = "not in the catalog, leaving"
    elif trouble == "edited":
        (folder / "ORR_0001.xmp").write_bytes(b"<x rating='5'/>")
        word = "changed here, leaving"
    else:
        (folder / "best").symlink_to("/etc")
        word = "odd on the drive"
    answer = shot.run("clearance", "drive", "A", "--json")
    assert (answer.status, _reasons(answer.json)) == (1, {word: 1})
    assert shot.run("retire", "A").status == 1


def test_it_looks_at_the_other_drives_again(shot: World) -> None:
    _third(shot)
    assert shot.run("retire", "A", "--prepare").status == 0
    next(shot.drives["B"].glob("2026/*/*/ORR_0003.DNG")).unlink()
    assert _reasons(shot.run("clearance", "drive", "A", "--json").json) == {"copy missing elsewhere": 1}
    shot.unplug("C")
    assert _reasons(shot.run("clearance", "drive", "A", "--json").json)["other drive away"] == 6


def test_a_bad_copy_on_the_drive_is_no_reason_to_keep_it(shot: World) -> None:
    _third(shot)
    _rot(next(shot.drives["A"].glob("2026/*/*/ORR_0002.DNG")), 900)
    assert shot.run("rescan", "--all").status == 1
    prepared = shot.run("retire", "A", "--prepare", "--json")
    assert prepared.json["answer"] == "yes", prepared.out


def test_a_picture_that_is_good_nowhere_keeps_the_drive(shot: World) -> None:
    for name in ("A", "B"):
        _rot(next(shot.drives[name].glob("2026/*/*/ORR_0002.DNG")), 900)
    assert shot.run("rescan", "--all").status == 1
    _third(shot)
    prepared = shot.run("retire", "A", "--prepare", "--json").json
    assert _reasons(prepared) == {"no good copy": 1}
    assert prepared["uncovered"][0]["path"].endswith("ORR_0002.DNG")


def test_what_stays_must_have_been_read_lately(shot: World) -> None:
    _third(shot)
    assert shot.run("retire", "A", "--prepare").status == 0
    clock = TestClock()
    assert _asked(shot, clock).clearance.is_yes
    clock.at += 8 * DAY
    late = _asked(shot, clock).clearance
    assert [(one.kind, one.count) for one in late.reasons] == [("not read lately", 7)]
    with shot.ctx(clock) as ctx, open_drives(ctx, locate_drives(ctx), "a test") as ready:
        done = finished(prepare_retirement(ctx, get_place(ctx.catalog, "A"), ready.writable))
    assert {one.place: one.read_back for one in done.rescan_result.places} == {"B": 7, "C": 7}
    assert _asked(shot, clock).clearance.is_yes


def _asked(world: World, clock: TestClock) -> DriveClearanceResult:
    with world.ctx(clock) as ctx, open_drives(ctx, locate_drives(ctx), "a test", for_writing=False) as ready:
        return finished(clear_drive(ctx, get_place(ctx.catalog, "A"), ready.connected))


def test_a_card_is_not_cleared_by_a_copy_on_a_drive_that_is_leaving(shot: World) -> None:
    card = shot.root / "card"
    assert shot.run("clearance", "card", card).status == 0
    with shot.ctx() as ctx:
        mark_leaving(ctx, get_place(ctx.catalog, "A"))
    assert _reasons(shot.run("clearance", "card", card, "--json").json) == {"out of service": 7}
    assert shot.run("report", "--json").json["owed"][0]["short"] == 7
    assert shot.run("drives", "recall", "A").status == 0
    assert shot.run("clearance", "card", card).status == 0


def test_a_drive_from_the_shelf_is_read_from_and_never_written_to(shot: World) -> None:
    assert shot.run("drives", "shelve", "A").status == 0
    assert shot.run("drives", "lost", "B").status == 1
    _third(shot)
    before = _stamps(shot.drives["A"])
    assert shot.run("topup").status == 0
    assert shot.on("C") == shot.on("A")
    assert _stamps(shot.drives["A"]) == before


def test_a_lost_drive_says_what_is_left_and_what_to_copy_first(shot: World) -> None:
    card = shot.card("late")
    card.frames(2, first=90)
    assert shot.run("offload", card.root, "--drive", "A").status == 1
    left = shot.run("drives", "lost", "A", "--json")
    assert left.status == 1
    assert (left.json["held"]["files"], left.json["nowhere"]["files"], left.json["on_one_drive"]["files"]) == (
        9,
        2,
        7,
    )
    assert [(one["drive"], one["files"]) for one in left.json["connect_first"]] == [("B", 7)]
    said = shot.run("drives", "lost", "A").out
    assert "No verified copy left: 2 files" in said
    assert "1. connect drive B" in said
    assert os.listdir(shot.drives["A"])


def test_a_drive_that_is_not_here_is_not_cleared(shot: World) -> None:
    _third(shot)
    assert shot.run("retire", "A", "--prepare").status == 0
    shot.unplug("A")
    answer = shot.run("clearance", "drive", "A", "--json").json
    assert _reasons(answer) == {"drive not here": 1}
    assert shot.run("retire", "A").status == 1


def test_nothing_that_is_done_afterwards_writes_to_a_drive_that_is_leaving(shot: World) -> None:
    """Not even a lock or a time of last access: it may be compared with what somebody noted of it."""
    _third(shot)
    assert shot.run("retire", "A", "--prepare").status == 0
    root = shot.drives["A"]

    def state() -> dict[str, tuple[int, int, int, bytes]]:
        return {
            str(path.relative_to(root)): (
                path.stat().st_ino,
                path.stat().st_mtime_ns,
                path.stat().st_ctime_ns,
                path.read_bytes() if path.is_file() else b"",
            )
            for path in (root, *root.rglob("*"))
        }

    before = state()
    card = shot.card("later")
    card.frames(2, first=50)
    for words in (
        ("offload", card.root),
        ("clearance", "card", card.root),
        ("rescan", "--all"),
        ("rescan", "--quick", "--place", "A"),
        ("inspect",),
        ("drill", "--files", "3"),
        ("repair",),
        ("topup",),
        ("clearance", "drive", "A"),
        ("quarantine",),
    ):
        answer = shot.run(*words)
        assert answer.status in (0, 1), (words, answer.err)
        after = state()
        assert [path for path in {*before, *after} if before.get(path) != after.get(path)] == [], words
