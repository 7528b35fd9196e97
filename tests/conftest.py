"""What the tests share: a place on a real disk, and the world that is built there."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from s3_gateway import Gateway, missing, running
from world import World

from tripleguard.places.cache_bypass import detect_cache_bypass


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Keep the tests of a file on one worker, for some share a server; those marked `alone` go to any."""
    for item in items:
        if item.get_closest_marker("alone") is None:
            item.add_marker(pytest.mark.xdist_group(item.nodeid.partition("::")[0]))


@pytest.fixture(scope="session")
def disk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A folder whose files can be read back from a device.

    In memory (tmpfs) a reading back is honestly called `cached` and a clearance says no, so the usual temporary
    folder serves only if it is on a disk; else one beside the project; else the test is skipped.
    """
    usual = tmp_path_factory.getbasetemp()
    if detect_cache_bypass(usual).medium.is_from_device:
        yield usual
        return
    beside = Path(__file__).resolve().parent.parent / "build"
    if not detect_cache_bypass(beside.parent).medium.is_from_device:
        pytest.skip("neither the temporary folder nor the project is on a disk that can be read past the cache")
    beside.mkdir(exist_ok=True)
    made = Path(tempfile.mkdtemp(prefix="tests-", dir=beside))
    yield made
    shutil.rmtree(made, ignore_errors=True)


@pytest.fixture
def here(disk: Path) -> Iterator[Path]:
    """A fresh folder on a disk for one test."""
    made = Path(tempfile.mkdtemp(prefix="w", dir=disk))
    yield made
    shutil.rmtree(made, ignore_errors=True)


@pytest.fixture(scope="session")
def gateway(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Gateway]:
    """A real S3 server, the same for all tests of a run; skipped with the reason where it can't be had."""
    lacking = missing()
    if lacking:
        pytest.skip(f"no object gateway here: {lacking} not installed (Debian: ceph-mon ceph-osd radosgw)")
    # Its sockets have long names; the folder's own must be short.
    with tempfile.TemporaryDirectory(prefix="gw", dir="/tmp") as folder, running(Path(folder)) as started:
        yield started


@pytest.fixture
def bare(here: Path) -> World:
    """A world where nothing was set up."""
    return World(here)


@pytest.fixture
def world(bare: World) -> World:
    """A world with the drives A and B set up."""
    return bare.setup()
