"""Identify the files in a drive's quarantine by their bytes, read now from the medium.

A repair quarantines whatever is not as recorded: bit rot, but also an original that was edited in place, another
picture saved over it, or a sidecar with other settings. The catalog only records which picture such a file
belonged to, not what it holds, so it is read.
"""

from __future__ import annotations

from tripleguard.catalog import file_queries
from tripleguard.catalog.quarantine import QuarantinedCopy
from tripleguard.catalog.rows import KnownFile
from tripleguard.catalog.store import Catalog
from tripleguard.errors import CopyError
from tripleguard.jobs.drives import OpenDrive
from tripleguard.jobs.stored_content import file_at
from tripleguard.model import File
from tripleguard.places.quarantine import QuarantineEntry


def identify_content(catalog: Catalog, drive: OpenDrive, item: QuarantineEntry) -> KnownFile | None:
    """Return the file whose whole content a quarantined file holds; None if there is none or it can't be read."""
    if item.problem:
        return None
    try:
        found = file_at(drive, item.path)
        entry = drive.place.stat(item.path)
    except (OSError, CopyError):
        return None
    if entry is None or (entry.size, entry.mtime_ns) != (item.size, item.mtime_ns):
        return None
    return known_as(catalog, found)


def known_as(catalog: Catalog, found: File) -> KnownFile | None:
    """Return the file of the catalog that has exactly this content; None if there is none."""
    known = file_queries.find_file_by_digest(catalog, found.digest)
    return known if known is not None and known.file == found else None


def original_name(copy: QuarantinedCopy | None, item: QuarantineEntry) -> str:
    """Return the name under which another copy of a quarantined file would have to exist, if it is a sidecar."""
    home = copy.home_path if copy is not None else None
    return (home or item.path).rpartition("/")[2]
