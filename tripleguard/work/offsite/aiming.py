"""Which key a parcel gets: its path, or the next name that is free; and what of it is there already.

A key never changes what it means. What lies under one and is not what is sent stays there, whatever it is.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator

from tripleguard.catalog import offsite as rows
from tripleguard.catalog import questions
from tripleguard.catalog.store import Catalog
from tripleguard.errors import NameTaken
from tripleguard.model import CopyState
from tripleguard.names import fitted, is_text, numbered, shown
from tripleguard.places.bucket import Bucket
from tripleguard.places.drive import Drive
from tripleguard.work.offsite.parcels import Parcel
from tripleguard.work.offsite.sealing import key_for
from tripleguard.work.offsite.third_place import OpenOffsite, Sender

_MOST_NAMES = 99


class Aiming:
    """Aims parcels at keys. catalog belongs to whoever holds the lock around each call."""

    def __init__(self, offsite: OpenOffsite, catalog: Catalog) -> None:
        self._offsite = offsite
        self._catalog = catalog

    def candidates(self, parcel: Parcel) -> Iterator[str]:
        """Keys that the catalog has nothing else under, the plain one first. Raises NameTaken after the last."""
        folder, _, name = parcel.debt.wanted.path.rpartition("/")
        for number in range(1, _MOST_NAMES):
            path = f"{folder}/{numbered(name, number)}" if folder else numbered(name, number)
            key = self._fitted(key_for(path, parcel.sealed))
            recorded = questions.copy_at(self._catalog, self._offsite.record.id, key)
            if recorded is None or self._may_have(recorded.file_id == parcel.debt.known.id, recorded.state):
                yield key
        raise NameTaken(f"No name is left for {shown(parcel.debt.wanted.path)}.")

    def resume(self, sender: Bucket, parcel: Parcel, key: str) -> bool:
        """Go on with an upload of this parcel to a key that was begun before, if there is one.

        Raises FileNotFoundError where the server forgot it.
        """
        begun = rows.begun_upload(self._catalog, self._offsite.record.id, key)
        if begun is None:
            return False
        source = parcel.source
        if begun.blake3 != source.file.digest or begun.part_bytes != source.part_bytes:
            return False
        parcel.key, parcel.token, parcel.upload_id = key, begun.token, begun.id
        there = sender.parts(key, begun.token)
        for number, (tag, sha256) in begun.parts.items():
            size = min(source.part_bytes, source.size - (number - 1) * source.part_bytes)
            if there.get(number) == (tag, size) and sha256 == source.sums[number - 1]:
                parcel.done[number] = (tag, sha256)
        return True

    def forget_begun(self, sender: Bucket, key: str, ask: Callable[[Callable[[], None]], object]) -> None:
        """Give up an upload to this key that is another file's, or an older version's."""
        begun = rows.begun_upload(self._catalog, self._offsite.record.id, key)
        if begun is None:
            return
        with contextlib.suppress(FileNotFoundError):
            ask(lambda: sender.forget(key, begun.token))
        with self._catalog.writing():
            rows.upload_ended(self._catalog, begun.id)

    def lies_there(self, sender: Sender, parcel: Parcel, key: str) -> bool | None:
        """Whether this very parcel seems to lie under a key already; None: nothing does."""
        if key in parcel.refused:
            return False
        if isinstance(sender, Bucket):
            found = sender.head(key)
            if found is None:
                return None
            same = found.get("x-amz-meta-blake3") == parcel.about["blake3"]
            return same and found.get("content-length") == str(parcel.source.size)
        entry = self._offsite.place.look(key)
        if entry is None:
            is_taken = isinstance(self._offsite.place, Drive) and self._offsite.place.taken(key)
            return False if is_taken else None
        return entry.size == parcel.source.size

    def _fitted(self, key: str) -> str:
        if isinstance(self._offsite.place, Drive):
            return fitted(key, self._offsite.place.limits)
        # Object stores want text without control characters.
        plain = key if is_text(key) else shown(key).replace("\\", "_")
        return "".join(char if char.isprintable() else "_" for char in plain)

    @staticmethod
    def _may_have(is_same_file: bool, state: CopyState) -> bool:
        """Whether a parcel may go where something is recorded: where that was this file, and is gone or fine."""
        return is_same_file and state in (CopyState.PRESENT, CopyState.MISSING)
