"""Ten years in small: every answer agrees with an oracle that only counts."""

from __future__ import annotations

from pathlib import Path

import pytest
from decade_campaign import play


@pytest.mark.parametrize("seed", [2])
def test_ten_years_of_shoots_and_losses_are_answered_for_rightly(here: Path, seed: int) -> None:
    assert play(here, seed, pairs=6, shoots=24, files=1_200) > 60
