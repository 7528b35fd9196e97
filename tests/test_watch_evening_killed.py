"""A watch that is killed in the middle of an evening: the next start finishes, and reports as if nothing had been.

`scripts/campaign-watch` does the same with many more kills.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from evening_kill_campaign import MIB, differences, evening

pytestmark = pytest.mark.slow

SIZE, FRAMES = MIB, 12


@pytest.fixture(scope="module")
def calm(disk: Path) -> dict[str, Any]:
    """The evening as it comes out in peace."""
    found, _ = evening(disk, 0, 0, SIZE, FRAMES)
    assert found["answer"] == "clear"
    assert found["cards"] == [0, 0, 0]
    assert found["drives"]["A"] == found["drives"]["B"]
    assert len(found["drives"]["A"]) == 3 * (FRAMES + 1) + 2 * FRAMES
    return found


@pytest.mark.parametrize("seed", [1])
def test_an_evening_with_kills_comes_out_as_one_without(disk: Path, calm: dict[str, Any], seed: int) -> None:
    killed, landed = evening(disk, seed, 6, SIZE, FRAMES)
    assert len(landed) == 6
    assert differences(calm, killed) == []
