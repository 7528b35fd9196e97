"""Saying what needs a person, to the channels of the settings, each on its own.

Channels are addresses that apprise understands: a desktop, mail, a webhook, a phone. What a channel does not take
is tried again for a day, also after a new start; nothing waits for it, and nothing that an address holds gets into
a log.
"""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass

import msgspec
from blake3 import blake3

from tripleguard.clock import SECOND
from tripleguard.config import Watch
from tripleguard.home import Home, keep_note
from tripleguard.reports.words import when
from tripleguard.watch.journal import Journal
from tripleguard.watch.posting import Post, Posted

_AGAIN = (30.0, 120.0, 600.0, 1800.0)
_GIVEN_UP = 24 * 3600.0
_AT_MOST, _ROUND = 200, 10
"""Letters that are kept, and that are handed over together."""
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
        self._channels = list(settings.tell)
        self._again = again
        self._journal = journal
        self._file = home.watch / "unsent.json" if home is not None else None
        self._lock = threading.Lock()
        self._letters = self._kept()
        self._post = Post()
        self._news = threading.Event()
        self._end = threading.Event()
        self._thread = threading.Thread(target=self._run, name="teller", daemon=True)
        self.unusable: tuple[str, ...] = ()

    def start(self) -> None:
        if self._channels:
            self._thread.start()

    def tell(self, body: str) -> None:
        """Say this to every channel, soon. Never waits for one."""
        now = time.time()
        with self._lock:
            self._letters += [_Letter(address, body, now) for address in self._channels]
            del self._letters[:-_AT_MOST]
            self._keep()
        self._news.set()

    def end(self, patience: float) -> None:
        """Send what was said last, for at most so many seconds; what is left is sent by the next watch."""
        self._end.set()
        self._news.set()
        if self._thread.is_alive():
            self._thread.join(patience)
            self._post.stop()

    def _run(self) -> None:
        self._find_channels()
        while True:
            ends = self._end.is_set()
            self._deliver()
            if ends:
                return
            self._news.wait(self._pause())
            self._news.clear()

    def _pause(self) -> float | None:
        with self._lock:
            at = [letter.at for letter in self._letters]
        return max(0.1, min(at) - time.monotonic()) if at else None

    def _find_channels(self) -> None:
        """Which addresses of the settings mean anything; the others are said."""
        asked = self._post.send([(address, "") for address in self._channels])
        bad = [(one, found.why) for one, found in zip(self._channels, asked, strict=True) if not found.usable]
        self.unusable = tuple(f"The channel {_shown(one)} of watch.tell can't be used: {why}." for one, why in bad)
        for words in self.unusable:
            self._journal.trouble(words)
        left_out = {one for one, _ in bad}
        with self._lock:
            self._channels = [one for one in self._channels if one not in left_out]
            self._letters = [letter for letter in self._letters if letter.address not in left_out]

    def _deliver(self) -> None:
        """Try what is to be tried now, some at a time."""
        now = time.monotonic()
        with self._lock:
            due = [letter for letter in self._letters if letter.at <= now][:_ROUND]
        posted = self._post.send([(letter.address, _dated(letter)) for letter in due]) if due else []
        gone = [id(letter) for letter, found in zip(due, posted, strict=True) if self._is_done(letter, found)]
        if gone:
            with self._lock:
                self._letters = [letter for letter in self._letters if id(letter) not in gone]
                self._keep()

    def _is_done(self, letter: _Letter, found: Posted) -> bool:
        """Whether a letter that was tried is off the list: it was taken, or given up."""
        where = _shown(letter.address)
        if found.sent:
            self._journal.say("A message was sent.", channel=where)
            return True
        if time.time() - letter.since > _GIVEN_UP:
            self._journal.trouble("A message was given up.", channel=where)
            return True
        if letter.tries == 0:
            self._journal.trouble(f"A message could not be sent ({found.why}); it is tried again.", channel=where)
        letter.at = time.monotonic() + self._again[min(letter.tries, len(self._again) - 1)]
        letter.tries += 1
        return False

    def _keep(self) -> None:
        """Write down what was not taken yet: a laptop that is shut now must say it tomorrow."""
        if self._file is None:
            return
        left = [_Unsent(_digest(one.address), one.body, one.since) for one in self._letters]
        with contextlib.suppress(OSError, UnicodeError):
            keep_note(self._file, msgspec.json.encode(left), durable=False)

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
