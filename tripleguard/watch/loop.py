"""The main loop: receive events, choose and preempt tasks, write the status. It touches no volume itself.

Everything reaches it through one queue: changed devices, finished tasks, the request to stop. All its parts are
passed in. Whatever it knows can be found again at the next start: what is connected, which copies are missing,
and what ran when.
"""

from __future__ import annotations

import contextlib
import os
import time
from collections import deque
from datetime import UTC, datetime, timedelta

from tripleguard.clock import SECOND, format_iso
from tripleguard.errors import CatalogError
from tripleguard.jobs.context import JobContext
from tripleguard.jobs.offsite.offsite_place import get_offsite_place
from tripleguard.names import escape_text
from tripleguard.watch.devices import hold_reason
from tripleguard.watch.monitoring import StallDetector, WatchLog
from tripleguard.watch.parts import (
    FilesReady,
    LoopEvent,
    LoopParts,
    StopRequested,
    TaskFinished,
    VolumesChanged,
)
from tripleguard.watch.queue import (
    NETWORK_TASKS,
    PREEMPTIBLE,
    PendingWork,
    TaskKind,
    TaskResult,
    TaskStatus,
    WatchTask,
    choose_next,
    should_preempt,
)
from tripleguard.watch.schedule import Schedule, build_schedule, list_due, list_upcoming, skip_missed
from tripleguard.watch.state import WatchState
from tripleguard.watch.status import (
    FinishedTask,
    RunningTask,
    UpcomingTask,
    VolumeStatus,
    WaitingTask,
    WatchStatus,
)
from tripleguard.wording import pluralize

_IDLE_S, _BUSY_S, _PREEMPT_CHECK_S = 30.0, 0.5, 0.2
_SHUTDOWN_GRACE_S = 1.4
"""Seconds that a job gets to end in good order."""
_LAST_MESSAGES_S = 0.3
_MAX_FINISHED = 20
_MAX_SILENT_WAIT_S = 20.0
"""Seconds that a card may wait before a message says so."""
_MAX_DECISION_S = 300.0
"""Seconds that the loop may take to decide; it touches no volume."""
_SLEEP_GAP_NS = int(_IDLE_S + 60) * SECOND
"""If the clock moved on by more than this (ns) between two checks, the machine was asleep."""


