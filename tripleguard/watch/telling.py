"""Saying what needs a person, to the channels of the settings, each on its own.

Channels are addresses that apprise understands: a desktop, mail, a webhook, a phone. What a channel does not take
is tried again for a day, also after a new start; nothing waits for it, and nothing that an address holds gets into
a log.
"""

from __future__ import annotations

import contextlib
import importlib.util
import logging
import queue
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import msgspec
from blake3 import blake3

from tripleguard.clock import SECOND
from tripleguard.config import Watch
from tripleguard.home import Home, keep_note
from tripleguard.reports.words import when
from tripleguard.watch.journal import Journal, without_secrets

TITLE = "tripleguard"
_AGAIN = (30.0, 120.0, 600.0, 1800.0)
_GIVEN_UP = 24 * 3600.0
_AT_MOST = 200
_LATE = 300.0
"""Seconds after which a message says from when it is."""


@dataclass(slots=True)
class _Letter:
    """One message on its way to one channel. since: seconds since 1970; at: monotonic seconds."""

    address: str
    body: str
    since: float
    tries: int = 0
    at: float = 0.0


class _Unsent(msgspec.Struct, frozen=True):
    """A letter as it is kept: the channel by a digest of its address, which may hold a password."""

    channel: str
    body: str
    since: float


class Teller:
    """Sends messages in a thread of its own. Use: `start`, `tell`, `end`.

    home: where letters that were not taken yet are kept. again: seconds between tries, the last one for all that
    follow. unusable: why channels can't be used, in words, once it is known.
    """

    def __init__(
        self, settings: Watch, journal: Journal, home: Home | None = None, again: Sequence[float] = _AGAIN
    ) -> None:
        self._settings = settings
        self._again = again
        self._journal = journal
        self._file = home.watch / "unsent.json" if home is not None else None
        self._inbox: queue.Queue[str | None] = queue.Queue(maxsize=_AT_MOST)
        self._letters: list[_Letter] = []
        self._channels: dict[str, Callable[[str], bool]] = {}
        self._thread = threading.Thread(target=self._run, name="teller", daemon=True)
        self.unusable: tuple[str, ...] = ()

    def start(self) -> None:
        if self._settings.tell:
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
            except Exception as error:  # noqa: BLE001 - a channel may fail in any way; the others must not feel it
                why = f"A channel of watch.tell can't be used: {without_secrets(str(error), self._settings.tell)}."
                self.unusable += (why,)
                self._journal.trouble(why)
        self._letters = self._kept()
        while True:
            try:
                body = self._inbox.get(timeout=self._pause())
            except queue.Empty:
                body = ""
            if body:
                now = time.time()
                self._letters += [_Letter(address, body, now) for address in self._channels]
                del self._letters[:-_AT_MOST]
                self._keep()
            if self._deliver():
                self._keep()
            if body is None:
                return

    def _pause(self) -> float | None:
        at = [letter.at for letter in self._letters]
        return max(0.1, min(at) - time.monotonic()) if at else None

    def _deliver(self) -> bool:
        """Try what is to be tried now; whether some are off the list."""
        before, now = len(self._letters), time.monotonic()
        for letter in [letter for letter in self._letters if letter.at <= now]:
            where = _shown(letter.address)
            why = self._tried(letter)
            if why == "":
                self._letters.remove(letter)
                self._journal.say("A message was sent.", channel=where)
            elif time.time() - letter.since > _GIVEN_UP:
                self._letters.remove(letter)
                self._journal.trouble("A message was given up.", channel=where)
            else:
                if letter.tries == 0:
                    self._journal.trouble(
                        f"A message could not be sent ({why}); it is tried again.", channel=where
                    )
                letter.at = now + self._again[min(letter.tries, len(self._again) - 1)]
                letter.tries += 1
        return len(self._letters) != before

    def _tried(self, letter: _Letter) -> str:
        """Send it; why that failed, '' if it was taken."""
        try:
            return "" if self._channels[letter.address](_dated(letter)) else "it was not taken"
        except Exception as error:  # noqa: BLE001 - a channel may fail in any way; the work must not feel it
            return type(error).__name__

    def _keep(self) -> None:
        """Write down what was not taken yet: a laptop that is shut now must say it tomorrow."""
        if self._file is None:
            return
        left = [_Unsent(_digest(one.address), one.body, one.since) for one in self._letters]
        with contextlib.suppress(OSError):
            keep_note(self._file, msgspec.json.encode(left))

    def _kept(self) -> list[_Letter]:
        """What an earlier watch could not send, for channels that are still in the settings."""
        if self._file is None:
            return []
        try:
            found = msgspec.json.decode(self._file.read_bytes(), type=list[_Unsent])
        except (OSError, msgspec.MsgspecError):
            return []
        known = {_digest(address): address for address in self._channels}
        return [_Letter(known[one.channel], one.body, one.since) for one in found if one.channel in known]


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


def _dated(letter: _Letter) -> str:
    """Its words, and if they come late, from when they are: another card may be in the reader by now."""
    if time.time() - letter.since < _LATE:
        return letter.body
    then = when(int(letter.since) * SECOND, None)
    return f"{letter.body}\n(This comes late, it is from {then}: look again before you act on it.)"


def _digest(address: str) -> str:
    return blake3(address.encode("utf-8", "backslashreplace")).hexdigest()[:32]


def _shown(address: str) -> str:
    """What of an address may be shown: how it is reached, not where and not as whom."""
    scheme, there, _ = address.partition("://")
    return f"{scheme}://..." if there else "..."
