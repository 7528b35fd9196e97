"""Saying what needs a person: to the channels of the settings, each on its own, and a heartbeat for outside.

Channels are addresses that apprise understands: a desktop, mail, a webhook, a phone. What a channel does not take
is tried again for a day; nothing waits for it, and nothing that an address holds gets into a log.
"""

from __future__ import annotations

import contextlib
import importlib.util
import logging
import queue
import threading
import time
import urllib.request
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from tripleguard.config import Watch
from tripleguard.watch.journal import Journal, without_secrets

TITLE = "tripleguard"
_AGAIN = (30.0, 120.0, 600.0, 1800.0)
_GIVEN_UP = 24 * 3600.0
_AT_MOST = 200
_PATIENCE = 15.0


@dataclass(slots=True)
class _Letter:
    """One message on its way to one channel. Times are monotonic seconds."""

    address: str
    body: str
    since: float
    tries: int = 0
    at: float = 0.0


class Teller:
    """Sends messages in a thread of its own. Use: `start`, `tell`, `end`.

    again: seconds between tries, the last one for all that follow.
    """

    def __init__(self, settings: Watch, journal: Journal, again: Sequence[float] = _AGAIN) -> None:
        self._settings = settings
        self._again = again
        self._journal = journal
        self._inbox: queue.Queue[str | None] = queue.Queue(maxsize=_AT_MOST)
        self._letters: list[_Letter] = []
        self._channels: dict[str, Callable[[str], bool]] = {}
        self._beat_at = 0.0
        self._beats = True
        self._thread = threading.Thread(target=self._run, name="teller", daemon=True)

    def start(self) -> None:
        if self._settings.tell or self._settings.heartbeat:
            self._thread.start()

    def tell(self, body: str) -> None:
        """Say this to every channel, soon. Never waits."""
        with contextlib.suppress(queue.Full):
            self._inbox.put_nowait(body)

    def end(self, patience: float) -> None:
        """Send what was said last, for at most so many seconds."""
        if self._thread.is_alive():
            with contextlib.suppress(queue.Full):
                self._inbox.put_nowait(None)
            self._thread.join(patience)

    def _run(self) -> None:
        for address in self._settings.tell:
            try:
                self._channels[address] = channel(address)
            except (ValueError, ImportError) as error:
                self._journal.trouble(f"A channel can't be used: {without_secrets(str(error))}.")
        while True:
            try:
                body = self._inbox.get(timeout=self._pause())
            except queue.Empty:
                body = ""
            if body is None:
                self._deliver()
                return
            if body:
                now = time.monotonic()
                self._letters += [_Letter(address, body, now) for address in self._channels]
                del self._letters[:-_AT_MOST]
            self._deliver()
            self._beat()

    def _pause(self) -> float | None:
        now = time.monotonic()
        at = [letter.at for letter in self._letters]
        if self._settings.heartbeat:
            at.append(self._beat_at)
        return max(0.1, min(at) - now) if at else None

    def _deliver(self) -> None:
        now = time.monotonic()
        for letter in [letter for letter in self._letters if letter.at <= now]:
            where = _shown(letter.address)
            why = self._tried(letter)
            if why == "":
                self._letters.remove(letter)
                self._journal.say("A message was sent.", channel=where)
            elif now - letter.since > _GIVEN_UP:
                self._letters.remove(letter)
                self._journal.trouble("A message was given up.", channel=where)
            else:
                if letter.tries == 0:
                    self._journal.trouble(
                        f"A message could not be sent ({why}); it is tried again.", channel=where
                    )
                letter.at = now + self._again[min(letter.tries, len(self._again) - 1)]
                letter.tries += 1

    def _tried(self, letter: _Letter) -> str:
        """Send it; why that failed, '' if it was taken."""
        try:
            return "" if self._channels[letter.address](letter.body) else "it was not taken"
        except Exception as error:  # noqa: BLE001 - a channel may fail in any way; the work must not feel it
            return type(error).__name__

    def _beat(self) -> None:
        """Ask for the heartbeat's address: whoever watches it from outside notices when that stops."""
        if not self._settings.heartbeat or time.monotonic() < self._beat_at:
            return
        self._beat_at = time.monotonic() + self._settings.heartbeat_seconds
        try:
            with urllib.request.urlopen(self._settings.heartbeat, timeout=_PATIENCE) as answer:
                answer.read(1024)
            ok = True
        except (OSError, ValueError):
            ok = False
        if ok != self._beats:
            self._journal.say(
                "The heartbeat is heard again." if ok else "The heartbeat's address does not answer."
            )
        self._beats = ok


def channel(address: str) -> Callable[[str], bool]:
    """A channel by its address; says True if it took a message. Raises ValueError, ImportError."""
    if importlib.util.find_spec("apprise") is None:
        raise ImportError("messages need apprise: pip install 'tripleguard[tell]'")
    import apprise

    # It would print what it could not send, with pieces of the address.
    logging.getLogger("apprise").addHandler(logging.NullHandler())
    logging.getLogger("apprise").propagate = False
    sender = apprise.Apprise(asset=apprise.AppriseAsset(app_id=TITLE, app_desc=TITLE, async_mode=False))
    if not sender.add(address):
        raise ValueError(f"the address {_shown(address)} in watch.tell means nothing to apprise")
    return lambda body: bool(sender.notify(body=body, title=TITLE, body_format=apprise.NotifyFormat.TEXT))


def _shown(address: str) -> str:
    """What of an address may be shown: how it is reached, not where and not as whom."""
    return address.partition("://")[0] + "://..."
