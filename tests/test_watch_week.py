"""A week on tour with real jobs on real drives, by the clock of a test: what the nights leave behind."""

from __future__ import annotations

import itertools
import os
import subprocess
import sys
from collections import Counter
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from world import TestClock, World, finished

from tripleguard.catalog.places import list_places
from tripleguard.clock import DAY, HOUR, SECOND
from tripleguard.home import resolve_home
from tripleguard.jobs.queries.report_query import build_report
from tripleguard.watch.devices import ConnectedCard, ConnectedDrive, ConnectedVolumes
from tripleguard.watch.queue import (
    CardOutcome,
    PendingWork,
    TaskKind,
    TaskResult,
    TaskStatus,
    WatchTask,
    choose_next,
    should_preempt,
)
from tripleguard.watch.schedule import build_schedule, list_due, skip_missed
from tripleguard.watch.state import load_state
from tripleguard.watch.tasks import create_job

TOKYO, ANGELES = ZoneInfo("Asia/Tokyo"), ZoneInfo("America/Los_Angeles")


def ns(local: str, zone: ZoneInfo) -> int:
    return int(datetime.fromisoformat(local).replace(tzinfo=zone).timestamp()) * SECOND


def test_a_week_over_the_pacific_reads_every_copy_in_time_and_no_night_twice(world: World) -> None:
    """Copies are to be read within four days; the night reads two days ahead; one night was slept through."""
    world.settings('[rule]\nroad_days = 4\n[watch]\nahead_days = 2\nnight = "01:30-06:00"\n')
    lands, end = ns("2026-10-28T11:00", ANGELES), ns("2026-11-03T12:00", ANGELES)
    clock = TestClock(ns("2026-10-25T22:00", TOKYO), TOKYO)
    card = world.card()
    card.frames(12)
    assert world.offload_job(card.root, clock=clock).clearance.is_yes
    notes = load_state(resolve_home(str(world.home)))
    with world.ctx(clock) as ctx:
        table = build_schedule(ctx.settings)
        notes.last_run = skip_missed(table, notes.last_run, clock.at, clock.where)
        while clock.at < end:
            clock.where = ANGELES if clock.at >= lands else TOKYO
            local = datetime.fromtimestamp(clock.at // SECOND, UTC).astimezone(clock.where)
            # In the plane it sleeps, and on Friday the lid stayed shut till ten.
            if not (clock.at < lands and local.day == 28 and local.hour >= 17) and not (
                local.day == 30 and local.hour < 10
            ):
                for errand in list_due(table, notes.last_run, clock.at, clock.where):
                    ended = finished(create_job(ctx, errand))
                    assert ended.status is TaskStatus.DONE, ended
                    assert ended.notification == ""
                    assert errand.occurrence is not None
                    notes.last_run[errand.kind] = errand.occurrence
            if local.hour == 8:
                assert build_report(ctx).is_clear, local
            clock.at += HOUR // 2
        rows = ctx.catalog.fetch_all(
            "SELECT kind, subject, started_at, outcome FROM jobs WHERE kind NOT IN ('offload', 'decode')"
        )
        oldest = ctx.catalog.fetch_one("SELECT min(verified_at) FROM copies")
    assert oldest is not None
    assert clock.at - oldest[0] < 4 * DAY
    assert {outcome for *_, outcome in rows} == {"success"}
    nights = 10  # 26, 27, 28 in Tokyo, the one over the ocean, 29 to 3 in Los Angeles
    assert Counter((kind, drive) for kind, drive, *_ in rows) == {
        **{(kind, drive): nights for kind in ("rescan quick", "rescan due") for drive in "AB"},
        **{("drill", drive): 1 for drive in "AB"},
    }
    quick = [at for kind, drive, at, _ in rows if (kind, drive) == ("rescan quick", "A")]
    gaps = [(later - at) / HOUR for at, later in itertools.pairwise(quick)]
    assert min(gaps) >= 12
    assert max(gaps) <= 36


def test_rot_that_the_night_finds_is_told_in_the_morning(world: World) -> None:
    clock = TestClock()
    card = world.card()
    card.frames(3)
    world.offload_job(card.root, clock=clock)
    victim = next(world.drives["B"].glob("2026/*/*/*0002.DNG"))
    status = victim.stat()
    victim.write_bytes(bytes(status.st_size))
    os.utime(victim, ns=(status.st_atime_ns, status.st_mtime_ns))
    clock.at += 31 * DAY
    with world.ctx(clock) as ctx:
        ended = finished(create_job(ctx, WatchTask(TaskKind.DUE_RESCAN, occurrence=clock.at, time_limit_s=600.0)))
    assert ended.status is TaskStatus.NEEDS_ATTENTION
    assert "drive B: 3 copies looked at" in ended.message
    assert "1 corrupt" in ended.notification


def test_a_drill_by_the_clock_is_in_the_log(world: World) -> None:
    card = world.card()
    card.frames(3)
    assert world.run("offload", card.root).status == 0
    with world.ctx() as ctx:
        ended = finished(create_job(ctx, WatchTask(TaskKind.DRILL)))
    assert ended.message.startswith("6 copies restored and compared, 0 failed")
    assert "drill: 3 copies restored" in world.run("log").out


# What goes first, and what gives way: choices without a disk.

CARD, SECOND_CARD = WatchTask(TaskKind.CARD, "/media/one", "sda"), WatchTask(TaskKind.CARD, "/media/two", "sdb")


def test_new_pictures_go_first_and_readers_take_turns() -> None:
    third = WatchTask(TaskKind.CARD, "/media/three", "sda")
    waiting = [WatchTask(TaskKind.DUE_RESCAN), WatchTask(TaskKind.TOPUP), CARD, third, SECOND_CARD]
    assert choose_next(waiting, {}) == CARD
    assert choose_next([third, SECOND_CARD], {"sda": 1}) == SECOND_CARD
    assert choose_next([third], {"sda": 2, "sdb": 1}) == third
    assert choose_next([], {}) is None


@pytest.mark.parametrize(
    ("doing", "best", "typed", "ends"),
    [
        (TaskKind.DUE_RESCAN, CARD, False, True),
        (TaskKind.DRILL, WatchTask(TaskKind.TOPUP), False, True),
        (TaskKind.DUE_RESCAN, WatchTask(TaskKind.LISTING_RESCAN), False, False),
        (TaskKind.LISTING_RESCAN, None, True, True),
        (TaskKind.CARD, None, True, False),
        (TaskKind.TOPUP, CARD, False, False),
        (TaskKind.DUE_RESCAN, None, False, False),
        (TaskKind.UPLOAD, WatchTask(TaskKind.DUE_RESCAN), False, True),
        (TaskKind.UPLOAD, CARD, False, True),
        (TaskKind.DUE_RESCAN, WatchTask(TaskKind.UPLOAD), False, False),
    ],
)
def test_what_can_wait_gives_way_and_what_protects_pictures_does_not(
    doing: TaskKind, best: WatchTask | None, typed: bool, ends: bool
) -> None:
    assert should_preempt(WatchTask(doing), best, cli_waiting=typed) is ends


def test_on_battery_the_night_waits_and_the_card_does_not(world: World) -> None:
    with world.ctx() as ctx:
        records = [
            ConnectedDrive(record, world.drives[record.name], record.name) for record in list_places(ctx.catalog)
        ]
    wanting = PendingWork(ask_only=False)
    wanting.set_volumes(ConnectedVolumes(tuple(records), (ConnectedCard(world.root, "sda", "1"),)))
    wanting.set_due(
        [WatchTask(TaskKind.DUE_RESCAN), WatchTask(TaskKind.TOPUP)], "the laptop runs on its battery (50 %)"
    )
    assert [one.kind for one in wanting.list_ready(None)] == [TaskKind.CARD, TaskKind.TOPUP]
    assert wanting.explain_wait(WatchTask(TaskKind.DUE_RESCAN), None) == "the laptop runs on its battery (50 %)"


def test_what_fails_is_tried_more_and_more_slowly_and_at_once_when_something_is_plugged_in(world: World) -> None:
    now = [0.0]
    with world.ctx() as ctx:
        drive = ConnectedDrive(list_places(ctx.catalog)[0], world.drives["A"], "1")
    wanting = PendingWork(ask_only=False, monotonic=lambda: now[0])
    wanting.set_volumes(ConnectedVolumes((drive,)))
    topup, waits = WatchTask(TaskKind.TOPUP), []
    for _ in range(4):
        wanting.on_started(topup)
        wanting.on_finished(TaskResult(topup, TaskStatus.FAILED, "it broke off"))
        assert wanting.list_ready(None) == []
        pause = wanting.seconds_to_retry()
        assert pause is not None
        waits.append(pause)
        now[0] += pause
        assert wanting.list_ready(None) == [topup]
    assert waits == sorted(waits)
    assert waits[-1] >= 4 * waits[0]
    wanting.on_finished(TaskResult(topup, TaskStatus.FAILED, "it broke off"))
    wanting.set_volumes(ConnectedVolumes((drive,), (ConnectedCard(world.root, "sda", "2"),)))
    assert topup in wanting.list_ready(None)


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux has a priority for each thread")
def test_a_rescan_that_makes_itself_gentle_leaves_the_next_card_in_a_hurry() -> None:
    """In a process of its own: this one has made itself gentle in other tests."""
    program = """
import os, threading, psutil
from tripleguard.jobs.background import lower_priority

def say():
    me = threading.get_native_id()
    print(os.getpriority(os.PRIO_PROCESS, me), int(psutil.Process(me).ionice().ioclass))

def gently():
    lower_priority()
    say()

say()
for step in (gently, say):
    thread = threading.Thread(target=step)
    thread.start()
    thread.join()
"""
    done = subprocess.run([sys.executable, "-c", program], check=True, capture_output=True, text=True)
    before, gentle, after = (tuple(map(int, line.split())) for line in done.stdout.splitlines())
    assert gentle == (max(10, before[0]), 3)
    assert after == before


def test_a_card_that_was_exchanged_while_the_one_before_was_proved_is_served_too(world: World) -> None:
    """Its bytes are read, it is pulled, and the next one is at the same place before the read-back is over."""
    with world.ctx() as ctx:
        drive = ConnectedDrive(list_places(ctx.catalog)[0], world.drives["A"], "1")
    wanting = PendingWork(ask_only=False)
    wanting.set_volumes(ConnectedVolumes((drive,), (ConnectedCard(world.root, "sda", "first"),)))
    card = next(one for one in wanting.list_ready(None) if one.kind is TaskKind.CARD)
    wanting.on_started(card)
    wanting.set_volumes(ConnectedVolumes((drive,), (ConnectedCard(world.root, "sda", "second"),)))
    wanting.on_finished(TaskResult(card, TaskStatus.DONE, "yes", card=CardOutcome("print", True, 40)))
    assert card in wanting.list_ready(None)
    wanting.on_started(card)
    wanting.on_finished(TaskResult(card, TaskStatus.DONE, "yes", card=CardOutcome("other", True, 30)))
    assert card not in wanting.list_ready(None)
