"""Read what a file on a drive holds, from the medium, outside of a copying job or a rescan."""

from __future__ import annotations

from tripleguard.digest import Hasher
from tripleguard.jobs.drives import OpenDrive
from tripleguard.model import File
from tripleguard.places.cache_bypass import allocate_aligned

_PIECE = 1024 * 1024


def file_at(drive: OpenDrive, path: str, *, most: int | None = None) -> File:
    """Read the file at path to its end and return its content.

    Args:
        most: Stop after about this many bytes: a longer file is another one anyway.

    Raises:
        OSError, CopyError: It can't be read.
    """
    hasher, buffer = Hasher(), allocate_aligned(_PIECE)
    reading = drive.place.open_reader(path)
    try:
        while (most is None or hasher.size <= most) and (count := reading.readinto(buffer)):
            hasher.update(buffer[:count])
    finally:
        reading.close()
    return hasher.as_file()
