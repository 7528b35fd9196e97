"""Killed at any moment: nothing half-written has a name, nothing is claimed that is not so, and it is resumed.

The campaign in `scripts/campaign-kills` runs the same with many more seeds.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from disk_images import why_not
from kill_campaign import Ground, ground, killed


@pytest.fixture(scope="module", params=["folders", pytest.param("exfat", marks=pytest.mark.images)])
def place(request: pytest.FixtureRequest, disk: Path) -> Iterator[Ground]:
    kind: str = request.param
    if kind != "folders" and (why := why_not(kind)) is not None:
        pytest.skip(why)
    root = disk / f"kills-{kind}"
    root.mkdir()
    with ground(root, kind) as made:
        yield made


@pytest.mark.parametrize("seed", range(3))
def test_killed_at_any_moment_it_lies_about_nothing_and_is_resumed(place: Ground, seed: int) -> None:
    """A failing seed is replayed by `scripts/campaign-kills 1 --first SEED --on folders`, or `--on exfat`."""
    landed = killed(place, seed)
    assert landed
