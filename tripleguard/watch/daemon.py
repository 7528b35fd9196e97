"""Start and stop one daemon: the lock of the home, the signals, the loop."""

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
from tripleguard.jobs.context import WATCH_LOCK, JobContext
from tripleguard.names import escape_text
from tripleguard.places.locks import LockHolder, hold_lock
from tripleguard.watch.loop import WatchLoop
from tripleguard.watch.monitoring import WatchLog
from tripleguard.watch.state import load_state

_LOCK_TIMEOUT_S = 1.0
"""Seconds to try for the home's lock."""


def run_watch(ctx: JobContext, *, to_stderr: bool = True) -> None:
    """Watch until SIGTERM or SIGINT. Raises PlaceBusy if another watch runs for this home."""
    with contextlib.ExitStack() as stack:
        _lock_home(stack, ctx)
        settings = ctx.settings.watch
        journal = WatchLog(ctx.home, ctx.clock, to_stderr=to_stderr, secrets=(*settings.tell, settings.heartbeat))
        loop = WatchLoop(ctx, load_state(ctx.home), journal)
        try:
            with _stop_on_signals(loop.stop):
                loop.run()
        finally:
            journal.close()


def _lock_home(stack: contextlib.ExitStack, ctx: JobContext) -> None:
    """Hold the home's lock on the stack. Raises PlaceBusy naming the watch that runs."""
    holder = LockHolder(os.getpid(), platform.node(), "a watch", format_iso(ctx.clock.now()))
    name = f"The home {escape_text(str(ctx.home.root))}"
    deadline = time.monotonic() + _LOCK_TIMEOUT_S
    while True:
        try:
            stack.enter_context(hold_lock(name, partial(open_home_lock, ctx.home, WATCH_LOCK), holder))
        except PlaceBusyError as error:
            # A command that looks whether a watch runs holds the lock for an instant.
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
