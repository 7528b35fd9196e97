"""Make previews of files for pages: once from a verified copy, cached in the home, a limited number per page.

Previews show people, so they stay in the user's own folder, which nobody else can read. The folder may be emptied
at any time; previews are made again as needed.
"""

from __future__ import annotations

from collections.abc import Sequence

from tripleguard.cameras.previews import PreviewFinder, can_have_preview, scale_jpeg
from tripleguard.catalog import file_queries
from tripleguard.catalog.rows import KnownFile
from tripleguard.errors import CopyError
from tripleguard.home import read_preview, store_preview
from tripleguard.jobs.context import JobContext
from tripleguard.jobs.copying.buffers import CHUNK_BYTES
from tripleguard.jobs.drives import OpenDrive, locate_drives, open_drives
from tripleguard.model import Copy
from tripleguard.places.cache_bypass import allocate_aligned
from tripleguard.rules import is_as_recorded, is_good_copy

MAX_PREVIEWS = 24
"""Previews on one page."""


def make_previews(ctx: JobContext, digests: Sequence[bytes]) -> dict[bytes, bytes]:
    """Return previews of the first of these files that have one, by digest. Raises CatalogError, PlaceError."""
    found: dict[bytes, bytes] = {}
    with open_drives(ctx, locate_drives(ctx), "small pictures for a page", for_writing=False) as ready:
        for digest in dict.fromkeys(digests):
            known = file_queries.find_file_by_digest(ctx.catalog, digest)
            made = make_preview(ctx, known, ready.connected) if known is not None else None
            if made is not None:
                found[digest] = made
            if len(found) == MAX_PREVIEWS:
                break
    return found


def make_preview(ctx: JobContext, known: KnownFile, drives: Sequence[OpenDrive]) -> bytes | None:
    """Return a small upright JPEG of a file; None if it has no picture or no verified copy on these drives.

    Raises:
        CatalogError: the catalog can't be read.
    """
    if not can_have_preview(known.name):
        return None
    name = known.file.digest.hex()
    kept = read_preview(ctx.home, name)
    if kept is not None:
        return kept
    for copy, drive in _verified_copies(ctx, known, drives):
        made = _make_from_copy(known, copy, drive)
        if made is not None:
            store_preview(ctx.home, name, made)
            return made
    return None


def _verified_copies(
    ctx: JobContext, known: KnownFile, drives: Sequence[OpenDrive]
) -> list[tuple[Copy, OpenDrive]]:
    here = {drive.record.id: drive for drive in drives}
    return [
        (copy, here[copy.place_id])
        for copy in file_queries.list_copies(ctx.catalog, known.id)
        if copy.place_id in here
        and is_good_copy(copy)
        and is_as_recorded(copy, here[copy.place_id].stat_or_none(copy.path))
    ]


def _make_from_copy(known: KnownFile, copy: Copy, drive: OpenDrive) -> bytes | None:
    seeker, buffer = PreviewFinder(known.name, known.file.size), allocate_aligned(CHUNK_BYTES)
    try:
        reading = drive.place.open_reader(copy.path)
        try:
            while not seeker.has_enough and (count := reading.readinto(buffer)):
                seeker.feed(buffer[:count])
        finally:
            reading.close()
    except (OSError, CopyError):
        return None
    jpeg = seeker.get_best()
    return None if jpeg is None else scale_jpeg(jpeg, seeker.orientation)
