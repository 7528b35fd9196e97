"""The watch's log: one JSON object a line, turned over at a size, a few older ones kept. The same as plain lines
on standard error for whoever started it.

What comes from outside is escaped, and nothing that could hold a password gets in: addresses of channels are
written without what stands before the @ and after the ?.
"""

from __future__ import annotations

import json
import logging
import re
import sys
import traceback
from collections.abc import Iterable

from tripleguard.clock import Clock, iso_utc
from tripleguard.home import Home, bounded_log
from tripleguard.names import shown

_SIZE = 1_000_000
_OLDER = 4
_SECRET = re.compile(r"\b([a-z][a-z0-9+.-]*://)([^\s'\"<>]*)", re.IGNORECASE)


class Journal:
    """Where the watch says what it does. loud: also as plain lines on standard error.

    secrets: addresses of the settings, which may hold passwords with any letter in them.
    """

    def __init__(self, home: Home, clock: Clock, *, loud: bool = True, secrets: Iterable[str] = ()) -> None:
        self._clock = clock
        self._secrets = tuple(secrets)
        self._loud = loud
        self._log = logging.Logger("watch", logging.INFO)
        self._log.addHandler(bounded_log(home.watch / "log.jsonl", _SIZE, _OLDER))

    def say(self, line: str, **facts: object) -> None:
        """Something that happened. facts: plain values."""
        self._write("info", line, facts)

    def trouble(self, line: str, error: BaseException | None = None, **facts: object) -> None:
        """Something went wrong; with an error that nobody foresaw, where."""
        if error is not None:
            facts["trace"] = without_secrets("".join(traceback.format_exception(error)), self._secrets)[-4000:]
        self._write("trouble", line, facts)

    def close(self) -> None:
        for handler in self._log.handlers:
            handler.close()

    def _write(self, level: str, line: str, facts: dict[str, object]) -> None:
        line = without_secrets(shown(line), self._secrets)
        kept = {
            name: without_secrets(value, self._secrets) if isinstance(value, str) else value
            for name, value in facts.items()
        }
        at = iso_utc(self._clock.now())
        self._log.info(json.dumps({"at": at, "level": level, "line": line, **kept}, ensure_ascii=True))
        if self._loud:
            print(line, file=sys.stderr, flush=True)


def without_secrets(text: str, secrets: Iterable[str] = ()) -> str:
    """The text with every address cut down to its scheme and host; of secrets only the scheme is left."""
    for secret in secrets:
        scheme, there, _ = secret.partition("://")
        text = text.replace(secret, f"{scheme}://..." if there else "...") if secret else text
    return _SECRET.sub(lambda found: found[1] + _host(found[2]), text)


def _host(rest: str) -> str:
    authority = re.split(r"[/?#]", rest, maxsplit=1)[0]
    return authority.rpartition("@")[2].partition(":")[0] + "/..." if "@" in authority else "..."
