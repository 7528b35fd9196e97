"""A simulated week on tour: the daemon's real loop and real jobs on real drives, and what they leave behind."""

from __future__ import annotations

import itertools
import json
import os
import subprocess
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from zoneinfo import ZoneInfo

import pytest
from simulated_daemon import CHANNEL, SimulatedDaemon, to_instant
from watch_process import in_reader, plug
from world import TestClock, World, finished

from tripleguard.catalog.places import list_places
from tripleguard.clock import DAY, HOUR
from tripleguard.jobs.queries.report_query import build_report
from tripleguard.watch.devices import Battery, ConnectedCard, ConnectedDrive, ConnectedVolumes
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
from tripleguard.watch.tasks import create_job

TOKYO, ANGELES = ZoneInfo("Asia/Tokyo"), ZoneInfo("America/Los_Angeles")
WATCH = f'[watch]\ntell = ["{CHANNEL}"]\nlook_at = []\n'
"""The channel is simulated; nothing that other people mount here is looked at."""


@pytest.mark.slow
def test_a_week_over_the_pacific_reads_every_copy_in_time_and_no_night_twice(world: World) -> None:
    """Copies are to be read within four days; the night reads two days ahead; one night was slept through."""
    world.settings(f'{WATCH}ahead_days = 2\nnight = "01:30-06:00"\n[rule]\nroad_days = 4\n')
    clock = TestClock(0, TOKYO)
    clock.at = to_instant(clock, "2026-10-25T22:00")
    card = world.card()
    card.frames(12)
    assert world.offload_job(card.root, clock=clock).clearance.is_yes
    with world.ctx(clock) as ctx:
        daemon = SimulatedDaemon(world, ctx, clock)
        # It sleeps in the plane, and on Friday the lid stayed shut till ten.
        lands = to_instant(TestClock(0, ANGELES), "2026-10-28T11:00")
        daemon.at(
            "2026-10-28T17:00", lambda: setattr(clock, "at", lands), lambda: setattr(clock, "where", ANGELES)
        )
        clock.where = ANGELES
        daemon.at("2026-10-30T00:10", daemon.sleep_until("2026-10-30T10:00"))
        mornings: list[bool] = []
        for day in ("10-28", "10-29", "10-30", "10-31", "11-01", "11-02", "11-03"):
            daemon.at(f"2026-{day}T11:00", lambda: mornings.append(build_report(ctx).is_clear))
        clock.where = TOKYO
        daemon.run("2026-11-04T05:00")
        rows = ctx.catalog.fetch_all(
            "SELECT kind, subject, started_at, outcome FROM jobs WHERE kind NOT IN ('offload', 'inspect')"
        )
        oldest = ctx.catalog.fetch_one("SELECT min(verified_at) FROM copies")
    assert mornings == [True] * 7
    assert daemon.channel.received == [], "when there is nothing to say, nothing is said"
    assert {run.result.status for run in daemon.worker.runs} == {TaskStatus.DONE}
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


@pytest.fixture
def tour(world: World) -> Iterator[SimulatedDaemon]:
    """A daemon from Monday at noon; cards come to the reader, a night's reading takes five minutes."""
    world.settings(f"{WATCH}look_also = {json.dumps([str(in_reader(world, 'card'))])}\n")
    clock = TestClock(0, TOKYO)
    clock.at = to_instant(clock, "2026-06-01T12:00")
    with world.ctx(clock) as ctx:
        durations = {TaskKind.CARD: 120.0, TaskKind.DUE_RESCAN: 300.0, TaskKind.LISTING_RESCAN: 60.0}
        yield SimulatedDaemon(world, ctx, clock, durations)


def new_card(tour: SimulatedDaemon, first: int, count: int = 3) -> Callable[[], None]:
    """Put a card into the reader; the one before it is taken out."""

    def act() -> None:
        there = in_reader(tour.world, "card")
        if there.exists():
            there.rename(tour.world.root / f"emptied-{first}")
        card = tour.world.card()
        card.frames(count, first=first)
        plug(tour.world, card.root)

    return act


