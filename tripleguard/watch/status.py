"""What the watch is doing, waits for, and did last, for another terminal to see.

The loop writes it as one small file below the home; `status` reads it, and asks the lock whether the watch that
wrote it still runs.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

import msgspec

from tripleguard.home import Home, keep_note, open_home_lock
from tripleguard.names import shown
from tripleguard.places.locks import Holder, holder_of
from tripleguard.reports.words import count, duration, rate, size
from tripleguard.work.kit import WATCH_LOCK


class Doing(msgspec.Struct, frozen=True):
    """The errand in hand. Bytes; rate in bytes/s; left in seconds, null while unknown."""

    what: str
    subject: str
    since: str
    step: str = ""
    files: int = 0
    of_files: int = 0
    bytes: int = 0
    of_bytes: int = 0
    rate: float = 0.0
    left: float | None = None


class Waiting(msgspec.Struct, frozen=True):
    """An errand that waits, and what for."""

    what: str
    subject: str
    why: str


class Last(msgspec.Struct, frozen=True):
    """An errand that ended."""

    what: str
    subject: str
    at: str
    outcome: str
    message: str


class Here(msgspec.Struct, frozen=True):
    """A volume that is plugged in: kind is `drive` or `card`."""

    kind: str
    name: str
    path: str


class Next(msgspec.Struct, frozen=True):
    """What comes by the clock, and when (UTC)."""

    what: str
    at: str


class Status(msgspec.Struct, frozen=True):
    """All of it. at: when it was written, UTC. power: why only new pictures are cared for, '' if all is done."""

    pid: int
    since: str
    at: str
    doing: Doing | None = None
    waiting: tuple[Waiting, ...] = ()
    last: tuple[Last, ...] = ()
    here: tuple[Here, ...] = ()
    next: tuple[Next, ...] = ()
    power: str = ""
    trouble: str = ""


def keep_status(home: Home, status: Status) -> None:
    """Write it down for other terminals. Raises OSError."""
    keep_note(home.watch / "status.json", msgspec.json.encode(status), durable=False)


def kept_status(home: Home) -> Status | None:
    """What was written last, None if nothing was or it can't be read."""
    try:
        return msgspec.json.decode((home.watch / "status.json").read_bytes(), type=Status)
    except (OSError, msgspec.MsgspecError):
        return None


def watcher_of(home: Home) -> Holder | None:
    """The watch that runs for this home now, None if none does. Raises OSError."""
    if not home.locks.is_dir():
        return None
    return holder_of(partial(open_home_lock, home, WATCH_LOCK))


def as_object(status: Status | None, *, running: bool) -> dict[str, object]:
    """For `--json`. While no watch runs, nothing is being done and nothing waits."""
    found = msgspec.to_builtins(status) if status else dict.fromkeys(Status.__struct_fields__)
    if not running:
        found |= {"doing": None, "waiting": [], "next": []}
    return {"schema": 1, "running": running, **found}


def as_text(status: Status | None, *, running: bool) -> Iterator[str]:
    """For a terminal: what it does, what it waits for, what it did last."""
    if not running:
        yield "The watch does not run: nothing happens by itself. Start it with `tripleguard watch`."
    if status is None:
        if running:
            yield "The watch has just started."
        return
    if running:
        yield f"The watch runs since {status.since} (process {status.pid})."
        yield from _doing(status)
        for one in status.waiting:
            yield f"Waits: {_named(one.what, one.subject)}: {one.why}"
    for place in status.here:
        yield f"Here: {place.kind} {shown(place.name)} at {shown(place.path)}"
    if status.power:
        yield f"Only new pictures are cared for now: {status.power}."
    if status.trouble:
        yield f"Trouble: {status.trouble}"
    if running:
        for coming in status.next:
            yield f"Next: {coming.what} at {coming.at}"
    for ended in status.last:
        yield f"{ended.at}  {_named(ended.what, ended.subject)}: {ended.message}"


def _doing(status: Status) -> Iterator[str]:
    one = status.doing
    if one is None:
        yield "Nothing is being done now."
        return
    step = f", {one.step}" if one.step and one.step != one.what else ""
    yield f"Doing: {_named(one.what, one.subject)}{step}, since {one.since}"
    if one.of_bytes:
        left = f", {duration(one.left)} left" if one.left is not None else ""
        pace = f", {rate(one.rate)}" if one.rate >= 1 else ""
        files = f"{one.files:,} of {count(one.of_files, 'file')}, " if one.of_files else ""
        yield f"  {files}{size(one.bytes)} of {size(one.of_bytes)}{pace}{left}"


def _named(what: str, subject: str) -> str:
    return f"{what} {shown(subject)}" if subject else what
