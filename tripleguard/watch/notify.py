"""Queue notifications and send them to the channels of the settings, each on its own, through a child process.

Channels are addresses that apprise understands: a desktop, mail, a webhook, a phone. What a channel does not
accept is retried for a day, also after a restart; nothing waits for it, and nothing that an address holds gets
into a log.
"""

from __future__ import annotations

import contextlib
import importlib.util
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

import msgspec
from blake3 import blake3

from tripleguard.clock import SECOND, Clock
from tripleguard.config import WatchSettings
from tripleguard.home import Home, write_atomically
from tripleguard.jobs.background import start_child_process
from tripleguard.presentation.words import format_time
from tripleguard.watch.monitoring import WatchLog

_COMMAND = [sys.executable, "-m", "tripleguard.watch.notifier_child"]
_BATCH_TIMEOUT_S, _MESSAGE_TIMEOUT_S = 30.0, 15.0
"""Seconds that a round may take, and more for each message."""


class Delivery(msgspec.Struct, frozen=True):
    """What became of a message. why: it was not sent, in a few words without any address."""

    sent: bool
    why: str
    usable: bool = True


class MessageSender(Protocol):
    """Sends messages; see `NotifierProcess`."""

    def send(self, messages: Sequence[tuple[str, str]]) -> list[Delivery]: ...
    def stop(self) -> None: ...


class NotifierProcess:
    """Sends messages through a child process, one at a time. Use: `send` from one thread; `stop` from any."""

    def __init__(self) -> None:
        self._process: subprocess.Popen[bytes] | None = None
        self._lock = threading.Lock()
        self._is_stopped = False

    def send(self, messages: Sequence[tuple[str, str]]) -> list[Delivery]:
        """Send each (address, body) and return the outcomes in order. An empty body only checks the address."""
        if importlib.util.find_spec("apprise") is None:
            return [Delivery(False, "messages need apprise: pip install 'tripleguard[tell]'", False)] * len(
                messages
            )
        lines = b"".join(
            msgspec.json.encode({"address": address, "body": body}) + b"\n" for address, body in messages
        )
        answers = self._exchange(lines, _BATCH_TIMEOUT_S + _MESSAGE_TIMEOUT_S * len(messages)).splitlines()
        # What it printed last may have been cut off with it.
        found = []
        for answer in answers[: len(messages)]:
            with contextlib.suppress(msgspec.MsgspecError):
                found.append(msgspec.json.decode(answer, type=Delivery))
        return found + [Delivery(False, "no answer came")] * (len(messages) - len(found))

    def stop(self) -> None:
        """End what is being sent, and send nothing more."""
        with self._lock:
            self._is_stopped = True
            if self._process is not None:
                self._process.kill()

    def _exchange(self, lines: bytes, timeout_s: float) -> bytes:
        """What the process answered to these lines until it ended or had to be ended."""
        with self._lock:
            if self._is_stopped:
                return b""
            try:
                self._process = start_child_process(_COMMAND)
            except OSError:
                return b""
        process = self._process
        try:
            return process.communicate(lines, timeout_s)[0]
        except subprocess.TimeoutExpired:
            process.kill()
            return process.communicate()[0]
        finally:
            with self._lock:
                self._process = None


_RETRY_DELAYS_S = (30.0, 120.0, 600.0, 1800.0)
_MAX_AGE_S = 24 * 3600.0
_MAX_QUEUED, _BATCH_SIZE = 200, 10
"""Letters that are kept, and that are handed over together."""
_LATE_AFTER_S = 300.0
"""Seconds after which a message says from when it is."""


@dataclass(slots=True)
class _QueuedMessage:
    """One message on its way to one channel. since: seconds since 1970; at: monotonic seconds."""

    address: str
    body: str
    created_at: float
    tries: int = 0
    next_try_at: float = 0.0


class _StoredMessage(msgspec.Struct, frozen=True):
    """A letter as it is kept: the channel by a digest of its address, which may hold a password."""

    channel: str
    body: str
    since: float


