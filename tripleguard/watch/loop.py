"""The main loop: receive events, choose and preempt tasks, write the status. It touches no volume itself.

Everything reaches it through one queue: changed devices, finished tasks, the request to stop. Everything it
knows can be found again at the next start: what is plugged in, which copies are missing, what ran when.
"""

from __future__ import annotations

import contextlib
import os
import queue
import time
from collections import deque
from dataclasses import dataclass
from functools import partial

from tripleguard.clock import SECOND, format_iso
from tripleguard.errors import CatalogError
from tripleguard.home import open_home_lock
from tripleguard.jobs.drives import CLI_PRIORITY_LOCK, JobContext
from tripleguard.jobs.offsite.offsite_place import get_offsite_place
from tripleguard.names import escape_text
from tripleguard.places.locks import is_locked
from tripleguard.watch.devices import ConnectedVolumes, DeviceMonitor, hold_reason, read_battery
from tripleguard.watch.monitoring import HeartbeatPinger, StallDetector, WatchLog
from tripleguard.watch.new_files import NewFileWatcher
from tripleguard.watch.notify import Notifier
from tripleguard.watch.queue import (
    NETWORK_TASKS,
    PREEMPTIBLE,
    PendingWork,
    TaskKind,
    TaskResult,
    TaskStatus,
    choose_next,
    should_preempt,
)
from tripleguard.watch.schedule import WakeTimer, build_schedule, list_due, list_upcoming, skip_missed
from tripleguard.watch.state import WatchState
from tripleguard.watch.status import (
    FinishedTask,
    RunningTask,
    UpcomingTask,
    VolumeStatus,
    WaitingTask,
    WatchStatus,
    write_status,
)
from tripleguard.watch.tasks import create_job
from tripleguard.watch.worker import Worker

_IDLE_S, _BUSY_S, _PREEMPT_CHECK_S = 30.0, 0.5, 0.2
_SHUTDOWN_GRACE_S = 1.4
"""Seconds that a job gets to end in good order."""
_LAST_MESSAGES_S = 0.3
_MAX_FINISHED = 20
_MAX_DECISION_S = 300.0
"""Seconds that the loop may take to decide; it touches no volume."""
_SLEEP_GAP_NS = int(_IDLE_S + 60) * SECOND
"""A look at the clock that comes so much later than the last one (ns): the machine was asleep."""


@dataclass(frozen=True, slots=True)
class _VolumesChanged:
    volumes: ConnectedVolumes
    problem: str


@dataclass(frozen=True, slots=True)
class _TaskFinished:
    result: TaskResult
    error: BaseException | None


@dataclass(frozen=True, slots=True)
class _FilesReady:
    key: tuple[TaskKind, str]
    files: int


class _TimerFired:
    """The alarm rang."""


_LoopEvent = _VolumesChanged | _TaskFinished | _FilesReady | _TimerFired | None
"""What the queue carries; None: stop."""


