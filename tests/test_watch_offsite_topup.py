"""The daemon makes copies that only the offsite place still holds, or says what keeps it from doing so."""

from __future__ import annotations

import pytest
from watch_process import ended, set_watch, watching
from world import World, finished

from tripleguard.jobs.commands import run_topup
from tripleguard.watch.queue import (
    PendingWork,
    TaskKind,
    TaskResult,
    TaskStatus,
    WatchTask,
    should_preempt,
)
from tripleguard.watch.tasks import create_job

CARD = WatchTask(TaskKind.CARD, "/media/one", "sda")


def only_offsite(world: World, settings: str = "", frames: int = 3) -> dict[str, bytes]:
    """Both drives are lost after the upload, and a new one is added; what they held."""
    offsite = world.folder("offsite")
    assert world.run("setup", "--offsite", offsite.as_uri()).status == 0
    if settings:
        world.settings(settings)
    card = world.card()
    names = [frame.stem for frame in card.frames(frames)]
    assert world.run("offload", card.root).status == 0
    assert world.run("selects", "add", *names).status in (0, 1)
    assert world.run("upload").status == 0
    before = world.on("A")
    for name in ("A", "B"):
        world.unplug(name)
        world.run("drives", "lost", name)
    world.drives = {"C": world.folder("drive-new")}
    assert world.run("drives", "add", "C", world.drives["C"]).status == 0
    return before


def test_the_daemon_fetches_what_only_offsite_still_holds(world: World) -> None:
    before = only_offsite(world)
    set_watch(world)
    with watching(world) as watch:
        found = watch.until_done("offsite top-up")
        assert "drive C: 3 new copies" in found["message"]
        assert world.on("C") == before
        watch.until_idle()
        # What is made is not fetched again.
        assert len(ended(watch.status(), "offsite top-up")) == 1


def test_the_command_line_and_the_daemon_make_the_same_copies(world: World) -> None:
    before = only_offsite(world)
    with world.ctx() as ctx:
        result = finished(run_topup(ctx, purpose="a test"))
    assert (result.created, result.without_source, world.on("C")) == ({"C": 3}, 0, before)


def test_sealed_copies_wait_for_the_key_and_the_daemon_says_so(world: World) -> None:
    pyrage = pytest.importorskip("pyrage", reason="the extra `seal` is not installed")
    key = pyrage.x25519.Identity.generate()
    before = only_offsite(world, f'[offsite]\nseal_for = ["{key.to_public()}"]\n')
    with world.ctx() as ctx:
        topup = finished(create_job(ctx, WatchTask(TaskKind.TOPUP)))
        assert topup.needs_offsite
        fetch = finished(create_job(ctx, WatchTask(TaskKind.OFFSITE_TOPUP)))
    assert (fetch.status, fetch.new_copies, fetch.needs_offsite) == (TaskStatus.NEEDS_ATTENTION, 0, False)
    assert "can't help without the key" in fetch.message
    assert "`tripleguard topup --key FILE`" in fetch.notification
    path = world.root / "key.txt"
    path.write_text(f"{key}\n")
    assert world.run("topup", "--key", path, "--json").json["made"] == {"C": 3}
    assert world.on("C") == before


def test_nothing_is_fetched_over_a_metered_line_and_it_is_tried_again_in_an_hour(world: World) -> None:
    only_offsite(world)
    world.settings("[offsite]\nmetered = true\n")
    with world.ctx() as ctx:
        fetch = finished(create_job(ctx, WatchTask(TaskKind.OFFSITE_TOPUP)))
    assert (fetch.status, fetch.needs_offsite, world.on("C")) == (TaskStatus.DONE, True, {})
    assert "paid by the byte" in fetch.message
    now = [0.0]
    pending = PendingWork(ask_only=False, monotonic=lambda: now[0])
    pending.on_finished(fetch)
    assert TaskKind.OFFSITE_TOPUP not in {one.kind for one in pending.list_tasks()}
    now[0] = 3600.0
    assert TaskKind.OFFSITE_TOPUP in {one.kind for one in pending.list_tasks()}


def test_a_fetch_follows_a_topup_that_lacks_a_source_and_ends_for_a_card() -> None:
    pending = PendingWork(ask_only=False)
    fetch = WatchTask(TaskKind.OFFSITE_TOPUP)
    pending.on_finished(TaskResult(WatchTask(TaskKind.TOPUP), TaskStatus.DONE, "2 files still owed"))
    assert fetch not in pending.list_tasks()
    pending.on_finished(
        TaskResult(WatchTask(TaskKind.TOPUP), TaskStatus.DONE, "2 files still owed", needs_offsite=True)
    )
    assert fetch in pending.list_tasks()
    assert should_preempt(fetch, CARD, cli_waiting=False)
    assert should_preempt(fetch, WatchTask(TaskKind.DUE_RESCAN), cli_waiting=False)
    pending.on_finished(TaskResult(fetch, TaskStatus.STOPPED, "stopped"))
    assert fetch in pending.list_tasks(), "what was preempted goes on"
