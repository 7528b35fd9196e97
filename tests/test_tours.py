"""Simulated tours break no promise, and the simulator finds mistakes.

`scripts/campaign-tours` is the long form.
"""

from __future__ import annotations

from pathlib import Path
from unittest.mock import patch

import pytest
from mutations import PROJECT, Mutation
from tour import Outcome, Stage, plan, played, scratch_folder
from tour_mutations import tour_mutations
from tour_world import TourError, TourWorld

from tripleguard.model import File
from tripleguard.places import copy_writer
from tripleguard.places.place_writer import PlaceWriter

pytestmark = [
    pytest.mark.alone,
    pytest.mark.skipif(scratch_folder() is None, reason="no memory file system: too slow on a disk"),
]


@pytest.fixture
def stage(tmp_path: Path) -> Stage:
    return Stage(tmp_path)


@pytest.mark.slow
def test_no_promise_is_broken_in_tours_with_faults_and_a_hasty_person() -> None:
    number, counts, failures = played(range(1, 21))
    assert number == 20
    assert counts["yes"] > 8, "tours without a yes prove nothing"
    assert not failures, "\n".join(line for failure in failures for line in failure.lines())


def test_a_seed_is_one_tour() -> None:
    assert plan(7) == plan(7)
    assert plan(7) != plan(8)


def test_a_copy_that_was_never_flushed_is_found_and_the_tour_is_shortened(stage: Stage) -> None:
    steps = ["shoot 1 1", "night 1", "shoot 0 2", "disturb cut A rename 400 offload 0 wipe", "clear 1", "topup"]
    with patch.object(copy_writer, "flush_to_medium", lambda descriptor: None):
        assert stage.play(steps).why
        assert len(stage.shorten(steps)) == 2


def test_a_bad_copy_that_is_deleted_and_not_quarantined_is_found(stage: Stage) -> None:
    steps = ["shoot 0 1", "offload 0 wipe", "rot A 0", "rescan", "repair"]
    assert stage.play(steps) == Outcome("", stage.play(steps).log)
    with patch.object(PlaceWriter, "_move_to_quarantine", _delete):
        assert "took the last copy" in stage.play(steps).why


def test_a_medium_that_stores_other_bytes_than_were_written_is_noticed_by_the_program(stage: Stage) -> None:
    steps = ["shoot 0 2", "disturb garble B write 1 offload 0 wipe", "rescan"]
    outcome = stage.play(steps)
    assert outcome.why == ""
    assert "(garble drive-b write 1)" in outcome.log[0]
    with patch.object(File, "__eq__", lambda one, other: one.size == other.size):
        assert "said yes" in stage.play(steps).why


def test_the_oracle_notices_a_frame_that_is_nowhere(tmp_path: Path) -> None:
    for name in ("drive-a", "drive-b"):
        (tmp_path / name).mkdir()
    world = TourWorld(tmp_path)
    world.shoot(world.cards[0], 1)
    world.cards[0].cleared = frozenset(world.on_card(world.cards[0]).values())
    world.reformat(world.cards[0])
    with pytest.raises(TourError, match="is lost"):
        world.check()


@pytest.mark.parametrize("mutation", tour_mutations(), ids=lambda one: one.name)
def test_every_mistake_of_the_list_can_still_be_planted(mutation: Mutation) -> None:
    assert mutation.trouble(PROJECT) == ""


def _delete(writer: PlaceWriter, path: str, reason: str, name: str = "") -> str:
    (writer.dir_handle.root / path).unlink()
    return path
