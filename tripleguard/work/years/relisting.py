"""One drive as it lies now, laid beside what earlier catalogs and its own check lists say. Nothing is read.

A check list lies in the folder it speaks of, so it is found wherever that folder was moved to. What two sources
say differently of one path is told, and left for a rescan to decide by reading.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime

from tripleguard import checklist
from tripleguard.cameras.kinds import kind_of
from tripleguard.catalog import folders, questions
from tripleguard.catalog.inheriting import Conflict, copy_named, differing, file_named, folder_id
from tripleguard.catalog.rows import KnownFile
from tripleguard.catalog.store import Catalog
from tripleguard.catalog.text import to_db
from tripleguard.catalog.writing import (
    copy_lies_at,
    copy_listed,
    copy_state,
    ensure_shoot,
)
from tripleguard.clock import SECOND
from tripleguard.config import Settings
from tripleguard.digest import digest_of
from tripleguard.layout import shoot_called, shooting_day
from tripleguard.model import Copy, CopyState, Entry, File, PlaceRecord
from tripleguard.places.drive import Drive
from tripleguard.places.own import ASIDE, CHECK_LIST, LISTS, OWN
from tripleguard.work.walking import Walk

_NOTHING = digest_of(b"")
_LIST_LIMIT = 256 * 1024 * 1024


@dataclass(frozen=True, slots=True)
class Relisted:
    """What one drive holds. known: copies an earlier catalog knew at their path; moved: at another; listed: only
    a check list knew them; unknown: nobody did; gone: known once and not there now."""

    place: str
    known: int
    moved: int
    listed: int
    unknown: int
    gone: int
    out_of_reach: tuple[str, ...] = ()


class Relisting:
    """Lists one drive into the catalog."""

    def __init__(self, catalog: Catalog, settings: Settings, drive: Drive, record: PlaceRecord, now: int) -> None:
        self.conflicts: list[Conflict] = []
        self._catalog = catalog
        self._settings = settings
        self._drive = drive
        self._record = record
        self._now = now
        self._walk = Walk(drive)
        self._folder = ("", -1)
        self._shoots: dict[str, int] = {}
        self._known = self._moved = self._listed = self._unknown = self._gone = 0

    def steps(self) -> Iterator[int]:
        """Do it; yields now and then how many files were seen. Raises PlaceFailed, CatalogTrouble."""
        seen = 0
        met: set[str] = set()
        lists: dict[str, tuple[Mapping[str, bytes], str]] = {}
        top = self._named_at_top()
        for folder in self._walk.folders():
            met.add(folder.path)
            named, root = lists.get(folder.path.rpartition("/")[0], (top, "")) if folder.path else (top, "")
            if folder.has_list:
                content = self._drive.read_own(f"{folder.path}/{CHECK_LIST}".lstrip("/"), _LIST_LIMIT) or b""
                named, root = dict(checklist.parsed(content)), folder.path
            lists[folder.path] = (named, root)
            with self._catalog.writing():
                self._enter(folder.path, folder.entries, named, root)
            seen += len(folder.entries)
            yield seen
        with self._catalog.writing():
            for path in list(folders.folders_with_copies(self._catalog, self._record.id)):
                if path not in met and path != ASIDE and not path.startswith(f"{OWN}/"):
                    for copy in folders.copies_right_in(self._catalog, self._record.id, path):
                        self._not_there(copy)
        yield seen

    def result(self) -> Relisted:
        """What was found."""
        return Relisted(
            self._record.name,
            self._known,
            self._moved,
            self._listed,
            self._unknown,
            self._gone,
            tuple(sorted(self._walk.refused)),
        )

    def _named_at_top(self) -> dict[str, bytes]:
        """What the check lists name that speak of the whole drive."""
        named: dict[str, bytes] = {}
        for entry in self._drive.own_files(LISTS):
            named.update(checklist.parsed(self._drive.read_own(entry.path, _LIST_LIMIT) or b""))
        return named

    def _enter(self, folder: str, entries: list[Entry], named: Mapping[str, bytes], root: str) -> None:
        recorded = {copy.path: copy for copy in folders.copies_right_in(self._catalog, self._record.id, folder)}
        for entry in entries:
            digest = named.get(entry.path[len(root) + 1 :] if root else entry.path)
            copy = recorded.pop(entry.path, None)
            if copy is not None:
                self._is_there(copy, entry, digest)
            elif digest is None:
                self._unknown += 1
            else:
                self._named_only(entry, digest, root)
        for copy in recorded.values():
            self._not_there(copy)

    def _is_there(self, copy: Copy, entry: Entry, digest: bytes | None) -> None:
        known = questions.file_with_id(self._catalog, copy.file_id)
        if digest is not None and digest != known.file.digest:
            self.conflicts.append(
                differing(self._record.name, entry.path, known.file.digest, digest, "the check list beside it")
            )
        if copy.state is CopyState.MISSING:
            copy_state(self._catalog, copy.id, CopyState.PRESENT, self._now)
        if entry.size == copy.size:
            copy_listed(self._catalog, copy.id, self._now)
        self._known += 1

    def _not_there(self, copy: Copy) -> None:
        if self._walk.is_out_of_reach(copy.path):
            return
        # It may have been found under its new path by then.
        now = questions.copy_with_id(self._catalog, copy.id)
        if now.path == copy.path and now.state is not CopyState.MISSING:
            copy_state(self._catalog, copy.id, CopyState.MISSING, self._now)
            self._gone += 1

    def _named_only(self, entry: Entry, digest: bytes, root: str) -> None:
        """A file that a check list names and no catalog has at this path."""
        known = questions.file_with_digest(self._catalog, digest)
        moved = self._was_elsewhere(known, entry) if known else None
        if known is not None and moved is not None:
            copy_lies_at(self._catalog, moved.id, self._record.id, entry)
            if moved.state is CopyState.MISSING:
                copy_state(self._catalog, moved.id, CopyState.PRESENT, self._now)
                self._gone -= 1
            self._moved += 1
            return
        if known is None and (entry.size == 0) != (digest == _NOTHING):
            # A name that lost its bytes, or a list that says so of a picture.
            self._unknown += 1
            what = f"it has {entry.size:,} bytes here, and a check list names {digest.hex()[:16]} for it"
            self.conflicts.append(Conflict(self._record.name, entry.path, what))
            return
        if known is not None and known.file.size != entry.size:
            # One of the two is cut off; which one only reading can tell.
            what = f"it has {entry.size:,} bytes here, and {known.file.size:,} elsewhere under the same digest"
            self.conflicts.append(Conflict(self._record.name, entry.path, what))
            if known.sample is not None:
                self._unknown += 1
                return
            # Nobody ever read the other one either: its size is not known better than this one's.
        shoot_id = known.shoot_id if known else self._shoot_of(root, entry)
        if known:
            file_id = known.id
        else:
            file, kind = File(digest, entry.size), kind_of(entry.name)
            wants = self._settings.rule.drive_copies
            file_id = file_named(self._catalog, file, entry.name, kind, shoot_id, wants, self._now)
        folder = self._folder_id(entry.folder)
        copy_named(self._catalog, file_id, self._record.id, folder, entry, shoot_id, self._now)
        self._listed += 1

    def _folder_id(self, folder: str) -> int:
        if self._folder[0] != folder:
            self._folder = (folder, folder_id(self._catalog, self._record.id, to_db(folder)))
        return self._folder[1]

    def _was_elsewhere(self, known: KnownFile, entry: Entry) -> Copy | None:
        """A copy of that file on this drive that is not where it was, and can be this one."""
        for copy in questions.copies_of(self._catalog, known.id):
            if copy.place_id != self._record.id or copy.state is CopyState.ASIDE or copy.size != entry.size:
                continue
            if copy.path.rpartition("/")[2] == entry.name and self._drive.look(copy.path) is None:
                return copy
        return None

    def _shoot_of(self, root: str, entry: Entry) -> int:
        """The shoot that a folder with a check list is, by its name; else by the file's own day."""
        title = root or entry.folder
        day, name = shoot_called(title)
        if day is not None and name is not None:
            if title not in self._shoots:
                self._shoots[title] = ensure_shoot(self._catalog, day, name, self._now)
            return self._shoots[title]
        if day is None:
            local = datetime.fromtimestamp(entry.mtime_ns / SECOND, UTC).replace(tzinfo=None)
            day = shooting_day(local, self._settings.layout.day_start)
        return ensure_shoot(self._catalog, day, name or self._settings.layout.shoot, self._now)
