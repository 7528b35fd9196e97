"""The drill of the offsite place: a random sample is fetched into the scratch folder and compared.

Fetching costs what the provider takes for it, so the sample ends with the budget, whatever is asked for. A sealed
copy is opened if the key is given, and else fetched and compared as it lies. A line that fails says nothing about
a copy.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from tripleguard.catalog import offsite as rows
from tripleguard.catalog import questions
from tripleguard.catalog.journal import begin_job
from tripleguard.catalog.offsite import Stored
from tripleguard.errors import LineTrouble, TripleguardError, WrongUse
from tripleguard.forecast import share_bound
from tripleguard.home import forget_scratch, scratch_file, write_scratch
from tripleguard.model import Copy, File, FindingKind, Outcome
from tripleguard.names import shown
from tripleguard.places.base import Reading
from tripleguard.places.media import aligned_buffer
from tripleguard.work.chunks import CHUNK
from tripleguard.work.failing import enter_failed
from tripleguard.work.kit import Kit, agent
from tripleguard.work.offsite.opening import Key
from tripleguard.work.offsite.proving import read_whole, tag_at
from tripleguard.work.offsite.rescan_offsite import Cost
from tripleguard.work.offsite.sealing import is_sealed
from tripleguard.work.offsite.third_place import OpenOffsite
from tripleguard.work.progress import Job, Moved
from tripleguard.work.rescanning.drill import (
    PlaceDrilled,
    arrived_in,
    enter_end,
    known_bad,
    need_room,
    sampled_ids,
    stopped,
)


@dataclass(slots=True)
class OffsiteDrilled:
    """What a drill of the offsite place found. as_they_lie: of the sample, sealed ones that were not opened."""

    place: PlaceDrilled
    cost: Cost
    as_they_lie: int


def drill_offsite(
    kit: Kit, offsite: OpenOffsite, files: int, seed: int, most_bytes: int, key: Key | None = None
) -> Job[OffsiteDrilled]:
    """Fetch a random sample of `files` copies, most_bytes at most, and compare. Yields progress.

    Raises LineTrouble, NoAccess, NoRoom, WrongUse for a key that does not fit, Stopped, CatalogTrouble.
    """
    with kit.catalog.writing():
        job = begin_job(kit.catalog, "drill", offsite.record.name, agent(), kit.clock.now())
    run = _Drill(kit, offsite, job, key)
    total, chosen = sampled_ids(kit, offsite.record, files, seed)
    random.Random(seed).shuffle(chosen)
    done = False
    try:
        yield from run.run(chosen, most_bytes)
        done = True
    finally:
        outcome = Outcome.FAILURE if run.failed else Outcome.SUCCESS if done else Outcome.PARTIAL
        detail = {"seed": seed, "sampled": run.sampled, "failed": len(run.failed), "bytes": run.read_bytes}
        enter_end(kit, offsite.record, job, outcome, detail)
    price = round(run.read_bytes / 1e9 * kit.settings.offsite.price_per_gb, 4)
    bound = share_bound(run.sampled, len(run.failed))
    place = PlaceDrilled(
        offsite.record.name, total, known_bad(kit, offsite.record), run.sampled, tuple(run.failed), bound
    )
    standing = rows.standing(kit.catalog, offsite.record.id)
    return OffsiteDrilled(place, Cost(run.read_bytes, standing.proved_bytes, price), run.as_they_lie)


class _Drill:
    """One run, from the caller's thread."""

    def __init__(self, kit: Kit, offsite: OpenOffsite, job: int, key: Key | None) -> None:
        self._kit, self._offsite, self._job, self._key = kit, offsite, job, key
        self.sampled = 0
        self.as_they_lie = 0
        self.read_bytes = 0
        self.failed: list[tuple[str, str]] = []

    def run(self, chosen: list[int], most_bytes: int) -> Iterator[Moved]:
        for number in chosen:
            copy = questions.copy_with_id(self._kit.catalog, number)
            stored = rows.stored_as(self._kit.catalog, number)
            size = stored.stored if stored else copy.size
            # The first one always fits: a drill that looks at nothing proves nothing.
            if self.sampled and self.read_bytes + size > most_bytes:
                return
            yield Moved("drill offsite", self.sampled, len(chosen), self.read_bytes, 0, 0.0, None)
            self._one(copy, stored)
            self.sampled += 1

    def _one(self, copy: Copy, stored: Stored | None) -> None:
        sealed = is_sealed(stored)
        expected = questions.file_with_id(self._kit.catalog, copy.file_id).file
        if sealed and self._key is None and stored is not None:
            expected = File(stored.blake3, stored.stored)
            self.as_they_lie += 1
        try:
            # A fetch that is wrong once may be the line; only one that is wrong twice is the object.
            if self._fetched(copy, sealed=sealed) == expected or self._fetched(copy, sealed=sealed) == expected:
                return
            same = stored is None or tag_at(self._offsite, copy.path) == stored.tag
        except FileNotFoundError:
            self._failed(copy, FindingKind.MISSING, "it is not there")
            return
        kind = FindingKind.CORRUPT if same else FindingKind.ALTERED
        self._failed(copy, kind, "it holds other bytes than recorded")

    def _failed(self, copy: Copy, kind: FindingKind, why: str) -> None:
        self.failed.append((copy.path, why))
        enter_failed(self._kit, copy, why, "drill", self._job, kind=kind)

    def _fetched(self, copy: Copy, *, sealed: bool) -> File | None:
        """What arrived in the scratch folder; None: it was sealed and can't be opened any more."""
        target = scratch_file(self._kit.home, f"drill-{copy.id}")
        try:
            need_room(self._kit, copy.size, copy.size * 3)
            try:
                reading = self._opened(copy, sealed=sealed)
            except FileNotFoundError:
                raise
            except OSError as error:
                self._tell_apart(copy, error)
                return None
            try:
                self._copied(reading, target, counts=not sealed or self._key is None)
            finally:
                reading.close()
            return arrived_in(target)
        finally:
            forget_scratch(target)

    def _opened(self, copy: Copy, *, sealed: bool) -> Reading:
        place = self._offsite.place
        if not sealed or self._key is None:
            return place.read(copy.path)
        if not self._key.fits(place.read(copy.path)):
            raise WrongUse(
                f"The key does not open {shown(copy.path)}.",
                safe="Nothing was found wrong with it.",
                do="Give the key that belongs to a recipient in offsite.seal_for.",
            )
        self.read_bytes += copy.size
        return self._key.opened(place.read(copy.path))

    def _tell_apart(self, copy: Copy, error: OSError) -> None:
        """It could not be opened to its end: return where the object is at fault. Raises LineTrouble where not."""
        stored = rows.stored_as(self._kit.catalog, copy.id)
        try:
            found, _, _ = read_whole(self._offsite, copy.path, self._kit.stop.is_set, self._spend)
        except OSError:
            raise _line(error) from error
        if stored is None or found == File(stored.blake3, stored.stored):
            raise _line(error) from error

    def _copied(self, reading: Reading, target: Path, *, counts: bool) -> None:
        buffer = aligned_buffer(CHUNK)

        def pieces() -> Iterator[memoryview]:
            while True:
                try:
                    count = reading.readinto(buffer)
                except OSError as error:
                    raise _line(error) from error
                if not count:
                    return
                if counts:
                    self._spend(count)
                if self._kit.stop.is_set():
                    raise stopped()
                yield buffer[:count]

        write_scratch(target, pieces())

    def _spend(self, size: int) -> None:
        self.read_bytes += size


def _line(error: OSError) -> TripleguardError:
    return LineTrouble(
        f"The offsite place failed in the middle of the drill ({shown(error.strerror or str(error))}).",
        safe="A drill only reads; nothing was found wrong with its copies.",
        do="Check the network, then run the drill again.",
    )
