"""Changes card, drives, catalog and clock at every call of a question, and compares every yes with the bytes.

A schedule is a scenario, one kind of change, one call of the run, and a side of it: before or after. There is no
chance in it: all schedules are in one long list, and a campaign takes as many of them as asked, evenly spread. A
wrong yes is printed with the words that replay it.

`scripts/campaign-adversary N` plays N schedules about cards, `--about drives` about drives that go and about what
is removed. With `--keep FOLDER` a campaign that was ended goes on where it was.
"""

from __future__ import annotations

import argparse
import json
import math
import multiprocessing
import shlex
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from statistics import median

import adversary_cards as cards
import adversary_drives as drives
import adversary_mounts as mounts
from adversary_changes import ALL, Change
from adversary_ground import Ground, Verdict
from adversary_syscalls import Call
from disk_images import why_not
from kill_campaign import scratch_disk

_SLOW_EACH = 40
_WORDS = ("yes", "no", "refused", "unforeseen", "not reached", "rot at rest", "wrong")
_REPLAYS = 1


@dataclass(frozen=True)
class Group:
    """One scenario, what can happen in it, and how to make its place below a folder."""

    name: str
    changes: Sequence[Change]
    make: Callable[[Path], Ground]


@dataclass(frozen=True)
class Schedule:
    """What happens when, in which scenario."""

    group: str
    change: str
    before: bool
    at: Call

    def __str__(self) -> str:
        side = "before" if self.before else "after"
        return f"{self.group} | {self.change} | {side} | {self.at.what} | {self.at.path} | {self.at.number}"


def schedule_of(line: str) -> Schedule:
    """The schedule that `str` wrote. Raises ValueError."""
    group, change, side, what, path, number = line.split(" | ")
    return Schedule(group, change, side == "before", Call(what, path, int(number)))


def groups(about: str) -> dict[str, Group]:
    """The scenarios about cards, about drives or on images that are mounted, by name."""
    if about == "cards":
        made = [
            Group(one.name, ALL, lambda root, one=one: cards.CardGround(root, one))  # type: ignore[misc]
            for one in cards.SCENARIOS
        ]
    elif about == "mounts":
        made = [
            Group(
                one.name,
                mounts.MOUNTS,
                lambda root, one=one, kind=kind: mounts.MountedGround(root, one, kind),  # type: ignore[misc]
            )
            for one, kind in mounts.SCENARIOS
            if why_not(kind) is None
        ]
    else:
        made = [
            Group(one.name, one.changes, lambda root, one=one: drives.DriveGround(root, one))  # type: ignore[misc]
            for one in drives.SCENARIOS
        ]
    return {group.name: group for group in made}


class Stage:
    """The places of all scenarios below one folder, made when they are needed."""

    def __init__(self, root: Path, found: dict[str, Group]) -> None:
        self._root = root
        self._groups = found
        self._places: dict[str, Ground] = {}

    def place(self, name: str) -> Ground:
        if name not in self._places:
            root = self._root / str(len(self._places))
            self._places[name] = self._groups[name].make(root)
        return self._places[name]

    def __enter__(self) -> Stage:
        return self

    def __exit__(self, *error: object) -> None:
        for place in self._places.values():
            place.close()

    def play(self, schedule: Schedule) -> Verdict:
        """One schedule."""
        changes = {change.name: change for change in self._groups[schedule.group].changes}
        return self.place(schedule.group).play(changes[schedule.change], schedule.at, before=schedule.before)

    def traces(self) -> dict[str, list[Call]]:
        """What every scenario calls when nothing happens."""
        return {name: self.place(name).trace() for name in self._groups}


def every(found: dict[str, Group], traces: dict[str, list[Call]]) -> list[Schedule]:
    """All schedules: every call of every scenario, before and after it, with every kind of change."""
    return [
        Schedule(name, change.name, before, call)
        for name, group in found.items()
        for number, call in enumerate(traces[name])
        for before in (True, False)
        for change in group.changes
        if not change.slow or number % _SLOW_EACH == 0
    ]


def some(schedules: list[Schedule], number: int) -> Iterator[Schedule]:
    """So many of them, spread evenly over scenarios, calls and kinds; a longer campaign repeats a shorter one."""
    if not schedules:
        return
    # Steps of the golden ratio leave no gap and meet nothing twice.
    step = round(len(schedules) * (math.sqrt(5) - 1) / 2)
    while math.gcd(step, len(schedules)) != 1:
        step += 1
    for one in range(min(number, len(schedules))):
        yield schedules[one * step % len(schedules)]


