"""The heartbeat: an address outside is asked for, again and again, as long as the watch can do its work.

Whoever watches that address notices when it stops. It stops with the process, and also when a part of the watch
does not come back: a beat that goes on while nobody looks would be worse than none.
"""

from __future__ import annotations

import http.client
import threading
import time
import urllib.request
from collections.abc import Callable

from tripleguard.config import Watch
from tripleguard.watch.journal import Journal

_PATIENCE = 15.0


class Heart:
    """Beats in a thread of its own. Use: `start`, `end`.

    stuck: what does not come back, in words; '' if all is well.
    """

    def __init__(self, settings: Watch, journal: Journal, stuck: Callable[[], str]) -> None:
        self._settings = settings
        self._journal = journal
        self._stuck = stuck
        self._heard = True
        self._end = threading.Event()
        self._thread = threading.Thread(target=self._run, name="heart", daemon=True)

    def start(self) -> None:
        if self._settings.heartbeat:
            self._thread.start()

    def end(self) -> None:
        self._end.set()

    def _run(self) -> None:
        while not self._end.is_set():
            if not self._stuck():
                self._beat()
            self._end.wait(self._settings.heartbeat_seconds)

    def _beat(self) -> None:
        try:
            with urllib.request.urlopen(self._settings.heartbeat, timeout=_PATIENCE) as answer:
                answer.read(1024)
            heard = True
        except (OSError, ValueError, http.client.HTTPException):
            # A hotel's gateway may answer with anything.
            heard = False
        if heard != self._heard:
            self._journal.say(
                "The heartbeat is heard again." if heard else "The heartbeat's address does not answer."
            )
        self._heard = heard


class Pulse:
    """One part of the watch that has to come back. Its thread says `busy` before what may hang, `idle` after.

    name: the part, in words. most: seconds that it may be busy.
    """

    def __init__(self, name: str, most: float) -> None:
        self._name = name
        self._most = most
        self._since: float | None = None

    def busy(self) -> None:
        """Something begins, or goes on."""
        self._since = time.monotonic()

    def idle(self) -> None:
        """It came back."""
        self._since = None

    def stuck(self) -> str:
        """That it does not come back, in words; '' if all is well."""
        since = self._since
        if since is None or time.monotonic() - since < self._most:
            return ""
        return f"{self._name} has not come back for {round(self._most / 60)} minutes"
