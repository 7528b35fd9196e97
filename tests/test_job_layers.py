"""The packages of `jobs` import one another in one direction only."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

import tripleguard

JOBS = Path(tripleguard.__file__).parent / "jobs"

MAY_IMPORT: dict[str, frozenset[str]] = {
    "": frozenset(),
    "copying": frozenset({""}),
    "rescan": frozenset({"", "copying"}),
    "inspect": frozenset({"", "copying"}),
    "handover": frozenset({"", "copying"}),
    "clearance": frozenset({"", "copying", "rescan"}),
    "cards": frozenset({"", "copying", "rescan", "clearance"}),
    "repair": frozenset({"", "copying", "rescan", "cards", "clearance"}),
    "offsite": frozenset({"", "copying", "rescan", "cards", "repair"}),
    "lifecycle": frozenset({"", "copying", "rescan", "clearance", "cards", "repair"}),
    "queries": frozenset({"", "cards", "offsite"}),
    "commands": frozenset({"", "copying", "rescan", "inspect", "cards", "repair", "offsite"}),
}
"""What each package may import; "" is what lies right in `jobs`, except for `commands`, which lies above them."""


def imported(source: str) -> Iterator[str]:
    """Yield the packages of `jobs` that a module imports, wherever in it."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.ImportFrom) and node.module is not None:
            names = [node.module, *(f"{node.module}.{alias.name}" for alias in node.names)]
        elif isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        else:
            continue
        for name in names:
            parts = name.split(".")
            if parts[:2] == ["tripleguard", "jobs"] and len(parts) > 2:
                yield parts[2] if parts[2] in MAY_IMPORT else ""


def group_of(path: Path) -> str:
    if path.parent != JOBS:
        return path.parent.name
    return path.stem if path.stem in MAY_IMPORT else ""


def test_every_package_of_jobs_is_listed() -> None:
    assert {group_of(path) for path in JOBS.rglob("*.py")} == MAY_IMPORT.keys()


@pytest.mark.parametrize("group", MAY_IMPORT)
def test_jobs_import_only_what_lies_below(group: str) -> None:
    for path in JOBS.rglob("*.py"):
        if group_of(path) == group:
            above = set(imported(path.read_text(encoding="utf-8"))) - MAY_IMPORT[group] - {group}
            assert not above, f"{path.relative_to(JOBS)} may not import {sorted(above)}"


def test_an_import_of_a_package_above_is_found() -> None:
    source = "def f():\n    from tripleguard.jobs.lifecycle import rebuild\n"
    assert set(imported(source)) - MAY_IMPORT["rescan"] - {"rescan"} == {"lifecycle"}
