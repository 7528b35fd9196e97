"""Simulated tours: the real program against simulated cards, drives, faults, a clock and a person.

Each seed is one tour. A tour that breaks a promise is shortened (delta debugging over its steps) and printed with
the command that replays it. `scripts/campaign-tours --help` says the rest.
"""

from __future__ import annotations

import argparse
import math
import multiprocessing
import os
import random
import shutil
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tour_commands import prepare_template
from tour_steps import Tour
from tour_system import FAULTS
from tour_world import TourError, TourWorld

DISTURBED = ("offload 0 wipe", "offload 1 wipe", "clear 0 wipe", "rescan --all", "repair", "topup", "watch 1")
GROUPS = ("read", "write", "fsync", "rename", "open", "stat", "mkdir", "unlink", "list")

AFTER_THE_ANSWER = 400
"""No command makes so many calls of one kind on a drive: the power goes when it has ended."""
PATTERNS = (
    ("shoot 1 2", "twin 1 2", "disturb FAULT offload 1", "swap 1 2", "offload 1 wipe"),
    ("offload 0 wipe", "clone A", "shoot 0 1", "offload 0 wipe", "clone A", "rescan --all", "repair"),
    ("offload 0 wipe", "rot A 0", "night 26", "rescan --all", "disturb FAULT repair", "rescan --all"),
    ("backup", "offload 0", "rot B 0", "night 26", "rescan --all", "restore", "clear 0 wipe"),
    ("unplug B", "offload 0", "plug B", "disturb FAULT topup", "clear 0 wipe"),
    ("offload 0 wipe", "add", "topup", "rescan --all", "retire A retire"),
    ("shoot 1 2", "offload 1", "rot B 0", "night 26", "clear 1 wipe", "rescan --all"),
    ("shoot 1 2", "offload 1", "delete B 1", "clear 1 wipe", "offload 1 wipe"),
    ("shoot 1 1", "offload 1", "unplug A", "clear 1 wipe", "plug A"),
    ("shoot 1 1", "offload 1", "lose B", "clear 1 wipe", "offload 1 wipe"),
    ("shoot 1 3", "twin 1 2", "disturb stop A write 4 offload 1", "swap 1 2", "offload 1 wipe"),
    ("shoot 1 1", "offload 1", "rot B 0", "delete A 0", "rescan --quick", "repair", "clear 1 wipe"),
    ("shoot 0 2", "disturb garble B write 1 offload 0 wipe", "shoot 0 1", "offload 0 wipe"),
    ("squat 0 A", "offload 0 wipe", "rescan --all", "repair", "empty A"),
    ("shoot 0 2", "offload 0 wipe", "rot A 0", "night 26", "rescan --all", "delete B 0", "repair", "topup"),
    ("offload 0 wipe", "laptop", "shoot 1 1", "offload 1 wipe", "laptop", "retire B clearance"),
)
"""Sequences that chance would need long to find; other steps come before and after them."""


