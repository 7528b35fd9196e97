"""The worker: runs one task at a time, each in a thread of its own with its own catalog connection.

A fresh thread for each, so that a rescan that lowers its own priority leaves no trace on the next card.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Generator
from dataclasses import replace

from tripleguard.errors import NoDriveError, PlaceBusyError, StoppedError, TripleguardError
from tripleguard.jobs.context import JobContext
from tripleguard.jobs.drive_records import decisions_saved
from tripleguard.jobs.progress import Job, Message, Progress, ProgressUpdate
from tripleguard.watch.monitoring import StallDetector
from tripleguard.watch.queue import TaskResult, TaskStatus, WatchTask

_MAX_SILENCE_S = 3600.0
"""Seconds without any sign of progress that are allowed: one file of a video may take half an hour."""


class Worker:
    """Does errands. said gets the lines a job says, ended the end of each errand; both from the hand's thread."""

    def __init__(
        self,
        ctx: JobContext,
        create_job: Callable[[JobContext, WatchTask], Job[TaskResult]],
        on_message: Callable[[WatchTask, str], None],
        on_finished: Callable[[TaskResult, BaseException | None], None],
    ) -> None:
        self._ctx = ctx
        self._create_job = create_job
        self._on_message = on_message
        self._on_finished = on_finished
        self._thread: threading.Thread | None = None
        self._cancel_event = threading.Event()
        self.task: WatchTask | None = None
        self.started_at = 0
        self.progress: ProgressUpdate | None = None
        self.stall_detector = StallDetector("The work", _MAX_SILENCE_S)

    def submit(self, task: WatchTask) -> None:
        """Begin an errand; nothing else is in hand."""
        if self.task is not None:
            raise AssertionError("one errand at a time")
        self._cancel_event = threading.Event()
        self.task, self.started_at, self.progress = task, self._ctx.clock.now(), None
        self._thread = threading.Thread(
            target=self._run_guarded, args=(task, self._cancel_event), name=f"hand-{task.kind}", daemon=True
        )
        self.stall_detector.enter()
        self._thread.start()

    def cancel(self) -> None:
        """Ask the errand in hand to end soon and in good order."""
        self._cancel_event.set()

    @property
    def is_cancelling(self) -> bool:
        return self._cancel_event.is_set()

    def acknowledge(self) -> None:
        """The end of the errand was taken note of."""
        self.task = self.progress = None
        self.stall_detector.leave()

    def join(self, seconds: float) -> bool:
        """Wait for the end of the errand; whether there is none any more."""
        if self._thread is None:
            return True
        self._thread.join(seconds)
        return not self._thread.is_alive()

    def _run_guarded(self, task: WatchTask, stop: threading.Event) -> None:
        error: BaseException | None = None
        try:
            ended = self._run_task(task, stop)
        except StoppedError as end:
            ended = TaskResult(task, TaskStatus.STOPPED, end.what)
        except (PlaceBusyError, NoDriveError) as busy:
            ended = TaskResult(task, TaskStatus.DEFERRED, busy.what)
        except TripleguardError as trouble:
            ended = TaskResult(task, TaskStatus.FAILED, str(trouble), str(trouble))
        except BaseException as unforeseen:  # noqa: BLE001 - a thread's outer edge; it is logged with its trace
            error = unforeseen
            words = f"something happened that nobody foresaw: {type(unforeseen).__name__}: {unforeseen}"
            ended = TaskResult(task, TaskStatus.FAILED, words, f"{task.kind}: {words}")
        self._on_finished(ended, error)

    def _run_task(self, task: WatchTask, stop: threading.Event) -> TaskResult:
        catalog = self._ctx.catalog.reopen()
        try:
            ctx = replace(self._ctx, catalog=catalog, stop=stop, notify=lambda line: self._on_message(task, line))
            with decisions_saved(ctx):
                return _run_job(self._create_job(ctx, task), lambda progress: self._on_progress(task, progress))
        finally:
            catalog.close()

    def _on_progress(self, task: WatchTask, progress: Progress) -> None:
        self.stall_detector.enter()
        if isinstance(progress, Message):
            self._on_message(task, progress.text)
        else:
            self.progress = progress


def _run_job(job: Generator[Progress, None, TaskResult], on_progress: Callable[[Progress], None]) -> TaskResult:
    try:
        while True:
            on_progress(next(job))
    except StopIteration as end:
        ended: TaskResult = end.value
        return ended
    finally:
        job.close()
