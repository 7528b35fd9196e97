"""Lets every call of every job fail: once, and from then on.

A job is prepared in a tiny world and run once undisturbed, which names its calls. Then it is run again for each
call and each error that such a call can give. After each failure nothing is lost, no yes is wrong, the message is
clear; and the next run, undisturbed, ends as if nothing had happened.

`scripts/campaign-failed-calls` plays all of it; the suite plays a sample (`tests/test_failed_calls.py`).
"""

from __future__ import annotations

import argparse
import errno
import gc
import os
import re
import shlex
import sqlite3
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from adversary_scene import Kept
from adversary_syscalls import MOUNTS, Call, _stable_name
from tour import scratch_folder
from tour_commands import UNFORESEEN, prepare_template
from tour_steps import Tour
from tour_system import GROUPS, SimulatedSystem
from tour_world import TourWorld
from world import Answer

from tripleguard.clock import HOUR

ANY = (errno.EIO, errno.ENOTCONN)
ERRORS = {
    "open": (*ANY, errno.EACCES),
    "create": (*ANY, errno.EACCES, errno.EROFS, errno.ENOSPC),
    "read": ANY,
    "write": (*ANY, errno.ENOSPC, errno.EROFS),
    "fsync": (*ANY, errno.ENOSPC, errno.EROFS),
    "rename": (*ANY, errno.ENOSPC, errno.EROFS, errno.EACCES),
    "mkdir": (*ANY, errno.ENOSPC, errno.EROFS, errno.EACCES),
    "unlink": (*ANY, errno.EROFS, errno.EACCES),
    "stat": (*ANY, errno.EACCES),
    "fstat": ANY,
    "statvfs": ANY,
    "list": (*ANY, errno.EACCES),
    "sql": (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR),
}
"""The errors that each kind of call is failed with (errno(3), fsync(2), rename(2), sqlite.org/rescode.html)."""

_SQL = {
    sqlite3.SQLITE_BUSY: ("SQLITE_BUSY", "database is locked"),
    sqlite3.SQLITE_FULL: ("SQLITE_FULL", "database or disk is full"),
    sqlite3.SQLITE_IOERR: ("SQLITE_IOERR", "disk I/O error"),
}


@dataclass(frozen=True)
class Failure:
    """One call that fails. stays: so do all later calls of its kind on the same place."""

    call: Call
    error: int
    stays: bool

    def __str__(self) -> str:
        name = _SQL[self.error][0] if self.call.what == "sql" else errno.errorcode[self.error]
        return f"{name}{' from then on' if self.stays else ''} at {self.call}"


class FailingSystem(SimulatedSystem):
    """Fails a call, and notes what was called. keep: note it."""

    def __init__(self, world: TourWorld, failure: Failure | None = None) -> None:
        super().__init__(world.root, "home", None, (), world.root / "frozen")
        self.clock = world.offset
        self.noted: list[Call] = []
        self.failed = 0
        self._failure = failure
        self._numbers: Counter[tuple[str, str]] = Counter()
        self.creating: set[Call] = set()

    def through(self, what: str, path: str, call: Callable[[], Any]) -> Any:
        group = "sql" if what == "sql" else GROUPS.get(what, "")
        if group and path != MOUNTS:
            key = what, _stable_name(path)
            with self._lock:
                self._numbers[key] += 1
                number = self._numbers[key]
                self.noted.append(Call(*key, number))
                fails = self._fails(key, number, group, path)
            if fails:
                assert self._failure is not None
                self.failed += 1
                raise _error(self._failure.error, path, is_sql=what == "sql")
        return super().through(what, path, call)

    def _open(self, real: Callable[..., int], path: str, given: tuple[Any, ...], how: dict[str, Any]) -> int:
        flags = given[1] if len(given) > 1 else how["flags"]
        if flags & (os.O_WRONLY | os.O_RDWR | os.O_CREAT):
            with self._lock:
                key = "open", _stable_name(self._named(path))
                self.creating.add(Call(*key, self._numbers[key] + 1))
        return super()._open(real, path, given, how)

    def _fails(self, key: tuple[str, str], number: int, group: str, path: str) -> bool:
        failure = self._failure
        if failure is None:
            return False
        call = failure.call
        if not self.failed:
            return key == (call.what, call.path) and number == call.number
        if not failure.stays:
            return False
        if group == "sql" or call.what == "sql":
            return group == "sql" and call.what == "sql"
        return group == GROUPS[call.what] and path.partition("/")[0] == call.path.partition("/")[0]


def _error(code: int, path: str, *, is_sql: bool) -> Exception:
    if not is_sql:
        return OSError(code, os.strerror(code), path)
    name, text = _SQL[code]
    error = sqlite3.OperationalError(text)
    error.sqlite_errorcode, error.sqlite_errorname = code, name
    return error


