"""Noticing that something was plugged in or pulled, at once, and looking what it is.

Linux says so through /proc/self/mountinfo, macOS by a new name in /Volumes; elsewhere, and for folders that are
no volumes, a look every few seconds. The look is made in a thread of its own, because a dead volume can hang it;
the loop goes on without.
"""

from __future__ import annotations

import contextlib
import select
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from tripleguard.catalog.places import all_places
from tripleguard.errors import TripleguardError
from tripleguard.places.mounts import mounts
from tripleguard.watch.heart import Pulse
from tripleguard.watch.turns import Turns
from tripleguard.watch.volumes import Plugged, plugged_in, signature
from tripleguard.work.kit import Kit

_AGAIN = (0.0, 0.3, 1.0, 3.0)
"""Seconds after a change at which it is looked: some volumes show their files a little later."""
_OFTEN, _SELDOM = 1.0, 5.0
_VOLUMES = Path("/Volumes")
_SILENT = "does not answer. What is on it is as it was. Next: unplug it, plug it in again."
_MOST = 120.0
"""Seconds that a look may take; a disk that has to spin up needs ten."""


class Looker:
    """Calls seen(what is plugged in, what is wrong) when it changed. Use: `start`, `look_now`, `end`."""

    def __init__(self, kit: Kit, seen: Callable[[Plugged, str], None]) -> None:
        self._kit = kit
        self._seen = seen
        self._changed = threading.Event()
        self._end = threading.Event()
        watched = kit.settings.watch.look_also or not sys.platform.startswith("linux")
        self._every = _OFTEN if watched else _SELDOM
        self.turns = Turns()
        self.pulse = Pulse("The look at what is plugged in", _MOST)
        self._threads = [threading.Thread(target=self._look_on, name="looker", daemon=True)]
        if sys.platform.startswith("linux"):
            self._threads.append(threading.Thread(target=self._poll_mounts, name="mounts", daemon=True))

    def start(self) -> None:
        for thread in self._threads:
            thread.start()
        if sys.platform == "darwin":
            self._watch_volumes()

    def look_now(self) -> None:
        """Have a look soon: the machine has woken up, or a job says that a volume went."""
        self._changed.set()

    def end(self) -> None:
        self._end.set()
        self._changed.set()

    def _look_on(self) -> None:
        kit = replace(self._kit, catalog=self._kit.catalog.reopened())
        try:
            last: tuple[Plugged, str] | None = None
            before = ""
            while not self._end.is_set():
                self.pulse.busy()
                now = self._signature(kit)
                if self._changed.is_set() or now != before:
                    self._changed.clear()
                    before = now
                    last = self._looked_at(kit, last)
                self.pulse.idle()
                self._changed.wait(self._every)
        finally:
            kit.catalog.close()

    def _looked_at(self, kit: Kit, last: tuple[Plugged, str] | None) -> tuple[Plugged, str] | None:
        """Look now and a few times more while it settles."""
        began = time.monotonic()
        for after in _AGAIN:
            if self._end.wait(max(0.0, began + after - time.monotonic())):
                break
            self.pulse.busy()
            found = self._look(kit)
            if found != last:
                last = found
                self._seen(*found)
            if self._changed.is_set():
                break
        return last

    def _look(self, kit: Kit) -> tuple[Plugged, str]:
        try:
            found = self._turned(plugged_in(kit))
            return found, " ".join(f"Drive {one} {_SILENT}" for one in found.silent)
        except TripleguardError as error:
            return Plugged(), str(error)
        except OSError as error:
            return Plugged(), f"What is plugged in can't be told ({error.strerror or error})."
        except Exception as error:  # noqa: BLE001 - a thread's outer edge: a watch that sees nothing must say so
            return Plugged(), f"What is plugged in can't be told ({type(error).__name__}: {error})."

    def _turned(self, found: Plugged) -> Plugged:
        """With marks that differ also where a volume left and came back between two looks."""
        return replace(
            found,
            drives=tuple(replace(one, mark=f"{one.mark} {self.turns.of(one.root)}") for one in found.drives),
            cards=tuple(replace(one, mark=f"{one.mark} {self.turns.of(one.root)}") for one in found.cards),
        )

    def _signature(self, kit: Kit) -> str:
        with contextlib.suppress(TripleguardError, OSError):
            paths = [f"{record.last_path} {record.state}" for record in all_places(kit.catalog)]
            here = [record.last_path for record in all_places(kit.catalog) if record.last_path]
            return "\n".join([*paths, signature(kit.settings.watch, here)])
        return str(time.monotonic())

    def _poll_mounts(self) -> None:
        """The kernel marks this file as changed when anything is mounted or unmounted (proc(5))."""
        if sys.platform == "win32":
            return
        with open("/proc/self/mountinfo", encoding="utf-8", errors="surrogateescape") as table:
            poll = select.poll()
            poll.register(table, select.POLLPRI | select.POLLERR)
            self.turns.note(mounts(), unchanged=False)
            before = table.read()
            while not self._end.is_set():
                if poll.poll(1000 * 60):
                    table.seek(0)
                    now = table.read()
                    with contextlib.suppress(OSError):
                        self.turns.note(mounts(), unchanged=now == before)
                    before = now
                    self._changed.set()

    def _watch_volumes(self) -> None:
        from watchdog.events import FileSystemEvent, FileSystemEventHandler
        from watchdog.observers import Observer

        changed = self._changed

        class Heard(FileSystemEventHandler):
            def on_any_event(self, event: FileSystemEvent) -> None:
                changed.set()

        observer = Observer()
        observer.daemon = True
        observer.schedule(Heard(), str(_VOLUMES), recursive=False)
        with contextlib.suppress(OSError):
            observer.start()