def plan(seed: int) -> list[str]:
    """The steps of a tour."""
    rng = random.Random(seed)

    def card() -> str:
        return rng.choice("000112")

    def drive() -> str:
        return rng.choice("AAABBBC")

    steps = [f"shoot 0 {rng.randint(1, 3)}"]
    if rng.random() < 0.5:
        steps.insert(0, "exfat")
    kinds = {
        "shoot": 8,
        "offload": 14,
        "clear": 5,
        "disturb": 14,
        "maintain": 4,
        "rescan": 4,
        "repair": 4,
        "topup": 3,
        "unplug": 4,
        "plug": 5,
        "add": 2,
        "night": 5,
        "rename": 2,
        "handcopy": 2,
        "sidecar": 3,
        "backup": 2,
        "restore": 3,
        "laptop": 2,
        "rot": 5,
        "resave": 2,
        "truncate": 2,
        "delete": 3,
        "lose": 2,
        "retire": 3,
        "twin": 3,
        "swap": 2,
        "clone": 2,
        "watch": 5,
        "pattern": 8,
        "stolen": 2,
        "squat": 2,
        "empty": 2,
    }
    for _ in range(rng.randint(2, 9)):
        kind = rng.choices(list(kinds), list(kinds.values()))[0]
        match kind:
            case "shoot":
                steps.append(f"shoot {card()} {rng.randint(1, 3)}")
            case "offload" | "clear":
                steps.append(f"{kind} {card()}" + rng.choice((" wipe", " wipe", "")))
            case "disturb":
                fault = rng.choice(("cut", "cut", "lag", *FAULTS))
                group = rng.choice(("write", "fsync", "rename") if fault in ("cut", "lag") else GROUPS)
                number = int(1 + rng.paretovariate(0.7))
                if fault in ("cut", "lag") and rng.random() < 0.3:
                    number = AFTER_THE_ANSWER
                place = f"{drive()} {group} {min(number, AFTER_THE_ANSWER)}"
                steps.append(f"disturb {fault} {place} {rng.choice(DISTURBED)}")
            case "rescan":
                steps.append(f"rescan {rng.choice(('--all', '--all', '--due', '--quick'))}")
            case "unplug" | "plug" | "lose" | "rename":
                steps.append(f"{kind} {drive()}")
            case "retire":
                steps.append(f"retire {drive()} {rng.choice(('retire', 'clearance'))}")
            case "night":
                steps.append(f"night {rng.choice((1, 12, 26, 26, 24 * 40, -30, -9000))}")
            case "empty":
                steps.append(f"empty {drive()}")
            case "handcopy" | "squat":
                steps.append(f"{kind} {card()} {drive()}")
            case "rot" | "resave" | "truncate" | "delete" | "sidecar":
                steps.append(f"{kind} {drive()} {rng.randint(0, 3)}")
            case "twin" | "swap":
                steps.append(f"{kind} {card()} {card()}")
            case "watch":
                steps.append(f"watch {rng.choice((1, 14))}")
            case "clone":
                steps.append(f"clone {drive()}")
            case "pattern":
                fault = f"{rng.choice(list(FAULTS))} {drive()} {rng.choice(GROUPS)} {rng.randint(1, 30)}"
                steps += [one.replace("FAULT", fault) for one in rng.choice(PATTERNS)]
            case _:
                steps.append(kind)
    return steps


@dataclass(frozen=True)
class Outcome:
    """How a tour ended: '' or the promise that it broke, and the commands that ran."""

    why: str
    log: tuple[str, ...]


