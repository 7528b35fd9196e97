"""Places that are no S3 go through the library alone: a file as a whole, read back before it counts.

No provider's own server runs here, so this is the library's store in memory: what is tried is our side of it, the
conditional put, the reading back, and what is told. What such a provider does is not proved by it.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from offsite_world import QUICK, paths_on
from world import World, finished

from tripleguard.catalog.places import add_place
from tripleguard.digest import digest_of
from tripleguard.model import PlaceKind, Role
from tripleguard.places.addresses import parse_url
from tripleguard.places.bucket import Habits
from tripleguard.places.marker import new_marker
from tripleguard.places.offsite import mark_offsite, open_offsite
from tripleguard.places.sending import StoreSender
from tripleguard.work.budget import Budget
from tripleguard.work.kit import Kit, OpenDrive, opened, where_drives_are
from tripleguard.work.offsite.rescan_offsite import rescan_offsite
from tripleguard.work.offsite.third_place import OpenOffsite
from tripleguard.work.offsite.upload import upload

obstore = pytest.importorskip("obstore", reason="the extra `offsite` is not installed")


class Cloud:
    """A world with a store in memory as its third place, under an address of another provider."""

    def __init__(self, world: World) -> None:
        from obstore.store import MemoryStore

        self.world, self.store = world, MemoryStore()
        marker = new_marker("offsite", "shelf", "2026-06-13T20:00:00Z", "")
        mark_offsite(self.store, marker)
        with world.kit() as kit, kit.catalog.writing():
            how = {"kind": PlaceKind.OFFSITE, "role": Role.SHELF}
            self.record = add_place(kit.catalog, marker.id, "offsite", at=kit.clock.now(), path=Path("x"), **how)  # type: ignore[arg-type]

    @contextmanager
    def opened(self) -> Iterator[tuple[Kit, list[OpenDrive], OpenOffsite]]:
        with (
            self.world.kit() as kit,
            opened(kit, where_drives_are(kit), "upload", writing=False) as ready,
        ):
            place = open_offsite(self.store, self.record.uid)
            url = parse_url("gs://bucket/tour")
            yield (
                kit,
                ready.looked_at,
                OpenOffsite(self.record, url, place, Habits(), lambda: StoreSender(self.store)),
            )

    def objects(self) -> dict[str, bytes]:
        found = {}
        for page in obstore.list(self.store):
            for meta in page:
                if meta["path"].endswith(".DNG"):
                    found[meta["path"]] = digest_of(bytes(obstore.get(self.store, meta["path"]).bytes()))
        return found


@pytest.fixture
def cloud(world: World) -> Cloud:
    card = world.card()
    card.frames(3)
    assert world.run("offload", card.root, "--shoot", "Harbour").status == 0
    assert world.run("selects", "add", "ORR_0001", "ORR_0002", "ORR_0003").status == 0
    return Cloud(world)


def test_a_file_is_sent_as_a_whole_and_counts_once_it_was_read_back(cloud: Cloud) -> None:
    with cloud.opened() as (kit, drives, place):
        result = finished(upload(kit, drives, place, Budget(), patience=QUICK))
        proofs = kit.catalog.rows("SELECT DISTINCT proof FROM objects")
    assert (result.sent, result.still_owed) == (3, 0)
    assert cloud.objects() == paths_on(cloud.world)
    assert proofs == [("read",)]


def test_what_lies_there_is_not_overwritten(cloud: Cloud) -> None:
    taken = min(paths_on(cloud.world))
    obstore.put(cloud.store, taken, b"another's")
    with cloud.opened() as (kit, drives, place):
        result = finished(upload(kit, drives, place, Budget(), patience=QUICK))
    assert result.sent == 3
    assert bytes(obstore.get(cloud.store, taken).bytes()) == b"another's"
    assert cloud.objects()[taken.replace(".DNG", "-2.DNG")] == paths_on(cloud.world)[taken]


def test_what_changed_there_is_found(cloud: Cloud) -> None:
    with cloud.opened() as (kit, drives, place):
        finished(upload(kit, drives, place, Budget(), patience=QUICK))
        first, *_ = sorted(paths_on(cloud.world))
        obstore.put(cloud.store, first, b"changed")
        scanned, cost = finished(rescan_offsite(kit, place, "due", Budget()))
    assert [(str(kind), path) for kind, path in scanned.found] == [("altered", first)]
    assert cost.read_bytes > 0
