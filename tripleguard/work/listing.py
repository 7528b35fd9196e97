"""Listing a drive against the catalog: what is as recorded, what is not there, what changed, what is new.

What the file system itself can't give (a name whose status fails, a folder that can't be listed) is neither there
nor gone: it is out of reach, and never called missing.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

from tripleguard.catalog import folders
from tripleguard.catalog.store import Catalog
from tripleguard.model import Copy, CopyState, Entry
from tripleguard.places.own import OWN, is_own
from tripleguard.rules import is_as_recorded
from tripleguard.work.kit import OpenDrive


@dataclass(slots=True)
class Differences:
    """Where a drive is not as recorded. changed: what has to be read to tell; unknown: paths without a copy."""

    changed: list[tuple[Copy, Entry]] = field(default_factory=list)
    unknown: list[str] = field(default_factory=list)
    out_of_reach: list[Copy] = field(default_factory=list)


class Listing:
    """One listing of one drive. quick: nothing will be read, so a bad copy that lies there is believed to be bad.

    fine gets the ids of copies that lie as recorded, absent each copy that is not there, as they are met.
    """

    def __init__(
        self,
        drive: OpenDrive,
        catalog: Catalog,
        *,
        quick: bool,
        fine: Callable[[tuple[int, ...]], None],
        absent: Callable[[Copy], None],
    ) -> None:
        self._drive = drive
        self._catalog = catalog
        self._quick = quick
        self._fine = fine
        self._absent = absent
        self._found = Differences()
        self._refused: set[str] = set()

    def differences(self, stopped: Callable[[], bool]) -> Differences | None:
        """Compare every folder with the catalog; None once stopped. Raises OSError if the drive is gone."""
        met: set[str] = set()
        for folder, entries in self._folders(""):
            if stopped():
                return None
            met.add(folder)
            self._compare(folder, entries)
        for folder in folders.folders_with_copies(self._catalog, self._drive.record.id):
            if folder not in met and not folder.startswith(f"{OWN}/"):
                self._compare(folder, [])
        return self._found

    def _folders(self, folder: str) -> Iterator[tuple[str, list[Entry]]]:
        entries, below = [], []
        for name, status in self._names(folder):
            path = f"{folder}/{name}" if folder else name
            if path == OWN:
                continue
            if isinstance(status, OSError):
                self._refuse(path, status)
            elif stat.S_ISDIR(status.st_mode):
                below.append(path)
            elif stat.S_ISREG(status.st_mode) and not is_own(path):
                entries.append(Entry(path, status.st_size, status.st_mtime_ns))
        yield folder, entries
        for path in below:
            yield from self._folders(path)

    def _names(self, folder: str) -> Sequence[tuple[str, os.stat_result | OSError]]:
        try:
            return self._drive.place.names(folder)
        except OSError as error:
            self._refuse(folder, error)
            return []

    def _refuse(self, path: str, error: OSError) -> None:
        """Note what the file system does not give; what went away meanwhile is simply gone."""
        if isinstance(error, FileNotFoundError | NotADirectoryError):
            return
        if not self._drive.place.here():
            raise error
        self._refused.add(path)

    def _compare(self, folder: str, entries: Sequence[Entry]) -> None:
        place_id = self._drive.record.id
        recorded = {copy.path: copy for copy in folders.copies_right_in(self._catalog, place_id, folder)}
        fine: list[int] = []
        for entry in entries:
            copy = recorded.pop(entry.path, None)
            if copy is None:
                self._found.unknown.append(entry.path)
            elif is_as_recorded(copy, entry) and self._is_believed(copy):
                fine.append(copy.id)
            else:
                self._found.changed.append((copy, entry))
        if fine:
            self._fine(tuple(fine))
        for copy in recorded.values():
            if self._is_out_of_reach(copy.path):
                self._found.out_of_reach.append(copy)
            else:
                self._absent(copy)

    def _is_believed(self, copy: Copy) -> bool:
        """Whether a look is enough: a copy that was missing or bad and lies there has to be read to be right."""
        if copy.state is CopyState.PRESENT:
            return True
        return self._quick and copy.state is not CopyState.MISSING

    def _is_out_of_reach(self, path: str) -> bool:
        return any(path == one or path.startswith(f"{one}/") or not one for one in self._refused)
