"""Choosing the path for a new copy on each drive, so that it is the same on all and taken on none.

A drive that is away has a say too: its names are in the catalog. A name that is taken by the very same bytes
(a run that was killed before the catalog heard of them) is not taken at all: the copy is found, and proved
like any other.
"""

from __future__ import annotations

import contextlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from tripleguard.catalog import folders, questions
from tripleguard.catalog.lineage import newest_version
from tripleguard.catalog.pairing import pictures_beside
from tripleguard.catalog.places import all_places
from tripleguard.catalog.store import Catalog
from tripleguard.digest import Hasher
from tripleguard.errors import CopyTrouble, NameTaken
from tripleguard.model import Copy, CopyState, Entry, File, PlaceRecord
from tripleguard.names import fitted, folded, shown
from tripleguard.places.base import Place
from tripleguard.places.media import aligned_buffer
from tripleguard.places.own import is_own
from tripleguard.work.chunks import CHUNK
from tripleguard.work.kit import OpenDrive


@dataclass(frozen=True, slots=True)
class Chosen:
    """For each lane: the path a new copy gets, the entry of an equal one that was found, or why neither."""

    paths: dict[int, str] = field(default_factory=dict)
    found: dict[int, Entry] = field(default_factory=dict)
    failed: dict[int, CopyTrouble] = field(default_factory=dict)


class NameGiver:
    """Gives names in one thread; remembers those it gave until they can be seen on the drives."""

    def __init__(self, catalog: Catalog, drives: Sequence[OpenDrive]) -> None:
        self._catalog = catalog
        self._drives = drives
        self._away = self._others(catalog, drives)
        self._given: dict[tuple[int, str], File] = {}
        self._away_names: dict[tuple[int, str], frozenset[str]] = {}
        self._buffer: memoryview | None = None

    def is_free(
        self, path: str, file: File, lanes: Sequence[int], pictures: frozenset[bytes] = frozenset()
    ) -> Chosen | None:
        """What path would mean on these lanes; None if any drive has something else there.

        pictures: those that a companion lies beside; a drive that is away and has another picture there has no
        say. A drive that can't be asked fails alone: the others get their copy. A name that the tool keeps for
        itself is never free: a check list would take the copy's place.
        """
        if is_own(folded(path)):
            return None
        if any(self._away_has(record, path, file, pictures) for record in self._away):
            return None
        chosen = Chosen()
        for lane in lanes:
            try:
                means = self._means(lane, path, file)
            except CopyTrouble as error:
                chosen.failed[lane] = error
                continue
            if means is None:
                return None
            if isinstance(means, Entry):
                chosen.found[lane] = means
            else:
                chosen.paths[lane] = means
        return chosen

    def give(self, paths: Mapping[int, str], file: File) -> None:
        """Keep these names for this file, by lane."""
        for lane, path in paths.items():
            self._given[self._key(lane, path)] = file

    def seen(self, lane: int, path: str) -> None:
        """A name can be seen on the drive now and need not be remembered."""
        self._given.pop(self._key(lane, path), None)

    def _means(self, lane: int, path: str, file: File) -> str | Entry | None:
        """On one lane: the fitted path if it is free, the equal copy that stands there, None if it is taken."""
        place = self._drives[lane].place
        here = fitted(path, place.limits)
        given = self._given.get(self._key(lane, here))
        if given is not None and given != file:
            return None
        recorded = questions.copy_at(self._catalog, self._drives[lane].record.id, here)
        if recorded is not None and not self._may_return(recorded, file, place):
            return None
        if not place.taken(here):
            return here
        entry = self._equal_at(place, here, file)
        if entry is not None:
            # It may be the work of a run that was cut off before this name was durable.
            place.harden(here)
        return entry

    def _key(self, lane: int, path: str) -> tuple[int, str]:
        """One key for all spellings that the lane's file system takes for one name."""
        limits = self._drives[lane].place.limits
        return lane, folded(path) if limits.folds_case or limits.folds_form else path

    def _may_return(self, recorded: Copy, file: File, place: Place) -> bool:
        """Whether a recorded path is free again: the same file belongs there and is gone from it."""
        belongs = questions.file_with_id(self._catalog, recorded.file_id).file == file
        return belongs and recorded.state is not CopyState.ASIDE and place.look(recorded.path) is None

    def _away_has(self, record: PlaceRecord, path: str, file: File, pictures: frozenset[bytes]) -> bool:
        folder, _, name = path.rpartition("/")
        key = (record.id, folder)
        if key not in self._away_names:
            names = folders.names_in_folder(self._catalog, record.id, folder)
            self._away_names = {key: frozenset(map(folded, names)), **dict(list(self._away_names.items())[:64])}
        if folded(name) not in self._away_names[key]:
            return False
        if pictures:
            beside = pictures_beside(self._catalog, record.id, path)
            if beside and not beside & pictures:
                return False
        recorded = questions.copy_at(self._catalog, record.id, path)
        known = questions.file_with_id(self._catalog, recorded.file_id) if recorded else None
        return known is None or (known.file != file and not self._is_newest_at(record, path, file))

    def _is_newest_at(self, record: PlaceRecord, path: str, file: File) -> bool:
        """Whether this path belongs to this version of a sidecar, and what is recorded there is an older one."""
        newest = newest_version(self._catalog, path, record.id)
        return newest is not None and questions.file_with_id(self._catalog, newest).file == file

    def _equal_at(self, place: Place, path: str, file: File) -> Entry | None:
        """The entry at path if it holds exactly this file."""
        entry = place.look(path)
        if entry is None or entry.size != file.size:
            return None
        if self._buffer is None:
            self._buffer = aligned_buffer(CHUNK)
        hasher = Hasher()
        with contextlib.suppress(OSError):
            reading = place.read(path)
            try:
                while count := reading.readinto(self._buffer):
                    hasher.update(self._buffer[:count])
            finally:
                reading.close()
            return entry if hasher.file() == file else None
        return None

    @staticmethod
    def _others(catalog: Catalog, drives: Sequence[OpenDrive]) -> list[PlaceRecord]:
        here = {drive.record.id for drive in drives}
        return [record for record in all_places(catalog) if record.id not in here]


def no_name_left(path: str) -> NameTaken:
    """The error for a file whose every possible name is taken."""
    return NameTaken(
        f"No free name was found for {shown(path)}.",
        safe="The card's file is untouched.",
        do="Use another --shoot name.",
    )
