"""Record everything that one run observes of a card, from its first listing to its last.

A yes covers every file that was ever listed on the card during the run: a file that has vanished or changed since
is a reason to keep the card, whatever its copies look like.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from tripleguard.model import Entry, UncopyableEntry
from tripleguard.places.base import CardItem, CardTotals, IgnoredEntry, SourceFolder

FileStamp = tuple[int, int, int]
"""Size, modification time and change time of a file, as one stat call returned them."""


def stamp_of(entry: Entry) -> FileStamp:
    """Return the values by which two observations of a file are compared."""
    return entry.size, entry.mtime_ns, entry.ctime_ns


def folder_and_parents(folder: str) -> Iterator[str]:
    """Yield a folder and every folder above it, up to the root, which is empty."""
    yield folder
    while folder:
        folder = folder.rpartition("/")[0]
        yield folder


@dataclass(slots=True)
class ObservedFile:
    """One file of the card.

    Attributes:
        stamp: As first observed.
        digest: Of the content, if this run read the file to its end; else None.
        is_unreadable: The last attempt to read it failed.
        is_changed: Two observations or two readings of it differed.
        is_protected: The file was protected in the camera.
    """

    stamp: FileStamp
    digest: bytes | None = None
    is_unreadable: bool = False
    is_changed: bool = False
    is_protected: bool = False


class CardObservation:
    """The observations of one card in one run. Close it when the answer was given."""

    def __init__(self, card: SourceFolder) -> None:
        self.card = card
        self.files: dict[str, ObservedFile] = {}
        self.uncopyable: dict[str, str] = {}
        self.litter: set[str] = set()
        self._monitor = card.start_change_monitor()

    def close(self) -> None:
        """Stop watching for changes."""
        self._monitor.close()

    @property
    def can_be_watched(self) -> bool:
        """Return whether this system can report changes at all."""
        return self._monitor.is_supported

    @property
    def is_watched(self) -> bool:
        """Return whether the system reports every change to the card's files."""
        return self._monitor.is_complete

    def list_entries(self) -> Iterator[CardItem]:
        """List the card and remember all of it. Raises CardGoneError."""
        for item in self.card.entries():
            if isinstance(item, Entry):
                # Watch before reading, and the folders above too: a new folder beside this one is a change.
                for folder in folder_and_parents(item.folder):
                    self._monitor.watch(folder)
                self.observe(item)
            elif isinstance(item, IgnoredEntry):
                self.litter.add(item.path)
            else:
                self._observe_uncopyable(item)
            yield item

    def count_totals(self) -> CardTotals:
        """List the card and count what is on it. Raises CardGoneError."""
        totals = CardTotals()
        for item in self.list_entries():
            if isinstance(item, Entry):
                totals.files += 1
                totals.total_bytes += item.size
            elif isinstance(item, IgnoredEntry):
                totals.ignored += 1
            else:
                totals.uncopyable += 1
        return totals

    def observe(self, entry: Entry) -> ObservedFile:
        """Record one observation of a file."""
        known = self.files.get(entry.path)
        if known is None:
            known = ObservedFile(stamp_of(entry), is_protected=entry.is_protected)
            self.files[entry.path] = known
        elif known.stamp != stamp_of(entry):
            known.is_changed = True
        return known

    def record_reading(self, entry: Entry, digest: bytes) -> None:
        """Record the digest of a file that did not change while it was read."""
        known = self.observe(entry)
        known.is_changed |= known.digest not in (None, digest)
        known.digest = digest
        known.is_unreadable = False

    def record_failure(self, path: str) -> None:
        """Record that a file could not be read."""
        if path in self.files:
            self.files[path].is_unreadable = True

    def changed_paths(self) -> set[str]:
        """Return the files that the system reports as changed since they were first listed."""
        changes = self._monitor.changes()
        return {path for path in self.files if changes.may_include(path)}

    def new_paths(self) -> set[str]:
        """Return the paths that the system reports as created or changed but that no listing has shown."""
        changes = self._monitor.changes()
        if changes.has_lost_track:
            return set()
        return set(changes.paths) - self.files.keys() - self.litter - self.uncopyable.keys()

    def keeps_change_times(self) -> bool:
        """Return whether the card's file system keeps a change time that programs cannot set."""
        return any(mtime != ctime and ctime != 0 for _, mtime, ctime in (one.stamp for one in self.files.values()))

    def _observe_uncopyable(self, item: UncopyableEntry) -> None:
        self.uncopyable.setdefault(item.path, item.reason)
