"""The daemon's status for another terminal: what it does, what waits, and what it did last.

The loop writes it as one small file below the home; the `status` command reads it, and checks the lock to see
whether the daemon that wrote it still runs.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from datetime import tzinfo
from functools import partial
from itertools import groupby

import msgspec

from tripleguard.clock import SECOND, parse_iso
from tripleguard.home import Home, open_home_lock, write_atomically
from tripleguard.jobs.context import WATCH_LOCK
from tripleguard.names import escape_text
from tripleguard.places.locks import LockHolder, read_holder
from tripleguard.presentation.words import format_duration, format_rate, format_size, format_time
from tripleguard.wording import pluralize

_WIDTH = 79
_MAX_SILENCE_S = 150.0
"""Seconds after which a watch that says nothing may hang: it says something every half minute."""


class RunningTask(msgspec.Struct, frozen=True):
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
    name: str = ""


class WaitingTask(msgspec.Struct, frozen=True):
    """An errand that waits, and what for."""

    what: str
    subject: str
    why: str
    name: str = ""


class FinishedTask(msgspec.Struct, frozen=True):
    """An errand that ended."""

    what: str
    subject: str
    at: str
    outcome: str
    message: str
    name: str = ""


class VolumeStatus(msgspec.Struct, frozen=True):
    """A volume that is plugged in: kind is `drive` or `card`."""

    kind: str
    name: str
    path: str


class UpcomingTask(msgspec.Struct, frozen=True):
    """What comes by the clock, and when (UTC)."""

    what: str
    at: str


class WatchStatus(msgspec.Struct, frozen=True):
    """All of it. at: when it was written, UTC. power: why only new pictures are cared for, '' if all is done.

    away: names of drives in service that are not here.
    """

    pid: int
    since: str
    at: str
    doing: RunningTask | None = None
    waiting: tuple[WaitingTask, ...] = ()
    last: tuple[FinishedTask, ...] = ()
    here: tuple[VolumeStatus, ...] = ()
    away: tuple[str, ...] = ()
    next: tuple[UpcomingTask, ...] = ()
    power: str = ""
    trouble: str = ""


def write_status(home: Home, status: WatchStatus) -> None:
    """Write it down for other terminals. Raises OSError."""
    write_atomically(home.watch / "status.json", msgspec.json.encode(status), durable=False)


def read_status(home: Home) -> WatchStatus | None:
    """What was written last, None if nothing was or it can't be read."""
    try:
        return msgspec.json.decode((home.watch / "status.json").read_bytes(), type=WatchStatus)
    except (OSError, msgspec.MsgspecError):
        return None


def find_running_watch(home: Home) -> LockHolder | None:
    """The watch that runs for this home now, None if none does. Raises OSError."""
    if not home.locks.is_dir():
        return None
    return read_holder(partial(open_home_lock, home, WATCH_LOCK))


def to_json_object(status: WatchStatus | None, *, is_running: bool) -> dict[str, object]:
    """For `--json`. While no watch runs, nothing is being done and nothing waits."""
    found = msgspec.to_builtins(status) if status else dict.fromkeys(WatchStatus.__struct_fields__)
    if not is_running:
        found |= {"doing": None, "waiting": [], "here": [], "away": [], "next": []}
    return {"schema": 1, "running": is_running, **found}


def format_status(status: WatchStatus | None, now: int, zone: tzinfo | None, *, is_running: bool) -> Iterator[str]:
    """For a terminal: what it does, what it waits for, what it did last. Times are local; now in UTC ns."""
    if not is_running:
        yield "The watch does not run: nothing happens by itself. Start it with `tripleguard watch`."
    if status is None:
        if is_running:
            yield "The watch has just started."
        return
    if is_running:
        yield from _format_current(status, now, zone)
    else:
        yield f"It ran last at {_format_time(status.at, zone)}."
    if status.last:
        yield "Last:"
    for ended in status.last:
        yield f"  {_format_time(ended.at, zone)}  {_format_task(ended.what, ended.name or ended.subject)}:"
        yield from _wrap(ended.message, "    ")


def _format_current(status: WatchStatus, now: int, zone: tzinfo | None) -> Iterator[str]:
    yield f"The watch runs since {_format_time(status.since, zone)} (process {status.pid})."
    silent = (now - parse_iso(status.at)) / SECOND
    if silent > _MAX_SILENCE_S:
        words = (
            f"It has not said anything for {format_duration(silent)}: it may hang, or this machine was asleep. "
        )
        yield from _wrap(f"{words}If it stays so, end process {status.pid} and start it again.", "", "Trouble: ")
    if status.trouble:
        yield from _wrap(status.trouble, "  ", "Trouble: ")
    yield from _format_running_task(status, zone)
    for one in status.waiting:
        yield from _wrap(f"{_format_task(one.what, one.name or one.subject)}: {one.why}", "  ", "Waits: ")
    for place in status.here:
        yield f"Here: {place.kind} {escape_text(place.name)} at {escape_text(place.path)}"
    for name in status.away:
        yield f"Not here: drive {escape_text(name)}"
    if status.power:
        yield f"Only new pictures are cared for now: {status.power}."
    for at, coming in groupby(status.next, key=lambda one: one.at):
        yield f"Next: {_format_time(at, zone)}  {', '.join(one.what for one in coming)}"


def _format_running_task(status: WatchStatus, zone: tzinfo | None) -> Iterator[str]:
    one = status.doing
    if one is None:
        yield "Nothing is being done now."
        return
    step = f", {one.step}" if one.step and one.step != one.what else ""
    yield f"Doing: {_format_task(one.what, one.name or one.subject)}{step}, since {_format_time(one.since, zone)}"
    if one.of_bytes:
        left = f", {format_duration(one.left)} left" if one.left is not None else ""
        pace = f", {format_rate(one.rate)}" if one.rate >= 1 else ""
        files = f"{one.files:,} of {pluralize(one.of_files, 'file')}, " if one.of_files else ""
        yield f"  {files}{format_size(one.bytes)} of {format_size(one.of_bytes)}{pace}{left}"


def _format_task(kind: str, subject: str) -> str:
    return f"{kind} {escape_text(subject)}" if subject else kind


def _format_time(iso: str, zone: tzinfo | None) -> str:
    return format_time(parse_iso(iso), zone)


def _wrap(words: str, inner: str, first: str = "") -> list[str]:
    """Lines of a terminal's usual width; a path is never broken."""
    return textwrap.wrap(
        words,
        _WIDTH,
        initial_indent=first or inner,
        subsequent_indent=inner,
        break_long_words=False,
        break_on_hyphens=False,
    )
