"""Handing messages to the process that sends them, see `sender`. It lives for one round of them."""

from __future__ import annotations

import contextlib
import importlib.util
import subprocess
import sys
import threading
from collections.abc import Sequence

import msgspec

from tripleguard.work.apart import begun_apart

_COMMAND = [sys.executable, "-m", "tripleguard.watch.sender"]
_PATIENCE, _EACH = 30.0, 15.0
"""Seconds that a round may take, and more for each message."""


class Posted(msgspec.Struct, frozen=True):
    """What became of a message. why: it was not sent, in a few words without any address."""

    sent: bool
    why: str
    usable: bool = True


class Post:
    """One process at a time. Use: `send` from one thread; `stop` from any."""

    def __init__(self) -> None:
        self._process: subprocess.Popen[bytes] | None = None
        self._lock = threading.Lock()
        self._stopped = False

    def send(self, letters: Sequence[tuple[str, str]]) -> list[Posted]:
        """Send (address, body) each; what became of them, in order. An empty body only asks about the address."""
        if importlib.util.find_spec("apprise") is None:
            return [Posted(False, "messages need apprise: pip install 'tripleguard[tell]'", False)] * len(letters)
        lines = b"".join(
            msgspec.json.encode({"address": address, "body": body}) + b"\n" for address, body in letters
        )
        answers = self._round(lines, _PATIENCE + _EACH * len(letters)).splitlines()
        # What it printed last may have been cut off with it.
        found = []
        for answer in answers[: len(letters)]:
            with contextlib.suppress(msgspec.MsgspecError):
                found.append(msgspec.json.decode(answer, type=Posted))
        return found + [Posted(False, "no answer came")] * (len(letters) - len(found))

    def stop(self) -> None:
        """End what is being sent, and send nothing more."""
        with self._lock:
            self._stopped = True
            if self._process is not None:
                self._process.kill()

    def _round(self, lines: bytes, patience: float) -> bytes:
        """What the process answered to these lines until it ended or had to be ended."""
        with self._lock:
            if self._stopped:
                return b""
            try:
                self._process = begun_apart(_COMMAND)
            except OSError:
                return b""
        process = self._process
        try:
            return process.communicate(lines, patience)[0]
        except subprocess.TimeoutExpired:
            process.kill()
            return process.communicate()[0]
        finally:
            with self._lock:
                self._process = None
