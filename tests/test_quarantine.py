"""What is in quarantine after repairing: listed, mentioned, and removed only by a person's word, in doubt not at
all."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from test_rescan_and_repair import _rot
from world import TestClock, World, contents, finished

from tripleguard.clock import DAY
from tripleguard.jobs.drives import locate_drives, open_drives
from tripleguard.jobs.queries.report_query import build_report
from tripleguard.jobs.repair.purge import list_planned_removals, plan_purge, purge_quarantine
from tripleguard.jobs.repair.quarantine import PurgeFilter
from tripleguard.rules import is_at_least_old, mark_beyond_limit

SIZE = 256 << 10
BY_WORD = ("--confirmed", "--because", "they were repaired long ago")


def folder(world: World, name: str) -> Path:
    """The one shoot's folder on a drive."""
    return next(world.drives[name].glob("2026/*/*/"))


def quarantine(world: World, name: str = "A") -> dict[str, Path]:
    """The bad copies that are in quarantine on a drive, by their names."""
    found = (world.drives[name] / ".tripleguard/quarantine").glob("*/*")
    return {path.name: path for path in found if not path.name.endswith(".why.txt")}


def repaired(world: World, frames: int = 3) -> World:
    """A world where the first frames rotted on drive A and were repaired from drive B, and one more is
    untouched."""
    card = world.card()
    card.frames(frames + 1, size=SIZE)
    card.put("DCIM/100ORREY/ORR_0001.xmp", b"<x/>")
    assert world.run("offload", card.root).status == 0
    for number in range(1, frames + 1):
        _rot(folder(world, "A") / f"ORR_{number:04d}.DNG", 5000 * number)
    rescan_and_repair(world)
    return world


def rescan_and_repair(world: World) -> None:
    world.run("rescan", "--all")
    assert world.run("repair").status == 0


def emptied(world: World, *more: str, age: str = "0d") -> tuple[int, set[str], dict[str, str]]:
    """`quarantine empty` on drive A by a person's word: exit status, names that went, and why others stayed."""
    answer = world.run("quarantine", "empty", "--drive", "A", "--older-than", age, *BY_WORD, *more, "--json")
    assert answer.err == ""
    went = {Path(one["path"]).name for one in answer.json["removed"]}
    return answer.status, went, {Path(one["path"]).name: one["reason"] for one in answer.json["kept"]}


def test_before_anything_went_wrong_nothing_lies_quarantine(world: World) -> None:
    answer = world.run("quarantine")
    assert (answer.status, answer.out) == (
        0,
        "Drive A: nothing is in quarantine.\nDrive B: nothing is in quarantine.\n",
    )
    assert emptied(world) == (0, set(), {})
    assert world.run("log", "--json").json["events"][-1]["type"] == "place change", "an empty word is no event"


def test_what_lies_aside_is_told_with_size_time_and_reason(world: World) -> None:
    repaired(world)
    answer = world.run("quarantine")
    assert answer.status == 0
    assert "Drive A: 3 copies are in quarantine, 786 kB, the oldest since 20" in answer.out
    assert "ORR_0002.DNG, 262 kB: corrupt since 20" in answer.out
    assert "Nothing here goes by itself." in answer.out
    place = world.run("quarantine", "--json").json["places"][0]
    assert (place["files"], place["bytes"], place["not_there"]) == (3, 3 * SIZE, 0)
    assert all(thing["since"] and thing["digest"] and thing["kept_because"] is None for thing in place["things"])


def test_a_persons_word_removes_it_and_nothing_else(world: World) -> None:
    repaired(world)
    before = world.on("A"), world.on("B")
    inodes = {path: path.stat().st_ino for name in "AB" for path in folder(world, name).iterdir()}
    assert emptied(world) == (0, {"ORR_0001.DNG", "ORR_0002.DNG", "ORR_0003.DNG"}, {})
    assert list((world.drives["A"] / ".tripleguard/quarantine").iterdir()) == []
    assert (world.on("A"), world.on("B")) == before
    assert {path: path.stat().st_ino for path in inodes} == inodes
    log = [(one["type"], one["message"]) for one in world.run("log", "--json").json["events"]]
    assert [kind for kind, _ in log][-4:] == ["deaccession", "deletion", "deletion", "deletion"]
    assert all("@" in message and "they were repaired long ago" in message for _, message in log[-4:])
    assert world.run("quarantine", "--json").json["places"][0]["things"] == []
    assert "quarantine" not in world.run("where", "ORR_0001").out
    assert world.run("rescan", "--all").status == 0
    assert world.run("report").status == 0