class Notifier:
    """Sends messages in a thread of its own. Use: `start`, `notify`, `stop`.

    Attributes:
        unusable_channels: Why channels can't be used, once that is known.
    """

    def __init__(
        self,
        settings: WatchSettings,
        log: WatchLog,
        clock: Clock,
        home: Home | None = None,
        retry_delays: Sequence[float] = _RETRY_DELAYS_S,
        *,
        sender: MessageSender | None = None,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        """Set up a queue with the messages that an earlier daemon could not send.

        Args:
            home: Where messages that were not sent yet are kept; None: they are not kept.
            retry_delays: Seconds between tries; the last one is repeated.
            sender: What sends; a child process unless given.
            monotonic: Seconds that only grow, by which retries are timed.
        """
        self._clock = clock
        self._monotonic = monotonic
        self._channels = list(settings.tell)
        self._retry_delays = retry_delays
        self._log = log
        self._file = home.watch / "unsent.json" if home is not None else None
        self._lock = threading.Lock()
        self._queue = self._load_queue()
        self._sender: MessageSender = NotifierProcess() if sender is None else sender
        self._wake_event = threading.Event()
        self._stop_event = threading.Event()
        self._thread = threading.Thread(target=self._run, name="teller", daemon=True)
        self.unusable_channels: tuple[str, ...] = ()

    def start(self) -> None:
        if self._channels:
            self._thread.start()

    def notify(self, body: str) -> None:
        """Queue a message for every channel, without waiting for any."""
        now = self._clock.now() / SECOND
        with self._lock:
            self._queue += [_QueuedMessage(address, body, now) for address in self._channels]
            del self._queue[:-_MAX_QUEUED]
            self._save_queue()
        self._wake_event.set()

    def stop(self, timeout_s: float) -> None:
        """Send the last messages for at most so many seconds; the next daemon sends what is left."""
        self._stop_event.set()
        self._wake_event.set()
        if self._thread.is_alive():
            self._thread.join(timeout_s)
            self._sender.stop()

    def _run(self) -> None:
        self.validate_channels()
        while True:
            ends = self._stop_event.is_set()
            self.deliver_due()
            if ends:
                return
            self._wake_event.wait(self._seconds_to_next())
            self._wake_event.clear()

    def _seconds_to_next(self) -> float | None:
        with self._lock:
            at = [letter.next_try_at for letter in self._queue]
        return max(0.1, min(at) - self._monotonic()) if at else None

    def validate_channels(self) -> None:
        """Find out which channels of the settings can be used, and warn about the others."""
        asked = self._sender.send([(address, "") for address in self._channels])
        bad = [(one, found.why) for one, found in zip(self._channels, asked, strict=True) if not found.usable]
        self.unusable_channels = tuple(
            f"The channel {_redact_address(one)} of watch.tell can't be used: {why}." for one, why in bad
        )
        for words in self.unusable_channels:
            self._log.warning(words)
        left_out = {one for one, _ in bad}
        with self._lock:
            self._channels = [one for one in self._channels if one not in left_out]
            self._queue = [letter for letter in self._queue if letter.address not in left_out]

    def deliver_due(self) -> None:
        """Send the messages that are due, one batch."""
        now = self._monotonic()
        with self._lock:
            due = [letter for letter in self._queue if letter.next_try_at <= now][:_BATCH_SIZE]
        posted = (
            self._sender.send([(letter.address, _add_date(letter, self._clock)) for letter in due]) if due else []
        )
        gone = [id(letter) for letter, found in zip(due, posted, strict=True) if self._is_finished(letter, found)]
        if gone:
            with self._lock:
                self._queue = [letter for letter in self._queue if id(letter) not in gone]
                self._save_queue()

    def _is_finished(self, message: _QueuedMessage, delivery: Delivery) -> bool:
        """Whether a letter that was tried is off the list: it was taken, or given up."""
        where = _redact_address(message.address)
        if delivery.sent:
            self._log.info("A message was sent.", channel=where)
            return True
        if self._clock.now() / SECOND - message.created_at > _MAX_AGE_S:
            self._log.warning("A message was given up.", channel=where)
            return True
        if message.tries == 0:
            self._log.warning(f"A message could not be sent ({delivery.why}); it is tried again.", channel=where)
        message.next_try_at = (
            self._monotonic() + self._retry_delays[min(message.tries, len(self._retry_delays) - 1)]
        )
        message.tries += 1
        return False

    def _save_queue(self) -> None:
        """Write down what was not taken yet: a laptop that is shut now must say it tomorrow."""
        if self._file is None:
            return
        left = [_StoredMessage(_channel_digest(one.address), one.body, one.created_at) for one in self._queue]
        with contextlib.suppress(OSError, UnicodeError):
            write_atomically(self._file, msgspec.json.encode(left), durable=False)

    def _load_queue(self) -> list[_QueuedMessage]:
        """What an earlier watch could not send, for channels that are still in the settings."""
        if self._file is None:
            return []
        try:
            found = msgspec.json.decode(self._file.read_bytes(), type=list[_StoredMessage])
        except (OSError, msgspec.MsgspecError):
            return []
        known = {_channel_digest(address): address for address in self._channels}
        return [_QueuedMessage(known[one.channel], one.body, one.since) for one in found if one.channel in known]


def _add_date(message: _QueuedMessage, clock: Clock) -> str:
    """Its words, and if they come late, from when they are: another card may be in the reader by now."""
    if clock.now() / SECOND - message.created_at < _LATE_AFTER_S:
        return message.body
    then = format_time(int(message.created_at) * SECOND, clock.zone())
    return f"{message.body}\n(This comes late, it is from {then}: look again before you act on it.)"


def _channel_digest(address: str) -> str:
    return blake3(address.encode("utf-8", "backslashreplace")).hexdigest()[:32]


def _redact_address(address: str) -> str:
    """What of an address may be shown: how it is reached, not where and not as whom."""
    scheme, there, _ = address.partition("://")
    return f"{scheme}://..." if there else "..."
