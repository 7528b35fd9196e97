"""The parts that the main loop is given, and the events through which they report to it.

The daemon builds the real parts; a test passes parts of its own, with a simulated clock and simulated devices.
"""

from __future__ import annotations

import queue
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Protocol

from tripleguard.jobs.progress import ProgressUpdate
from tripleguard.model import Entry
from tripleguard.watch.devices import Battery, ConnectedDrive, ConnectedVolumes
from tripleguard.watch.queue import TaskKind, TaskResult, WatchTask
from tripleguard.watch.status import WatchStatus


@dataclass(frozen=True, slots=True)
class VolumesChanged:
    """The connected volumes changed. problem: why they can't be read, empty if they can."""

    volumes: ConnectedVolumes
    problem: str


@dataclass(frozen=True, slots=True)
class TaskFinished:
    """A task ended. error: the exception that nobody foresaw."""

    result: TaskResult
    error: BaseException | None


@dataclass(frozen=True, slots=True)
class FilesReady:
    """The number of new files that are complete in a watched folder changed."""

    key: tuple[TaskKind, str]
    files: int


@dataclass(frozen=True, slots=True)
class TimerFired:
    """The time of the next scheduled task has come."""


@dataclass(frozen=True, slots=True)
class StopRequested:
    """The daemon is to end in good order."""


LoopEvent = VolumesChanged | TaskFinished | FilesReady | TimerFired | StopRequested


class LoopEvents(Protocol):
    """The queue through which everything reaches the loop."""

    def put(self, event: LoopEvent) -> None:
        """Add an event. May be called from any thread and from a signal handler."""

    def get(self, timeout_s: float) -> LoopEvent | None:
        """Wait for the next event, at most so many seconds; return None if none came."""

    def get_nowait(self) -> LoopEvent | None:
        """Return the next event, or None if there is none now."""


class EventQueue:
    """The events of a daemon that runs in real time."""

    def __init__(self) -> None:
        self._queue: queue.SimpleQueue[LoopEvent] = queue.SimpleQueue()

    def put(self, event: LoopEvent) -> None:
        self._queue.put(event)

    def get(self, timeout_s: float) -> LoopEvent | None:
        try:
            return self._queue.get(timeout=timeout_s)
        except queue.Empty:
            return None

    def get_nowait(self) -> LoopEvent | None:
        try:
            return self._queue.get_nowait()
        except queue.Empty:
            return None


class TaskRunner(Protocol):
    """Runs one task at a time and puts a `TaskFinished` when it ended; see `worker.Worker`."""

    @property
    def task(self) -> WatchTask | None: ...
    @property
    def started_at(self) -> int: ...
    @property
    def progress(self) -> ProgressUpdate | None: ...
    @property
    def is_cancelling(self) -> bool: ...
    def submit(self, task: WatchTask) -> None: ...
    def cancel(self) -> None: ...
    def acknowledge(self) -> None: ...
    def join(self, seconds: float) -> bool: ...


class VolumeMonitor(Protocol):
    """Puts a `VolumesChanged` when drives or cards come and go; see `device_monitor.DeviceMonitor`."""

    def start(self) -> None: ...
    def stop(self) -> None: ...
    def scan_now(self) -> None: ...


class NewFileSource(Protocol):
    """Knows the complete new files of a folder; see `new_files.NewFileWatcher`."""

    def stable_files(self, key: tuple[TaskKind, str]) -> list[Entry]: ...
    def mark_ingested(
        self,
        key: tuple[TaskKind, str],
        paths: Iterable[str],
        failed: Iterable[str],
        incomplete: Iterable[str] = (),
        damaged: Iterable[str] = (),
    ) -> list[str]: ...


class FolderWatcher(Protocol):
    """Puts a `FilesReady` when new files are complete; see `new_files.NewFileWatcher`."""

    def start(self) -> None: ...
    def stop(self) -> None: ...
    def set_drives(self, drives: Iterable[ConnectedDrive]) -> None: ...
    def list_all(self) -> None: ...
    def list_problems(self) -> list[str]: ...


class MessageSink(Protocol):
    """Sends messages to a person; see `notify.Notifier`."""

    @property
    def unusable_channels(self) -> tuple[str, ...]: ...
    def start(self) -> None: ...
    def notify(self, body: str) -> None: ...
    def stop(self, timeout_s: float) -> None: ...


class Heartbeat(Protocol):
    """Shows to the outside that the daemon works; see `monitoring.HeartbeatPinger`."""

    def start(self) -> None: ...
    def stop(self) -> None: ...


class Timer(Protocol):
    """Puts a `TimerFired` at the instant it is set to; see `schedule.WakeTimer`."""

    def start(self) -> None: ...
    def stop(self) -> None: ...
    def set_time(self, at: int) -> None: ...


class StallSource(Protocol):
    """A part that may hang; see `monitoring.StallDetector`."""

    def stall_message(self) -> str: ...


@dataclass(frozen=True, slots=True)
class LoopParts:
    """Everything around the loop.

    Attributes:
        stall_sources: What may hang, other than the loop itself.
        is_cli_waiting: Whether a typed command asks for the drives.
        read_battery: The battery now; None if there is none.
        publish_status: Writes the status for other terminals. May raise OSError.
        monotonic: Seconds that only grow, by which retries are timed.
    """

    events: LoopEvents
    worker: TaskRunner
    devices: VolumeMonitor
    new_files: FolderWatcher
    notifier: MessageSink
    heartbeat: Heartbeat
    timer: Timer
    stall_sources: Sequence[StallSource]
    is_cli_waiting: Callable[[], bool]
    read_battery: Callable[[], Battery | None]
    publish_status: Callable[[WatchStatus], None]
    monotonic: Callable[[], float]