class WatchLoop:
    """One daemon. Use: `run` in the main thread; `stop` from a signal handler or another thread."""

    def __init__(self, ctx: JobContext, state: WatchState, log: WatchLog, parts: LoopParts) -> None:
        self._ctx = ctx
        self._state = state
        self._log = log
        self._parts = parts
        self._events = parts.events
        self._worker = parts.worker
        self._devices = parts.devices
        self._new_files = parts.new_files
        self._notifier = parts.notifier
        self._problem = self._last_stall = ""
        self._pending = PendingWork(ask_only=ctx.settings.watch.cards == "ask", monotonic=parts.monotonic)
        self._last_served_by_reader: dict[str, int] = {}
        self._finished: deque[FinishedTask] = deque(maxlen=_MAX_FINISHED)
        self._started_at = self._clock_checked_at = ctx.clock.now()
        self._schedule = build_schedule(ctx.settings)
        self._has_offsite = False
        self._upcoming: list[tuple[TaskKind, int]] = []
        self._due: list[WatchTask] = []
        self._due_checked_at = 0
        self._schedule_basis: tuple[Schedule, dict[str, int], timedelta | None] | None = None
        self._yielding_to_cli = False
        self._stall_detector = StallDetector("The watch itself", _MAX_DECISION_S)

    def stop(self) -> None:
        """End soon, in good order. May be called from a signal handler."""
        self._events.put(StopRequested())

    def run(self) -> None:
        """Run until `stop` is called."""
        self._log.info(f"The watch of {self._ctx.home.root} has begun.", pid=os.getpid())
        every = build_schedule(self._ctx.settings, has_offsite=True)
        self._state.last_run = skip_missed(every, self._state.last_run, self._started_at, self._ctx.clock.zone())
        self._check_clock()
        self._parts.timer.start()
        self._devices.start()
        self._new_files.start()
        self._notifier.start()
        self._parts.heartbeat.start()
        self._write_status()
        try:
            while True:
                event = self._events.get(self._queue_timeout())
                if isinstance(event, StopRequested):
                    break
                if event is not None:
                    self._dispatch(event)
                self._stall_detector.enter()
                self._check_clock()
                self._report_stalls()
                self._start_next()
                self._write_status()
        finally:
            self._shut_down()

    def stall_message(self) -> str:
        """Return which parts hang, the loop included; empty if none does. Any thread may ask."""
        sources = (self._stall_detector, *self._parts.stall_sources)
        return "; ".join(filter(None, (source.stall_message() for source in sources)))

    def _report_stalls(self) -> None:
        """Report a part of the daemon that hangs, for example because a device does not answer."""
        stuck = self.stall_message()
        if stuck and stuck.partition(" has ")[0] not in self._last_stall:
            doing = self._worker.task
            during = f" during {doing.kind} {doing.name}".rstrip() if doing is not None else ""
            words = (
                f"The watch is stuck{during}: {stuck}. Nothing is lost. Next: unplug the cards and drives, plug "
                "them in again; if it stays so, start the watch again."
            )
            self._log.warning(words)
            self._notify(words, "stuck")
        self._last_stall = stuck
        for card, reason in self._pending.list_waiting_cards(_MAX_SILENT_WAIT_S):
            words = (
                f"Card {card.name}, {pluralize(card.files, 'file')}, waits and is not copied yet: {reason}. "
                "Do not reformat it. It goes on by itself."
            )
            self._notify(words, f"{card.mount_token} waits: {reason}")
        for words in self._new_files.list_problems():
            self._notify(words, words)

    def _shut_down(self) -> None:
        self._parts.heartbeat.stop()
        self._parts.timer.stop()
        self._new_files.stop()
        self._devices.stop()
        self._worker.cancel()
        self._worker.join(_SHUTDOWN_GRACE_S)
        while (event := self._events.get_nowait()) is not None:
            if isinstance(event, TaskFinished):
                self._on_finished(event)
        doing = self._worker.task
        if doing is not None:
            self._log.info(f"The {doing.kind} was cut off; it goes on at the next start.")
        self._worker.acknowledge()
        self._notifier.stop(_LAST_MESSAGES_S)
        self._log.info("The watch has ended.")
        self._write_status()

    def _queue_timeout(self) -> float:
        """Return the seconds after which the loop checks everything without an event."""
        again = self._pending.seconds_to_retry()
        doing = self._worker.task
        idle = _IDLE_S if not self._yielding_to_cli else _BUSY_S
        usual = idle if doing is None else _PREEMPT_CHECK_S if doing.kind in PREEMPTIBLE else _BUSY_S
        return usual if again is None else max(0.05, min(usual, again))

    # What happened

    def _dispatch(self, event: LoopEvent) -> None:
        match event:
            case TaskFinished():
                self._on_finished(event)
            case FilesReady(key, files):
                doing = self._worker.task
                # Files of the running task are being taken; what is left of them is reported again.
                if doing is None or doing.key != key:
                    self._pending.set_new_files(key, files)
            case VolumesChanged():
                self._on_volumes_changed(event)

    def _on_volumes_changed(self, event: VolumesChanged) -> None:
        self._new_files.set_drives(event.volumes.drives)
        news = self._pending.set_volumes(event.volumes)
        for line in news.lines:
            self._log.info(line)
        if news.outdated_subjects:
            kept = [one for one in self._finished if one.subject not in map(escape_text, news.outdated_subjects)]
            self._finished = deque(kept, maxlen=_MAX_FINISHED)
        for card in news.withdrawn_cards:
            words = (
                f"Card {card.name} changed after the answer for it: do not reformat it. It is looked at again, "
                "and a new answer follows."
            )
            self._notify(words, f"{card.mount_token} {card.listing} changed")
        if event.problem and event.problem != self._problem:
            self._log.warning(event.problem)
            self._notify(event.problem, event.problem)
        self._problem = event.problem

    def _check_clock(self) -> None:
        """Find what is due by the local wall clock, and set the timer to what comes next."""
        if hasattr(time, "tzset"):
            time.tzset()  # The system's zone may have changed since the last check.
        now = self._ctx.clock.now()
        if now - self._clock_checked_at > _SLEEP_GAP_NS:
            self._log.info("The machine was asleep, or its clock was set.")
            self._devices.scan_now()
        self._clock_checked_at = now
        held = hold_reason(self._parts.read_battery(), self._ctx.settings.watch.battery_floor)
        if held != self._pending.hold_reason:
            self._log.info(
                f"Only new pictures are cared for: {held}." if held else "There is power for all again."
            )
        with contextlib.suppress(CatalogError):
            named = get_offsite_place(self._ctx) is not None
            if named != self._has_offsite:
                self._has_offsite = named
                self._schedule = build_schedule(self._ctx.settings, has_offsite=named)
            self._pending.set_offsite(named)
        self._update_schedule(held)

    def _update_schedule(self, held: str) -> None:
        """Find what is due and what comes next. Nothing can become due before the next instant in one zone."""
        now, zone = self._ctx.clock.now(), self._ctx.clock.zone()
        offset = datetime.fromtimestamp(now // SECOND, UTC).astimezone(zone).utcoffset()
        basis = (self._schedule, dict(self._state.last_run), offset)
        is_current = (
            basis == self._schedule_basis
            and not self._due
            and self._upcoming
            and self._due_checked_at <= now < self._upcoming[0][1]
        )
        if not is_current:
            self._due = list_due(self._schedule, self._state.last_run, now, zone)
            self._upcoming = list_upcoming(self._schedule, now, zone)
            self._schedule_basis = basis
        self._due_checked_at = now
        self._pending.set_due(self._due, held)
        self._parts.timer.set_time(self._upcoming[0][1])

    def _on_finished(self, event: TaskFinished) -> None:
        ended, errand = event.result, event.result.task
        self._worker.acknowledge()
        self._last_served_by_reader[errand.reader] = max(self._last_served_by_reader.values(), default=0) + 1
        if event.error is not None:
            self._log.warning(ended.message, event.error, errand=errand.kind, subject=errand.subject)
        news = self._pending.on_finished(ended)
        if errand.kind is TaskKind.LISTING_RESCAN and ended.status is not TaskStatus.DEFERRED:
            self._new_files.list_all()
        if ended.status in (TaskStatus.DEFERRED, TaskStatus.FAILED):
            self._devices.scan_now()
        elif ended.status is not TaskStatus.STOPPED:
            if errand.occurrence is not None:
                self._state.last_run[errand.kind] = errand.occurrence
            with contextlib.suppress(OSError):
                self._state.save()
        if news:
            self._report_result(ended)

    def _report_result(self, result: TaskResult) -> None:
        errand, at = result.task, format_iso(self._ctx.clock.now())
        words = f"{errand.kind} {errand.name}".rstrip()
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
            FinishedTask(
                errand.kind,
                escape_text(errand.subject),
                at,
                result.status,
                escape_text(result.message),
                escape_text(errand.name),
            )
        )

    def _notify(self, words: str, key: str) -> None:
        """Send a message, unless one with this key was sent today."""
        if self._state.should_notify(key, self._ctx.clock.now()):
            self._log.info(f"Told: {words}")
            self._notifier.notify(words)

    # What to do

    def _start_next(self) -> None:
        doing = self._worker.task
        ready = self._pending.list_ready(doing)
        typed = self._parts.is_cli_waiting()
        best = choose_next(
            (one for one in ready if not typed or one.kind not in PREEMPTIBLE), self._last_served_by_reader
        )
        # There is no event when a typed command releases its lock, so poll soon.
        self._yielding_to_cli = typed and best is None and bool(ready)
        if doing is None:
            if best is not None:
                if best.key not in self._pending.retries:  # Don't fill the log with retries.
                    self._log.info(f"Begins: {best.kind} {best.name}".rstrip())
                self._pending.on_started(best)
                self._worker.submit(best)
        elif not self._worker.is_cancelling and should_preempt(
            doing, best, cli_waiting=typed or bool(self._pending.hold_reason)
        ):
            self._log.info(f"The {doing.kind} gives way.")
            self._worker.cancel()

    # What is seen from outside

    def _write_status(self) -> None:
        doing, plugged = self._worker.task, self._pending.volumes
        drives = [VolumeStatus("drive", one.record.name, escape_text(str(one.root))) for one in plugged.drives]
        cards = [VolumeStatus("card", escape_text(one.name), escape_text(str(one.root))) for one in plugged.cards]
        waiting = [
            WaitingTask(
                one.kind,
                escape_text(one.subject),
                escape_text(self._pending.explain_wait(one, doing)),
                escape_text(one.name),
            )
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
            self._parts.publish_status(status)

    def _running_task(self) -> RunningTask | None:
        errand, moved = self._worker.task, self._worker.progress
        if errand is None:
            return None
        doing = RunningTask(
            errand.kind,
            escape_text(errand.subject),
            format_iso(self._worker.started_at),
            name=escape_text(errand.name),
        )
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
            doing.name,
        )
