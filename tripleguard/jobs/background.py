"""Background work: read budgets, throttling, low priority, and child processes for what may hang or crash."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import tripleguard

_POLL_SECONDS = 0.2
"""Seconds after which a waiting thread checks again."""


@dataclass(slots=True)
class Budget:
    """The limits of a job. seconds, total_bytes: None for no limit; rate: bytes/s over all lanes, 0 for no cap.

    paused: set while the person wants the drives to be quiet.
    """

    seconds: float | None = None
    total_bytes: int | None = None
    rate: int = 0
    paused: threading.Event = field(default_factory=threading.Event)
    _started_at: float = field(default_factory=time.monotonic)
    _spent_bytes: int = 0
    _throttled_until: float = 0.0
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def is_used_up(self) -> bool:
        """Return whether nothing more should be started."""
        if self.seconds is not None and time.monotonic() - self._started_at >= self.seconds:
            return True
        return self.total_bytes is not None and self._spent_bytes >= self.total_bytes

    def wait_while_paused(self, is_ended: Callable[[], bool]) -> None:
        """Wait while paused, but not beyond the time limit, nor after `is_ended`."""
        while self.paused.is_set() and not is_ended() and not self.is_used_up():
            time.sleep(_POLL_SECONDS)

    def throttle(self, seconds: float, is_ended: Callable[[], bool]) -> None:
        """Wait this many seconds, as the rate requires, but not after `is_ended`."""
        until = time.monotonic() + seconds
        while (left := until - time.monotonic()) > 0 and not is_ended():
            time.sleep(min(left, _POLL_SECONDS))

    def spend(self, size: int) -> float:
        """Count size bytes; return how many seconds to wait before the next ones."""
        with self._lock:
            self._spent_bytes += size
            if not self.rate:
                return 0.0
            now = time.monotonic()
            self._throttled_until = max(self._throttled_until, now) + size / self.rate
            return self._throttled_until - now


_LOW_PRIORITY = 10
"""A niceness (setpriority(2)) below every program with the default one."""


def lower_priority() -> None:
    """Let all other programs go first, for the disk and the processor.

    On Linux this affects the calling thread only; elsewhere the whole process, so it is done only in the main
    thread of a process that does nothing else.
    """
    if sys.platform != "linux" and threading.current_thread() is not threading.main_thread():
        return
    with contextlib.suppress(OSError):
        if sys.platform != "win32":
            os.setpriority(os.PRIO_PROCESS, 0, max(_LOW_PRIORITY, os.getpriority(os.PRIO_PROCESS, 0)))
    if sys.platform != "darwin":
        import psutil

        # 3 is the idle class of Linux (ioprio_set(2)), 0 the lowest of Windows (IoPriorityVeryLow).
        with contextlib.suppress(psutil.Error, OSError):
            who = threading.get_native_id() if sys.platform == "linux" else None
            psutil.Process(who).ionice(3 if sys.platform == "linux" else 0)


def start_child_process(command: Sequence[str]) -> subprocess.Popen[bytes]:
    """Start it with pipes to its standard input and output, and no error output. Raises OSError.

    It runs in the program's own folder: the current one may be a card, and modules there must not be imported.
    """
    return subprocess.Popen(
        command,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        cwd=Path(tripleguard.__file__).parent.parent,
        env={**os.environ, "PYTHONDONTWRITEBYTECODE": "1"},
        creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0),
    )
