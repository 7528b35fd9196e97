"""What became of a bad copy, told by laying it beside a good one.

The shapes are those of `damaging`: Panzer-Steindel, Data integrity, CERN 2007, and what torn writing leaves.
"""

from __future__ import annotations

import os
import random

import pytest
from damage_injection import STUDIED, TORN, Fault, damaged, shapes_of
from hypothesis import given, settings
from hypothesis import strategies as some

from tripleguard.jobs.rescan.damage import CopyDamage, DamageClassifier

GOOD = random.Random(8).randbytes(200_000)


def compared(bad: bytes, good: bytes, piece: int = 100_000) -> CopyDamage:
    comparison = DamageClassifier()
    for offset in range(0, max(len(bad), len(good)), piece):
        comparison.feed(bad[offset : offset + piece], good[offset : offset + piece])
    return comparison.classify()


@settings(max_examples=60, deadline=None)
@given(
    shape=some.sampled_from([*STUDIED, *TORN]),
    seed=some.integers(0, 10**6),
    piece=some.sampled_from([512, 4096, 65536, 100_352, 1 << 20]),
)
def test_every_shape_is_told_wherever_it_lies(shape: str, seed: int, piece: int) -> None:
    bad, start, end = damaged(GOOD, shape, random.Random(seed))
    fault = Fault("A", "x", shape, True, start, end, GOOD, bad)
    damage = compared(bad, GOOD, piece)
    assert (damage.shape, damage.description) == (shape, fault.sentence())
    pairs = zip(bad, GOOD, strict=False)
    assert damage.differing_bytes == sum(one != other for one, other in pairs)


def test_the_proportions_are_those_of_the_study() -> None:
    """10 / 10 / 80 per cent: Panzer-Steindel, Data integrity, CERN 2007."""
    shapes = shapes_of(1000, random.Random(1))
    studied = [shape for shape in shapes if shape in STUDIED]
    assert len(shapes) == 1000
    assert {shape: round(100 * studied.count(shape) / len(studied)) for shape in STUDIED} == STUDIED
    assert set(TORN) < set(shapes)


@pytest.mark.parametrize("last", [b"\x01", b"\x80"])
def test_a_flipped_bit_at_the_very_end_is_no_tail_of_zeros(last: bytes) -> None:
    assert compared(GOOD + b"\x00", GOOD + last).description == "one bit is flipped, at byte 200,000"


def test_a_tail_of_zeros_may_begin_in_zeros_that_were_always_there() -> None:
    good = GOOD[:1000] + bytes(1000) + GOOD[2000:]
    damage = compared(good[:1500] + bytes(len(good) - 1500), good)
    assert (damage.shape, damage.description) == ("zero tail", "everything from byte 1,000 on is zeros")


def test_one_lost_block_is_not_taken_for_blocks_that_changed_places() -> None:
    """A block that stands twice, and another one nowhere, is a loss."""
    bad = bytearray(GOOD)
    bad[4096:8192] = GOOD[40960:45056]
    assert compared(bytes(bad), GOOD).shape == "region"


def test_a_copy_of_something_else_altogether_is_told_soon() -> None:
    other = os.urandom(len(GOOD))
    damage = compared(other, GOOD)
    assert damage.shape == "scattered"
    assert compared(GOOD + b"more", GOOD).description == "4 bytes were added at the end"
    assert compared(GOOD, GOOD).shape == "none"
