"""Take inventory of a drive: compare its listing with earlier catalogs and its check lists. Reads no files.

A check list is in the folder it describes, so it is found wherever that folder was moved. If two sources disagree
about a path, that is reported and left to a rescan.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime

from tripleguard import checklist
from tripleguard.cameras.kinds import kind_of
from tripleguard.catalog import file_queries, folder_queries
from tripleguard.catalog.file_updates import ensure_shoot, move_copy, record_copy_listed, set_copy_state
from tripleguard.catalog.merge_catalogs import (
    MergeConflict,
    build_digest_conflict,
    ensure_copy_row,
    ensure_file_row,
    ensure_folder_id,
)
from tripleguard.catalog.rows import KnownFile, to_db
from tripleguard.catalog.store import Catalog
from tripleguard.clock import SECOND
from tripleguard.config import Settings
from tripleguard.digest import compute_digest
from tripleguard.jobs.drive_walk import DriveWalk
from tripleguard.layout import compute_shooting_day, guess_shoot
from tripleguard.model import Copy, CopyState, Entry, File, PlaceRecord
from tripleguard.places.base import Place
from tripleguard.places.reserved import CHECKLIST_NAME, LISTS_DIR, QUARANTINE_DIR, RESERVED_DIR

_EMPTY_DIGEST = compute_digest(b"")
_MAX_CHECKLIST_BYTES = 256 * 1024 * 1024


@dataclass(frozen=True, slots=True)
class DriveInventory:
    """What one drive holds.

    Attributes:
        known_at_path: Copies that an earlier catalog had at their path.
        moved: Copies that it had at another path.
        listed: Files in a check list only.
        unknown: Files that no source knows.
        missing: Recorded copies that are not there.
    """

    place: str
    known_at_path: int
    moved: int
    listed: int
    unknown: int
    missing: int
    unreachable_paths: tuple[str, ...] = ()


class InventoryRun:
    """Records the listing of one drive in the catalog."""

    def __init__(self, catalog: Catalog, settings: Settings, drive: Place, record: PlaceRecord, now: int) -> None:
        self.conflicts: list[MergeConflict] = []
        self._catalog = catalog
        self._settings = settings
        self._drive = drive
        self._record = record
        self._now = now
        self._walk = DriveWalk(drive)
        self._folder = ("", -1)
        self._shoots: dict[str, int] = {}
        self._known_at_path = self._moved = self._listed = self._unknown = self._missing = 0

    def run(self) -> Iterator[int]:
        """Take the inventory; yield the number of files so far. Raises PlaceFailedError, CatalogError."""
        seen = 0
        met: set[str] = set()
        lists: dict[str, tuple[Mapping[str, bytes], str]] = {}
        top = self._read_root_checklists()
        for folder in self._walk.folders():
            met.add(folder.path)
            named, root = lists.get(folder.path.rpartition("/")[0], (top, "")) if folder.path else (top, "")
            if folder.has_checklist:
                content = (
                    self._drive.read_own(f"{folder.path}/{CHECKLIST_NAME}".lstrip("/"), _MAX_CHECKLIST_BYTES)
                    or b""
                )
                named, root = dict(checklist.parse_b3sum(content)), folder.path
            lists[folder.path] = (named, root)
            with self._catalog.transaction():
                self._record_folder(folder.path, folder.entries, named, root)
            seen += len(folder.entries)
            yield seen
        with self._catalog.transaction():
            for path in list(folder_queries.iter_folders(self._catalog, self._record.id)):
                if path not in met and path != QUARANTINE_DIR and not path.startswith(f"{RESERVED_DIR}/"):
                    for copy in folder_queries.list_copies_in_folder(self._catalog, self._record.id, path):
                        self._record_missing(copy)
        yield seen

    def build_inventory(self) -> DriveInventory:
        """Return what was found."""
        return DriveInventory(
            self._record.name,
            self._known_at_path,
            self._moved,
            self._listed,
            self._unknown,
            self._missing,
            tuple(sorted(self._walk.unreachable_paths)),
        )

    def _read_root_checklists(self) -> dict[str, bytes]:
        """Return the digests in the check lists that cover the whole drive."""
        named: dict[str, bytes] = {}
        for entry in self._drive.list_own_files(LISTS_DIR):
            named.update(checklist.parse_b3sum(self._drive.read_own(entry.path, _MAX_CHECKLIST_BYTES) or b""))
        return named

    def _record_folder(self, folder: str, entries: list[Entry], checksums: Mapping[str, bytes], root: str) -> None:
        recorded = {
            copy.path: copy
            for copy in folder_queries.list_copies_in_folder(self._catalog, self._record.id, folder)
        }
        for entry in entries:
            digest = checksums.get(entry.path[len(root) + 1 :] if root else entry.path)
            copy = recorded.pop(entry.path, None)
            if copy is not None:
                self._record_present(copy, entry, digest)
            elif digest is None:
                self._unknown += 1
            else:
                self._record_checklist_only(entry, digest, root)
        for copy in recorded.values():
            self._record_missing(copy)

    def _record_present(self, copy: Copy, entry: Entry, digest: bytes | None) -> None:
        known = file_queries.get_file(self._catalog, copy.file_id)
        if digest is not None and digest != known.file.digest:
            self.conflicts.append(
                build_digest_conflict(
                    self._record.name, entry.path, known.file.digest, digest, "the check list beside it"
                )
            )
        if copy.state is CopyState.MISSING:
            set_copy_state(self._catalog, copy.id, CopyState.PRESENT, self._now)
        if entry.size == copy.size:
            record_copy_listed(self._catalog, copy.id, self._now)
        self._known_at_path += 1

    def _record_missing(self, copy: Copy) -> None:
        if self._walk.is_unreachable(copy.path):
            return
        # It may have been found under its new path meanwhile.
        now = file_queries.get_copy(self._catalog, copy.id)
        if now.path == copy.path and now.state is not CopyState.MISSING:
            set_copy_state(self._catalog, copy.id, CopyState.MISSING, self._now)
            self._missing += 1

    def _record_checklist_only(self, entry: Entry, digest: bytes, root: str) -> None:
        """Record a file that a check list names and no catalog has at this path."""
        known = file_queries.find_file_by_digest(self._catalog, digest)
        moved = self._find_moved_copy(known, entry) if known else None
        if known is not None and moved is not None:
            move_copy(self._catalog, moved.id, self._record.id, entry)
            if moved.state is CopyState.MISSING:
                set_copy_state(self._catalog, moved.id, CopyState.PRESENT, self._now)
                self._missing -= 1
            self._moved += 1
            return
        if known is None and (entry.size == 0) != (digest == _EMPTY_DIGEST):
            # A name without bytes, or a list that says so of a picture.
            self._unknown += 1
            what = f"it has {entry.size:,} bytes here, and a check list names {digest.hex()[:16]} for it"
            self.conflicts.append(MergeConflict(self._record.name, entry.path, what))
            return
        if known is not None and known.file.size != entry.size:
            # One of the two is truncated; only reading shows which.
            what = f"it has {entry.size:,} bytes here, and {known.file.size:,} elsewhere under the same digest"
            self.conflicts.append(MergeConflict(self._record.name, entry.path, what))
            if known.sample is not None:
                self._unknown += 1
                return
            # The other one was never read either, so its size is no better known.
        shoot_id = known.shoot_id if known else self._get_shoot_id(root, entry)
        if known:
            file_id = known.id
        else:
            file, kind = File(digest, entry.size), kind_of(entry.name)
            wants = self._settings.rule.drive_copies
            file_id = ensure_file_row(self._catalog, file, entry.name, kind, shoot_id, wants, self._now)
        folder = self._get_folder_id(entry.folder)
        ensure_copy_row(self._catalog, file_id, self._record.id, folder, entry, shoot_id, self._now)
        self._listed += 1

    def _get_folder_id(self, folder: str) -> int:
        if self._folder[0] != folder:
            self._folder = (folder, ensure_folder_id(self._catalog, self._record.id, to_db(folder)))
        return self._folder[1]

    def _find_moved_copy(self, known_file: KnownFile, entry: Entry) -> Copy | None:
        """Return a copy of that file on this drive that has left its path and can be this one."""
        for copy in file_queries.list_copies(self._catalog, known_file.id):
            if copy.place_id != self._record.id or copy.state is CopyState.QUARANTINED or copy.size != entry.size:
                continue
            if copy.path.rpartition("/")[2] == entry.name and self._drive.stat(copy.path) is None:
                return copy
        return None

    def _get_shoot_id(self, root: str, entry: Entry) -> int:
        """Return the shoot of a folder with a check list, by its name; else by the file's own day."""
        title = root or entry.folder
        day, name = guess_shoot(title)
        if day is not None and name is not None:
            if title not in self._shoots:
                self._shoots[title] = ensure_shoot(self._catalog, day, name, self._now)
            return self._shoots[title]
        if day is None:
            local = datetime.fromtimestamp(entry.mtime_ns / SECOND, UTC).replace(tzinfo=None)
            day = compute_shooting_day(local, self._settings.layout.day_start)
        return ensure_shoot(self._catalog, day, name or self._settings.layout.shoot, self._now)