@dataclass
class Tally:
    """What became of the schedules so far."""

    words: Counter[tuple[str, str]]
    wrong: Counter[tuple[str, str, str]]
    replays: dict[tuple[str, str, str], list[str]]
    unforeseen: list[str]
    gaps: list[float]

    @classmethod
    def empty(cls) -> Tally:
        return cls(Counter(), Counter(), {}, [], [])

    def add(self, schedule: Schedule, verdict: Verdict) -> None:
        """Count one."""
        self.words[schedule.group, verdict.word] += 1
        if verdict.gap is not None:
            self.gaps.append(verdict.gap)
        if verdict.word == "unforeseen":
            self.unforeseen.append(f"{schedule}: {verdict.why}")
        if verdict.word in ("wrong", "rot at rest"):
            key = (verdict.word, schedule.group, schedule.change)
            self.wrong[key] += 1
            self.replays.setdefault(key, []).append(f"--replay {shlex.quote(str(schedule))}  # {verdict.why}")

    def count(self, word: str) -> int:
        return sum(number for (_, one), number in self.words.items() if one == word)

    def lines(self) -> Iterator[str]:
        """The numbers, as they are printed."""
        names = list(dict.fromkeys(name for name, _ in self.words))
        yield f"{'':40}" + "".join(f"{word:>12}" for word in ("schedules", *_WORDS))
        for name in names:
            counts = [self.words[name, word] for word in _WORDS]
            yield f"{name:40}" + "".join(f"{number:12,}" for number in (sum(counts), *counts))
        counts = [self.count(word) for word in _WORDS]
        yield f"{'in all':40}" + "".join(f"{number:12,}" for number in (sum(counts), *counts))
        if self.gaps:
            middle, most = median(self.gaps) * 1e3, max(self.gaps) * 1e3
            yield f"from the last listing to a yes: {middle:.0f} ms, {most:.0f} at most"
        for line in self.unforeseen[:10]:
            yield f"UNFORESEEN: {line}"
        for key, number in self.wrong.most_common():
            yield f"{'WRONG' if key[0] == 'wrong' else key[0]}, {number:,} times: {key[1]} | {key[2]}"
            yield from (f"    {line}" for line in self.replays[key][:_REPLAYS])


def played(about: str, number: int, root: Path) -> Tally:
    """So many schedules in this process, below root."""
    found = groups(about)
    tally = Tally.empty()
    with Stage(root, found) as stage:
        for schedule in some(every(found, stage.traces()), number):
            tally.add(schedule, stage.play(schedule))
    return tally


# The long form: several processes, resumable


def _plan(keep: Path, about: str, number: int) -> list[Schedule]:
    """The campaign's schedules, made once and kept, so that one that is resumed goes on with the same."""
    path = keep / f"plan-{about}-{number}.json"
    if not path.exists():
        found = groups(about)
        with (
            tempfile.TemporaryDirectory(prefix="tripleguard-adversary-", dir=scratch_disk()) as root,
            Stage(Path(root), found) as stage,
        ):
            traces = stage.traces()
        schedules = every(found, traces)
        print(
            f"{len(schedules):,} schedules there are: "
            + ", ".join(f"{len(t):,} calls of {n}" for n, t in traces.items())
        )
        chosen = some(schedules, number)
        path.write_text(json.dumps([str(one) for one in chosen]), encoding="utf-8")
    return [schedule_of(line) for line in json.loads(path.read_text(encoding="utf-8"))]


def _work(about: str, plan: list[Schedule], mine: range, results: Path) -> None:
    done = set(_read(results)) if results.exists() else set()
    with (
        tempfile.TemporaryDirectory(prefix="tripleguard-adversary-", dir=scratch_disk()) as root,
        results.open("a", encoding="utf-8") as file,
        Stage(Path(root), groups(about)) as stage,
    ):
        for index in mine:
            if index not in done:
                verdict = stage.play(plan[index])
                file.write(json.dumps({"index": index, **asdict(verdict)}) + "\n")
                file.flush()


def _read(results: Path) -> dict[int, Verdict]:
    found = {}
    for line in results.read_text(encoding="utf-8").splitlines():
        # A campaign that was killed may have left half a line.
        if line.endswith("}"):
            one = json.loads(line)
            index = one.pop("index")
            found[index] = Verdict(**one)
    return found


def _campaign(about: str, number: int, keep: Path, workers: int) -> int:
    began = time.monotonic()
    plan = _plan(keep, about, number)
    files = [keep / f"results-{about}-{number}-{one}-of-{workers}.jsonl" for one in range(workers)]
    processes = [
        multiprocessing.get_context("fork").Process(
            target=_work, args=(about, plan, range(one, len(plan), workers), files[one])
        )
        for one in range(workers)
    ]
    for process in processes:
        process.start()
    for process in processes:
        process.join()
    tally = Tally.empty()
    for file in files:
        for index, verdict in sorted(_read(file).items()):
            tally.add(plan[index], verdict)
    for line in tally.lines():
        print(line)
    print(f"{sum(tally.words.values()):,} of {len(plan):,} schedules in {time.monotonic() - began:.0f} s")
    broke = any(process.exitcode for process in processes)
    return 1 if broke or tally.count("wrong") or tally.count("unforeseen") else 0


def main() -> int:
    """Run a campaign and print its numbers; exit status 1 if a yes was wrong."""
    words = argparse.ArgumentParser(prog="campaign-adversary", description=__doc__)
    words.add_argument("number", nargs="?", type=int, default=20_000, help="how many schedules")
    words.add_argument("--about", choices=["cards", "drives", "mounts"], default="cards")
    words.add_argument("--keep", type=Path, help="keep plan and results there, and go on with them")
    words.add_argument("--workers", type=int, default=2 * multiprocessing.cpu_count())

    words.add_argument("--replay", metavar="SCHEDULE", help="play this one alone")
    asked = words.parse_args()
    if asked.replay:
        found = {**groups("cards"), **groups("drives"), **groups("mounts")}
        with (
            tempfile.TemporaryDirectory(prefix="tripleguard-adversary-", dir=scratch_disk()) as root,
            Stage(Path(root), found) as stage,
        ):
            verdict = stage.play(schedule_of(asked.replay))
        print(verdict)
        return 1 if verdict.word in ("wrong", "unforeseen") else 0
    with tempfile.TemporaryDirectory(prefix="tripleguard-adversary-") as scratch:
        keep = asked.keep or Path(scratch)
        keep.mkdir(parents=True, exist_ok=True)
        return _campaign(asked.about, asked.number, keep, asked.workers)


if __name__ == "__main__":
    sys.exit(main())
