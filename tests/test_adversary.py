"""A question is answered while the world changes under it, at every call; and the adversary itself can be trusted.

The long form is `scripts/campaign-adversary`; here a few hundred of the same schedules are played.
"""

from __future__ import annotations

import os
import time
from collections import Counter
from dataclasses import replace
from pathlib import Path

import pytest
from adversary import Schedule, every, groups, played, schedule_of, some
from adversary_cards import SCENARIOS, CardGround, lacking
from adversary_changes import ALL, Change, hard_linked, on_drive, zeroed
from adversary_reference import Careful
from adversary_scene import Kept, tree
from adversary_syscalls import Call, Tap
from disk_images import why_not

MOUNTS = "/proc/self/mountinfo"


@pytest.fixture(scope="module")
def ground(disk: Path) -> CardGround:
    """A card that was offloaded, and the question whether it may be reformatted."""
    root = disk / f"adversary-{os.getpid()}"
    return CardGround(root, SCENARIOS[0])


@pytest.mark.slow
@pytest.mark.parametrize(("about", "number"), [("cards", 200), ("drives", 200)])
def test_no_yes_is_wrong_whatever_changes_at_whichever_call(here: Path, about: str, number: int) -> None:
    tally = played(about, number, here)
    print("\n".join(tally.lines()))
    assert tally.count("yes") > number // 20, "a question that is never answered with yes proves nothing"
    assert tally.count("no") > number // 20, "changes that are never seen prove nothing"
    assert not tally.count("wrong"), "\n".join(tally.lines())
    assert not tally.count("unforeseen"), "\n".join(tally.lines())


@pytest.mark.images
def test_no_yes_is_wrong_when_cards_and_drives_are_pulled_out(here: Path) -> None:
    if (why := why_not("exfat") or why_not("ext4")) is not None:
        pytest.skip(why)
    tally = played("mounts", 8, here)
    assert not tally.count("wrong"), "\n".join(tally.lines())
    assert not tally.count("unforeseen"), "\n".join(tally.lines())


@pytest.mark.parametrize(
    ("asked", "kinds"),
    [
        (Careful(), set[str]()),
        (
            Careful(card_again=False),
            {"card: append", "card: new frame", "card: file deleted", "card: another card"},
        ),
        (Careful(drives_again=False), {"B: copies deleted", "B: detached", "A: a zeroed copy of the drive"}),
        (Careful(inodes=False), {"B: hard links to A's copies"}),
        (Careful(exact=False), {"card: rewritten, time kept", "B: copies zeroed, time kept"}),
    ],
    ids=["all checks", "card once", "drives once", "names", "size and time"],
)
def test_a_plain_right_answer_withstands_and_each_check_of_it_is_needed(
    here: Path, asked: Careful, kinds: set[str]
) -> None:
    plain = CardGround(here, replace(SCENARIOS[0], ask=asked))
    calls = plain.trace()
    found, yeses = set[str](), 0
    played_here = [one for one in ALL if (one.name in kinds if kinds else one.of in ("card", "drives"))]
    for number, change in enumerate(played_here):
        for call in calls[number % 4 :: 5 if kinds else 20]:
            verdict = plain.play(change, call, before=number % 2 == 0)
            yeses += verdict.word in ("yes", "wrong")
            found |= {change.name} if verdict.word == "wrong" else set()
    assert yeses
    assert found == kinds


def test_a_run_that_nobody_disturbs_makes_the_same_calls_again(ground: CardGround) -> None:
    first, again = ground.trace(), ground.trace()
    # Other tests mount volumes meanwhile, and the table is read once more for each of them.
    mine, repeated = (Counter(call for call in calls if call.path != MOUNTS) for calls in (first, again))
    assert mine == repeated
    assert len(set(first)) == len(first), "every call has a name of its own"
    kinds = Counter(f"{call.what} {call.path.split('/')[0]}" for call in first)
    for what in ("scandir card", "readinto card", "stat drive-a", "stat drive-b", "now clock"):
        assert kinds[what], what
    assert any(call.what == "sql" for call in first)
    assert any(call.path == MOUNTS for call in first) or os.name != "posix"


def test_a_change_is_made_once_at_its_call_and_nowhere_else(ground: CardGround) -> None:
    call = next(call for call in ground.trace() if call.what == "readinto")
    for before in (True, False):
        made: list[str] = []

        def make(_: object, made: list[str] = made) -> bool:
            made.append("made")
            return True

        verdict = ground.play(Change("nothing", "card", make), call, before=before)
        assert made == ["made"]
        assert verdict.word == "yes", verdict


def test_what_a_schedule_changed_is_put_back_before_the_next(ground: CardGround) -> None:
    with ground.scene() as scene:
        root = scene.world.root
        before = tree(root)
    calls = ground.trace()
    for change in ALL:
        if not change.slow:
            ground.play(change, calls[len(calls) // 2], before=True)
    with ground.scene():
        assert tree(root) == before


def test_the_oracle_counts_bytes_in_files_of_their_own(ground: CardGround) -> None:
    for change, expected in [
        (on_drive("B", Path.unlink, 0), "is not on two drives"),
        (on_drive("A", zeroed, 0), "is not on two drives"),
        (hard_linked("B", "A"), "is not on two drives"),
    ]:
        with ground.scene() as scene:
            assert lacking(scene) == ""
            change(scene)
            assert expected in lacking(scene)


def test_the_clock_and_a_read_only_drive_are_seen_by_the_run_alone(tmp_path: Path) -> None:
    tap = Tap(tmp_path)
    tap.clock = 10**18
    tap.read_only.add("drive")
    (tmp_path / "drive").mkdir()
    before = time.time_ns()
    with tap.on():
        assert time.time_ns() - before >= 10**18
        with pytest.raises(OSError, match="Read-only"):
            os.mkdir(tmp_path / "drive" / "new")
        with tap.quarantine():
            os.mkdir(tmp_path / "drive" / "mine")
    assert time.time_ns() - before < 10**18


def test_a_schedule_is_replayed_by_the_words_that_name_it() -> None:
    schedule = Schedule("offload, fresh", "card: append", False, Call("sql", "SELECT 1", 3))
    assert schedule_of(str(schedule)) == schedule


def test_a_campaign_takes_different_schedules_of_every_scenario_and_kind() -> None:
    found = groups("cards")
    traces = {name: [Call("stat", "card", number) for number in range(50)] for name in found}
    schedules = every(found, traces)
    chosen = list(some(schedules, 2000))
    assert len(set(map(str, chosen))) == 2000
    assert {one.change for one in chosen} >= {change.name for change in ALL if not change.slow}
    assert {one.group for one in chosen} == set(found)


def test_what_was_kept_is_restored(tmp_path: Path) -> None:
    live = tmp_path / "live"
    (live / "folder").mkdir(parents=True)
    for name in ("stays", "goes", "folder/changes"):
        (live / name).write_bytes(name.encode())
    kept = Kept(live, tmp_path / "kept")
    kept.keep()
    before, inode = tree(live), (live / "stays").stat().st_ino
    (live / "goes").unlink()
    (live / "folder/changes").write_bytes(b"changed it")
    (live / "new").mkdir()
    (live / "new/file").write_bytes(b"new")
    kept.restore()
    assert tree(live) == before
    assert (live / "stays").stat().st_ino == inode, "what did not change is left alone"
