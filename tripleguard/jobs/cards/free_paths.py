"""Choose free paths for new copies: the same on all drives, and a companion beside its original on each.

The names on an absent drive count too; the catalog has them. A name that is taken by the very same bytes (from a
run that was killed before the catalog had them) is not taken: that copy is used, and verified like any other.

A companion's original is identified by its content. On one drive it may have another number, or be where a person
put it; the companion takes the original's name there, so that an editor finds the two together.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from tripleguard.catalog import file_queries, folder_queries, shoots
from tripleguard.catalog.companions import build_companion_name, find_newest_version, find_pictures
from tripleguard.catalog.places import list_places
from tripleguard.catalog.store import Catalog
from tripleguard.digest import Hasher
from tripleguard.errors import CopyError, NameTakenError
from tripleguard.jobs.copying.buffers import CHUNK_BYTES
from tripleguard.jobs.copying.destination import MAX_NAME_NUMBER
from tripleguard.jobs.drives import OpenDrive
from tripleguard.model import Copy, CopyState, Entry, File, PlaceRecord, Shoot
from tripleguard.names import add_number, escape_text, fit_to_limits, fold_name
from tripleguard.places.base import CopyTarget
from tripleguard.places.cache_bypass import allocate_aligned
from tripleguard.places.reserved import is_reserved


@dataclass(frozen=True, slots=True)
class ChosenPaths:
    """By lane: the path for a new copy, the entry of an equal existing one, or the error."""

    paths: dict[int, str] = field(default_factory=dict)
    existing: dict[int, Entry] = field(default_factory=dict)
    failed: dict[int, CopyError] = field(default_factory=dict)


class FreePathChooser:
    """Chooses paths in one thread; reserves them until they can be seen on the drives."""

    def __init__(self, catalog: Catalog, drives: Sequence[OpenDrive]) -> None:
        self._catalog = catalog
        self._drives = drives
        self._away_places = self._list_away_places(catalog, drives)
        self._reserved: dict[tuple[int, str], File] = {}
        self._away_names: dict[tuple[int, str], frozenset[str]] = {}
        self._buffer: memoryview | None = None

    def check_path(
        self, path: str, file: File, lanes: Sequence[int], originals: frozenset[bytes] = frozenset()
    ) -> ChosenPaths | None:
        """Return what path would mean on these lanes; None if any drive has something else there.

        A drive that can't be read fails alone: the others get their copy. A name reserved by the tool is never
        free, since a check list would take the copy's place.

        Args:
            originals: Those beside a companion; an absent drive that has another picture there is ignored.
        """
        if is_reserved(fold_name(path)):
            return None
        if any(self._is_taken_on_away(record, path, file, originals) for record in self._away_places):
            return None
        chosen = ChosenPaths()
        for lane in lanes:
            try:
                means = self._check_on_lane(lane, path, file)
            except CopyError as error:
                chosen.failed[lane] = error
                continue
            if means is None:
                return None
            if isinstance(means, Entry):
                chosen.existing[lane] = means
            else:
                chosen.paths[lane] = means
        return chosen

    def reserve(self, paths: Mapping[int, str], file: File) -> None:
        """Reserve these paths, by lane, for this file."""
        for lane, path in paths.items():
            self._reserved[self._key(lane, path)] = file

    def release(self, lane: int, path: str) -> None:
        """Release a path that can be seen on the drive now."""
        self._reserved.pop(self._key(lane, path), None)

    def _check_on_lane(self, lane: int, path: str, file: File) -> str | Entry | None:
        """Return the fitted path if free on this lane, the entry of an equal copy, or None if it is taken."""
        place = self._drives[lane].place
        fitted = fit_to_limits(path, place.fs_limits)
        given = self._reserved.get(self._key(lane, fitted))
        if given is not None and given != file:
            return None
        recorded = file_queries.find_copy_at(self._catalog, self._drives[lane].record.id, fitted)
        if recorded is not None and not self._is_free_again(recorded, file, place):
            return None
        if not place.exists(fitted):
            return fitted
        entry = self._find_equal_at(place, fitted, file)
        if entry is not None:
            # An interrupted run may have written it before the name was durable.
            place.fsync_files(fitted)
        return entry

    def _key(self, lane: int, path: str) -> tuple[int, str]:
        """Return the same key for all spellings of a path that the lane's file system treats as equal."""
        limits = self._drives[lane].place.fs_limits
        return lane, fold_name(path) if limits.is_case_insensitive or limits.is_normalization_insensitive else path

    def _is_free_again(self, recorded: Copy, file: File, place: CopyTarget) -> bool:
        """Return whether a recorded path is free again: the same file belongs there but has vanished."""
        belongs = file_queries.get_file(self._catalog, recorded.file_id).file == file
        return belongs and recorded.state is not CopyState.QUARANTINED and place.stat(recorded.path) is None

    def _is_taken_on_away(self, record: PlaceRecord, path: str, file: File, originals: frozenset[bytes]) -> bool:
        folder, _, name = path.rpartition("/")
        key = (record.id, folder)
        if key not in self._away_names:
            names = folder_queries.list_names_in_folder(self._catalog, record.id, folder)
            self._away_names = {key: frozenset(map(fold_name, names)), **dict(list(self._away_names.items())[:64])}
        if fold_name(name) not in self._away_names[key]:
            return False
        if originals:
            beside = find_pictures(self._catalog, record.id, path)
            if beside and not beside & originals:
                return False
        recorded = file_queries.find_copy_at(self._catalog, record.id, path)
        known = file_queries.get_file(self._catalog, recorded.file_id) if recorded else None
        return known is None or (known.file != file and not self._is_newest_version_at(record, path, file))

    def _is_newest_version_at(self, record: PlaceRecord, path: str, file: File) -> bool:
        """Return whether this sidecar version belongs at this path and the recorded one is older."""
        newest = find_newest_version(self._catalog, path, record.id)
        return newest is not None and file_queries.get_file(self._catalog, newest).file == file

    def _find_equal_at(self, place: CopyTarget, path: str, file: File) -> Entry | None:
        """Return the entry at path if it holds exactly this file."""
        entry = place.stat(path)
        if entry is None or entry.size != file.size:
            return None
        if self._buffer is None:
            self._buffer = allocate_aligned(CHUNK_BYTES)
        hasher = Hasher()
        with contextlib.suppress(OSError):
            reading = place.open_reader(path)
            try:
                while count := reading.readinto(self._buffer):
                    hasher.update(self._buffer[:count])
            finally:
                reading.close()
            return entry if hasher.as_file() == file else None
        return None

    @staticmethod
    def _list_away_places(catalog: Catalog, drives: Sequence[OpenDrive]) -> list[PlaceRecord]:
        connected_ids = {drive.record.id for drive in drives}
        return [record for record in list_places(catalog) if record.id not in connected_ids]


