"""Record everything that one run observes of a drive, from its first listing to its last."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from tripleguard.errors import CardGoneError, PlaceFailedError
from tripleguard.jobs.clearance.card_observation import FileStamp, folder_and_parents, stamp_of
from tripleguard.jobs.clearance.reasons import ReasonCounter
from tripleguard.jobs.drives import OpenDrive
from tripleguard.model import Entry, UncopyableEntry
from tripleguard.places.base import IgnoredEntry, PlaceAccess
from tripleguard.places.quarantine import QuarantineEntry
from tripleguard.places.reserved import QUARANTINE_DIR, is_reserved


class DriveObservation:
    """The observations of one drive in one run. Close it when the answer was given."""

    def __init__(
        self, places: PlaceAccess, drive: OpenDrive, reasons: ReasonCounter, notes: ReasonCounter
    ) -> None:
        self.drive = drive
        self._places = places
        self._reasons = reasons
        self._notes = notes
        self._monitor = drive.place.start_change_monitor()
        self._stamps: dict[str, FileStamp] = {}
        self._quarantined: set[QuarantineEntry] = set()

    def close(self) -> None:
        """Stop watching for changes."""
        self._monitor.close()

    def iter_entries(self) -> Iterator[Entry | QuarantineEntry]:
        """Yield and remember every file on the drive; only count litter and entries that can't be copied.

        Raises:
            PlaceFailedError: The drive is gone.
        """
        for item in self._list_entries():
            if isinstance(item, Entry):
                self._stamps[item.path] = stamp_of(item)
                for folder in folder_and_parents(item.folder):
                    self._monitor.watch(folder)
                yield item
            elif isinstance(item, IgnoredEntry):
                self._notes.add("litter on the drive", item.path)
            else:
                self._reasons.add("odd on the drive", item.path)
        for quarantined in self.drive.place.list_quarantine():
            self._quarantined.add(quarantined)
            self._monitor.watch(quarantined.path.rpartition("/")[0])
            yield quarantined

    def compare_listing(self) -> None:
        """List the drive again and count every difference as a reason.

        Raises:
            PlaceFailedError: The drive is gone.
        """
        if not self.drive.place.is_connected():
            raise self._gone_error()
        now = {item.path: stamp_of(item) for item in self._list_entries() if isinstance(item, Entry)}
        for path in sorted(self._stamps.keys() - now.keys()):
            self._reasons.add("gone meanwhile here", path)
        for path in sorted(now):
            if now[path] != self._stamps.get(path):
                self._reasons.add("changed meanwhile here", path)
        if _without_notes(self.drive.place.list_quarantine()) != _without_notes(self._quarantined):
            self._reasons.add("changed meanwhile here", QUARANTINE_DIR)

    def add_reported_changes(self) -> None:
        """Count what the system reports as changed since the first listing.

        Raises:
            PlaceFailedError: The drive is gone.
        """
        changes = self._monitor.changes()
        for path in sorted(self._stamps.keys() | set(changes.paths)):
            if changes.may_include(path):
                self._reasons.add("changed meanwhile here", path)
        if not self.drive.place.is_connected():
            raise self._gone_error()

    def _list_entries(self) -> Iterator[Entry | IgnoredEntry | UncopyableEntry]:
        listing = self._places.open_source(self.drive.place.root)
        try:
            for item in listing.entries():
                if not (is_reserved(item.path) and self._is_reserved_item(item)):
                    yield item
        except CardGoneError as error:
            raise self._gone_error() from error
        finally:
            listing.close()

    def _is_reserved_item(self, item: Entry | IgnoredEntry | UncopyableEntry) -> bool:
        """Return whether something in the reserved folder is certainly the tool's own, or is quarantined."""
        if item.path == QUARANTINE_DIR or item.path.startswith(f"{QUARANTINE_DIR}/"):
            return True
        return isinstance(item, Entry) and self.drive.place.is_certainly_own(item.path)

    def _gone_error(self) -> PlaceFailedError:
        return PlaceFailedError(
            f"Drive {self.drive.record.name} went away while it was looked at.",
            safe="Nothing was changed. There is no answer: keep the drive.",
            do="Connect it and ask again.",
        )


def _without_notes(entries: Iterable[QuarantineEntry]) -> set[QuarantineEntry]:
    return {entry for entry in entries if not entry.is_note}
