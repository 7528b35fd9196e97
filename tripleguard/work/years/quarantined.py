"""Whether the very bytes that lie in a drive's quarantine are held elsewhere.

A repair moves there what is not as recorded: rot, but also an original that somebody edited in place, another
picture that was saved over it, a sidecar with other settings. What the catalog calls them says which picture they
belonged to, and not what they hold; so they are read.
"""

from __future__ import annotations

from tripleguard.catalog import questions
from tripleguard.catalog.aside import AsideCopy
from tripleguard.catalog.store import Catalog
from tripleguard.digest import Hasher
from tripleguard.errors import CopyTrouble
from tripleguard.model import File
from tripleguard.places.aside import Lying
from tripleguard.places.media import aligned_buffer
from tripleguard.work.counting import Counting
from tripleguard.work.kit import OpenDrive

_PIECE = 1024 * 1024


def is_held_elsewhere(
    catalog: Catalog, counting: Counting, drive: OpenDrive, lying: Lying, copy: AsideCopy | None, copies: int
) -> bool:
    """Whether so many copies that count hold exactly what one thing in quarantine holds, by its digest read now.

    counting: must not count the drive itself. copy: what the catalog has of it, which says the name that a sidecar
    is to be held under. In doubt, as where it can't be read or changes meanwhile, the answer is no.
    """
    if lying.odd:
        return False
    found = _content(drive, lying)
    known = questions.file_with_digest(catalog, found.digest) if found is not None else None
    if known is None or known.file != found:
        return False
    home = copy.home if copy is not None else None
    name = (home or lying.path).rpartition("/")[2]
    return len(counting.count(known, name, None).on) >= copies


def _content(drive: OpenDrive, lying: Lying) -> File | None:
    """What it holds, read from the medium; None if that can't be told."""
    hasher, buffer = Hasher(), aligned_buffer(_PIECE)
    try:
        reading = drive.place.read(lying.path)
        try:
            while count := reading.readinto(buffer):
                hasher.update(buffer[:count])
        finally:
            reading.close()
        entry = drive.place.look(lying.path)
    except (OSError, CopyTrouble):
        return None
    if entry is None or (entry.size, entry.mtime_ns) != (lying.size, lying.mtime_ns):
        return None
    return hasher.file()