class Stage:
    """A folder in memory in which tours are played one after the other."""

    def __init__(self, scratch: Path) -> None:
        self._root = scratch / "tour"
        self._template = scratch / "template"
        self._root.mkdir()
        prepare_template(self._root, self._template)

    def play(self, steps: Sequence[str]) -> Outcome:
        """Play one tour from the start."""
        shutil.rmtree(self._root)
        shutil.copytree(self._template, self._root)
        tour = Tour(TourWorld(self._root))
        try:
            tour.run(steps)
        except TourError as error:
            return Outcome(str(error), tuple(tour.log))
        return Outcome("", tuple(tour.log))

    def shorten(self, steps: Sequence[str]) -> list[str]:
        """The shortest tour found that still breaks a promise of the same kind (Zeller's ddmin over steps)."""
        kind = _kind(self.play(steps).why)
        left, size = list(steps), max(1, len(steps) // 2)
        while True:
            at, removed = 0, False
            while at < len(left):
                without = left[:at] + left[at + size :]
                if _kind(self.play(without).why) == kind:
                    left, removed = without, True
                else:
                    at += size
            if size == 1 and not removed:
                return left
            size = max(1, size // 2)


def _kind(why: str) -> str:
    """The kind of a failure: its words without names and numbers."""
    return " ".join(word for word in why.split() if word.isalpha())[:60]


def scratch_folder() -> Path | None:
    """Memory, where there is some: no tour depends on a real medium."""
    memory = Path("/dev/shm")
    return memory if memory.is_dir() and os.access(memory, os.W_OK) else None


@dataclass(frozen=True)
class Failure:
    """A tour that broke a promise, as short as it could be made."""

    seed: int
    why: str
    steps: tuple[str, ...]

    def lines(self) -> list[str]:
        return [
            f"seed {self.seed}: {self.why}",
            f"  replay: scripts/campaign-tours --replay '{'; '.join(self.steps)}'",
        ]


def played(
    seeds: Sequence[int], *, shorten: bool = True, stop_at: int = 0, minutes: float = math.inf
) -> tuple[int, Counter[str], list[Failure]]:
    """Play these seeds: how many tours, how often each command ran, and what failed."""
    counts: Counter[str] = Counter()
    failures: list[Failure] = []
    number = 0
    with tempfile.TemporaryDirectory(prefix="tours-", dir=scratch_folder()) as scratch:
        stage = Stage(Path(scratch))
        ends = time.monotonic() + 60 * minutes
        for seed in seeds:
            if time.monotonic() > ends:
                break
            steps = plan(seed)
            outcome = stage.play(steps)
            number += 1
            counts.update(" ".join(word for word in line.split()[:2] if word.isalpha()) for line in outcome.log)
            counts["yes"] += sum(
                "-> 0" in line and line.startswith(("offload", "clearance")) for line in outcome.log
            )
            counts.update(line.rpartition(" (")[2].split()[0] for line in outcome.log if line.endswith(")"))
            if outcome.why:
                kept = stage.shorten(steps) if shorten else steps
                again = stage.play(kept)
                failures.append(Failure(seed, again.why or outcome.why, tuple(kept)))
                print("\n".join(failures[-1].lines()), file=sys.stderr, flush=True)
                if stop_at and len(failures) >= stop_at:
                    break
    return number, counts, failures


def _work(seeds: Sequence[int], stop_at: int, minutes: float) -> tuple[int, Counter[str], list[Failure]]:
    return played(seeds, stop_at=stop_at, minutes=minutes)


def main() -> int:
    """Play tours; exit status 1 if one broke a promise."""
    words = argparse.ArgumentParser(prog="campaign-tours", description=__doc__)
    words.add_argument("number", nargs="?", type=int, default=1000, help="how many tours")
    words.add_argument("--first", type=int, default=1, metavar="SEED")
    words.add_argument("--workers", type=int, default=multiprocessing.cpu_count())
    words.add_argument("--stop-at", type=int, default=0, metavar="N", help="end a worker after N failures")
    words.add_argument("--minutes", type=float, default=math.inf, help="end after so long")
    words.add_argument("--replay", metavar="STEPS", help="play these steps, separated by semicolons")
    words.add_argument("--show", type=int, metavar="SEED", help="print the steps of a seed and play it")
    asked = words.parse_args()
    if asked.replay or asked.show is not None:
        steps = [one.strip() for one in asked.replay.split(";")] if asked.replay else plan(asked.show)
        with tempfile.TemporaryDirectory(prefix="tours-", dir=scratch_folder()) as scratch:
            outcome = Stage(Path(scratch)).play(steps)
        print("\n".join([*steps, "", *outcome.log, outcome.why or "no promise was broken"]))
        return 1 if outcome.why else 0
    began = time.monotonic()
    seeds = range(asked.first, asked.first + asked.number)
    shares = [list(seeds[one :: asked.workers]) for one in range(asked.workers)]
    tasks = [(share, asked.stop_at, asked.minutes) for share in shares]
    if asked.workers == 1:
        results = [_work(*tasks[0])]
    else:
        with multiprocessing.get_context("spawn").Pool(asked.workers) as pool:
            results = pool.starmap(_work, tasks)
    number = sum(one[0] for one in results)
    counts = sum((one[1] for one in results), Counter())
    failures = [failure for one in results for failure in one[2]]
    for failure in sorted(failures, key=lambda one: one.seed):
        print("\n".join(failure.lines()))
    seconds = time.monotonic() - began
    print(f"{number:,} tours in {seconds:.0f} s ({number / seconds * 60:.0f} a minute), {len(failures)} failed")
    print(", ".join(f"{name} {count:,}" for name, count in counts.most_common()))
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
