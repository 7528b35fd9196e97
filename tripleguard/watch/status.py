"""What the watch is doing, waits for, and did last, for another terminal to see.

The loop writes it as one small file below the home; `status` reads it, and asks the lock whether the watch that
wrote it still runs.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from datetime import tzinfo
from functools import partial
from itertools import groupby

import msgspec

from tripleguard.clock import SECOND, from_iso
from tripleguard.home import Home, keep_note, open_home_lock
from tripleguard.names import shown
from tripleguard.places.locks import Holder, holder_of
from tripleguard.reports.words import count, duration, rate, size, when
from tripleguard.work.kit import WATCH_LOCK

_WIDTH = 79
_SILENT = 150.0
"""Seconds after which a watch that says nothing may hang: it says something every half minute."""


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
    """All of it. at: when it was written, UTC. power: why only new pictures are cared for, '' if all is done.

    away: names of drives in service that are not here.
    """

    pid: int
    since: str
    at: str
    doing: Doing | None = None
    waiting: tuple[Waiting, ...] = ()
    last: tuple[Last, ...] = ()
    here: tuple[Here, ...] = ()
    away: tuple[str, ...] = ()
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
        found |= {"doing": None, "waiting": [], "here": [], "away": [], "next": []}
    return {"schema": 1, "running": running, **found}


def as_text(status: Status | None, now: int, zone: tzinfo | None, *, running: bool) -> Iterator[str]:
    """For a terminal: what it does, what it waits for, what it did last. Times are local; now in UTC ns."""
    if not running:
        yield "The watch does not run: nothing happens by itself. Start it with `tripleguard watch`."
    if status is None:
        if running:
            yield "The watch has just started."
        return
    if running:
        yield from _now(status, now, zone)
    else:
        yield f"It ran last at {_at(status.at, zone)}."
    if status.last:
        yield "Last:"
    for ended in status.last:
        yield f"  {_at(ended.at, zone)}  {_named(ended.what, ended.subject)}:"
        yield from _wrapped(ended.message, "    ")


def _now(status: Status, now: int, zone: tzinfo | None) -> Iterator[str]:
    yield f"The watch runs since {_at(status.since, zone)} (process {status.pid})."
    silent = (now - from_iso(status.at)) / SECOND
    if silent > _SILENT:
        words = f"It has not said anything for {duration(silent)}: it may hang, or this machine was asleep. "
        yield from _wrapped(
            f"{words}If it stays so, end process {status.pid} and start it again.", "", "Trouble: "
        )
    if status.trouble:
        yield from _wrapped(status.trouble, "  ", "Trouble: ")
    yield from _doing(status, zone)
    for one in status.waiting:
        yield from _wrapped(f"{_named(one.what, one.subject)}: {one.why}", "  ", "Waits: ")
    for place in status.here:
        yield f"Here: {place.kind} {shown(place.name)} at {shown(place.path)}"
    for name in status.away:
        yield f"Not here: drive {shown(name)}"
    if status.power:
        yield f"Only new pictures are cared for now: {status.power}."
    for at, coming in groupby(status.next, key=lambda one: one.at):
        yield f"Next: {_at(at, zone)}  {', '.join(one.what for one in coming)}"


def _doing(status: Status, zone: tzinfo | None) -> Iterator[str]:
    one = status.doing
    if one is None:
        yield "Nothing is being done now."
        return
    step = f", {one.step}" if one.step and one.step != one.what else ""
    yield f"Doing: {_named(one.what, one.subject)}{step}, since {_at(one.since, zone)}"
    if one.of_bytes:
        left = f", {duration(one.left)} left" if one.left is not None else ""
        pace = f", {rate(one.rate)}" if one.rate >= 1 else ""
        files = f"{one.files:,} of {count(one.of_files, 'file')}, " if one.of_files else ""
        yield f"  {files}{size(one.bytes)} of {size(one.of_bytes)}{pace}{left}"


def _named(what: str, subject: str) -> str:
    return f"{what} {shown(subject)}" if subject else what


def _at(iso: str, zone: tzinfo | None) -> str:
    return when(from_iso(iso), zone)


def _wrapped(words: str, inner: str, first: str = "") -> list[str]:
    """Lines of a terminal's usual width; a path is never broken."""
    return textwrap.wrap(
        words,
        _WIDTH,
        initial_indent=first or inner,
        subsequent_indent=inner,
        break_long_words=False,
        break_on_hyphens=False,
    )
