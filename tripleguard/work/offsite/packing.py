"""Making parcels of what is owed, one after another, as the line takes them."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Mapping, Sequence

from tripleguard.catalog import offsite as rows
from tripleguard.errors import SourceDiffers, Stopped, TripleguardError
from tripleguard.places.bucket import SMALLEST_PART
from tripleguard.work.kit import Kit, OpenDrive
from tripleguard.work.offsite.parcels import Parcel, described, open_source
from tripleguard.work.offsite.sealing import Sealer
from tripleguard.work.offsite.third_place import OpenOffsite

_LIES_THERE = "it lies there and waits to be read back, a budget at a time: run `rescan --place offsite`"
_NO_SOURCE = "no good copy of it is on a connected drive: connect the drives and run `upload` again"


class Packing:
    """The parcels of one pass. Each holds its source open until it is sent or given up.

    most_at_once: bytes that may be on their way at once. refused: (path, why) of what could not be packed.
    refused_keys: by file id, the keys under which something else was found.
    """

    def __init__(
        self,
        kit: Kit,
        drives: Sequence[OpenDrive],
        offsite: OpenOffsite,
        refused_keys: Mapping[int, set[str]],
        stopped: Callable[[], bool],
    ) -> None:
        self.most_at_once = SMALLEST_PART
        self.refused: list[tuple[str, str]] = []
        self._kit, self._drives, self._offsite = kit, drives, offsite
        self._stopped = stopped
        self._catalog = kit.catalog.reopened()
        self._refused_keys = refused_keys
        self._sealer = Sealer(kit.home, kit.settings.offsite.seal_for)
        self._open: set[Parcel] = set()
        self._lock = threading.Lock()

    def parcels(self) -> Iterator[Parcel]:
        """One parcel for each debt that can be paid now; asked by one thread at a time."""
        for debt in rows.owed_offsite(self._catalog, self._offsite.record.id):
            if self._stopped():
                return
            if debt.lies_there:
                self.refused.append((debt.wanted.path, _LIES_THERE))
                continue
            # Asked just before it goes: nobody's picture leaves after its choice was taken back.
            if not rows.is_wanted(self._catalog, debt.wanted):
                continue
            try:
                plain = open_source(self._catalog, self._drives, debt.known, self._stopped)
                if plain is None:
                    self.refused.append((debt.wanted.path, _NO_SOURCE))
                    continue
                source = self._sealer.sealed(plain)
            except Stopped:
                return
            except SourceDiffers as error:
                self.refused.append((debt.wanted.path, error.what))
                continue
            except (TripleguardError, OSError) as error:
                self.refused.append((debt.wanted.path, str(error)))
                continue
            about = described(debt.known, source, self._sealer.how)
            parcel = Parcel(debt, source, debt.wanted.path, self._sealer.how, about)
            parcel.refused = self._refused_keys.get(debt.known.id, set())
            with self._lock:
                self._open.add(parcel)
            yield parcel

    def sent(self, parcel: Parcel) -> None:
        """A parcel arrived: nothing of it is needed any more."""
        self.given_up(parcel)
        self._sealer.forget(parcel.debt.known.file)

    def given_up(self, parcel: Parcel) -> None:
        """A parcel goes no further in this pass; what was made for it is kept for the next."""
        with self._lock:
            if parcel in self._open:
                self._open.remove(parcel)
                parcel.source.close()

    def close(self) -> None:
        with self._lock:
            for parcel in self._open:
                parcel.source.close()
            self._open.clear()
        self._catalog.close()