class WatchLoop:
    """One watch. Use: `run` in the main thread; `cancel` from a signal handler or another thread."""

    def __init__(self, ctx: JobContext, state: WatchState, log: WatchLog) -> None:
        self._ctx = ctx
        self._state = state
        self._log = log
        self._queue: queue.SimpleQueue[_LoopEvent] = queue.SimpleQueue()
        self._problem = self._last_stall = ""
        self._pending = PendingWork(ask_only=ctx.settings.watch.cards == "ask")
        self._last_served_by_reader: dict[str, int] = {}
        self._finished: deque[FinishedTask] = deque(maxlen=_MAX_FINISHED)
        self._started_at = self._clock_checked_at = ctx.clock.now()
        self._schedule = build_schedule(ctx.settings)
        self._yielding_to_cli = False
        self._wake_timer = WakeTimer(lambda: self._queue.put(_TimerFired()))
        self._device_monitor = DeviceMonitor(
            ctx, lambda plugged, trouble: self._queue.put(_VolumesChanged(plugged, trouble))
        )
        self._notifier = Notifier(ctx.settings.watch, log, ctx.home)
        self._stall_detector = StallDetector("The watch itself", _MAX_DECISION_S)
        self._heartbeat = HeartbeatPinger(ctx.settings.watch, log, self._stall_message)
        self._new_files = NewFileWatcher(
            ctx,
            lambda key, files: self._queue.put(_FilesReady(key, files)),
            log.warning,
            self._device_monitor.remounts.count_for,
        )
        self._worker = Worker(
            ctx,
            lambda its, errand: create_job(its, errand, self._new_files),
            lambda errand, line: log.info(line, errand=errand.kind, subject=errand.subject),
            lambda ended, error: self._queue.put(_TaskFinished(ended, error)),
        )

    def stop(self) -> None:
        """End soon, in good order. May be called from a signal handler."""
        self._queue.put(None)

    def run(self) -> None:
        """Until `cancel`."""
        self._log.info(f"The watch of {self._ctx.home.root} has begun.", pid=os.getpid())
        every = build_schedule(self._ctx.settings, has_offsite=True)
        self._state.last_run = skip_missed(every, self._state.last_run, self._started_at, self._ctx.clock.zone())
        self._check_clock()
        self._wake_timer.start()
        self._device_monitor.start()
        self._new_files.start()
        self._notifier.start()
        self._heartbeat.start()
        self._write_status()
        try:
            while True:
                with contextlib.suppress(queue.Empty):
                    note = self._queue.get(timeout=self._queue_timeout())
                    if note is None:
                        break
                    self._dispatch(note)
                self._stall_detector.enter()
                self._check_clock()
                self._report_stalls()
                self._start_next()
                self._write_status()
        finally:
            self._shut_down()

    def _stall_message(self) -> str:
        """What does not come back, in words; '' if all is well. Any thread may ask."""
        parts = (
            self._stall_detector,
            self._device_monitor.stall_detector,
            self._new_files.stall_detector,
            self._worker.stall_detector,
        )
        return "; ".join(filter(None, (one.stall_message() for one in parts)))

    def _report_stalls(self) -> None:
        """Say it when a part of the watch does not come back: a device that hangs holds it."""
        stuck = self._stall_message()
        if stuck and stuck.partition(" has ")[0] not in self._last_stall:
            doing = self._worker.task
            during = f" during {doing.kind} {doing.subject}".rstrip() if doing is not None else ""
            words = (
                f"The watch is stuck{during}: {stuck}. Nothing is lost. Next: unplug the cards and drives, plug "
                "them in again; if it stays so, start the watch again."
            )
            self._log.warning(words)
            self._notify(words, "stuck")
        self._last_stall = stuck
        for words in self._new_files.list_problems():
            self._notify(words, words)

    def _shut_down(self) -> None:
        self._heartbeat.stop()
        self._wake_timer.stop()
        self._new_files.stop()
        self._device_monitor.stop()
        self._worker.cancel()
        self._worker.join(_SHUTDOWN_GRACE_S)
        while not self._queue.empty():
            note = self._queue.get()
            if isinstance(note, _TaskFinished):
                self._on_finished(note)
        doing = self._worker.task
        if doing is not None:
            self._log.info(f"The {doing.kind} was cut off; it goes on at the next start.")
        self._worker.acknowledge()
        self._notifier.stop(_LAST_MESSAGES_S)
        self._log.info("The watch has ended.")
        self._write_status()

    def _queue_timeout(self) -> float:
        """Seconds until the loop looks around by itself."""
        again = self._pending.seconds_to_retry()
        doing = self._worker.task
        idle = _IDLE_S if not self._yielding_to_cli else _BUSY_S
        usual = idle if doing is None else _PREEMPT_CHECK_S if doing.kind in PREEMPTIBLE else _BUSY_S
        return usual if again is None else max(0.05, min(usual, again))

    # What happened

    def _dispatch(self, event: _VolumesChanged | _TaskFinished | _FilesReady | _TimerFired) -> None:
        match event:
            case _TaskFinished():
                self._on_finished(event)
            case _FilesReady(key, files):
                doing = self._worker.task
                if doing is None or doing.key != key:  # else it is being taken, and is told anew if some is left
                    self._pending.set_new_files(key, files)
            case _VolumesChanged():
                self._on_volumes_changed(event)

    def _on_volumes_changed(self, event: _VolumesChanged) -> None:
        self._new_files.set_drives(event.volumes.drives)
        for line in self._pending.set_volumes(event.volumes):
            self._log.info(line)
        if event.problem and event.problem != self._problem:
            self._log.warning(event.problem)
            self._notify(event.problem, event.problem)
        self._problem = event.problem

    def _check_clock(self) -> None:
        """What is due now, by the wall clock of wherever this is; and when to look again."""
        if hasattr(time, "tzset"):
            time.tzset()  # the system's zone may be another one since the last look
        now, zone = self._ctx.clock.now(), self._ctx.clock.zone()
        if now - self._clock_checked_at > _SLEEP_GAP_NS:
            self._log.info("The machine was asleep, or its clock was set.")
            self._device_monitor.scan_now()
        self._clock_checked_at = now
        held = hold_reason(read_battery(), self._ctx.settings.watch.battery_floor)
        if held != self._pending.hold_reason:
            self._log.info(
                f"Only new pictures are cared for: {held}." if held else "There is power for all again."
            )
        with contextlib.suppress(CatalogError):
            named = get_offsite_place(self._ctx) is not None
            self._pending.set_offsite(named)
            self._schedule = build_schedule(self._ctx.settings, has_offsite=named)
        self._pending.set_due(list_due(self._schedule, self._state.last_run, now, zone), held)
        self._upcoming = list_upcoming(self._schedule, now, zone)
        self._wake_timer.set_time(self._upcoming[0][1])

    def _on_finished(self, event: _TaskFinished) -> None:
        ended, errand = event.result, event.result.task
        self._worker.acknowledge()
        self._last_served_by_reader[errand.reader] = max(self._last_served_by_reader.values(), default=0) + 1
        if event.error is not None:
            self._log.warning(ended.message, event.error, errand=errand.kind, subject=errand.subject)
        news = self._pending.on_finished(ended)
        if errand.kind is TaskKind.LISTING_RESCAN and ended.status is not TaskStatus.DEFERRED:
            self._new_files.list_all()
        if ended.status in (TaskStatus.DEFERRED, TaskStatus.FAILED):
            self._device_monitor.scan_now()
        elif ended.status is not TaskStatus.STOPPED:
            if errand.occurrence is not None:
                self._state.last_run[errand.kind] = errand.occurrence
            with contextlib.suppress(OSError):
                self._state.save()
        if news:
            self._report_result(ended)

    def _report_result(self, result: TaskResult) -> None:
        errand, at = result.task, format_iso(self._ctx.clock.now())
        words = f"{errand.kind} {errand.subject}".rstrip()
        self._log.info(f"{words}: {result.message}", outcome=result.status)
        if result.status is TaskStatus.DEFERRED:
            return
        if result.notification:
            self._notify(
                result.notification, f"{result.card.insertion if result.card else ''} {result.notification}"
            )
        if errand.kind in NETWORK_TASKS and any(
            (one.what, one.message) == (errand.kind, escape_text(result.message)) for one in self._finished
        ):
            return  # It is repeated every hour, and the list holds it already.
        self._finished.appendleft(
            FinishedTask(errand.kind, escape_text(errand.subject), at, result.status, escape_text(result.message))
        )

    def _notify(self, words: str, key: str) -> None:
        """Say it through the channels, unless just that was said today."""
        if self._state.should_notify(key, self._ctx.clock.now()):
            self._log.info(f"Told: {words}")
            self._notifier.notify(words)

    # What to do

    def _start_next(self) -> None:
        doing = self._worker.task
        ready = self._pending.list_ready(doing)
        typed = self._is_cli_waiting()
        best = choose_next(
            (one for one in ready if not typed or one.kind not in PREEMPTIBLE), self._last_served_by_reader
        )
        # Nothing tells when a typed command ends: what waits for that alone is looked at again soon.
        self._yielding_to_cli = typed and best is None and bool(ready)
        if doing is None:
            if best is not None:
                if best.key not in self._pending.retries:  # a log that says each try of a night says nothing else
                    self._log.info(f"Begins: {best.kind} {best.subject}".rstrip())
                self._pending.on_started(best)
                self._worker.submit(best)
        elif not self._worker.is_cancelling and should_preempt(
            doing, best, cli_waiting=typed or bool(self._pending.hold_reason)
        ):
            self._log.info(f"The {doing.kind} gives way.")
            self._worker.cancel()

    def _is_cli_waiting(self) -> bool:
        try:
            return is_locked(partial(open_home_lock, self._ctx.home, CLI_PRIORITY_LOCK))
        except OSError:
            return False

    # What is seen from outside

    def _write_status(self) -> None:
        doing, plugged = self._worker.task, self._pending.volumes
        drives = [VolumeStatus("drive", one.record.name, escape_text(str(one.root))) for one in plugged.drives]
        cards = [VolumeStatus("card", escape_text(one.name), escape_text(str(one.root))) for one in plugged.cards]
        waiting = [
            WaitingTask(one.kind, escape_text(one.subject), escape_text(self._pending.explain_wait(one, doing)))
            for one in self._pending.list_tasks()
            if doing is None or one.key != doing.key
        ]
        status = WatchStatus(
            pid=os.getpid(),
            since=format_iso(self._started_at),
            at=format_iso(self._ctx.clock.now()),
            doing=self._running_task(),
            waiting=tuple(waiting),
            last=tuple(self._finished),
            here=(*drives, *cards),
            away=tuple(escape_text(record.name) for record in plugged.away),
            next=tuple(UpcomingTask(what, format_iso(at)) for what, at in self._upcoming),
            power=self._pending.hold_reason,
            trouble=escape_text(
                " ".join(
                    filter(
                        None,
                        (
                            self._problem,
                            self._last_stall,
                            *self._new_files.list_problems(),
                            *self._notifier.unusable_channels,
                        ),
                    )
                )
            ),
        )
        with contextlib.suppress(OSError):
            write_status(self._ctx.home, status)

    def _running_task(self) -> RunningTask | None:
        errand, moved = self._worker.task, self._worker.progress
        if errand is None:
            return None
        doing = RunningTask(errand.kind, escape_text(errand.subject), format_iso(self._worker.started_at))
        if moved is None:
            return doing
        return RunningTask(
            doing.what,
            doing.subject,
            doing.since,
            moved.activity,
            moved.files,
            moved.total_files,
            moved.bytes_done,
            moved.total_bytes,
            round(moved.rate, 1),
            moved.seconds_left,
        )
