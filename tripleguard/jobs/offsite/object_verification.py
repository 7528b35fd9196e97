"""Verify a copy offsite.

If the server is known to reject a body that does not match its signed digest, its acceptance verifies the content:
`server`. Else the object is read back: `read`. The first is no reading of the medium and is recorded as such
(`cached`, `objects.verification`), so that reading back begins with it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from tripleguard.catalog import offsite as rows
from tripleguard.catalog.file_updates import record_copy, record_copy_verified
from tripleguard.catalog.findings import resolve_at
from tripleguard.catalog.offsite import StoredObject
from tripleguard.digest import Hasher
from tripleguard.errors import NetworkError, StoppedError
from tripleguard.jobs.context import JobContext
from tripleguard.jobs.copying.buffers import CHUNK_BYTES
from tripleguard.jobs.offsite.offsite_place import OpenOffsite
from tripleguard.jobs.offsite.upload_events import ItemSent
from tripleguard.jobs.offsite.upload_item import UploadItem
from tripleguard.model import Copy, CopyState, Entry, File, FindingKind, Medium
from tripleguard.names import is_name_of_copy
from tripleguard.places.base import CopyReader
from tripleguard.places.cache_bypass import allocate_aligned


@dataclass(frozen=True, slots=True)
class ObjectVerification:
    """The proof that an object holds its file. method: 'server' or 'read'."""

    method: str
    tag: str
    medium: Medium


def verify_sent(offsite: OpenOffsite, sent: ItemSent, should_stop: Callable[[], bool]) -> ObjectVerification | str:
    """Verify an item that was just sent; return why it is not what it should be, as text, if so.

    Raises NetworkError, OSError, StoppedError.
    """
    item = sent.item
    if sent.is_verified_on_arrival:
        # Each part was verified on arrival; only the object itself shows that all of them were combined.
        tag = sent.tag if item.source.part_count == 1 and sent.tag else _find_sent_tag(offsite, item)
        if tag is not None:
            return ObjectVerification("server", tag, Medium.CACHED)
    found, medium, tag = read_object(offsite, item.key, should_stop)
    if found != item.source.file:
        return "read back, it does not hold what was sent; it stays under its key, and another key is used next"
    return ObjectVerification("read", tag, medium)


def read_object(
    offsite: OpenOffsite, key: str, should_stop: Callable[[], bool], on_bytes: Callable[[int], None] | None = None
) -> tuple[File, Medium, str]:
    """Return an object's content, the medium read, and its tag. Raises FileNotFoundError, OSError."""
    hasher, buffer = Hasher(), allocate_aligned(CHUNK_BYTES)
    tag = get_tag(offsite, key)
    reading: CopyReader = offsite.place.open_reader(key)
    try:
        while count := reading.readinto(buffer):
            hasher.update(buffer[:count])
            if on_bytes is not None:
                on_bytes(count)
            if should_stop():
                raise StoppedError("Stopped while an object was read back.", safe="Nothing was changed.")
        return hasher.as_file(), reading.medium, tag
    finally:
        reading.close()


def get_tag(offsite: OpenOffsite, key: str) -> str:
    """Return the place's tag of the version under a key. Raises FileNotFoundError."""
    stored = offsite.place.head(key)
    if stored is None:
        raise FileNotFoundError(key)
    return stored.tag


def record_verification(
    ctx: JobContext, offsite: OpenOffsite, item: UploadItem, verification: ObjectVerification
) -> int:
    """Record a verified copy and resolve its file's findings there; return its id. Call in `transaction`."""
    catalog, place_id, now = ctx.catalog, offsite.record.id, ctx.clock.now()
    known, source = item.missing_copy.known_file, item.source
    entry = Entry(item.key, known.file.size, source.mtime_ns)
    copy_id = record_copy(catalog, known.id, place_id, item.missing_copy.required.shoot_id, entry, now)
    record_copy_verified(catalog, copy_id, verification.medium, now)
    stored = StoredObject(verification.tag, verification.method, source.size, item.encryption, source.file.digest)
    rows.record_object(catalog, copy_id, stored)
    resolve_at(catalog, place_id, item.key, "it was sent again and proved", now)
    older = (FindingKind.STALE,)
    resolve_at(catalog, place_id, item.missing_copy.required.path, "the newest version is there", now, kinds=older)
    for bad in rows.list_bad_copies(catalog, place_id, known.id):
        # Equal sidecars of two pictures are not interchangeable.
        if known.kind.is_original or is_name_of_copy(item.key.rpartition("/")[2], bad.path.rpartition("/")[2]):
            _mark_replaced(ctx, bad, now)
    return copy_id


def _mark_replaced(ctx: JobContext, bad: Copy, now: int) -> None:
    if bad.state is not CopyState.MISSING:
        resolve_at(ctx.catalog, bad.place_id, bad.path, "a good copy has another key; this one stays", now)
    else:
        resolve_at(ctx.catalog, bad.place_id, bad.path, "it was sent again", now)
    rows.mark_replaced(ctx.catalog, bad.id, now)


def _find_sent_tag(offsite: OpenOffsite, item: UploadItem) -> str | None:
    """Return the tag of the object that was just combined, if it has the right size."""
    stored = offsite.place.head(item.key)
    if stored is None:
        raise NetworkError("It is not there, though the server said yes.")
    return stored.tag if stored.size == item.source.size else None
