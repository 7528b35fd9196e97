"""The daemon's real loop with a simulated clock; devices, commands, durations and a channel follow a script.

Waiting moves the clock to the next thing that happens, so a week passes in seconds. Tasks are the real jobs on
real drives; a task ends when its simulated duration is over, or at once when it is cancelled. Volumes are found
as by the real monitor whenever the script changes something. Messages go through the real notifier.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from threading import Event

from world import TestClock, World, finished

from tripleguard.clock import SECOND, Clock
from tripleguard.errors import NoDriveError, PlaceBusyError, StoppedError, TripleguardError
from tripleguard.jobs.context import JobContext
from tripleguard.jobs.progress import ProgressUpdate
from tripleguard.watch.devices import Battery, ConnectedDrive, find_connected_volumes
from tripleguard.watch.loop import WatchLoop
from tripleguard.watch.monitoring import WatchLog
from tripleguard.watch.notify import Delivery, Notifier
from tripleguard.watch.parts import LoopEvent, LoopParts, StopRequested, TaskFinished, TimerFired, VolumesChanged
from tripleguard.watch.queue import TaskKind, TaskResult, TaskStatus, WatchTask
from tripleguard.watch.state import load_state
from tripleguard.watch.status import WatchStatus
from tripleguard.watch.tasks import create_job

CHANNEL = "json://127.0.0.1:9/phone"


@dataclass(frozen=True)
class Run:
    """A task that ran: what, when (local wall time), and how it ended."""

    kind: TaskKind
    began: str
    result: TaskResult


class SimulatedEvents:
    """The loop's queue: `get` moves the clock to whatever happens next."""

    def __init__(self, clock: TestClock, on_step: Callable[[], None]) -> None:
        self._clock = clock
        self._on_step = on_step
        self._ready: deque[LoopEvent] = deque()
        self._script: list[tuple[int, Callable[[], None]]] = []
        self.wake_at: int | None = None
        self.task_ends: Callable[[], int | None] = lambda: None
        self.end_task: Callable[[], None] = lambda: None

    def put(self, event: LoopEvent) -> None:
        self._ready.append(event)

    def at(self, when: int, action: Callable[[], None]) -> None:
        """Do this at an instant (UTC ns)."""
        self._script.append((when, action))
        self._script.sort(key=lambda pair: pair[0])

    def get(self, timeout_s: float) -> LoopEvent | None:
        if not self._ready:
            self._pass_time(self._clock.at + int(timeout_s * SECOND))
        self._on_step()
        return self.get_nowait()

    def get_nowait(self) -> LoopEvent | None:
        return self._ready.popleft() if self._ready else None

    def _pass_time(self, until: int) -> None:
        next_script = self._script[0][0] if self._script else None
        task_end = self.task_ends()
        instants = (until, next_script, task_end, self.wake_at)
        # A script that sleeps moves the clock by itself, so what it passed over happens late.
        now = max(self._clock.at, min(one for one in instants if one is not None))
        self._clock.at = now
        if next_script is not None and next_script <= now:
            self._script.pop(0)[1]()
        elif task_end is not None and task_end <= now:
            self.end_task()
        elif self.wake_at is not None and self.wake_at <= now:
            self.wake_at = None
            self.put(TimerFired())


class SimulatedWorker:
    """Runs the real job of a task when its simulated duration is over."""

    def __init__(self, ctx: JobContext, events: SimulatedEvents, durations: Mapping[TaskKind, float]) -> None:
        self._ctx = ctx
        self._events = events
        self._durations = durations
        self._stop = Event()
        self._ends_at: int | None = None
        self._is_over = False
        self.task: WatchTask | None = None
        self.started_at = 0
        self.progress: ProgressUpdate | None = None
        self.runs: list[Run] = []
        events.task_ends = lambda: self._ends_at
        events.end_task = self._finish

    @property
    def is_cancelling(self) -> bool:
        return self._stop.is_set()

    def submit(self, task: WatchTask) -> None:
        assert self.task is None, "one task at a time"
        self._stop = Event()
        self.task, self.started_at = task, self._ctx.clock.now()
        self._ends_at = self.started_at + int(self._durations.get(task.kind, 1.0) * SECOND)

    def cancel(self) -> None:
        self._stop.set()
        if self._ends_at is not None:
            self._ends_at = self._ctx.clock.now()

    def acknowledge(self) -> None:
        self.task = None

    def join(self, seconds: float) -> bool:
        if self._ends_at is not None:
            self._finish()
        return True

    def _finish(self) -> None:
        task, self._ends_at = self.task, None
        assert task is not None
        began = local_time(self._ctx.clock, self.started_at)
        try:
            result = finished(create_job(replace(self._ctx, stop=self._stop), task))
        except StoppedError as error:
            result = TaskResult(task, TaskStatus.STOPPED, error.what)
        except (PlaceBusyError, NoDriveError) as error:
            result = TaskResult(task, TaskStatus.DEFERRED, error.what)
        except TripleguardError as error:
            result = TaskResult(task, TaskStatus.FAILED, str(error), str(error))
        self.runs.append(Run(task.kind, began, result))
        self._events.put(TaskFinished(result, None))