def no_free_name_error(path: str) -> NameTakenError:
    """Return the error for a file whose possible names are all taken."""
    return NameTakenError(
        f"No free name was found for {escape_text(path)}.",
        safe="The card's file is untouched.",
        do="Use another --shoot name.",
    )


_MAX_REMEMBERED = 4096
"""How many names stay reserved: far more than are ever in progress before the catalog has them."""


@dataclass(frozen=True, slots=True)
class CompanionFile:
    """A file that follows its pictures.

    Attributes:
        file: Its content.
        name: Its name.
        originals: The digests of its frame's originals, the closest first.
        default_path: Its path on a drive that has none of them.
    """

    file: File
    name: str
    originals: Sequence[bytes]
    default_path: str


class CompanionPathChooser:
    """Chooses companions' paths in one thread; catalog is that thread's own connection."""

    def __init__(self, catalog: Catalog, drives: Sequence[OpenDrive]) -> None:
        self._catalog = catalog
        self._drives = drives
        self._original_paths: dict[bytes, dict[int, str]] = {}

    def remember_original(self, file: File, paths: Mapping[int, str]) -> None:
        """Remember the paths of an original, by lane, until the catalog has them."""
        if paths:
            self._original_paths[file.digest] = {**self._original_paths.pop(file.digest, {}), **paths}
            if len(self._original_paths) > _MAX_REMEMBERED:
                del self._original_paths[next(iter(self._original_paths))]

    def find_shoot(self, originals: Iterable[bytes]) -> Shoot | None:
        """Return the shoot of these pictures; None if the catalog has none of them."""
        for digest in originals:
            known = file_queries.find_file_by_digest(self._catalog, digest)
            if known is not None and any(
                copy.state is not CopyState.QUARANTINED
                for copy in file_queries.list_copies(self._catalog, known.id)
            ):
                return shoots.get_shoot(self._catalog, known.shoot_id)
        return None

    def preferred_paths(self, companion: CompanionFile, lanes: Iterable[int]) -> dict[int, str]:
        """Return the path beside its picture on each of these lanes, taken or not."""
        found = {lane: self._path_beside_original(companion, lane) for lane in lanes}
        elsewhere = next((path for path in found.values() if path is not None), companion.default_path)
        return {lane: path if path is not None else elsewhere for lane, path in found.items()}

    def choose_paths(
        self, companion: CompanionFile, free_paths: FreePathChooser, paths: Mapping[int, str]
    ) -> ChosenPaths:
        """Return free paths for it, by lane, numbered where these are taken. Raises NameTakenError."""
        together: dict[str, list[int]] = {}
        for lane, path in paths.items():
            together.setdefault(path, []).append(lane)
        merged = ChosenPaths()
        for path, lanes in together.items():
            one = self._choose_numbered(companion, free_paths, path, lanes)
            merged.paths.update(one.paths)
            merged.existing.update(one.existing)
            merged.failed.update(one.failed)
        return merged

    def _path_beside_original(self, companion: CompanionFile, lane: int) -> str | None:
        place_id = self._drives[lane].record.id
        for digest in companion.originals:
            lies: list[tuple[bool, str]] = []
            if lane in (given := self._original_paths.get(digest, {})):
                lies.append((False, given[lane]))
            known = file_queries.find_file_by_digest(self._catalog, digest)
            lies += (
                (copy.state is not CopyState.PRESENT, copy.path)
                for copy in (file_queries.list_copies(self._catalog, known.id) if known is not None else ())
                if copy.place_id == place_id and copy.state is not CopyState.QUARANTINED
            )
            if lies:
                folder, slash, picture = min(lies)[1].rpartition("/")
                return f"{folder}{slash}{build_companion_name(picture, companion.name)}"
        return None

    def _choose_numbered(
        self, companion: CompanionFile, free_paths: FreePathChooser, path: str, lanes: Sequence[int]
    ) -> ChosenPaths:
        folder, slash, name = path.rpartition("/")
        wanted = frozenset(companion.originals)
        for number in range(1, MAX_NAME_NUMBER):
            option = f"{folder}{slash}{add_number(name, number)}"
            if number > 1 and any(self._belongs_to_other_original(lane, option, wanted) for lane in lanes):
                continue
            chosen = free_paths.check_path(option, companion.file, lanes, originals=wanted)
            if chosen is not None:
                return chosen
        raise no_free_name_error(path)

    def _belongs_to_other_original(self, lane: int, path: str, originals: frozenset[bytes]) -> bool:
        """Return whether a companion of this number would belong to another picture of that number."""
        beside = find_pictures(self._catalog, self._drives[lane].record.id, path)
        return bool(beside) and not beside & originals
