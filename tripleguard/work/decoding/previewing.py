"""Small pictures of files, for pages: made once from a verified copy, kept in the home, at most so many.

They show people. So they stay in the user's own folder, readable by nobody else, and the folder may be emptied at
any time; what is needed is made again.
"""

from __future__ import annotations

from collections.abc import Sequence

from tripleguard.cameras.previews import Seeker, shows_itself
from tripleguard.cameras.scaling import scaled
from tripleguard.catalog import questions
from tripleguard.catalog.rows import KnownFile
from tripleguard.errors import CopyTrouble
from tripleguard.home import keep_preview, kept_preview
from tripleguard.model import Copy
from tripleguard.places.media import aligned_buffer
from tripleguard.rules import is_as_recorded
from tripleguard.work.chunks import CHUNK
from tripleguard.work.kit import Kit, OpenDrive, opened, where_drives_are

MOST_ON_PAGE = 24
"""Small pictures that one page gets."""


def previews_of(kit: Kit, digests: Sequence[bytes]) -> dict[bytes, bytes]:
    """Small pictures of the first of these files that have one, by digest. Raises CatalogTrouble, PlaceTrouble."""
    found: dict[bytes, bytes] = {}
    with opened(kit, where_drives_are(kit), "small pictures for a page", writing=False) as ready:
        for digest in dict.fromkeys(digests):
            known = questions.file_with_digest(kit.catalog, digest)
            made = preview_of(kit, known, ready.looked_at) if known is not None else None
            if made is not None:
                found[digest] = made
            if len(found) == MOST_ON_PAGE:
                break
    return found


def preview_of(kit: Kit, known: KnownFile, drives: Sequence[OpenDrive]) -> bytes | None:
    """A small upright JPEG of a file; None if it shows nothing, or no verified copy of it is on these drives.

    Raises CatalogTrouble.
    """
    if not shows_itself(known.name):
        return None
    name = known.file.digest.hex()
    kept = kept_preview(kit.home, name)
    if kept is not None:
        return kept
    for copy, drive in _verified(kit, known, drives):
        made = _made_from(known, copy, drive)
        if made is not None:
            keep_preview(kit.home, name, made)
            return made
    return None


def _verified(kit: Kit, known: KnownFile, drives: Sequence[OpenDrive]) -> list[tuple[Copy, OpenDrive]]:
    here = {drive.record.id: drive for drive in drives}
    return [
        (copy, here[copy.place_id])
        for copy in questions.copies_of(kit.catalog, known.id)
        if copy.place_id in here
        and copy.evidence.verified_at is not None
        and is_as_recorded(copy, here[copy.place_id].seen(copy.path))
    ]


def _made_from(known: KnownFile, copy: Copy, drive: OpenDrive) -> bytes | None:
    seeker, buffer = Seeker(known.name, known.file.size), aligned_buffer(CHUNK)
    try:
        reading = drive.place.read(copy.path)
        try:
            while not seeker.has_enough and (count := reading.readinto(buffer)):
                seeker.feed(buffer[:count])
        finally:
            reading.close()
    except (OSError, CopyTrouble):
        return None
    jpeg = seeker.best()
    return None if jpeg is None else scaled(jpeg, seeker.orientation)
