"""What the bytes in a drive's quarantine are, and what a file on a drive holds: read now, from the medium.

A repair moves into quarantine what is not as recorded: rot, but also an original that somebody edited in place,
another picture that was saved over it, a sidecar with other settings. What the catalog calls them says which
picture they belonged to, and not what they hold; so they are read.
"""

from __future__ import annotations

from tripleguard.catalog import questions
from tripleguard.catalog.aside import AsideCopy
from tripleguard.catalog.rows import KnownFile
from tripleguard.catalog.store import Catalog
from tripleguard.digest import Hasher
from tripleguard.errors import CopyTrouble
from tripleguard.model import File
from tripleguard.places.aside import Lying
from tripleguard.places.media import aligned_buffer
from tripleguard.work.kit import OpenDrive

_PIECE = 1024 * 1024


def content_of(catalog: Catalog, drive: OpenDrive, lying: Lying) -> KnownFile | None:
    """Return the file that one thing in quarantine holds whole; None if it is none, or that can't be told."""
    if lying.odd:
        return None
    try:
        found = _read(drive, lying.path)
        entry = drive.place.look(lying.path)
    except (OSError, CopyTrouble):
        return None
    if entry is None or (entry.size, entry.mtime_ns) != (lying.size, lying.mtime_ns):
        return None
    known = questions.file_with_digest(catalog, found.digest)
    return known if known is not None and known.file == found else None


def name_of(copy: AsideCopy | None, lying: Lying) -> str:
    """Return the name under which what lies in quarantine is to be held elsewhere, should it be a sidecar."""
    home = copy.home if copy is not None else None
    return (home or lying.path).rpartition("/")[2]


def _read(drive: OpenDrive, path: str) -> File:
    hasher, buffer = Hasher(), aligned_buffer(_PIECE)
    reading = drive.place.read(path)
    try:
        while count := reading.readinto(buffer):
            hasher.update(buffer[:count])
    finally:
        reading.close()
    return hasher.file()