def failure_of(text: str) -> Failure:
    """Return the failure that was printed so. Raises ValueError."""
    found = re.fullmatch(r"(\w+)( from then on)? at (\S+) (.*) #(\d+)", text)
    if found is None:
        raise ValueError(f"{text!r} is no failure")
    names = {name: code for code, (name, _) in _SQL.items()}
    error = names[found[1]] if found[1] in names else getattr(errno, found[1])
    return Failure(Call(found[3], found[4], int(found[5])), error, bool(found[2]))


@dataclass(frozen=True)
class Job:
    """A prepared world and a command.

    removes: it deletes what is in quarantine. done: what the next run says if the failed one did everything.
    step: what its no advises.
    """

    name: str
    prepare: Callable[[Tour], None]
    words: tuple[str, ...]
    removes: bool = False
    done: str = ""
    step: tuple[str, ...] = ()


def _fresh(tour: Tour) -> None:
    tour.w.shoot(tour.w.cards[0], 2)


def _offloaded(tour: Tour) -> None:
    _fresh(tour)
    tour.do_offload("0")


def _spoiled(tour: Tour) -> None:
    _offloaded(tour)
    tour.w.rot("A", _pictures(tour, "A")[0], 3000)
    (tour.w.drives["B"] / _pictures(tour, "B")[1]).unlink()
    tour.w.offset += 26 * HOUR


def _found(tour: Tour) -> None:
    _spoiled(tour)
    tour.do_rescan()


def _repaired(tour: Tour) -> None:
    _found(tour)
    tour.do_repair()


def _on_one(tour: Tour) -> None:
    _fresh(tour)
    tour.w.unplug("B")
    tour.do_offload("0")
    tour.w.plug("B")


def _three(tour: Tour) -> None:
    _offloaded(tour)
    tour.do_add()
    assert tour.command("retire", "A", "--prepare").status in (0, 1)


def _selected(tour: Tour) -> None:
    _offloaded(tour)
    folder = tour.w.root / "offsite"
    folder.mkdir()
    assert tour.command("setup", "--offsite", str(folder)).status == 0
    assert tour.command("selects", "add", "ORR_0001").status == 0


def _pictures(tour: Tour, name: str) -> list[str]:
    return sorted(path for path in tour.w.files(name) if path.endswith(".DNG"))


_EMPTY = (
    "quarantine",
    "empty",
    "--drive",
    "A",
    "--older-than",
    "0d",
    "--because",
    "it was repaired",
    "--confirmed",
)
JOBS = (
    Job("offload", _fresh, ("offload", "CARD", "--json"), step=("offload", "CARD", "--read-twice")),
    Job("clearance card", _offloaded, ("clearance", "card", "CARD", "--json"), step=("offload", "CARD")),
    Job("rescan", _spoiled, ("rescan", "--all")),
    Job("repair", _found, ("repair",), step=("rescan", "--all")),
    Job("topup", _on_one, ("topup",)),
    Job("retire", _three, ("retire", "A", "--json"), done="is retired already", step=("retire", "A", "--prepare")),
    Job("quarantine empty", _repaired, _EMPTY, removes=True),
    Job("upload", _selected, ("upload",)),
)


