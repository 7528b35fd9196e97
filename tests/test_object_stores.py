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
from tripleguard.digest import compute_digest
from tripleguard.jobs.background import Budget
from tripleguard.jobs.context import JobContext
from tripleguard.jobs.drives import OpenDrive, locate_drives, open_drives
from tripleguard.jobs.offsite.offsite_place import OpenOffsite
from tripleguard.jobs.offsite.rescan_offsite import rescan_offsite
from tripleguard.jobs.offsite.upload import upload
from tripleguard.model import DriveRole, PlaceKind
from tripleguard.places.marker import create_marker
from tripleguard.places.object_store import open_offsite_place, write_offsite_marker
from tripleguard.places.offsite_url import parse_offsite_url
from tripleguard.places.s3.bucket import ServerCapabilities
from tripleguard.places.uploaders import StoreUploader

obstore = pytest.importorskip("obstore", reason="the extra `offsite` is not installed")


class Cloud:
    """A world with a store in memory as its third place, under an address of another provider."""

    def __init__(self, world: World) -> None:
        from obstore.store import MemoryStore

        self.world, self.store = world, MemoryStore()
        marker = create_marker("offsite", "shelf", "2026-06-13T20:00:00Z", "")
        write_offsite_marker(self.store, marker)
        with world.ctx() as ctx, ctx.catalog.transaction():
            how = {"kind": PlaceKind.OFFSITE, "role": DriveRole.SHELF}
            self.record = add_place(ctx.catalog, marker.id, "offsite", at=ctx.clock.now(), path=Path("x"), **how)  # type: ignore[arg-type]

    @contextmanager
    def opened(self) -> Iterator[tuple[JobContext, list[OpenDrive], OpenOffsite]]:
        with (
            self.world.ctx() as ctx,
            open_drives(ctx, locate_drives(ctx), "upload", for_writing=False) as ready,
        ):
            place = open_offsite_place(self.store, self.record.uid)
            url = parse_offsite_url("gs://bucket/tour")
            yield (
                ctx,
                ready.connected,
                OpenOffsite(self.record, url, place, ServerCapabilities(), lambda: StoreUploader(self.store)),
            )

    def objects(self) -> dict[str, bytes]:
        found = {}
        for page in obstore.list(self.store):
            for meta in page:
                if meta["path"].endswith(".DNG"):
                    found[meta["path"]] = compute_digest(bytes(obstore.get(self.store, meta["path"]).bytes()))
        return found


@pytest.fixture
def cloud(world: World) -> Cloud:
    card = world.card()
    card.frames(3)
    assert world.run("offload", card.root, "--shoot", "Harbour").status == 0
    assert world.run("selects", "add", "ORR_0001", "ORR_0002", "ORR_0003").status == 0
    return Cloud(world)


def test_a_file_is_sent_as_a_whole_and_counts_once_it_was_read_back(cloud: Cloud) -> None:
    with cloud.opened() as (ctx, drives, place):
        result = finished(upload(ctx, drives, place, Budget(), retry_policy=QUICK))
        proofs = ctx.catalog.fetch_all("SELECT DISTINCT verified_by FROM objects")
    assert (result.sent, result.missing) == (3, 0)
    assert cloud.objects() == paths_on(cloud.world)
    assert proofs == [("read",)]


def test_what_lies_there_is_not_overwritten(cloud: Cloud) -> None:
    taken = min(paths_on(cloud.world))
    obstore.put(cloud.store, taken, b"another's")
    with cloud.opened() as (ctx, drives, place):
        result = finished(upload(ctx, drives, place, Budget(), retry_policy=QUICK))
    assert result.sent == 3
    assert bytes(obstore.get(cloud.store, taken).bytes()) == b"another's"
    assert cloud.objects()[taken.replace(".DNG", "-2.DNG")] == paths_on(cloud.world)[taken]


def test_what_changed_there_is_found(cloud: Cloud) -> None:
    with cloud.opened() as (ctx, drives, place):
        finished(upload(ctx, drives, place, Budget(), retry_policy=QUICK))
        first, *_ = sorted(paths_on(cloud.world))
        obstore.put(cloud.store, first, b"changed")
        scanned, cost = finished(rescan_offsite(ctx, place, "due", Budget()))
    assert [(str(kind), path) for kind, path in scanned.new_findings] == [("altered", first)]
    assert cost.read_bytes > 0
