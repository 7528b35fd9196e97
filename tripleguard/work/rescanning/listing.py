"""Listing a drive against the catalog: what is as recorded, what is not there, what changed, what is new.

What the file system itself can't give (a name whose status fails, a folder that can't be listed) is neither there
nor gone: it is out of reach, and never called missing. What it finds under the recorded name, though it lists
another spelling, is that copy: names are compared as the file system compares them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from tripleguard.cameras.kinds import kind_of
from tripleguard.catalog import folders
from tripleguard.catalog.store import Catalog
from tripleguard.errors import CopyTrouble
from tripleguard.model import Copy, CopyState, Entry, Kind
from tripleguard.names import folded
from tripleguard.places.own import OWN
from tripleguard.rules import is_as_recorded, is_exactly_as_recorded
from tripleguard.work.kit import OpenDrive
from tripleguard.work.walking import Walk


@dataclass(slots=True)
class Differences:
    """Where a drive is not as recorded.

    changed: what has to be read to tell; unknown: paths without a copy; out_of_reach: what the file system does
    not give; forbidden: what it does not give to who asks.
    """

    changed: list[tuple[Copy, Entry]] = field(default_factory=list)
    unknown: list[str] = field(default_factory=list)
    out_of_reach: list[Copy] = field(default_factory=list)
    forbidden: list[Copy] = field(default_factory=list)


class Listing:
    """One listing of one drive. quick: nothing will be read, so a bad copy that lies there is believed to be bad.

    fine gets the ids of copies that lie as recorded, as they are met; absent each copy that is not there, once all
    is listed and the drive still answers.
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
        self._walk = Walk(drive.place, into_own=True)
        self._not_listed: list[Copy] = []

    def differences(self, stopped: Callable[[], bool]) -> Differences | None:
        """Compare every folder with the catalog; None once stopped.

        Raises OSError, CopyTrouble if the drive is gone.
        """
        met: set[str] = set()
        for folder in self._walk.folders():
            if stopped():
                return None
            met.add(folder.path)
            self._compare(folder.path, folder.entries)
        for path in folders.folders_with_copies(self._catalog, self._drive.record.id):
            if path not in met and not path.startswith(f"{OWN}/"):
                self._compare(path, [])
        if self._not_listed and not self._drive.place.here():
            raise OSError(None, "the drive is gone")
        self._look_for_the_rest()
        # A sidecar is told by its picture, which has to be known first.
        self._found.unknown.sort(key=lambda path: kind_of(path) is Kind.COMPANION)
        return self._found

    def _look_for_the_rest(self) -> None:
        """What no folder listed: found by its name all the same, or not there."""
        spelt = {folded(path): path for path in self._found.unknown} if self._not_listed else {}
        respelt: set[str] = set()
        for copy in self._not_listed:
            try:
                entry = self._drive.place.look(copy.path)
            except CopyTrouble:
                if not self._drive.place.here():
                    raise
                self._found.out_of_reach.append(copy)
                continue
            if entry is None:
                self._absent(copy)
                continue
            respelt.add(spelt.get(folded(copy.path), ""))
            self._sort_in(copy, entry)
        self._found.unknown = [path for path in self._found.unknown if path not in respelt]

    def _sort_in(self, copy: Copy, entry: Entry) -> None:
        if self._is_fine(copy, entry):
            self._fine((copy.id,))
        else:
            self._found.changed.append((copy, entry))

    def _compare(self, folder: str, entries: Sequence[Entry]) -> None:
        place_id = self._drive.record.id
        recorded = {copy.path: copy for copy in folders.copies_right_in(self._catalog, place_id, folder)}
        fine: list[int] = []
        for entry in entries:
            copy = recorded.pop(entry.path, None)
            if copy is None:
                self._found.unknown.append(entry.path)
            elif self._is_fine(copy, entry):
                fine.append(copy.id)
            else:
                self._found.changed.append((copy, entry))
        if fine:
            self._fine(tuple(fine))
        for copy in recorded.values():
            if self._walk.is_forbidden(copy.path):
                self._found.forbidden.append(copy)
            elif self._walk.is_out_of_reach(copy.path):
                self._found.out_of_reach.append(copy)
            else:
                self._not_listed.append(copy)

    def _is_fine(self, copy: Copy, entry: Entry) -> bool:
        """Whether it lies as recorded. Of a sidecar the finest sign of an edit counts: it is soon read."""
        same = is_exactly_as_recorded if kind_of(copy.path) is Kind.COMPANION else is_as_recorded
        return same(copy, entry) and self._is_believed(copy)

    def _is_believed(self, copy: Copy) -> bool:
        """Whether a look is enough: a copy that was missing or bad and lies there has to be read to be right."""
        if copy.state is CopyState.PRESENT:
            return True
        return self._quick and copy.state is not CopyState.MISSING
