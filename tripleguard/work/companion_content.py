"""Whether a companion holds what was recorded, told by its bytes.

A rating is one digit: the size stays, and an editor may keep the time, or the file system show it in coarse steps.
So where something is to go or to be replaced on the strength of what was recorded, a companion is read.
"""

from __future__ import annotations

from tripleguard.catalog.rows import KnownFile
from tripleguard.digest import Hasher
from tripleguard.errors import CopyTrouble
from tripleguard.model import Copy
from tripleguard.places.media import aligned_buffer
from tripleguard.work.kit import OpenDrive

_PIECE = 64 * 1024


def holds_as_recorded(drive: OpenDrive, copy: Copy, known: KnownFile) -> bool:
    """Whether the copy at its path holds this file now. What can't be read does not."""
    hasher, buffer = Hasher(), aligned_buffer(_PIECE)
    try:
        reading = drive.place.read(copy.path)
        try:
            while hasher.size <= known.file.size and (count := reading.readinto(buffer)):
                hasher.update(buffer[:count])
        finally:
            reading.close()
    except (OSError, CopyTrouble):
        return False
    return hasher.file() == known.file
