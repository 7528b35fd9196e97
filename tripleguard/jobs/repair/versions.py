"""Compare the version of an original that a path should hold with the one it holds now.

A repair must not replace a whole picture by one that is known to be broken: the recorded version may be the part
that an interrupted copy left, and the changed one the whole picture.
"""

from __future__ import annotations

import os

from tripleguard.cameras.integrity.checker import IntegrityChecker
from tripleguard.catalog import file_queries, places
from tripleguard.catalog.integrity import find_damage
from tripleguard.catalog.rows import KnownFile
from tripleguard.catalog.store import Catalog
from tripleguard.errors import CopyError
from tripleguard.jobs.drives import OpenDrive
from tripleguard.model import CopyState, Entry, Integrity
from tripleguard.names import escape_text

_CHUNK_BYTES = 1 << 20


def find_reason_to_keep(catalog: Catalog, known: KnownFile, drive: OpenDrive, entry: Entry) -> str | None:
    """Return why the file at entry's path is better than the recorded one and must stay; None if it is not.

    The reason names each version and where it is. Raises CatalogError.
    """
    damage = find_damage(catalog, known.id)
    if (
        damage is None
        or not damage.is_broken
        or _check(drive, entry) not in (Integrity.CLEAN, Integrity.UNCHECKED)
    ):
        return None
    names = {place.id: place.name for place in places.list_places(catalog)}
    where = ", ".join(
        f"{names[copy.place_id]}: {escape_text(copy.path)}"
        for copy in file_queries.list_copies(catalog, known.id)
        if copy.state is CopyState.PRESENT
    )
    return (
        f"the recorded version is broken ({damage.reason}; on {where or 'no drive'}), and in the one that is here "
        "no damage was found. Nothing was replaced. Rename this one, then run `rescan`, `adopt` and `topup`: both "
        "are kept"
    )


def _check(drive: OpenDrive, entry: Entry) -> Integrity | None:
    """Return the verdict on a file's structure; None if it can't be read."""
    checker = IntegrityChecker(entry.name, entry.size)
    try:
        descriptor = drive.place.open_for_reading(entry.path)
        try:
            while chunk := os.read(descriptor, _CHUNK_BYTES):
                checker.feed(chunk)
        finally:
            os.close(descriptor)
    except (OSError, CopyError):
        return None
    return checker.get_verdict().integrity
