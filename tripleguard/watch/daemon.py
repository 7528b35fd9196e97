"""Start and stop one daemon: lock the home, build the loop's parts, stop on signals."""

from __future__ import annotations

import contextlib
import os
import platform
import signal
import time
from collections.abc import Callable, Iterator
from functools import partial
from types import FrameType

from tripleguard.clock import format_iso
from tripleguard.errors import PlaceBusyError
from tripleguard.home import open_home_lock
from tripleguard.jobs.context import CLI_PRIORITY_LOCK, WATCH_LOCK, JobContext
from tripleguard.names import escape_text
from tripleguard.places.locks import LockHolder, hold_lock, is_locked
from tripleguard.watch.device_monitor import DeviceMonitor
from tripleguard.watch.devices import read_battery
from tripleguard.watch.loop import WatchLoop
from tripleguard.watch.monitoring import HeartbeatPinger, WatchLog
from tripleguard.watch.new_files import NewFileWatcher
from tripleguard.watch.notify import Notifier
from tripleguard.watch.parts import EventQueue, FilesReady, LoopParts, TaskFinished, TimerFired, VolumesChanged
from tripleguard.watch.schedule import WakeTimer
from tripleguard.watch.state import load_state
from tripleguard.watch.status import write_status
from tripleguard.watch.tasks import create_job
from tripleguard.watch.worker import Worker

_LOCK_TIMEOUT_S = 1.0
"""Seconds to try for the home's lock."""


def run_watch(ctx: JobContext, *, to_stderr: bool = True) -> None:
    """Run the daemon until SIGTERM or SIGINT. Raises PlaceBusyError if another one runs for this home."""
    with contextlib.ExitStack() as stack:
        _lock_home(stack, ctx)
        settings = ctx.settings.watch
        log = WatchLog(ctx.home, ctx.clock, to_stderr=to_stderr, secrets=(*settings.tell, settings.heartbeat))
        loop = build_loop(ctx, log)
        try:
            with _stop_on_signals(loop.stop):
                loop.run()
        finally:
            log.close()


def build_loop(ctx: JobContext, log: WatchLog) -> WatchLoop:
    """Build a loop with its real parts; none of them is started."""
    settings = ctx.settings.watch
    events = EventQueue()
    devices = DeviceMonitor(ctx, lambda volumes, problem: events.put(VolumesChanged(volumes, problem)))
    new_files = NewFileWatcher(
        ctx, lambda key, files: events.put(FilesReady(key, files)), log.warning, devices.remounts.count_for
    )
    worker = Worker(
        ctx,
        lambda task_ctx, task: create_job(task_ctx, task, new_files),
        lambda task, line: log.info(line, errand=task.kind, subject=task.subject),
        lambda result, error: events.put(TaskFinished(result, error)),
    )
    stall_sources = (devices.stall_detector, new_files.stall_detector, worker.stall_detector)
    parts = LoopParts(
        events=events,
        worker=worker,
        devices=devices,
        new_files=new_files,
        notifier=Notifier(settings, log, ctx.clock, ctx.home),
        # The heartbeat asks only once it was started, which the loop does.
        heartbeat=HeartbeatPinger(settings, log, lambda: loop.stall_message()),
        timer=WakeTimer(lambda: events.put(TimerFired())),
        stall_sources=stall_sources,
        is_cli_waiting=partial(_is_cli_waiting, ctx),
        read_battery=read_battery,
        publish_status=partial(write_status, ctx.home),
        monotonic=time.monotonic,
    )
    loop = WatchLoop(ctx, load_state(ctx.home), log, parts)
    return loop


def _is_cli_waiting(ctx: JobContext) -> bool:
    try:
        return is_locked(partial(open_home_lock, ctx.home, CLI_PRIORITY_LOCK))
    except OSError:
        return False


def _lock_home(stack: contextlib.ExitStack, ctx: JobContext) -> None:
    """Hold the home's lock on the stack. Raises PlaceBusyError naming the daemon that runs."""
    holder = LockHolder(os.getpid(), platform.node(), "a watch", format_iso(ctx.clock.now()))
    name = f"The home {escape_text(str(ctx.home.root))}"
    deadline = time.monotonic() + _LOCK_TIMEOUT_S
    while True:
        try:
            stack.enter_context(hold_lock(name, partial(open_home_lock, ctx.home, WATCH_LOCK), holder))
        except PlaceBusyError as error:
            # A command that checks whether a daemon runs holds the lock for an instant.
            if time.monotonic() < deadline:
                continue
            raise PlaceBusyError(
                error.what,
                safe="That watch goes on as it is.",
                do="`tripleguard status` shows what it does. To start another one, end that process first.",
            ) from None
        return


@contextlib.contextmanager
def _stop_on_signals(stop: Callable[[], None]) -> Iterator[None]:
    """While this lasts, SIGINT and SIGTERM call stop."""

    def asked(number: int, frame: FrameType | None) -> None:
        stop()

    before = {number: signal.signal(number, asked) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
