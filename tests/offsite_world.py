"""A world with a third place: a bucket of a real server, behind a line that may fail."""

from __future__ import annotations

import html
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import pytest
from s3_gateway import KEY, SECRET, Gateway
from world import CardFolder, TestClock, World, finished

from tripleguard.digest import compute_digest
from tripleguard.jobs.background import Budget
from tripleguard.jobs.context import JobContext
from tripleguard.jobs.drives import OpenDrive, locate_drives, open_drives
from tripleguard.jobs.offsite.network import RetryPolicy
from tripleguard.jobs.offsite.offsite_place import OpenOffsite, open_locked_offsite, require_offsite
from tripleguard.jobs.offsite.upload import UploadResult, upload

PART = 5 * 1024 * 1024
BIG = 2 * PART + 1_000_003
QUICK = RetryPolicy(first_wait_s=0.02, max_wait_s=0.2, max_tries=40, give_up_after_s=60.0, response_timeout_s=2.0)


def credentials_for(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where a person has them: in the environment."""
    monkeypatch.setenv("AWS_ACCESS_KEY_ID", KEY)
    monkeypatch.setenv("AWS_SECRET_ACCESS_KEY", SECRET)
    for name in ("AWS_PROFILE", "AWS_ENDPOINT_URL", "AWS_SESSION_TOKEN", "AWS_REGION"):
        monkeypatch.delenv(name, raising=False)


class Offsite:
    """A world with a bucket behind a line. Its lines can be exchanged: the address stays."""

    def __init__(self, world: World, gateway: Gateway, endpoint: str | None = None) -> None:
        self.world, self.gateway = world, gateway
        self.bucket = gateway.bucket()
        self.url = f"s3://{self.bucket}/tour 26?endpoint={endpoint or gateway.endpoint}"

    def setup(self) -> Offsite:
        answer = self.world.run("setup", "--offsite", self.url)
        assert answer.status == 0, answer.err
        return self

    def chosen(
        self, count: int, *, size: int = 64 << 10, more: Callable[[CardFolder], object] | None = None
    ) -> None:
        """A card with so many frames, offloaded, all of them selects."""
        card = self.world.card()
        frames = card.frames(count, size=size)
        if more is not None:
            more(card)
        assert self.world.run("offload", card.root, "--shoot", "Harbour").status == 0
        answer = self.world.run("selects", "add", *(frame.stem for frame in frames))
        assert answer.status == 0, answer.out

    def objects(self) -> dict[str, bytes]:
        """What the bucket holds of pictures: key below the prefix to digest, asked of the server itself."""
        found, marker = {}, ""
        while True:
            query = {"list-type": "2", "prefix": "tour 26/"} | ({"start-after": marker} if marker else {})
            body = self.gateway.ask("GET", f"/{self.bucket}", query)[1].decode()
            keys = [html.unescape(key) for key in re.findall(r"<Key>([^<]*)</Key>", body)]
            for key in keys:
                name = key.removeprefix("tour 26/")
                if not name.startswith(".tripleguard/") and not name.endswith("checksums.b3"):
                    found[name] = compute_digest(self.gateway.ask("GET", f"/{self.bucket}/{key}")[1])
            if "<IsTruncated>true</IsTruncated>" not in body:
                return found
            marker = keys[-1]

    def get(self, key: str) -> bytes:
        return self.gateway.ask("GET", f"/{self.bucket}/tour 26/{key}")[1]

    @contextmanager
    def opened(
        self, patience: RetryPolicy = QUICK, clock: TestClock | None = None
    ) -> Iterator[tuple[JobContext, list[OpenDrive], OpenOffsite]]:
        """What a job is given, with a test's patience."""
        with (
            self.world.ctx(clock) as ctx,
            open_drives(ctx, locate_drives(ctx), "upload", for_writing=False) as ready,
            open_locked_offsite(ctx, require_offsite(ctx), "upload", patience) as place,
        ):
            yield ctx, ready.connected, place

    def send(
        self, *, patience: RetryPolicy = QUICK, clock: TestClock | None = None, budget: Budget | None = None
    ) -> UploadResult:
        """The upload itself, with a test's patience."""
        with self.opened(patience, clock) as (ctx, drives, place):
            return finished(upload(ctx, drives, place, budget or Budget(), retry_policy=patience))


def paths_on(world: World) -> dict[str, bytes]:
    return {path: digest for path, digest in world.on("A").items() if path.endswith((".DNG", ".JPG", ".xmp"))}
