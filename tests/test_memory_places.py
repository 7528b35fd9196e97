"""The jobs know a place by its interface alone: one that is kept in memory goes through all of them unpatched."""

from __future__ import annotations

import contextlib
from pathlib import Path

import pytest
from memory_places import MemoryPlaces
from world import CARD_FOLDERS, World, finished

from tripleguard.catalog.store import create_catalog
from tripleguard.digest import compute_digest
from tripleguard.home import create_home, resolve_home
from tripleguard.jobs.background import Budget
from tripleguard.jobs.cards.offload import offload
from tripleguard.jobs.cards.topup import topup
from tripleguard.jobs.context import JobContext
from tripleguard.jobs.drive_setup import add_drive
from tripleguard.jobs.drives import open_drives, select_maintained_drives, select_writable_drives
from tripleguard.jobs.repair.repair import repair
from tripleguard.jobs.rescan.rescan import rescan
from tripleguard.jobs.rescan.rescan_result import RescanResult
from tripleguard.places.card import open_card

A, B = Path("/in-memory/a"), Path("/in-memory/b")


@pytest.fixture
def places() -> MemoryPlaces:
    return MemoryPlaces()


@pytest.fixture
def world(tmp_path: Path, places: MemoryPlaces) -> World:
    """A home with two drives in memory."""
    world = World(tmp_path)
    world.places = places
    home = resolve_home(str(world.home))
    create_home(home)
    create_catalog(home.catalog).close()
    world.settings("")
    with world.ctx() as ctx:
        add_drive(ctx, "A", A)
        add_drive(ctx, "B", B)
    return world


def offload_card(world: World) -> bool:
    """Offload a card with three frames; return whether it may be reformatted."""
    card = world.card()
    card.frames(3)
    with (
        world.ctx() as ctx,
        contextlib.closing(open_card(card.root, [], CARD_FOLDERS)) as opened,
        open_drives(ctx, select_writable_drives(ctx, ()), "a test") as ready,
    ):
        result = finished(offload(ctx, opened, ready.writable, None, ready.unavailable))
    assert not result.errors
    return result.clearance.is_yes


def rescan_all(ctx: JobContext) -> RescanResult:
    with open_drives(ctx, select_maintained_drives(ctx), "a test") as ready:
        return finished(rescan(ctx, ready.writable, "all", Budget()))


def digests(places: MemoryPlaces, root: Path) -> set[bytes]:
    return {compute_digest(body) for body in places.media[root].pictures().values()}


def test_a_card_is_offloaded_to_drives_in_memory_and_cleared(world: World, places: MemoryPlaces) -> None:
    assert offload_card(world)
    on_card = set(world.card().digests().values())
    assert digests(places, A) == digests(places, B) == on_card


def test_a_rescan_finds_rot_in_memory_and_a_repair_replaces_it(world: World, places: MemoryPlaces) -> None:
    offload_card(world)
    good = digests(places, A)
    path, file = next((path, one) for path, one in places.media[B].files.items() if path.endswith("0002.DNG"))
    places.media[B].put(path, file.body[:-1] + bytes([file.body[-1] ^ 1]), file.mtime_ns)
    with world.ctx() as ctx:
        assert rescan_all(ctx).open_finding_count == 1
        with open_drives(ctx, select_writable_drives(ctx, ()), "a test") as ready:
            result = finished(repair(ctx, ready.writable))
        assert not result.not_repaired
        assert len(result.repaired) == 1
        assert rescan_all(ctx).open_finding_count == 0
    assert digests(places, B) == good
    assert any(path.startswith(".tripleguard/quarantine/") for path in places.media[B].files)


def test_a_topup_makes_the_copies_that_a_drive_in_memory_lacks(world: World, places: MemoryPlaces) -> None:
    places.away.add(B)
    assert not offload_card(world)
    assert digests(places, B) == set()
    places.away.clear()
    with world.ctx() as ctx, open_drives(ctx, select_writable_drives(ctx, ()), "a test") as ready:
        result = finished(topup(ctx, ready.writable))
    assert result.still_under_replicated == 0
    assert digests(places, A) == digests(places, B) == set(world.card().digests().values())
