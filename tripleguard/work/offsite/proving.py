"""What makes a copy offsite a verified one.

Where the server was seen to refuse a body that is not the one that was signed for, its yes is a proof of what
it stores: `server`. Else the object is read back: `read`. The first is not a reading of the medium and is kept as
such (`cached`, `objects.proof`), so that reading back begins with it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from tripleguard.catalog import offsite as rows
from tripleguard.catalog.findings import close_at
from tripleguard.catalog.offsite import Stored
from tripleguard.catalog.writing import copy_verified, copy_written
from tripleguard.digest import Hasher
from tripleguard.errors import LineTrouble, Stopped
from tripleguard.model import Copy, CopyState, Entry, File, FindingKind, Medium
from tripleguard.names import stands_for
from tripleguard.places.base import Reading
from tripleguard.places.drive import Drive
from tripleguard.places.media import aligned_buffer
from tripleguard.places.offsite import Offsite
from tripleguard.work.chunks import CHUNK
from tripleguard.work.kit import Kit
from tripleguard.work.offsite.parcels import Parcel
from tripleguard.work.offsite.sending import Sent
from tripleguard.work.offsite.third_place import OpenOffsite


@dataclass(frozen=True, slots=True)
class Proof:
    """That an object holds what it should. how: 'server' or 'read'."""

    how: str
    tag: str
    medium: Medium


def prove_sent(offsite: OpenOffsite, sent: Sent, stopped: Callable[[], bool]) -> Proof | str:
    """Prove what was just sent; a text: why it is not what it should be. Raises LineTrouble, OSError, Stopped."""
    parcel = sent.parcel
    if sent.arrived:
        # Each part was proved as it arrived; that all of them were put together, only what lies there now tells.
        tag = sent.tag if parcel.source.parts == 1 and sent.tag else _tag_of(offsite, parcel)
        if tag is not None:
            return Proof("server", tag, Medium.CACHED)
    found, medium, tag = read_whole(offsite, parcel.key, stopped)
    if found != parcel.source.file:
        return "read back, it does not hold what was sent; it stays under its key, and another key is used next"
    return Proof("read", tag, medium)


def read_whole(
    offsite: OpenOffsite, key: str, stopped: Callable[[], bool], spend: Callable[[int], None] | None = None
) -> tuple[File, Medium, str]:
    """What an object holds, how far down the reading reached, and its tag. Raises FileNotFoundError, OSError."""
    hasher, buffer = Hasher(), aligned_buffer(CHUNK)
    tag = tag_at(offsite, key)
    reading: Reading = offsite.place.read(key)
    try:
        while count := reading.readinto(buffer):
            hasher.update(buffer[:count])
            if spend is not None:
                spend(count)
            if stopped():
                raise Stopped("Stopped while an object was read back.", safe="Nothing was changed.")
        return hasher.file(), reading.medium, tag
    finally:
        reading.close()


def tag_at(offsite: OpenOffsite, key: str) -> str:
    """The place's word for the version under a key. Raises FileNotFoundError."""
    if isinstance(offsite.place, Offsite):
        lying = offsite.place.lying(key)
        if lying is None:
            raise FileNotFoundError(key)
        return lying.tag
    return folder_tag(offsite.place, key)


def folder_tag(drive: Drive, key: str) -> str:
    """A folder has no word of its own for a version: size and time stand for one."""
    entry = drive.look(key)
    if entry is None:
        raise FileNotFoundError(key)
    return f"{entry.size}-{entry.mtime_ns}"


def enter_proof(kit: Kit, offsite: OpenOffsite, parcel: Parcel, proof: Proof) -> int:
    """Enter a proved copy; what was wrong with the file there is over. Its id. Call inside `Catalog.writing`."""
    catalog, place_id, now = kit.catalog, offsite.record.id, kit.clock.now()
    known, source = parcel.debt.known, parcel.source
    entry = Entry(parcel.key, known.file.size, source.mtime_ns)
    copy_id = copy_written(catalog, known.id, place_id, parcel.debt.wanted.shoot_id, entry, now)
    copy_verified(catalog, copy_id, proof.medium, now)
    stored = Stored(proof.tag, proof.how, source.size, parcel.sealed, source.file.digest)
    rows.object_stored(catalog, copy_id, stored)
    close_at(catalog, place_id, parcel.key, "it was sent again and proved", now)
    older = (FindingKind.STALE,)
    close_at(catalog, place_id, parcel.debt.wanted.path, "the newest version is there", now, kinds=older)
    for bad in rows.bad_copies_of(catalog, place_id, known.id):
        # Equal sidecars of two pictures are not each other.
        if known.kind.is_original or stands_for(parcel.key.rpartition("/")[2], bad.path.rpartition("/")[2]):
            _give_way(kit, bad, now)
    return copy_id


def _give_way(kit: Kit, bad: Copy, now: int) -> None:
    if bad.state is not CopyState.MISSING:
        close_at(kit.catalog, bad.place_id, bad.path, "a good copy has another key; this one stays", now)
    else:
        close_at(kit.catalog, bad.place_id, bad.path, "it was sent again", now)
    rows.gave_way(kit.catalog, bad.id, now)


def _tag_of(offsite: OpenOffsite, parcel: Parcel) -> str | None:
    """The tag of what was put together just now, if it has the right size."""
    assert isinstance(offsite.place, Offsite)
    lying = offsite.place.lying(parcel.key)
    if lying is None:
        raise LineTrouble("It is not there, though the server said yes.")
    return lying.tag if lying.size == parcel.source.size else None
