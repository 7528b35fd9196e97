"""A watch in a process of its own, as systemd starts it, and what another terminal sees of it."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from world import World

PATIENCE = 120.0
"""Seconds after which a busy machine is no excuse any more."""
POLL = 0.15


class Watching:
    """One running watch."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.process = subprocess.Popen(
            world.command_line("watch", "--quiet"),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            start_new_session=True,
        )

    def status(self) -> dict[str, Any]:
        """What `status --json` says in another terminal."""
        answer = self.world.run("status", "--json")
        assert answer.status in (0, 1), answer.err
        return answer.json

    def until(
        self, true: Callable[[dict[str, Any]], bool], what: str, patience: float = PATIENCE
    ) -> dict[str, Any]:
        """Wait until the status is as wanted; the status."""
        deadline = time.monotonic() + patience
        while True:
            found = self.status()
            mine = found["running"] and found["pid"] == self.process.pid
            if mine and true(found):
                return found
            ended = f" (the watch ended with {self.process.returncode})" if self.process.poll() is not None else ""
            assert time.monotonic() < deadline, f"waited in vain until {what}{ended}: {found}\n{self.log()}"
            time.sleep(POLL)

    def until_done(
        self, what: str, subject: str = "", *, number: int = 1, patience: float = PATIENCE
    ) -> dict[str, Any]:
        """Wait until so many errands of that word (and subject) ended; the newest of them."""

        def there(found: dict[str, Any]) -> bool:
            return len(ended(found, what, subject)) >= number

        return ended(self.until(there, f"{what} {subject} is over", patience), what, subject)[0]

    def until_said(self, words: str, subject: str) -> dict[str, Any]:
        """Wait until the newest end of a card's task says so; the task."""

        def there(found: dict[str, Any]) -> bool:
            return any(words in one["message"] for one in ended(found, "card", subject)[:1])

        return ended(self.until(there, f"card {subject}: {words}"), "card", subject)[0]

    def until_idle(self, patience: float = PATIENCE) -> dict[str, Any]:
        """Wait until nothing is being done and nothing waits."""

        def idle(found: dict[str, Any]) -> bool:
            return bool(found["running"] and found["here"] and not found["doing"] and not found["waiting"])

        return self.until(idle, "the watch is idle", patience)

    def log(self) -> str:
        """What the watch logged, as plain lines."""
        return "\n".join(f"{one['at']} {one['line']}{one.get('trace', '')}" for one in logged(self.world))

    def end(self, by: signal.Signals = signal.SIGTERM) -> None:
        """Ask it to end, and wait until it has."""
        self.process.send_signal(by)
        self.process.wait(PATIENCE)


def ended(found: dict[str, Any], what: str, subject: str = "") -> list[dict[str, Any]]:
    """The errands of that word that ended, newest first."""
    return [one for one in found["last"] or [] if one["what"] == what and subject in ("", one["subject"])]


def logged(world: World) -> list[dict[str, Any]]:
    """The log's lines."""
    lines: list[dict[str, Any]] = []
    with contextlib.suppress(FileNotFoundError):
        for line in (world.home / "watch" / "log.jsonl").read_text(encoding="ascii").splitlines():
            lines.append(json.loads(line))
    return lines


@contextlib.contextmanager
def watching(world: World) -> Iterator[Watching]:
    """A watch for the length of the block; killed if it still runs at its end."""
    one = Watching(world)
    try:
        yield one
    finally:
        if one.process.poll() is None:
            one.end(signal.SIGKILL)
        if one.process.stderr is not None:
            left = one.process.stderr.read().decode()
            one.process.stderr.close()
            if sys.exc_info()[0] is not None and left:
                print(left)


def set_watch(world: World, **settings: object) -> None:
    """Put these settings of the watch into the home's file; cards of others on this machine are left alone."""
    settings = {"look_at": [f"{world.root}/*"], **settings}
    lines = [f"{name} = {json.dumps(value)}" for name, value in settings.items()]
    world.settings("\n".join(["[watch]", *lines, ""]))


def in_reader(world: World, name: str) -> Path:
    """Where a card of that name will be when it is plugged in: a folder that the settings name."""
    return world.root / "reader" / name


def plug(world: World, made: Path) -> Path:
    """Plug a card in: its folder stands at once where the watch looks."""
    there = in_reader(world, made.name)
    there.parent.mkdir(exist_ok=True)
    os.rename(made, there)
    return there


def pull(world: World, name: str) -> Path:
    """Pull a card: its folder is somewhere else."""
    back = world.root / name
    os.rename(in_reader(world, name), back)
    return back
