"""Starting and ending one watch: the lock of the home, the signals, the loop."""

from __future__ import annotations

import contextlib
import os
import platform
import signal
import time
from collections.abc import Callable, Iterator
from functools import partial
from types import FrameType

from tripleguard.clock import iso_utc
from tripleguard.errors import PlaceBusy
from tripleguard.home import open_home_lock
from tripleguard.names import shown
from tripleguard.places.locks import Holder, held
from tripleguard.watch.journal import Journal
from tripleguard.watch.loop import Loop
from tripleguard.watch.notes import notes_of
from tripleguard.work.kit import WATCH_LOCK, Kit

_MOMENT = 1.0
"""Seconds to try for the home's lock."""


def watch(kit: Kit, *, loud: bool = True) -> None:
    """Watch until SIGTERM or SIGINT. Raises PlaceBusy if another watch runs for this home."""
    with contextlib.ExitStack() as stack:
        _take_the_home(stack, kit)
        settings = kit.settings.watch
        journal = Journal(kit.home, kit.clock, loud=loud, secrets=(*settings.tell, settings.heartbeat))
        loop = Loop(kit, notes_of(kit.home), journal)
        try:
            with _ending(loop.stop):
                loop.run()
        finally:
            journal.close()


def _take_the_home(stack: contextlib.ExitStack, kit: Kit) -> None:
    """Hold the home's lock on the stack. Raises PlaceBusy naming the watch that runs."""
    holder = Holder(os.getpid(), platform.node(), "a watch", iso_utc(kit.clock.now()))
    name = f"The home {shown(str(kit.home.root))}"
    deadline = time.monotonic() + _MOMENT
    while True:
        try:
            stack.enter_context(held(name, partial(open_home_lock, kit.home, WATCH_LOCK), holder))
        except PlaceBusy as error:
            # A command that looks whether a watch runs holds the lock for an instant.
            if time.monotonic() < deadline:
                continue
            raise PlaceBusy(
                error.what,
                safe="That watch goes on as it is.",
                do="`tripleguard status` shows what it does. To start another one, end that process first.",
            ) from None
        return


@contextlib.contextmanager
def _ending(stop: Callable[[], None]) -> Iterator[None]:
    """While this lasts, SIGINT and SIGTERM call stop."""

    def asked(number: int, frame: FrameType | None) -> None:
        stop()

    before = {number: signal.signal(number, asked) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