@pytest.mark.parametrize(
    "given_",
    [
        (),
        ("--older-than", "0d"),
        ("--older-than", "0d", "--confirmed"),
        ("--older-than", "0d", "--because", "x"),
        ("--confirmed", "--because", "x"),
        ("--older-than", "soon", *BY_WORD),
        ("--keep-newest", "some", *BY_WORD),
    ],
)
def test_without_a_whole_word_nothing_goes(world: World, given_: tuple[str, ...]) -> None:
    repaired(world, 1)
    before = contents(world.drives["A"])
    answer = world.run("quarantine", "empty", "--drive", "A", *given_)
    assert answer.status == 2
    assert "What is safe: Nothing was changed." in answer.err
    assert "What to do: " in answer.err
    assert contents(world.drives["A"]) == before


def test_a_dry_run_only_says_what_would_go(world: World) -> None:
    repaired(world)
    before = contents(world.drives["A"])
    answer = world.run("quarantine", "empty", "--drive", "A", "--older-than", "0d", "--dry-run")
    assert answer.status == 0
    assert "Drive A: 3 bad copies would go, 786 kB." in answer.out
    assert contents(world.drives["A"]) == before


def test_age_and_size_choose_and_both_must_agree(world: World) -> None:
    repaired(world)
    assert emptied(world, age="1d") == (0, set(), {})
    assert emptied(world, "--keep-newest", "1MB") == (0, set(), {})
    [first, *_] = sorted(
        world.run("quarantine", "--json").json["places"][0]["things"], key=lambda one: one["since"]
    )
    status, went, _ = emptied(world, "--keep-newest", "600kB")
    assert (status, len(went), len(quarantine(world))) == (0, 1, 2), "two of 262 kB fit into 600 kB"
    with world.ctx() as ctx:
        [(oldest,)] = ctx.catalog.fetch_all("SELECT min(state_since) FROM copies WHERE state = 'quarantined'")
    assert first["since"] is not None
    assert oldest


def plan_after(world: World, days: int) -> tuple[int, list[str]]:
    """How many would go so many days from now, of those that are older than 30, and why others would stay."""
    clock = TestClock()
    clock.at += days * DAY
    with world.ctx(clock) as ctx, open_drives(ctx, locate_drives(ctx), "a test", for_writing=False) as ready:
        [plan] = plan_purge(ctx, ready.writable[:1], ready.connected, PurgeFilter(min_age_ns=30 * DAY))
    return len(plan.to_remove), [one.reason for one in plan.kept]


def test_old_evidence_counts_no_more_for_what_lies_quarantine(world: World) -> None:
    repaired(world, 1)
    assert plan_after(world, 20) == (0, []), "too young"
    going, why = plan_after(world, 40)
    assert going == 0
    assert "0 of 2 verified copies" in why[0]
    assert "verified too long ago: run `rescan`" in why[0]
    world.settings("[rule]\nroad_days = 60\n")
    assert plan_after(world, 40) == (1, [])


def _gone(world: World) -> None:
    (folder(world, "B") / "ORR_0001.DNG").unlink()


def _changed_time(world: World) -> None:
    os.utime(folder(world, "B") / "ORR_0001.DNG", ns=(0, 0))


def _away(world: World) -> None:
    world.unplug("B")


def _lost(world: World) -> None:
    assert world.run("drives", "lost", "B").status in (0, 1)


def _three(world: World) -> None:
    world.settings("[rule]\ndrive_copies = 3\n")


@pytest.mark.parametrize(
    ("happens", "why"),
    [
        (_gone, "1 of 2 verified copies on the drives that are here: one is not as recorded: run `rescan`"),
        (_changed_time, "one is not as recorded"),
        (_away, "1 of 2 verified copies on the drives that are here: connect all drives"),
        (_lost, "1 of 2 verified copies on the drives that are here: one is on a drive that is out of service"),
        (_three, "2 of 3 verified copies on the drives that are here: run `topup`"),
    ],
)
def test_a_bad_copy_stays_while_its_file_has_too_few_good_ones(
    world: World, happens: Callable[[World], None], why: str
) -> None:
    repaired(world, 1)
    happens(world)
    before = contents(world.drives["A"] / ".tripleguard/quarantine")
    status, went, kept = emptied(world)
    assert (status, went) == (1, set())
    assert why in kept["ORR_0001.DNG"]
    assert contents(world.drives["A"] / ".tripleguard/quarantine") == before


def test_a_good_copy_that_rotted_unseen_is_found_out_before_the_bad_one_goes(world: World) -> None:
    """The catalog believes in two good copies, by evidence of a moment ago; one has rotted since."""
    repaired(world, 1)
    _rot(folder(world, "A") / "ORR_0001.DNG", 77)
    status, went, kept = emptied(world)
    assert (status, went) == (1, set())
    assert kept["ORR_0001.DNG"].startswith("its copy on drive A does not read as recorded now")


