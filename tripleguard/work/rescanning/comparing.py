"""Laying a bad copy beside a good one to say what happened to it.

Both come from the medium, as memory may still hold what a copy was; and the good one counts only if it reads back
as it should at this moment.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence

from tripleguard.catalog import questions
from tripleguard.digest import Hasher
from tripleguard.model import Copy, CopyState, File
from tripleguard.places.base import Place, Reading
from tripleguard.places.media import aligned_buffer
from tripleguard.work.kit import Kit, OpenDrive
from tripleguard.work.rescanning.damage import Comparison, Damage

_PIECE = 1024 * 1024


def damage_at(kit: Kit, drives: Sequence[OpenDrive], drive: OpenDrive, path: str) -> Damage | None:
    """How the copy at path differs from a good one on a connected drive; None if there is none to compare."""
    bad = questions.copy_at(kit.catalog, drive.record.id, path)
    if bad is None:
        return None
    whole = questions.file_with_id(kit.catalog, bad.file_id).file
    for other in drives:
        for good in questions.copies_of(kit.catalog, bad.file_id):
            if good.place_id == other.record.id and _is_good(good) and good.id != bad.id:
                try:
                    found = _compared(drive.place, bad.path, other.place, good.path, whole)
                except OSError:
                    continue
                if found is not None:
                    return found
    return None


def _is_good(copy: Copy) -> bool:
    return copy.state is CopyState.PRESENT and copy.evidence.verified_at is not None


def _compared(bad_place: Place, bad_path: str, good_place: Place, good_path: str, whole: File) -> Damage | None:
    """How they differ; None if the good one does not hold the whole file. Raises OSError."""
    comparison, hasher = Comparison(), Hasher()
    bad = bad_place.read(bad_path)
    try:
        good = good_place.read(good_path)
        try:
            for one, other in itertools.zip_longest(_pieces(bad), _pieces(good), fillvalue=b""):
                hasher.update(other)
                comparison.feed(one, other)
        finally:
            good.close()
    finally:
        bad.close()
    return comparison.damage() if hasher.file() == whole else None


def _pieces(reading: Reading) -> Iterator[bytes]:
    """What is read in pieces of one size, the last one shorter, however the medium gives it."""
    buffer, held = aligned_buffer(_PIECE), bytearray()
    while count := reading.readinto(buffer):
        held += buffer[:count]
        while len(held) >= _PIECE:
            yield bytes(held[:_PIECE])
            del held[:_PIECE]
    if held:
        yield bytes(held)
