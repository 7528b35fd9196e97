"""A card that stays plugged in: changes on it are seen, what can't be copied yet is tried again, all is said."""

from __future__ import annotations

import shutil
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, timedelta
from pathlib import Path

import pytest
from simulated_daemon import CHANNEL, SimulatedDaemon, to_instant
from world import EVENING, TestClock, World

from tripleguard.catalog.places import list_places
from tripleguard.watch import device_monitor
from tripleguard.watch.card_description import describe_card_at
from tripleguard.watch.device_monitor import DeviceMonitor, VolumeHistory
from tripleguard.watch.devices import ConnectedCard, ConnectedDrive, ConnectedVolumes, read_listing_digest
from tripleguard.watch.queue import CardOutcome, PendingWork, TaskKind, TaskResult, TaskStatus, WatchTask

BEGIN = "2026-06-01T20:00"


@pytest.fixture
def evening(tmp_path: Path) -> Iterator[SimulatedDaemon]:
    world = World(tmp_path).setup()
    world.settings(f'[watch]\nlook_at = []\nlook_also = ["{world.root}/card"]\ntell = ["{CHANNEL}"]\n')
    clock = TestClock()
    clock.where = UTC
    clock.at = to_instant(clock, BEGIN)
    with world.ctx(clock) as ctx:
        yield SimulatedDaemon(world, ctx, clock)


def messages(daemon: SimulatedDaemon) -> list[str]:
    return [body for _, body in daemon.channel.received if "ard" in body]


def test_files_that_come_to_a_card_after_its_yes_are_copied_and_the_yes_is_taken_back(
    evening: SimulatedDaemon,
) -> None:
    card = evening.world.card()
    card.frames(2)
    seen: list[list[str]] = []

    def look() -> None:
        seen.append([one.message for one in evening.status.last if one.what == "card"])

    evening.at("2026-06-01T20:05", look, lambda: card.frames(1, first=3))
    evening.run("2026-06-01T20:20")
    assert len(evening.world.on("A")) == 3
    assert evening.world.on("A") == evening.world.on("B")
    assert [line[:3] for line in seen[0]] == ["yes"]
    said = messages(evening)
    assert "2 files" in said[0]
    assert "changed after the answer for it: do not reformat it" in said[1]
    assert "may be reformatted: 3 files" in said[2]
    now = [one.message for one in evening.status.last if one.what == "card"]
    assert len(now) == 1
    assert "3 files" in now[0]


def test_another_card_at_the_same_place_does_not_stand_beside_the_answer_for_the_one_before(
    evening: SimulatedDaemon,
) -> None:
    world = evening.world
    world.card().frames(1)
    seen: list[list[str]] = []

    def exchange() -> None:
        (world.root / "card").rename(world.root / "the card before")
        other = world.card()
        other.frames(2, first=50)
        evening.durations[TaskKind.CARD] = 300.0

    def look() -> None:
        seen.append([one.message for one in evening.status.last if one.what == "card"])

    evening.at("2026-06-01T20:05", exchange)
    evening.at("2026-06-01T20:06", look)
    evening.run("2026-06-01T20:20")
    assert seen == [[]]
    assert len(world.on("A")) == 3


def test_a_card_without_a_drive_says_so_within_a_minute_and_once(evening: SimulatedDaemon) -> None:
    evening.world.card().frames(1)
    evening.world.unplug("A")
    evening.world.unplug("B")
    evening.at("2026-06-01T20:01", lambda: None)
    evening.at("2026-06-01T20:59", lambda: evening.world.plug("A"))
    evening.run("2026-06-01T21:05")
    at, first = next((at, body) for at, body in evening.channel.received if "waits" in body)
    assert at in ("06-01 20:00", "06-01 20:01")
    assert "no drive is connected" in first
    assert first.startswith("Card Orrery R7 7731, ORR_0001, 1 file, waits")
    assert "Do not reformat it" in first
    assert len([body for body in messages(evening) if "waits" in body]) == 1
    no = messages(evening)[-1]
    assert no.startswith("Do not reformat card")
    assert "connect the second drive; the rest is copied by itself" in no
    assert "run `offload`" not in no


def card_at(world: World, listing: str = "", *, is_settled: bool = True) -> ConnectedCard:
    return ConnectedCard(world.root, "sda", "1", listing, is_settled)


def drive_of(world: World) -> ConnectedDrive:
    with world.ctx() as ctx:
        return ConnectedDrive(list_places(ctx.catalog)[0], world.drives["A"], "1", free_bytes=1 << 30)


def test_a_card_is_not_copied_while_something_writes_to_it(tmp_path: Path) -> None:
    world = World(tmp_path).setup()
    drive, history, pending = drive_of(world), VolumeHistory(), PendingWork(ask_only=False)

    def look(listing: str) -> list[TaskKind]:
        pending.set_volumes(history.compare(ConnectedVolumes((drive,), (card_at(world, listing),))))
        return [one.kind for one in pending.list_ready(None) if one.kind is TaskKind.CARD]

    card = WatchTask(TaskKind.CARD, str(world.root), "sda")
    assert look("one file") == [TaskKind.CARD]
    pending.on_started(card)
    assert look("two files, one of them half") == []
    pending.on_finished(TaskResult(card, TaskStatus.DONE, "yes", card=CardOutcome("it", True, 1)))
    assert look("two files") == []
    assert look("two files") == [TaskKind.CARD]


