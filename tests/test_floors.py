"""The jobs have floors of their own: a group of them stands only on those below it."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

import tripleguard

WORK = Path(tripleguard.__file__).parent / "work"

FLOORS: dict[str, frozenset[str]] = {
    "": frozenset(),
    "rescanning": frozenset({""}),
    "decoding": frozenset({""}),
    "handing": frozenset({""}),
    "clearance": frozenset({"", "rescanning"}),
    "cards": frozenset({"", "rescanning", "clearance"}),
    "mending": frozenset({"", "rescanning", "cards"}),
    "offsite": frozenset({"", "rescanning", "cards", "mending"}),
    "years": frozenset({"", "rescanning", "clearance", "cards", "mending"}),
    "answers": frozenset({"", "cards", "offsite"}),
}
"""On which groups each group may stand; `` is what lies right in `work`."""


def imported(source: str) -> Iterator[str]:
    """The groups of jobs that a room names in its imports, wherever they stand in it."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.ImportFrom) and node.module is not None:
            names = [node.module, *(f"{node.module}.{alias.name}" for alias in node.names)]
        elif isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        else:
            continue
        for name in names:
            parts = name.split(".")
            if parts[:2] == ["tripleguard", "work"] and len(parts) > 2:
                yield parts[2] if parts[2] in FLOORS else ""


def group_of(path: Path) -> str:
    return "" if path.parent == WORK else path.parent.name


def test_every_group_has_its_floor() -> None:
    assert {group_of(path) for path in WORK.rglob("*.py")} == FLOORS.keys()


@pytest.mark.parametrize("group", FLOORS)
def test_jobs_stand_on_those_below(group: str) -> None:
    for path in WORK.rglob("*.py"):
        if group_of(path) == group:
            above = set(imported(path.read_text(encoding="utf-8"))) - FLOORS[group] - {group}
            assert not above, f"{path.relative_to(WORK)} stands on {sorted(above)}"


def test_a_job_that_stands_on_one_above_is_found() -> None:
    source = "def f():\n    from tripleguard.work.years import rebuild\n"
    assert set(imported(source)) - FLOORS["rescanning"] - {"rescanning"} == {"years"}