@pytest.mark.slow
def test_a_week_on_tour_with_cards_drives_that_come_and_go_and_a_channel_that_fails(tour: SimulatedDaemon) -> None:
    world = tour.world
    tour.at("2026-06-01T23:30", new_card(tour, 1))
    # On Tuesday B stays in the van: the card goes to A alone, and B gets its copies in the morning.
    tour.at("2026-06-02T20:00", lambda: world.unplug("B"))
    tour.at("2026-06-02T23:30", new_card(tour, 11))
    tour.at("2026-06-03T09:00", lambda: world.plug("B"))
    # On Thursday the hotel's network is down from the evening to the next noon.
    tour.at("2026-06-04T18:00", lambda: setattr(tour.channel, "works", False))
    tour.at("2026-06-04T23:00", new_card(tour, 21))
    tour.at("2026-06-05T12:00", lambda: setattr(tour.channel, "works", True))
    # On Friday no drive is connected when the card comes.
    tour.at("2026-06-05T22:00", lambda: world.unplug("A"), lambda: world.unplug("B"))
    tour.at("2026-06-05T23:00", new_card(tour, 31))
    waiting: list[tuple[str, str]] = []
    tour.at("2026-06-05T23:59", lambda: waiting.extend((one.what, one.why) for one in tour.status.waiting))
    tour.at("2026-06-06T00:30", lambda: world.plug("A"), lambda: world.plug("B"))
    tour.run("2026-06-08T11:59")

    assert len(world.on("A")) == 12
    assert world.on("A") == world.on("B")
    cards = tour.began(TaskKind.CARD)
    assert [at for at in cards if not at.startswith("06-03")] == [
        "06-01 23:30",
        "06-02 23:30",
        "06-04 23:00",
        "06-06 00:30",
    ]
    assert len(cards) == 5
    answers = [run.result.card.is_yes for run in tour.worker.runs if run.result.card is not None]
    assert answers == [True, False, True, True, True], "B was away, and its card was asked about again"
    assert cards[2].startswith("06-03 09:0")
    assert ("card", "no drive is connected") in waiting
    # A day off is no reason to leave a night out, and none comes twice.
    assert tour.began(TaskKind.LISTING_RESCAN) == [f"06-0{day} 03:00" for day in range(2, 9)]
    assert tour.began(TaskKind.REPORT) == [f"06-0{day} 07:30" for day in range(2, 9)]
    assert len(tour.began(TaskKind.DRILL)) == 1
    said = {at: body for at, body in tour.channel.received if "card" in body.lower()}
    late = next(body for at, body in said.items() if at.startswith("06-05 12"))
    assert "may be reformatted" in late
    assert "This comes late, it is from 2026-06-04 23:0" in late
    assert any(
        body.startswith("Do not reformat card") and "Drive B is not here." in body for body in said.values()
    )


def test_a_night_gives_way_to_a_card_and_to_a_typed_command_and_goes_on(tour: SimulatedDaemon) -> None:
    tour.at("2026-06-02T03:03", new_card(tour, 1))
    tour.at("2026-06-03T03:02", lambda: setattr(tour, "cli_waiting", True))
    tour.at("2026-06-03T03:10", lambda: setattr(tour, "cli_waiting", False))
    tour.at("2026-06-04T01:00", lambda: setattr(tour, "battery", Battery(60.0, is_plugged_in=False)))
    tour.at("2026-06-04T04:00", lambda: setattr(tour, "battery", Battery(70.0, is_plugged_in=True)))
    runs = tour.run("2026-06-04T12:00")

    def night(day: str) -> list[tuple[str, TaskKind, TaskStatus]]:
        early = f"{day} 07"
        return [
            (one.began[6:], one.kind, one.result.status)
            for one in runs
            if f"{day} 01" <= one.began < early and one.kind in (TaskKind.CARD, TaskKind.DUE_RESCAN)
        ]

    assert night("06-02") == [
        ("03:01", TaskKind.DUE_RESCAN, TaskStatus.STOPPED),
        ("03:03", TaskKind.CARD, TaskStatus.DONE),
        ("03:05", TaskKind.DUE_RESCAN, TaskStatus.DONE),
    ]
    assert night("06-03") == [
        ("03:01", TaskKind.DUE_RESCAN, TaskStatus.STOPPED),
        ("03:10", TaskKind.DUE_RESCAN, TaskStatus.DONE),
    ]
    assert night("06-04") == [("04:01", TaskKind.DUE_RESCAN, TaskStatus.DONE)]
    assert [one.kind for one in runs if one.began[:5] == "06-04"][:3] == [
        TaskKind.TOPUP,
        TaskKind.LISTING_RESCAN,
        TaskKind.DUE_RESCAN,
    ]


def test_a_card_in_the_middle_of_a_shutdown_is_copied_at_the_next_start(tour: SimulatedDaemon) -> None:
    tour.at("2026-06-01T23:30", new_card(tour, 1))
    runs = tour.run("2026-06-01T23:31")
    assert [one.result.status for one in runs if one.kind is TaskKind.CARD] == [TaskStatus.STOPPED]
    again = SimulatedDaemon(tour.world, tour.ctx, tour.clock)
    runs = again.run("2026-06-02T00:30")
    assert [one.result.card.is_yes for one in runs if one.result.card is not None] == [True]
    assert len(tour.world.on("A")) == len(tour.world.on("B")) == 3


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