def test_what_may_be_put_together_again_is_never_touched(world: World) -> None:
    """Both good copies rot at one spot: only what is in quarantine still has those bytes, and repairs the file."""
    repaired(world, 1)
    whole = world.on("B")
    for name in "AB":
        _rot(folder(world, name) / "ORR_0001.DNG", 200_000)
    world.run("rescan", "--all")
    status, went, kept = emptied(world, "--changed-too")
    assert (status, went) == (1, set())
    assert "no good copy of its file is here, so that it may be needed to put one together" in kept["ORR_0001.DNG"]
    for _ in range(2):
        world.run("repair")
    assert world.on("B") == world.on("A") == whole


def test_what_somebody_changed_needs_a_word_of_its_own(world: World) -> None:
    """An original that an editor wrote to, and an older version of a sidecar: maybe hours of somebody's work."""
    card = world.card()
    card.frames(2, size=SIZE)
    card.put("DCIM/100ORREY/ORR_0001.xmp", b"<x/>")
    assert world.run("offload", card.root).status == 0
    (folder(world, "A") / "ORR_0001.DNG").write_bytes(b"edited" * 50_000)
    (folder(world, "B") / "ORR_0001.xmp").write_bytes(b"<x rating='5'/>")
    rescan_and_repair(world)
    status, went, kept = emptied(world)
    assert (status, went, set(kept)) == (1, set(), {"ORR_0001.DNG", "ORR_0001.xmp"})
    assert all("maybe somebody's work" in why and "--changed-too" in why for why in kept.values())
    assert emptied(world, "--changed-too") == (0, {"ORR_0001.DNG", "ORR_0001.xmp"}, {})
    assert (folder(world, "A") / "ORR_0001.xmp").read_bytes() == b"<x rating='5'/>"


def _zeroed(path: Path) -> None:
    """The same size and time, and nothing but zeros."""
    times = path.stat()
    path.write_bytes(bytes(times.st_size))
    os.utime(path, ns=(times.st_atime_ns, times.st_mtime_ns))


@pytest.mark.parametrize("rotten", ["A", "B", "AB"])
def test_an_older_version_stays_while_the_newest_does_not_read_as_recorded(world: World, rotten: str) -> None:
    """The catalog still calls the newest one verified. It rotted since: the older one is the last that is good."""
    card = world.card()
    card.frames(1, size=SIZE)
    card.put("DCIM/100ORREY/ORR_0001.xmp", b"<x/>")
    assert world.run("offload", card.root).status == 0
    (folder(world, "B") / "ORR_0001.xmp").write_bytes(b"<x rating='5'/>")
    world.run("rescan", "--quick")
    world.run("repair")
    assert quarantine(world)["ORR_0001.xmp"].read_bytes() == b"<x/>"
    for name in rotten:
        _zeroed(folder(world, name) / "ORR_0001.xmp")
    status, went, kept = emptied(world, "--changed-too")
    assert (status, went) == (1, set())
    assert "does not read as recorded now" in kept["ORR_0001.xmp"]
    assert quarantine(world)["ORR_0001.xmp"].read_bytes() == b"<x/>"


@pytest.mark.parametrize("rotten", ["A", "B", "AB"])
def test_a_changed_original_stays_while_any_copy_that_would_stay_is_rotten(world: World, rotten: str) -> None:
    card = world.card()
    card.frames(1, size=SIZE)
    assert world.run("offload", card.root).status == 0
    (folder(world, "A") / "ORR_0001.DNG").write_bytes(b"edited" * 50_000)
    world.run("rescan", "--quick")
    world.run("repair")
    for name in rotten:
        _zeroed(folder(world, name) / "ORR_0001.DNG")
    status, went, kept = emptied(world, "--changed-too")
    assert (status, went) == (1, set())
    assert "does not read as recorded now" in kept["ORR_0001.DNG"]


def _with_bytes_of(world: World, source: Path) -> None:
    """Something else comes to lie under the name of a bad copy, as old as that."""
    there = quarantine(world)["ORR_0001.DNG"]
    times = there.stat()
    there.write_bytes(source.read_bytes())
    os.utime(there, ns=(times.st_atime_ns, times.st_mtime_ns))


def test_another_picture_that_took_its_name_is_not_taken_for_rot(world: World) -> None:
    repaired(world, 1)
    other = world.card("other")
    _with_bytes_of(world, other.raw("DCIM/100ORREY/ORR_0001.DNG", size=SIZE))
    status, went, kept = emptied(world)
    assert (status, went) == (1, set())
    assert "maybe another picture" in kept["ORR_0001.DNG"]


