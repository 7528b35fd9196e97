"""Paint a stage at night as a mosaic: beams of coloured light from above, and a crowd in the dark below.

It shows no real person or place; a seed makes one scene, the same on every machine.
"""

from __future__ import annotations

import random

from tripleguard.demo.mosaic import Mosaic

_DARK = 14
_BRIGHTEST = 235
_NEUTRAL = 128

# Chroma of the stage lights: amber, magenta, blue, cyan, red, and plain white.
_GELS = ((84, 152), (168, 188), (208, 104), (158, 74), (104, 214), (128, 128))


def paint_stage_scene(seed: int, columns: int, rows: int) -> Mosaic:
    """Return a scene of columns x rows blocks."""
    source = random.Random(f"stage {seed}")
    area = columns * rows
    grain = source.randbytes(area)
    luma = [_DARK + (grain[i] & 7) for i in range(area)]
    blue, red = bytearray([_NEUTRAL]) * area, bytearray([_NEUTRAL]) * area
    for _ in range(3 + _random_below(source, 4)):
        _add_beam(source, columns, rows, luma, blue, red)
    _add_crowd(source, columns, rows, luma, blue, red)
    return Mosaic(columns, bytes(min(value, _BRIGHTEST) for value in luma), bytes(blue), bytes(red))


def _random_below(source: random.Random, limit: int) -> int:
    """Return a number from 0 to limit - 1.

    It uses `random()`, the only method whose values are the same in all versions of Python.
    """
    return int(source.random() * limit)


def _add_beam(
    source: random.Random, columns: int, rows: int, luma: list[int], blue: bytearray, red: bytearray
) -> None:
    """Add one cone of light from the top edge down, brightest along its middle and near its lamp."""
    lamp, lands = _random_below(source, columns), _random_below(source, columns)
    spread = columns * (8 + _random_below(source, 14)) // 100 + 1
    power = 70 + _random_below(source, 110)
    gel_blue, gel_red = _GELS[_random_below(source, len(_GELS))]
    for row in range(rows):
        middle = lamp + (lands - lamp) * row // rows
        half = 1 + spread * row // rows
        here = power * (2 * rows - row) // (2 * rows)
        first, last = max(0, middle - half), min(columns - 1, middle + half)
        for at in range(row * columns + first, row * columns + last + 1):
            share = half - abs(at - row * columns - middle) + 1
            luma[at] += here * share // (half + 1)
            blue[at] += (gel_blue - blue[at]) * share // (half + 2)
            red[at] += (gel_red - red[at]) * share // (half + 2)


def _add_crowd(
    source: random.Random, columns: int, rows: int, luma: list[int], blue: bytearray, red: bytearray
) -> None:
    """Add heads along the lower edge, black against the light."""
    at = 0
    while at < columns:
        wide = 1 + _random_below(source, max(2, columns // 24))
        tall = rows * (10 + _random_below(source, 14)) // 100
        for row in range(rows - tall, rows):
            for i in range(row * columns + at, row * columns + min(columns, at + wide)):
                luma[i], blue[i], red[i] = _DARK // 2, _NEUTRAL, _NEUTRAL
        at += wide
