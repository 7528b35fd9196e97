"""Which drives hold a copy that counts, looked at now."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass

from tripleguard.catalog.places import all_places
from tripleguard.catalog.rows import KnownFile
from tripleguard.catalog.store import Catalog
from tripleguard.model import Copy, Kind, PlaceKind, PlaceRecord
from tripleguard.rules import Needs, Standing, standing
from tripleguard.work.companion_content import holds_as_recorded
from tripleguard.work.holdings import copies_serving
from tripleguard.work.kit import OpenDrive


@dataclass(frozen=True, slots=True)
class Counted:
    """The drives (ids) on which one file counts, and how its other copies stand."""

    on: frozenset[int]
    standings: tuple[Standing, ...]


class Counting:
    """Counts for one answer. now: UTC ns; drives: those that are here; without: drives (ids) that do not count.

    reads_companions: a companion counts only if it is read now and holds what was recorded.
    """

    def __init__(
        self,
        catalog: Catalog,
        drives: Sequence[OpenDrive],
        needs: Needs,
        now: int,
        without: Collection[int] = (),
        *,
        reads_companions: bool = False,
    ) -> None:
        self._reads_companions = reads_companions
        self._catalog = catalog
        self._drives = {drive.record.id: drive for drive in drives}
        self._needs = needs
        self._now = now
        self._records: dict[int, PlaceRecord] = {
            record.id: record
            for record in all_places(catalog)
            if record.kind is PlaceKind.DRIVE and record.id not in without
        }

    def count(self, known: KnownFile, name: str, pictures: frozenset[bytes] | None) -> Counted:
        """Where a file stands for one of this name; pictures as in `copies_serving`."""
        on: set[int] = set()
        standings: list[Standing] = []
        for copy in copies_serving(self._catalog, known, name, pictures):
            record = self._records.get(copy.place_id)
            if record is None:
                continue
            stands = self._standing(known, copy, record)
            if stands is Standing.COUNTS:
                on.add(copy.place_id)
            else:
                standings.append(stands)
        return Counted(frozenset(on), tuple(standings))

    def names(self, places: Iterable[int]) -> list[str]:
        """What these drives (ids) are called."""
        return [self._records[place_id].name for place_id in places]

    def _standing(self, known: KnownFile, copy: Copy, record: PlaceRecord) -> Standing:
        drive = self._drives.get(copy.place_id)
        stands = standing(
            copy,
            record.state,
            record.role,
            here=drive is not None,
            seen=drive.seen(copy.path) if drive else None,
            needs=self._needs,
            now=self._now,
        )
        if stands is not Standing.COUNTS or drive is None or known.kind is not Kind.COMPANION:
            return stands
        return Standing.GONE if self._reads_companions and not holds_as_recorded(drive, copy, known) else stands
