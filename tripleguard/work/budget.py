"""How long and how much a rescan may read, and how gently.

A photographer who is editing comes first: reading yields to every other program, can be held to a rate, and
pauses when it is asked to.
"""

from __future__ import annotations

import contextlib
import os
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field

_MOMENT = 0.2
"""Seconds after which somebody who waits looks up."""


@dataclass(slots=True)
class Budget:
    """What may be spent. seconds, total_bytes: None is no limit; rate: bytes/s over all lanes, 0 no cap.

    paused is set while the person wants quiet.
    """

    seconds: float | None = None
    total_bytes: int | None = None
    rate: int = 0
    paused: threading.Event = field(default_factory=threading.Event)
    _began: float = field(default_factory=time.monotonic)
    _spent: int = 0
    _debt_until: float = 0.0
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def used_up(self) -> bool:
        """Whether nothing more should be begun."""
        if self.seconds is not None and time.monotonic() - self._began >= self.seconds:
            return True
        return self.total_bytes is not None and self._spent >= self.total_bytes

    def quiet(self, ended: Callable[[], bool]) -> None:
        """Wait while the person wants quiet; no longer than the time that may be spent, nor after ended."""
        while self.paused.is_set() and not ended() and not self.used_up():
            time.sleep(_MOMENT)

    def hold_back(self, seconds: float, ended: Callable[[], bool]) -> None:
        """Wait so many seconds, as the rate asks; not after ended."""
        until = time.monotonic() + seconds
        while (left := until - time.monotonic()) > 0 and not ended():
            time.sleep(min(left, _MOMENT))

    def spend(self, size: int) -> float:
        """Count size bytes; returns how many seconds to wait before the next ones."""
        with self._lock:
            self._spent += size
            if not self.rate:
                return 0.0
            now = time.monotonic()
            self._debt_until = max(self._debt_until, now) + size / self.rate
            return self._debt_until - now


_GENTLE = 10
"""A niceness (setpriority(2)) at which every program that was not told otherwise goes first."""


def be_gentle() -> None:
    """Let every other program go first, for the disk and the processor.

    On Linux this is for the calling thread alone, so a process that does other things later is as eager as before;
    elsewhere for the whole process, so it is done only in the main thread of one that has nothing else to do.
    """
    if sys.platform != "linux" and threading.current_thread() is not threading.main_thread():
        return
    with contextlib.suppress(OSError):
        if sys.platform != "win32":
            os.setpriority(os.PRIO_PROCESS, 0, max(_GENTLE, os.getpriority(os.PRIO_PROCESS, 0)))
    if sys.platform != "darwin":
        import psutil

        # 3 is the idle class of Linux (ioprio_set(2)), 0 the lowest of Windows (IoPriorityVeryLow).
        with contextlib.suppress(psutil.Error, OSError):
            who = threading.get_native_id() if sys.platform == "linux" else None
            psutil.Process(who).ionice(3 if sys.platform == "linux" else 0)