class SimulatedDevices:
    """Reports the volumes that are there whenever it is asked to scan."""

    def __init__(self, ctx: JobContext, events: SimulatedEvents) -> None:
        self._ctx = ctx
        self._events = events

    def start(self) -> None:
        self.scan_now()

    def stop(self) -> None:
        pass

    def scan_now(self) -> None:
        self._events.put(VolumesChanged(find_connected_volumes(self._ctx), ""))


class NoNewFiles:
    """No program writes into the shoots."""

    def start(self) -> None: ...
    def stop(self) -> None: ...
    def set_drives(self, drives: Iterable[ConnectedDrive]) -> None: ...
    def list_all(self) -> None: ...
    def list_problems(self) -> list[str]:
        return []


class NoHeartbeat:
    """Nobody listens from outside."""

    def start(self) -> None: ...
    def stop(self) -> None: ...


class SimulatedTimer:
    """Wakes the loop in simulated time."""

    def __init__(self, events: SimulatedEvents) -> None:
        self._events = events

    def start(self) -> None: ...
    def stop(self) -> None: ...
    def set_time(self, at: int) -> None:
        self._events.wake_at = at


@dataclass
class SimulatedChannel:
    """A channel that works or not, and what reached it, with the local wall time."""

    clock: TestClock
    works: bool = True
    tries: int = 0
    received: list[tuple[str, str]] = field(default_factory=list)

    def send(self, messages: Sequence[tuple[str, str]]) -> list[Delivery]:
        answers = []
        for _, body in messages:
            self.tries += bool(body)
            if body and self.works:
                self.received.append((local_time(self.clock, self.clock.at), body))
            answers.append(Delivery(self.works, "" if self.works else "it was not taken"))
        return answers

    def stop(self) -> None: ...


class SimulatedNotifier(Notifier):
    """The real notifier, without a thread: the simulation delivers what is due at every step."""

    def start(self) -> None:
        self.validate_channels()


@dataclass
class SimulatedDaemon:
    """A daemon over a world. Use: `at` for what happens, then `run`."""

    world: World
    ctx: JobContext
    clock: TestClock
    durations: dict[TaskKind, float] = field(default_factory=dict)
    cli_waiting: bool = False
    battery: Battery | None = None

    def __post_init__(self) -> None:
        self.channel = SimulatedChannel(self.clock)
        self.statuses: deque[WatchStatus] = deque(maxlen=1)
        self.log = WatchLog(self.ctx.home, self.clock, to_stderr=False)
        self.notifier = SimulatedNotifier(
            self.ctx.settings.watch,
            self.log,
            self.clock,
            self.ctx.home,
            sender=self.channel,
            monotonic=self.seconds,
        )
        self.events = SimulatedEvents(self.clock, self.notifier.deliver_due)
        self.worker = SimulatedWorker(self.ctx, self.events, self.durations)
        self.devices = SimulatedDevices(self.ctx, self.events)
        self.loop = WatchLoop(
            self.ctx,
            load_state(self.ctx.home),
            self.log,
            LoopParts(
                events=self.events,
                worker=self.worker,
                devices=self.devices,
                new_files=NoNewFiles(),
                notifier=self.notifier,
                heartbeat=NoHeartbeat(),
                timer=SimulatedTimer(self.events),
                stall_sources=(),
                is_cli_waiting=lambda: self.cli_waiting,
                read_battery=lambda: self.battery,
                publish_status=self.statuses.append,
                monotonic=self.seconds,
            ),
        )

    def seconds(self) -> float:
        return self.clock.at / SECOND

    @property
    def status(self) -> WatchStatus:
        return self.statuses[-1]

    def at(self, local: str, *actions: Callable[[], object]) -> None:
        """Do this at a local time of the clock's zone, and let the monitor see what changed."""

        def act() -> None:
            for action in actions:
                action()
            self.devices.scan_now()

        self.events.at(to_instant(self.clock, local), act)

    def sleep_until(self, local: str) -> Callable[[], None]:
        """Close the lid until then: nothing runs, and the clock has moved on when it is opened."""
        until = to_instant(self.clock, local)

        def act() -> None:
            self.clock.at = until

        return act

    def run(self, until: str) -> list[Run]:
        """Run the loop until a local time; the tasks that ran."""
        self.events.at(to_instant(self.clock, until), lambda: self.events.put(StopRequested()))
        self.loop.run()
        self.log.close()
        return self.worker.runs

    def began(self, kind: TaskKind) -> list[str]:
        return [run.began for run in self.worker.runs if run.kind is kind]


def to_instant(clock: TestClock, local: str) -> int:
    return int(datetime.fromisoformat(local).replace(tzinfo=clock.where).timestamp()) * SECOND


def local_time(clock: Clock, at: int) -> str:
    return datetime.fromtimestamp(at // SECOND, UTC).astimezone(clock.zone()).strftime("%m-%d %H:%M")