class Ground:
    """One job at one place, put back before every run."""

    def __init__(self, root: Path, job: Job) -> None:
        self.job = job
        live = root / "live"
        live.mkdir(parents=True)
        prepare_template(live, root / "template")
        self.tour = Tour(TourWorld(live))
        job.prepare(self.tour)
        self._kept = Kept(live, root / "kept")
        self._kept.keep()
        self.text = ""
        self._status = 0

    def failures(self) -> list[Failure]:
        """Return every call of an undisturbed run, with every error that it can give, once and from then on."""
        system = FailingSystem(self.tour.w)
        answer = self._run(system)
        assert answer.status in (0, 1), answer.err
        self._status = answer.status
        return [
            Failure(call, error, stays)
            for call in dict.fromkeys(system.noted)
            for error in _errors(call, system.creating)
            for stays in (False, True)
        ]

    def play(self, failure: Failure) -> str:
        """Run the job with a failure; return what is wrong, '' if nothing."""
        world, job = self.tour.w, self.job
        # SQLite in one process shares what a connection that an error left open knows of a file.
        gc.collect()
        self._kept.restore()
        world._digests.clear()
        before = {name: set(world.files(name).values()) for name in world.in_bag()}
        cards = [world.on_card(card) for card in world.cards]
        system = FailingSystem(world, failure)
        answer = self._run(system)
        if not system.failed:
            return ""
        self.text = answer.err or answer.out
        if any(word in answer.err for word in UNFORESEEN):
            return answer.err.strip()
        if answer.status not in (0, 1) and "What happened" not in answer.err:
            return f"status {answer.status} and no message: {answer.err.strip()}"
        if cards != [world.on_card(card) for card in world.cards]:
            return "a card was changed"
        for name, digests in before.items():
            now = world.files(name)
            if digests - set(now.values()) and not job.removes:
                return f"bytes were taken from drive {name}"
            if job.removes and not digests & set(world.shot) <= set(now.values()):
                return f"a picture was taken from drive {name}"
            if unknown := [path for path, one in now.items() if one not in world.known and path[0] != "."]:
                return f"{name}: {unknown[0]} is half a file"
        if why := self._wrong_yes(answer):
            return why
        for _ in range(2):
            last = self._run(FailingSystem(world))
            if last.status in (0, self._status) or (job.done and job.done in last.err):
                return self._wrong_yes(last)
            if job.step:
                self._run(FailingSystem(world), job.step)
        return f"the next run ended with {last.status}: {last.err.strip() or last.out.strip()[-300:]}"

    def _run(self, system: FailingSystem, words: tuple[str, ...] = ()) -> Answer:
        card = str(self.tour.w.cards[0].root)
        with system.on():
            return self.tour.w.world.run(*(card if word == "CARD" else word for word in words or self.job.words))

    def _wrong_yes(self, answer: Answer) -> str:
        world = self.tour.w
        if answer.status != 0 or self.job.name not in ("offload", "clearance card", "retire"):
            return ""
        if self.job.name == "retire":
            return world.lacking(dict(world.files("A")), [one for one in world.plugged() if one != "A"])
        return world.lacking(world.on_card(world.cards[0]), world.plugged())


def _errors(call: Call, creating: set[Call]) -> tuple[int, ...]:
    """Return the errors that a call can give; only what creates or changes finds a full or read-only disk."""
    if call.what == "sql":
        return ERRORS["sql"]
    if call.what in ("fstat", "fstatvfs"):
        return ERRORS["fstat"]
    return ERRORS["create" if call in creating else GROUPS[call.what]]


@dataclass
class Tally:
    """What a sweep found. wrong: what was broken, and by which failures first."""

    played: Counter[str] = field(default_factory=Counter)
    wrong: dict[str, list[str]] = field(default_factory=dict)

    def add(self, job: Job, failure: Failure, why: str) -> None:
        self.played[job.name] += 1
        if why:
            self.wrong.setdefault(f"{job.name}: {why}", []).append(str(failure))

    def lines(self) -> list[str]:
        return [
            f"WRONG, {len(cases)} times: {why}\n    {_replay(why, cases[0])}"
            for why, cases in sorted(self.wrong.items())
        ]


def _replay(why: str, failure: str) -> str:
    job = why.partition(":")[0]
    return f"replay: scripts/campaign-failed-calls --only {shlex.quote(job)} --replay {shlex.quote(failure)}"


def swept(jobs: Sequence[Job], step: int, tally: Tally, *, first: int = 0) -> Tally:
    """Play every step-th failure of these jobs."""
    for job in jobs:
        with tempfile.TemporaryDirectory(prefix="failed-calls-", dir=scratch_folder()) as root:
            ground = Ground(Path(root), job)
            for failure in ground.failures()[first::step]:
                tally.add(job, failure, ground.play(failure))
    return tally


def main() -> int:
    """Sweep over the jobs; exit status 1 if something was wrong."""
    words = argparse.ArgumentParser(prog="campaign-failed-calls", description=__doc__)
    words.add_argument("--only", default="", metavar="JOB", help="one job alone")
    words.add_argument("--step", type=int, default=1, help="play every n-th failure")
    words.add_argument("--first", type=int, default=0, help="begin with this one")
    words.add_argument("--replay", metavar="FAILURE", help="play this failure of the job --only names, as printed")
    asked = words.parse_args()
    if asked.replay:
        os.environ["TRIPLEGUARD_TRACE"] = "1"
        job = next(one for one in JOBS if one.name == asked.only)
        with tempfile.TemporaryDirectory(prefix="failed-calls-", dir=scratch_folder()) as root:
            ground = Ground(Path(root), job)
            ground.failures()
            why = ground.play(failure_of(asked.replay))
        print(why or ground.text)
        return 1 if why else 0
    began = time.monotonic()
    tally = Tally()
    for job in JOBS:
        if asked.only in job.name:
            swept([job], asked.step, tally, first=asked.first)
            print(f"{job.name}: {tally.played[job.name]:,} failed calls", flush=True)
    print("\n".join(tally.lines()))
    print(f"{tally.played.total():,} runs in {time.monotonic() - began:.0f} s, {len(tally.wrong)} ways wrong")
    return 1 if tally.wrong else 0


if __name__ == "__main__":
    sys.exit(main())
