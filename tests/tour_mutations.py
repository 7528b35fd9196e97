"""Plants one mistake at a time in a copy of the program, and counts how many tours it takes to find it.

`scripts/campaign-tours mutations` prints the table of docs/trust.md; exit status 1 if a mistake was not found.
"""

from __future__ import annotations

import argparse
import os
import re
import subprocess
import sys
import tempfile
import time
import tomllib
from collections.abc import Iterable
from pathlib import Path

from mutations import Copy, Mutation

LIST = Path(__file__).with_name("tour_mutations.toml")
_FOUND = re.compile(r"^([\d,]+) tours in .*, (\d+) failed$", re.MULTILINE)
_WHY = re.compile(r"^seed \d+: (.*)$", re.MULTILINE)


def tour_mutations() -> tuple[Mutation, ...]:
    """Return the mistakes of the list."""
    found = tomllib.loads(LIST.read_text(encoding="utf-8"))
    return tuple(Mutation(**one) for one in found["mutation"])


def count_tours(mistake: Iterable[Mutation], most: int) -> tuple[int | None, str]:
    """Return how many tours it took to find a mistake, and what was seen; None if that many did not."""
    with tempfile.TemporaryDirectory(prefix="tripleguard-mutation-") as own:
        copy = Copy(Path(own))
        for mutation in mistake:
            mutation.apply(copy.root)
        env = {**os.environ, "PYTHONPATH": f"{copy.root}{os.pathsep}{copy.root / 'tests'}"}
        words = [sys.executable, "tests/tour.py", str(most), "--workers", "1", "--stop-at", "1"]
        done = subprocess.run(words, cwd=copy.root, env=env, capture_output=True, text=True, check=False)
    found = _FOUND.search(done.stdout)
    if found is None:
        return None, f"it broke: {done.stderr.strip()[-200:]}"
    why = _WHY.search(done.stdout)
    return (int(found[1].replace(",", "")), why[1] if why else "") if found[2] != "0" else (None, "")


def main() -> int:
    """Judge every mistake of the list."""
    words = argparse.ArgumentParser(prog="campaign-tours mutations", description=__doc__)
    words.add_argument("--most", type=int, default=1000, help="tours for each")
    words.add_argument("--only", metavar="WORDS", default="", help="those whose name holds these words")
    words.add_argument("--first", type=int, default=1, metavar="N", help="begin with the N-th of the list")
    asked = words.parse_args()
    missed = 0
    for name in list(dict.fromkeys(one.name for one in tour_mutations()))[asked.first - 1 :]:
        if asked.only not in name:
            continue
        began = time.monotonic()
        tours, why = count_tours([one for one in tour_mutations() if one.name == name], asked.most)
        missed += tours is None
        print(f"{tours or 'NOT FOUND':>9}  {name} ({time.monotonic() - began:.0f} s): {why}", flush=True)
    print(f"{missed} not found")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
