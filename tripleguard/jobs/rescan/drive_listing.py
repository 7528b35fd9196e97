"""List a drive and compare it with the catalog: what is unchanged, missing, changed or new.

What the file system itself can't return (a name whose stat fails, a folder that can't be listed) is unreachable
and never called missing. A file found under the recorded name but listed in another spelling is that copy: names
are compared as the file system compares them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from tripleguard.cameras.kinds import kind_of
from tripleguard.catalog import folder_queries
from tripleguard.catalog.store import Catalog
from tripleguard.errors import CopyError
from tripleguard.jobs.drive_walk import DriveWalk
from tripleguard.jobs.drives import OpenDrive
from tripleguard.model import Copy, CopyState, Entry, FileKind
from tripleguard.names import fold_name
from tripleguard.places.reserved import RESERVED_DIR
from tripleguard.rules import is_as_recorded, is_exactly_as_recorded


@dataclass(slots=True)
class ListingDifferences:
    """How a drive differs from the catalog.

    Attributes:
        changed: Copies that must be read.
        unknown: Paths without a recorded copy.
        unreachable: Copies that the file system does not return.
        permission_denied: Copies that the current user may not read.
    """

    changed: list[tuple[Copy, Entry]] = field(default_factory=list)
    unknown: list[str] = field(default_factory=list)
    unreachable: list[Copy] = field(default_factory=list)
    permission_denied: list[Copy] = field(default_factory=list)


class DriveListing:
    """One listing of one drive.

    Args:
        quick: Nothing will be read, so a bad copy is still believed to be bad.
        on_unchanged: Called with the ids of copies found as recorded.
        on_missing: Called with each missing copy, once all is listed and the drive still responds.
    """

    def __init__(
        self,
        drive: OpenDrive,
        catalog: Catalog,
        *,
        quick: bool,
        on_unchanged: Callable[[tuple[int, ...]], None],
        on_missing: Callable[[Copy], None],
    ) -> None:
        self._drive = drive
        self._catalog = catalog
        self._quick = quick
        self._on_unchanged = on_unchanged
        self._on_missing = on_missing
        self._differences = ListingDifferences()
        self._walk = DriveWalk(drive.place, include_reserved=True)
        self._unlisted: list[Copy] = []

    def compare(self, should_stop: Callable[[], bool]) -> ListingDifferences | None:
        """Compare every folder with the catalog; None once stopped.

        Raises OSError, CopyError if the drive is gone.
        """
        met: set[str] = set()
        for folder in self._walk.folders():
            if should_stop():
                return None
            met.add(folder.path)
            self._compare_folder(folder.path, folder.entries)
        for path in folder_queries.iter_folders(self._catalog, self._drive.record.id):
            if path not in met and not path.startswith(f"{RESERVED_DIR}/"):
                self._compare_folder(path, [])
        if self._unlisted and not self._drive.place.is_connected():
            raise OSError(None, "the drive is gone")
        self._check_unlisted()
        # A sidecar is matched by its picture, which must be known first.
        self._differences.unknown.sort(key=lambda path: kind_of(path) is FileKind.COMPANION)
        return self._differences

    def _check_unlisted(self) -> None:
        """Look up by name the copies that no folder listed, and report those that are missing."""
        spelt = {fold_name(path): path for path in self._differences.unknown} if self._unlisted else {}
        respelt: set[str] = set()
        for copy in self._unlisted:
            try:
                entry = self._drive.place.stat(copy.path)
            except CopyError:
                if not self._drive.place.is_connected():
                    raise
                self._differences.unreachable.append(copy)
                continue
            if entry is None:
                self._on_missing(copy)
                continue
            respelt.add(spelt.get(fold_name(copy.path), ""))
            self._classify(copy, entry)
        self._differences.unknown = [path for path in self._differences.unknown if path not in respelt]

    def _classify(self, copy: Copy, entry: Entry) -> None:
        if self._is_unchanged(copy, entry):
            self._on_unchanged((copy.id,))
        else:
            self._differences.changed.append((copy, entry))

    def _compare_folder(self, folder: str, entries: Sequence[Entry]) -> None:
        place_id = self._drive.record.id
        recorded = {
            copy.path: copy for copy in folder_queries.list_copies_in_folder(self._catalog, place_id, folder)
        }
        fine: list[int] = []
        for entry in entries:
            copy = recorded.pop(entry.path, None)
            if copy is None:
                self._differences.unknown.append(entry.path)
            elif self._is_unchanged(copy, entry):
                fine.append(copy.id)
            else:
                self._differences.changed.append((copy, entry))
        if fine:
            self._on_unchanged(tuple(fine))
        for copy in recorded.values():
            if self._walk.is_forbidden(copy.path):
                self._differences.permission_denied.append(copy)
            elif self._walk.is_unreachable(copy.path):
                self._differences.unreachable.append(copy)
            else:
                self._unlisted.append(copy)

    def _is_unchanged(self, copy: Copy, entry: Entry) -> bool:
        """Return whether it is as recorded. For a sidecar the smallest sign of an edit counts; it is read fast."""
        same = is_exactly_as_recorded if kind_of(copy.path) is FileKind.COMPANION else is_as_recorded
        return same(copy, entry) and self._can_trust_listing(copy)

    def _can_trust_listing(self, copy: Copy) -> bool:
        """Return whether the listing is enough: a copy that was missing or bad must be read again."""
        if copy.state is CopyState.PRESENT:
            return True
        return self._quick and copy.state is not CopyState.MISSING
