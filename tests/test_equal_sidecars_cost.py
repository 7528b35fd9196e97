"""Many pictures with equal sidecars: what is looked up for each of them does not grow with how many there are.

Nothing here is timed. Counted are the steps of the catalog's engine and the names that are compared.
"""

from __future__ import annotations

import sqlite3
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType

import pytest
from world import World

from tripleguard.catalog import schema
from tripleguard.catalog.file_queries import CopiesByName
from tripleguard.catalog.store import create_catalog
from tripleguard.names import is_name_of_copy

_LOOKED_UP = frozenset({"copy_of", "stands_for", "numbered", "name_keys"})
"""What is called for every copy that comes out of the catalog, and for every comparison of two names."""


@contextmanager
def _counted() -> Iterator[list[int]]:
    """How often one of these is called, in any thread."""
    found = [0]

    def look(frame: FrameType, event: str, _: object) -> None:
        if event == "call" and frame.f_code.co_name in _LOOKED_UP:
            found[0] += 1

    threading.setprofile(look)
    sys.setprofile(look)
    try:
        yield found
    finally:
        sys.setprofile(None)
        threading.setprofile(None)


def _offloaded(root: Path, frames: int) -> float:
    """Names looked up for each file of a card whose pictures all have the same settings."""
    root.mkdir()
    world = World(root).setup()
    card = world.card()
    card.frames(frames)
    for number in range(1, frames + 1):
        card.put(f"DCIM/100ORREY/ORR_{number:04d}.xmp", b"<x/>")
    with _counted() as found:
        done = world.run("offload", card.root)
    assert done.status == 0, done.out
    assert world.on("A") == world.on("B")
    return found[0] / (2 * frames)


def test_equal_sidecars_cost_as_much_each_however_many_there_are(here: Path) -> None:
    few, many = _offloaded(here / "few", 40), _offloaded(here / "many", 160)
    assert many < 1.5 * few + 20


def _steps_per_copy(copies: int) -> float:
    """Steps of the engine to enter one copy and that it was read back, for one content under so many names."""
    catalog = sqlite3.connect(":memory:")
    schema.migrate(catalog)
    catalog.execute(
        "INSERT INTO places (id, uid, name, kind, state, role, added_at)"
        " VALUES (1, 'a', 'A', 'drive', 'active', 'road', 0), (2, 'b', 'B', 'drive', 'active', 'road', 0)"
    )
    catalog.execute("INSERT INTO shoots (id, day, name, created_at) VALUES (1, '2026-06-13', 'show', 0)")
    catalog.execute("INSERT INTO folders (id, place_id, path) VALUES (1, 1, 'f'), (2, 2, 'f')")
    catalog.execute(
        "INSERT INTO files (id, digest, size, name, kind, shoot_id, required_copies, first_seen_at)"
        " VALUES (1, zeroblob(32), 4, 'a.xmp', 'companion', 1, 2, 0)"
    )
    steps = [0]

    def step() -> int:
        steps[0] += 1
        return 0

    catalog.set_progress_handler(step, 10)
    for number in range(copies):
        for place in (1, 2):
            row = catalog.execute(
                "INSERT INTO copies (file_id, place_id, folder_id, name, shoot_id, mtime_ns, state, state_since,"
                " written_at) VALUES (1, ?, ?, ?, 1, 0, 'present', 0, 0)",
                (place, place, f"{number}.xmp"),
            ).lastrowid
            catalog.execute("UPDATE copies SET verified_at = 1, medium = 'direct' WHERE id = ?", (row,))
    assert catalog.execute("SELECT drive_copies, offsite_copies FROM files").fetchone() == (2, 0)
    catalog.close()
    return steps[0] / (2 * copies)


def test_the_catalog_enters_a_twin_in_as_many_steps_however_many_there_are() -> None:
    assert _steps_per_copy(400) < 1.2 * _steps_per_copy(50)


@pytest.mark.parametrize("count", [3, 60], ids=["few", "many"])
def test_copies_are_found_by_what_their_name_stands_for(here: Path, count: int) -> None:
    catalog = create_catalog(here / "catalog.db")
    long = "x" * 248 + ".xmp"
    names = ["ORR_0001-2.XMP", "orr_0001.xmp", "What_.xmp", long, *(f"N_{i}.xmp" for i in range(count))]
    with catalog.transaction():
        catalog.execute(
            "INSERT INTO places (id, uid, name, kind, state, role, added_at)"
            " VALUES (1, 'a', 'A', 'drive', 'active', 'road', 0)"
        )
        catalog.execute("INSERT INTO shoots (id, day, name, created_at) VALUES (1, '2026-06-13', 'show', 0)")
        catalog.execute("INSERT INTO folders (id, place_id, path) VALUES (1, 1, 'f')")
        catalog.execute(
            "INSERT INTO files (id, digest, size, name, kind, shoot_id, required_copies, first_seen_at)"
            " VALUES (1, zeroblob(32), 4, 'a.xmp', 'companion', 1, 2, 0)"
        )

    def enter(name: str) -> None:
        with catalog.transaction():
            catalog.execute(
                "INSERT INTO copies (file_id, place_id, folder_id, name, shoot_id, mtime_ns, state, state_since)"
                " VALUES (1, 1, 1, ?, 1, 0, 'present', 0)",
                name,
            )

    for name in names:
        enter(name)
    by_name = CopiesByName(catalog)
    for wanted in ("ORR_0001.xmp", "What?.xmp", "x" * 251 + ".xmp", "N_2.xmp", "N_2-2.xmp", "nothing.xmp"):
        found = sorted(copy.path[2:] for copy in by_name.find_copies(1, wanted))
        assert found == sorted(name for name in names if is_name_of_copy(name, wanted)), wanted
    enter("nothing.xmp")
    assert [copy.path for copy in by_name.find_copies(1, "nothing.xmp")] == ["f/nothing.xmp"]
    catalog.close()
