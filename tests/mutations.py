"""Takes one check away from a copy of the program at a time, and shows that somebody notices.

A mutation is a piece of text that stands once in one file, and what is put in its place. For each of them the
package is copied, changed, and judged by the tests that the list names; where they are silent, by the short form
of the adversary. A mutation that nobody notices is a check that nobody would miss.

`scripts/campaign-mutations [LIST]` prints who caught each of them; exit status 1 if one was not caught.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from kill_campaign import scratch_disk

HERE = Path(__file__).resolve().parent
PROJECT = HERE.parent
_COPIED = ("tripleguard", "tests", "config", "scripts", "pyproject.toml", "README.md", "DEVELOPERS.md")
_PATIENCE = 1800.0


@dataclass(frozen=True)
class Mutation:
    """One check that is taken away: in file, a path below the project, old becomes new."""

    name: str
    file: str
    old: str
    new: str

    def trouble(self, project: Path) -> str:
        """Why it can't be applied; '' if it can."""
        path = project / self.file
        if not path.is_file():
            return f"there is no {self.file}"
        found = path.read_text(encoding="utf-8").count(self.old)
        return "" if found == 1 else f"its text stands {found} times in {self.file}"

    def apply(self, project: Path) -> None:
        """Change the file. Raises ValueError where `trouble` speaks."""
        if why := self.trouble(project):
            raise ValueError(why)
        path = project / self.file
        path.write_text(path.read_text(encoding="utf-8").replace(self.old, self.new), encoding="utf-8")


@dataclass(frozen=True)
class MutationList:
    """The mutations of one component. tests: what is run for each, as for pytest. schedules: of the adversary."""

    tests: tuple[str, ...]
    schedules: int
    mutations: tuple[Mutation, ...]


def mutations_in(path: Path) -> MutationList:
    """The list as it stands in a TOML file. Raises OSError, TypeError, tomllib.TOMLDecodeError."""
    found = tomllib.loads(path.read_text(encoding="utf-8"))
    return MutationList(
        tuple(found["tests"]), found["schedules"], tuple(Mutation(**one) for one in found["mutation"])
    )


class Copy:
    """A copy of the project that is mutated and judged. own: a folder for it alone."""

    def __init__(self, own: Path) -> None:
        self.root = own / "project"
        for name in _COPIED:
            source = PROJECT / name
            if source.is_dir():
                ignore = shutil.ignore_patterns("__pycache__", ".hypothesis")
                shutil.copytree(source, self.root / name, ignore=ignore)
            elif source.exists():
                shutil.copy(source, self.root / name)

    def tests_fail(self, tests: Iterable[str]) -> bool:
        """Whether the ordinary tests notice."""
        words = ["-m", "pytest", "-q", "-x", "-n", "0", "-p", "no:cacheprovider"]
        return self._run(*words, *tests).returncode != 0

    def wrong_yeses(self, schedules: int) -> frozenset[str]:
        """The scenarios and changes in which the adversary gets a wrong yes."""
        found = set[str]()
        for about in ("cards", "drives"):
            done = self._run("tests/adversary.py", str(schedules), "--about", about, "--workers", "1")
            lines = done.stdout.decode("utf-8", "replace").splitlines()
            found |= {line.partition(" times: ")[2] for line in lines if line.startswith("WRONG, ")}
            if done.returncode and not found:
                found.add(f"it broke, about {about}")
        return frozenset(found)

    def _run(self, *words: str) -> subprocess.CompletedProcess[bytes]:
        env = {**os.environ, "PYTHONPATH": f"{self.root}{os.pathsep}{self.root / 'tests'}"}
        return subprocess.run(
            [sys.executable, *words], cwd=self.root, env=env, capture_output=True, timeout=_PATIENCE, check=False
        )


@dataclass(frozen=True)
class Judgement:
    """What happened to one mutation, or to the program as it is: whether the tests fail, and the wrong yeses."""

    tests_fail: bool
    wrong: frozenset[str]


def judged(mutation: Mutation | None, found: MutationList, *, by_tests: bool, by_adversary: bool) -> Judgement:
    """Apply a mutation to a copy and judge it. The adversary is asked only where the tests are silent."""
    with tempfile.TemporaryDirectory(prefix="tripleguard-mutation-", dir=scratch_disk()) as own:
        copy = Copy(Path(own))
        if mutation is not None:
            mutation.apply(copy.root)
        tests_fail = by_tests and copy.tests_fail(found.tests)
        wrong = copy.wrong_yeses(found.schedules) if by_adversary and not tests_fail else frozenset[str]()
        return Judgement(tests_fail, wrong)


def main() -> int:
    """Judge every mutation of a list; exit status 1 if one was not caught."""
    words = argparse.ArgumentParser(prog="campaign-mutations", description=__doc__)
    words.add_argument("list", nargs="?", type=Path, default=HERE / "mutations.toml", help="the list (TOML)")
    words.add_argument("--only", metavar="WORDS", default="", help="those whose name holds these words")
    words.add_argument("--by", choices=["both", "tests", "adversary"], default="both", help="who judges")
    asked = words.parse_args()
    found = mutations_in(asked.list)
    by_tests, by_adversary = asked.by != "adversary", asked.by != "tests"
    plain = judged(None, found, by_tests=by_tests, by_adversary=by_adversary)
    if plain.tests_fail:
        print("The tests fail without any mutation; nothing can be shown.")
        return 1
    if plain.wrong:
        print(f"Without any mutation there are wrong yeses in {len(plain.wrong)} ways; only others count.")
    missed = 0
    for mutation in found.mutations:
        if asked.only not in mutation.name:
            continue
        began = time.monotonic()
        one = judged(mutation, found, by_tests=by_tests, by_adversary=by_adversary)
        new = sorted(one.wrong - plain.wrong)
        by = "the tests" if one.tests_fail else "the adversary" if new else "NOT CAUGHT"
        missed += by == "NOT CAUGHT"
        print(f"{by:14} {mutation.name} ({time.monotonic() - began:.0f} s)", flush=True)
        for line in new[:3]:
            print(f"               {line}", flush=True)
    print(f"{missed} not caught")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
