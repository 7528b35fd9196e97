"""How to tell that the daemon works: its log, the stall detector, and the heartbeat.

The log has one JSON object a line and is rotated by size; the same lines go to standard error for whoever
started the daemon. What comes from outside is escaped, and addresses of channels are written without anything
that could hold a password. The heartbeat pings an outside address, and stops when the process ends or a part of
the daemon hangs: a heartbeat that goes on while nothing works would be worse than none.
"""

from __future__ import annotations

import http.client
import json
import logging
import re
import sys
import threading
import time
import traceback
import urllib.request
from collections.abc import Callable, Iterable

from tripleguard.clock import Clock, format_iso
from tripleguard.config import WatchSettings
from tripleguard.home import Home, create_rotating_log
from tripleguard.names import escape_text

_MAX_LOG_BYTES = 1_000_000
_MAX_OLD_LOGS = 4
_URL_PATTERN = re.compile(r"\b([a-z][a-z0-9+.-]*://)([^\s'\"<>]*)", re.IGNORECASE)


class WatchLog:
    """Where the watch says what it does. loud: also as plain lines on standard error.

    secrets: addresses of the settings, which may hold passwords with any letter in them.
    """

    def __init__(self, home: Home, clock: Clock, *, to_stderr: bool = True, secrets: Iterable[str] = ()) -> None:
        self._clock = clock
        self._secrets = tuple(secrets)
        self._to_stderr = to_stderr
        self._logger = logging.Logger("watch", logging.INFO)
        self._logger.addHandler(create_rotating_log(home.watch / "log.jsonl", _MAX_LOG_BYTES, _MAX_OLD_LOGS))

    def info(self, line: str, **facts: object) -> None:
        """Something that happened. facts: plain values."""
        self._write("info", line, facts)

    def warning(self, line: str, error: BaseException | None = None, **facts: object) -> None:
        """Something went wrong; with an error that nobody foresaw, where."""
        if error is not None:
            facts["trace"] = redact_secrets("".join(traceback.format_exception(error)), self._secrets)[-4000:]
        self._write("trouble", line, facts)

    def close(self) -> None:
        for handler in self._logger.handlers:
            handler.close()

    def _write(self, level: str, line: str, facts: dict[str, object]) -> None:
        line = redact_secrets(escape_text(line), self._secrets)
        kept = {
            name: redact_secrets(value, self._secrets) if isinstance(value, str) else value
            for name, value in facts.items()
        }
        at = format_iso(self._clock.now())
        self._logger.info(json.dumps({"at": at, "level": level, "line": line, **kept}, ensure_ascii=True))
        if self._to_stderr:
            print(line, file=sys.stderr, flush=True)


def redact_secrets(text: str, secrets: Iterable[str] = ()) -> str:
    """The text with every address cut down to its scheme and host; of secrets only the scheme is left."""
    for secret in secrets:
        scheme, there, _ = secret.partition("://")
        text = text.replace(secret, f"{scheme}://..." if there else "...") if secret else text
    return _URL_PATTERN.sub(lambda found: found[1] + _redact_host(found[2]), text)


def _redact_host(rest: str) -> str:
    authority = re.split(r"[/?#]", rest, maxsplit=1)[0]
    return authority.rpartition("@")[2].partition(":")[0] + "/..." if "@" in authority else "..."


_TIMEOUT_S = 15.0


class HeartbeatPinger:
    """Beats in a thread of its own. Use: `submit`, `stop`.

    stuck: what does not come back, in words; '' if all is well.
    """

    def __init__(self, settings: WatchSettings, log: WatchLog, stall_message: Callable[[], str]) -> None:
        self._settings = settings
        self._log = log
        self._stall_message = stall_message
        self._is_reachable = True
        self._stop_event = threading.Event()
        self._thread = threading.Thread(target=self._run, name="heart", daemon=True)

    def start(self) -> None:
        if self._settings.heartbeat:
            self._thread.start()

    def stop(self) -> None:
        self._stop_event.set()

    def _run(self) -> None:
        while not self._stop_event.is_set():
            if not self._stall_message():
                self._ping()
            self._stop_event.wait(self._settings.heartbeat_seconds)

    def _ping(self) -> None:
        try:
            with urllib.request.urlopen(self._settings.heartbeat, timeout=_TIMEOUT_S) as answer:
                answer.read(1024)
            heard = True
        except (OSError, ValueError, http.client.HTTPException):
            # A hotel's gateway may answer with anything.
            heard = False
        if heard != self._is_reachable:
            self._log.info(
                "The heartbeat is heard again." if heard else "The heartbeat's address does not answer."
            )
        self._is_reachable = heard


class StallDetector:
    """One part of the watch that has to come back. Its thread says `enter` before what may hang, `leave` after.

    name: the part, in words. most: seconds that it may be busy.
    """

    def __init__(self, name: str, limit_s: float) -> None:
        self._name = name
        self._limit_s = limit_s
        self._since: float | None = None

    def enter(self) -> None:
        """Something begins, or goes on."""
        self._since = time.monotonic()

    def leave(self) -> None:
        """It came back."""
        self._since = None

    def stall_message(self) -> str:
        """That it does not come back, in words; '' if all is well."""
        since = self._since
        if since is None or time.monotonic() - since < self._limit_s:
            return ""
        return f"{self._name} has not come back for {round(self._limit_s / 60)} minutes"
