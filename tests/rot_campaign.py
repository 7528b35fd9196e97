"""Rot by the thousand: nights of faults, pictures damaged on both drives, clean files, rescans that are killed.

`scripts/campaign-faults [N]` runs it and prints what `docs/campaigns.md` tells. A seed decides everything but the
scheduler, so a night that failed is replayed by `scripts/campaign-faults 250 --first SEED --only nights`.
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

from both_copies_damaged import CASES, both_damaged
from damage_injection import Fault
from false_alarm_cases import clean_rescan
from kill_campaign import scratch_disk
from rescan_kill_campaign import killed, resumed, shelf_below
from rot_scenarios import Night, archive, night

_A_NIGHT = 250
"""Faults in one night at most."""
_EACH = 12
"""Files that are damaged on both drives, for each case."""


def nights(root: Path, number: int, first: int) -> None:
    """So many faults, in nights, each of which begins with all whole. Raises AssertionError with the seed."""
    done: list[Night] = []
    seed, left = first, number
    with archive(root, 2 * _A_NIGHT) as place:
        while left > 0:
            many = min(left, _A_NIGHT)
            try:
                done.append(night(place, seed, many))
            except AssertionError as error:
                raise AssertionError(f"seed {seed} ({many} faults): {error}") from error
            left, seed = left - many, seed + 1
    faults = [fault for one in done for fault in one.faults]
    print(
        f"  {len(faults)} faults in {len(done)} nights (seeds {first} to {seed - 1}), in "
        f"{sum(one.clusters for one in done)} clusters: all found as what they are, all repaired, nothing found "
        f"that was not there"
    )
    for shape, of_shape in _by(faults, lambda fault: fault.shape).items():
        kinds = Counter(fault.kind for fault in of_shape)
        print(f"    {shape}: {len(of_shape)} ({', '.join(f'{kind} {count}' for kind, count in kinds.items())})")
    print(
        f"  reading {2 * len(place.files)} copies took {max(one.rescan_seconds for one in done):.1f} s at most, "
        f"repairing {max(one.repair_seconds for one in done):.1f} s"
    )


def both(root: Path, _: int, first: int) -> None:
    """Pictures damaged on both drives, by every case."""
    with archive(root, _EACH * len(CASES) + 4) as place:
        told = both_damaged(place, first, _EACH)
    print(f"  damaged on both drives: {told['put together']} put together, {told['not']} kept and said, none lost")


def clean(root: Path, number: int, _: int) -> None:
    """Clean files, and what looks like a fault and is none."""
    told = clean_rescan(root, number)
    print(
        f"  {told.files} clean files: {told.read_back} copies read back in {told.seconds:.1f} s, "
        f"{told.false} findings"
    )


def kills(root: Path, number: int, first: int) -> None:
    """Rescans killed at random moments, and what is read again."""
    chance, survived, again = random.Random(first), 0, Counter[int]()
    with shelf_below(root, 10, 300) as shelf:
        for one in range(number):
            slow = one % 2 == 1
            found = killed(shelf, "60MB/s" if slow else "100GB/s", chance.random() * (2.5 if slow else 0.6))
            survived += found.over
            again.update(resumed(shelf, found))
    print(
        f"  {number} rescans killed ({survived} after the end): pictures read twice on a drive: "
        + ", ".join(f"{count} in {times}" for count, times in sorted(again.items()))
    )


def main() -> int:
    """Run the campaign and print its numbers; exit status 1 if anything was not as it must be."""
    words = argparse.ArgumentParser(prog="campaign-faults", description=__doc__)
    words.add_argument("number", nargs="?", type=int, default=1000, help="faults to inject (default 1000)")
    words.add_argument("--first", type=int, default=1, help="the first seed (default 1)")
    words.add_argument("--clean", type=int, default=20_000, help="clean files (default 20000)")
    words.add_argument("--kills", type=int, default=20, help="rescans to kill (default 20)")
    words.add_argument("--only", choices=["nights", "both", "clean", "kills"], help="only this part")
    asked = words.parse_args()
    failed = 0
    parts: dict[str, tuple[Callable[[Path, int, int], None], int]] = {
        "nights": (nights, asked.number),
        "both": (both, 0),
        "clean": (clean, asked.clean),
        "kills": (kills, asked.kills),
    }
    for name, (part, number) in parts.items():
        if asked.only in (None, name):
            failed += _run(name, part, number, asked.first)
    return 1 if failed else 0


def _run(name: str, part: Callable[[Path, int, int], None], number: int, first: int) -> int:
    began = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="tripleguard-faults-", dir=scratch_disk()) as root:
        try:
            part(Path(root), number, first)
        except AssertionError as error:
            print(f"FAILED: {name}: {error}", flush=True)
            return 1
    print(f"  ({name}: {time.monotonic() - began:.0f} s)", flush=True)
    return 0


def _by(faults: list[Fault], word: Callable[[Fault], str]) -> dict[str, list[Fault]]:
    found: dict[str, list[Fault]] = {}
    for fault in sorted(faults, key=word):
        found.setdefault(word(fault), []).append(fault)
    return found


if __name__ == "__main__":
    sys.exit(main())
