"""Listing a drive against the catalog: what is as recorded, what is not there, what changed, what is new.

What the file system itself can't give (a name whose status fails, a folder that can't be listed) is neither there
nor gone: it is out of reach, and never called missing.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from tripleguard.catalog import folders
from tripleguard.catalog.store import Catalog
from tripleguard.model import Copy, CopyState, Entry
from tripleguard.places.own import OWN
from tripleguard.rules import is_as_recorded
from tripleguard.work.kit import OpenDrive
from tripleguard.work.walking import Walk


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
        self._walk = Walk(drive.place)

    def differences(self, stopped: Callable[[], bool]) -> Differences | None:
        """Compare every folder with the catalog; None once stopped. Raises OSError if the drive is gone."""
        met: set[str] = set()
        for folder in self._walk.folders():
            if stopped():
                return None
            met.add(folder.path)
            self._compare(folder.path, folder.entries)
        for path in folders.folders_with_copies(self._catalog, self._drive.record.id):
            if path not in met and not path.startswith(f"{OWN}/"):
                self._compare(path, [])
        return self._found

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
            if self._walk.is_out_of_reach(copy.path):
                self._found.out_of_reach.append(copy)
            else:
                self._absent(copy)

    def _is_believed(self, copy: Copy) -> bool:
        """Whether a look is enough: a copy that was missing or bad and lies there has to be read to be right."""
        if copy.state is CopyState.PRESENT:
            return True
        return self._quick and copy.state is not CopyState.MISSING
