"""Laying a bad copy beside a good one to say what happened to it."""

from __future__ import annotations

import os
from collections.abc import Sequence

from tripleguard.catalog import questions
from tripleguard.model import Copy, CopyState
from tripleguard.work.damage import Comparison, Damage
from tripleguard.work.kit import Kit, OpenDrive

_PIECE = 1024 * 1024


def damage_at(kit: Kit, drives: Sequence[OpenDrive], drive: OpenDrive, path: str) -> Damage | None:
    """How the copy at path differs from a good one on a connected drive; None if there is none to compare."""
    bad = questions.copy_at(kit.catalog, drive.record.id, path)
    if bad is None:
        return None
    for other in drives:
        for good in questions.copies_of(kit.catalog, bad.file_id):
            if good.place_id == other.record.id and _is_good(good) and good.id != bad.id:
                try:
                    return _compared(drive, bad.path, other, good.path)
                except OSError:
                    continue
    return None


def _is_good(copy: Copy) -> bool:
    return copy.state is CopyState.PRESENT and copy.evidence.verified_at is not None


def _compared(bad_drive: OpenDrive, bad_path: str, good_drive: OpenDrive, good_path: str) -> Damage:
    comparison = Comparison()
    bad = bad_drive.place.open_for_reading(bad_path)
    try:
        good = good_drive.place.open_for_reading(good_path)
        try:
            while True:
                one, other = os.read(bad, _PIECE), os.read(good, _PIECE)
                if not one and not other:
                    return comparison.damage()
                comparison.feed(one, other)
        finally:
            os.close(good)
    finally:
        os.close(bad)
