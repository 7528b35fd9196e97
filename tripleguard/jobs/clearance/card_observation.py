"""Everything one run observes of a card, from its first listing to its last.

A yes is about everything that was ever listed on the card in the run that answers: a file that was listed once
and is gone, or was changed meanwhile, is a reason to keep the card, whatever the copies look like.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from tripleguard.model import Entry, UncopyableEntry
from tripleguard.places.base import CardItem, CardTotals, IgnoredEntry, SourceFolder

FileStamp = tuple[int, int, int]
"""Size, modification time and change time of a file, as one look gave them."""


def stamp_of(entry: Entry) -> FileStamp:
    """Return what two looks at a file are compared by."""
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
        stamp: As it was first seen.
        digest: Of what this run read of it to the end; None: it did not.
        is_unreadable: The last attempt to read it failed.
        is_changed: Two looks at it, or two readings of it, were not equal.
        is_protected: Someone protected it in the camera.
    """

    stamp: FileStamp
    digest: bytes | None = None
    is_unreadable: bool = False
    is_changed: bool = False
    is_protected: bool = False


class CardObservation:
    """The card of one run: list it and report readings through this. Close it when the answer was given."""

    def __init__(self, card: SourceFolder) -> None:
        self.card = card
        self.files: dict[str, ObservedFile] = {}
        self.uncopyable: dict[str, str] = {}
        self.litter: set[str] = set()
        self._monitor = card.start_change_monitor()

    def close(self) -> None:
        """End the watching for changes."""
        self._monitor.close()

    @property
    def can_be_watched(self) -> bool:
        """Whether this system has a way to tell of changes at all."""
        return self._monitor.is_supported

    @property
    def is_watched(self) -> bool:
        """Whether the system tells of every change to the card's files."""
        return self._monitor.is_complete

    def list_entries(self) -> Iterator[CardItem]:
        """List the card and remember all of it. Raises CardGone."""
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
        """List the card and count what is on it. Raises CardGone."""
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
        """Remember one look at a file."""
        known = self.files.get(entry.path)
        if known is None:
            known = ObservedFile(stamp_of(entry), is_protected=entry.is_protected)
            self.files[entry.path] = known
        elif known.stamp != stamp_of(entry):
            known.is_changed = True
        return known

    def record_reading(self, entry: Entry, digest: bytes) -> None:
        """Remember that a file, unchanged while it was read, gave this content."""
        known = self.observe(entry)
        known.is_changed |= known.digest not in (None, digest)
        known.digest = digest
        known.is_unreadable = False

    def record_failure(self, path: str) -> None:
        """Remember that a file could not be read."""
        if path in self.files:
            self.files[path].is_unreadable = True

    def changed_paths(self) -> set[str]:
        """Return the files that the system says were changed since they were first listed."""
        changes = self._monitor.changes()
        return {path for path in self.files if changes.may_include(path)}

    def new_paths(self) -> set[str]:
        """Return what the system says was made or changed in the card's folders and no listing has shown."""
        changes = self._monitor.changes()
        if changes.has_lost_track:
            return set()
        return set(changes.paths) - self.files.keys() - self.litter - self.uncopyable.keys()

    def keeps_change_times(self) -> bool:
        """Whether the card's file system keeps a time of change that no program can set back."""
        return any(mtime != ctime and ctime != 0 for _, mtime, ctime in (one.stamp for one in self.files.values()))

    def _observe_uncopyable(self, item: UncopyableEntry) -> None:
        self.uncopyable.setdefault(item.path, item.reason)
