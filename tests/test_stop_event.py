"""A job that is abandoned ends its own threads and leaves the caller's stop event alone: other jobs share it."""

from __future__ import annotations

import pytest
from world import World

from tripleguard.jobs.background import Budget
from tripleguard.jobs.context import JobContext
from tripleguard.jobs.drives import open_drives, select_writable_drives
from tripleguard.jobs.lifecycle.adopt import adopt
from tripleguard.jobs.progress import Job, ProgressUpdate
from tripleguard.jobs.rescan.rescan import rescan


@pytest.mark.parametrize("kind", ["rescan", "adopt"])
def test_a_job_that_is_closed_in_the_middle_does_not_stop_its_caller(world: World, kind: str) -> None:
    card = world.card()
    card.frames(40, size=4 << 20)
    assert world.offload_job(card.root).clearance.is_yes
    for number, copy in enumerate(sorted(world.drives["A"].rglob("ORR_*.DNG"))):
        copy.with_name(f"SCN_{number:04d}.DNG").write_bytes(copy.read_bytes() + bytes([number]))
    with world.ctx() as ctx, open_drives(ctx, select_writable_drives(ctx, ()), "a test") as drives:

        def start(ctx: JobContext) -> Job[object]:
            if kind == "rescan":
                return rescan(ctx, drives.writable, "all", Budget())
            return adopt(ctx, drives.writable)

        job = start(ctx)
        # The threads run once the job reports bytes to read.
        while not (isinstance(step := next(job), ProgressUpdate) and step.total_bytes):
            pass
        job.close()
        assert not ctx.stop.is_set()
