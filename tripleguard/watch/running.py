"""Starting and ending one watch: the lock of the home, the signals, the loop."""

from __future__ import annotations

import contextlib
import os
import platform
import signal
from collections.abc import Callable, Iterator
from functools import partial
from types import FrameType

from tripleguard.clock import iso_utc
from tripleguard.home import open_home_lock
from tripleguard.names import shown
from tripleguard.places.locks import Holder, held
from tripleguard.watch.journal import Journal
from tripleguard.watch.loop import Loop
from tripleguard.watch.notes import notes_of
from tripleguard.work.kit import WATCH_LOCK, Kit


def watch(kit: Kit, *, loud: bool = True) -> None:
    """Watch until SIGTERM or SIGINT. Raises PlaceBusy if another watch runs for this home."""
    holder = Holder(os.getpid(), platform.node(), "a watch", iso_utc(kit.clock.now()))
    with held(f"The home {shown(str(kit.home.root))}", partial(open_home_lock, kit.home, WATCH_LOCK), holder):
        journal = Journal(kit.home, kit.clock, loud=loud)
        loop = Loop(kit, notes_of(kit.home), journal)
        try:
            with _ending(loop.stop):
                loop.run()
        finally:
            journal.close()


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