def test_a_whole_copy_of_another_file_stays_while_that_one_needs_it(world: World) -> None:
    repaired(world, 1)
    _with_bytes_of(world, folder(world, "B") / "ORR_0002.DNG")
    (folder(world, "B") / "ORR_0002.DNG").unlink()
    status, went, kept = emptied(world)
    assert (status, went) == (1, set())
    assert (
        "it holds another file whole, ORR_0002.DNG, and of that one: its file has 1 of 2" in kept["ORR_0001.DNG"]
    )
    rescan_and_repair(world)
    assert emptied(world)[:2] == (0, {"ORR_0001.DNG"})


def test_what_was_removed_by_hand_is_out_of_the_catalog_after_the_next_run(world: World) -> None:
    repaired(world, 2)
    shutil.rmtree(quarantine(world)["ORR_0001.DNG"].parent)
    assert world.run("quarantine", "--json").json["places"][0]["not_there"] == 1
    answer = world.run("quarantine", "empty", "--drive", "A", "--older-than", "9d", *BY_WORD, "--json").json
    assert (answer["removed"], answer["forgotten"]) == ([], 1)
    assert "was no longer in quarantine" in world.run("log").out
    assert world.run("quarantine", "--json").json["places"][0]["not_there"] == 0
    assert set(quarantine(world)) == {"ORR_0002.DNG"}


def test_a_report_mentions_much_and_old_things_aside_and_stays_clear(world: World) -> None:
    repaired(world, 2)
    assert world.run("report", "--json").json["quarantine"] == []
    world.settings('[drives]\nquarantine_size = "500 kB"\n')
    answer = world.run("report", "--json")
    assert (answer.status, answer.json["answer"]) == (0, "clear")
    [one] = answer.json["quarantine"]
    assert (one["place"], one["copies"], one["bytes"], one["large"], one["old"]) == ("A", 2, 2 * SIZE, True, False)
    assert "Quarantine on drive A: 2 bad copies, 524 kB" in world.run("report").out
    world.settings('[drives]\nquarantine_age = "2d"\n')
    clock = TestClock()
    with world.ctx(clock) as ctx:
        assert build_report(ctx).quarantine == ()
        clock.at += 3 * DAY
        assert [(one.is_large, one.is_old) for one in build_report(ctx).quarantine] == [(False, True)]


aged = st.lists(st.tuples(st.one_of(st.none(), st.integers(0, 50)), st.integers(0, 1000)), max_size=20)


@given(things=aged, keep=st.integers(0, 5000))
def test_what_is_kept_of_the_newest_fits_and_is_the_newest(
    things: list[tuple[int | None, int]], keep: int
) -> None:
    beyond = mark_beyond_limit(things, keep)
    kept = [one for one, gone in zip(things, beyond, strict=True) if not gone]
    gone = [one for one, is_gone in zip(things, beyond, strict=True) if is_gone]
    assert sum(size for _, size in kept) <= keep
    age = [float("inf") if since is None else since for since, _ in kept]
    assert not gone or all(
        max(-1, *(since or 0 for since, _ in gone if since is not None), -1) <= at for at in age
    )
    if gone:
        newest = max(gone, key=lambda one: float("inf") if one[0] is None else one[0])
        assert sum(size for _, size in kept) + max(size for at, size in gone if at == newest[0]) > keep


def test_what_a_clock_ahead_moved_aside_has_no_age() -> None:
    assert is_at_least_old(5, 0, 5)
    assert not is_at_least_old(6, 0, 5)
    assert not is_at_least_old(None, 0, 5)
    assert not is_at_least_old(0, 6, 5)


def test_stopped_by_the_person_the_rest_lies_where_it_was(world: World) -> None:
    repaired(world, 2)
    choice = PurgeFilter(min_age_ns=0)
    with world.ctx() as ctx, open_drives(ctx, locate_drives(ctx), "a test") as ready:
        agreed = list_planned_removals(plan_purge(ctx, ready.writable[:1], ready.connected, choice))
        job = purge_quarantine(ctx, ready.writable[:1], ready.connected, choice, agreed, "a test")
        next(job)
        ctx.stop.set()
        done = finished(job)
    assert done.was_stopped
    assert len(done.places[0].removed) == 1, "the one that was begun is gone, and entered"
    assert len(quarantine(world)) == 1
    assert emptied(world)[0] == 0


def test_what_was_not_agreed_to_stays_though_the_choice_speaks_of_it(world: World) -> None:
    repaired(world, 2)
    choice = PurgeFilter(min_age_ns=0)
    with world.ctx() as ctx, open_drives(ctx, locate_drives(ctx), "a test") as ready:
        agreed = list_planned_removals(plan_purge(ctx, ready.writable[:1], ready.connected, choice))
        one = frozenset(list(agreed)[:1])
        done = finished(purge_quarantine(ctx, ready.writable[:1], ready.connected, choice, one, "a test"))
    assert (len(agreed), len(done.places[0].removed), len(quarantine(world))) == (2, 1, 1)