@pytest.mark.parametrize(
    "change",
    [
        lambda drive: replace(drive, free_bytes=drive.free_bytes + (300 << 20)),
        lambda drive: replace(drive, mount_token="plugged in again"),
    ],
    ids=["room was freed", "plugged in again"],
)
def test_a_card_that_found_no_room_is_tried_again_when_there_is_some(
    tmp_path: Path, change: Callable[[ConnectedDrive], ConnectedDrive]
) -> None:
    world = World(tmp_path).setup()
    drive, history, pending = drive_of(world), VolumeHistory(), PendingWork(ask_only=False)
    card = WatchTask(TaskKind.CARD, str(world.root), "sda")

    def look(drive: ConnectedDrive) -> bool:
        pending.set_volumes(history.compare(ConnectedVolumes((drive,), (card_at(world),))))
        return card in pending.list_ready(None)

    assert look(drive)
    pending.on_started(card)
    outcome = CardOutcome("it", False, 1, needs_copies=True)
    pending.on_finished(TaskResult(card, TaskStatus.NEEDS_ATTENTION, "no", card=outcome))
    assert not look(drive)
    assert look(change(drive))


def test_a_drive_that_was_read_only_is_tried_again_when_it_can_be_written_to(tmp_path: Path) -> None:
    drive, history = drive_of(World(tmp_path).setup()), VolumeHistory()

    def look(*, is_read_only: bool) -> int:
        seen = history.compare(ConnectedVolumes((replace(drive, is_read_only=is_read_only),)))
        return seen.drives[0].room_token

    assert [look(is_read_only=it) for it in (False, True, True, False, False)] == [0, 0, 0, 1, 1]


def test_what_fails_is_not_hurried_by_a_drive_that_was_only_seen_again(tmp_path: Path) -> None:
    world, now = World(tmp_path).setup(), [0.0]
    drive = drive_of(world)
    pending = PendingWork(ask_only=False, monotonic=lambda: now[0])
    card = WatchTask(TaskKind.CARD, str(world.root), "sda")
    waits = []
    for attempt in range(8):
        seen = replace(
            drive, record=replace(drive.record, last_seen_at=attempt), free_bytes=drive.free_bytes - attempt
        )
        pending.set_volumes(ConnectedVolumes((seen,), (card_at(world),)))
        if attempt:
            assert card not in pending.list_ready(None)
            wait = pending.seconds_to_retry()
            assert wait is not None
            waits.append(wait)
            now[0] += wait
        assert card in pending.list_ready(None)
        pending.on_started(card)
        pending.on_finished(TaskResult(card, TaskStatus.FAILED, "nobody foresaw this"))
    assert waits == sorted(waits)
    assert waits[-1] > 100


@pytest.fixture
def looks(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(device_monitor, "_LOOK_AGAIN_S", 0.1)
    monkeypatch.setattr(device_monitor, "_LOOK_AT_UNSETTLED_S", 0.1)
    monkeypatch.setattr(device_monitor, "_SCAN_DELAYS_S", (0.0,))


@pytest.mark.usefixtures("looks")
def test_a_folder_that_makes_a_card_late_and_files_that_come_later_are_noticed(tmp_path: Path) -> None:
    world = World(tmp_path).setup()
    card = world.card()
    world.settings(f'[watch]\nlook_at = []\nlook_also = ["{card.root}"]\n')
    changed = threading.Condition()
    seen: list[ConnectedVolumes] = []

    def on_change(volumes: ConnectedVolumes, problem: str) -> None:
        with changed:
            seen.append(volumes)
            changed.notify_all()

    def wait_for(true: Callable[[], bool]) -> None:
        with changed:
            assert changed.wait_for(true, 60)

    with world.ctx() as ctx:
        monitor = DeviceMonitor(ctx, on_change)
        monitor.start()
        try:
            wait_for(lambda: bool(seen))
            assert not seen[-1].cards
            time.sleep(0.3)  # longer than after any report: now nothing tells that there is something to see
            card.frames(1)
            wait_for(lambda: len(seen[-1].cards) == 1)
            before = seen[-1].cards[0].listing
            card.frames(1, first=2)
            wait_for(lambda: seen[-1].cards[0].listing != before and seen[-1].cards[0].is_settled)
        finally:
            monitor.stop()


def test_a_listing_differs_when_a_file_came_went_grew_or_was_written_again(tmp_path: Path) -> None:
    world = World(tmp_path)
    card = world.card()
    first, second = card.frames(2)
    digests = [read_listing_digest(card.root)]
    card.put("DCIM/101ORREY/ORR_0003.JPG", b"new")
    digests.append(read_listing_digest(card.root))
    with first.open("ab") as file:
        file.write(b"more")
    digests.append(read_listing_digest(card.root))
    shutil.copyfile(first, second)
    digests.append(read_listing_digest(card.root))
    second.unlink()
    digests.append(read_listing_digest(card.root))
    assert len(set(digests)) == len(digests)
    assert read_listing_digest(card.root) == digests[-1]


def test_a_card_is_called_by_its_body_and_frames(tmp_path: Path) -> None:
    world = World(tmp_path)
    card = world.card()
    assert describe_card_at(card.root) == ("card", 0)
    card.put("notes.txt", b"hello")
    assert describe_card_at(card.root) == ("card", 1)
    card.frames(12, first=408)
    assert describe_card_at(card.root) == ("Orrery R7 7731, ORR_0408 to 0419", 13)
    card.put("DCIM/100ORREY/ORR_0500.JPG", b"no picture", at=EVENING + timedelta(hours=1))
    card.put("DCIM/100ORREY/\x1b[2Jclear.JPG", b"no picture", at=EVENING + timedelta(hours=2))
    name, _ = describe_card_at(card.root)
    assert "\x1b" not in name
