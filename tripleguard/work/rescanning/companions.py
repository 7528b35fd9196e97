"""Entering what a look saw of companions: an edit is a new version, whatever its clock said, and brings no fault.

A companion goes where its picture goes. One that lies beside a picture which was moved here belongs beside it at
home, also if it was edited or written since; so both are put back together. What is empty or all zeros is what a
crash leaves of a sidecar: that is no edit.
"""

from __future__ import annotations

from dataclasses import dataclass

from tripleguard.cameras.kinds import frame_key, kind_of
from tripleguard.catalog import folders, questions, shoots
from tripleguard.catalog.findings import close_at, findings_of_copy, notice
from tripleguard.catalog.journal import add_event
from tripleguard.catalog.lineage import add_edit, add_version, is_of_one_line, newest_version, settle_wants
from tripleguard.catalog.pairing import pictures_beside
from tripleguard.catalog.store import Catalog
from tripleguard.catalog.twins import has_twin
from tripleguard.catalog.writing import (
    Origin,
    copy_holds,
    copy_lies_at,
    copy_verified,
    copy_written,
    ensure_file,
)
from tripleguard.digest import digest_of
from tripleguard.model import (
    Copy,
    CopyState,
    Entry,
    EventType,
    File,
    FindingKind,
    Kind,
    Medium,
    Outcome,
    PlaceRecord,
)
from tripleguard.names import is_text, shown

_LARGEST_HOLLOW = 1 << 20
"""Bytes. A companion above this size is not asked whether it is all zeros."""


@dataclass(frozen=True, slots=True)
class Look:
    """One look at one drive. now: UTC ns; wants: the rule's drive copies."""

    catalog: Catalog
    job_id: int
    place: PlaceRecord
    wants: int
    now: int

    def close(self, path: str, how: str, kinds: tuple[FindingKind, ...] = tuple(FindingKind)) -> None:
        """Close what is open at a path of this drive."""
        close_at(self.catalog, self.place.id, path, how, self.now, kinds=kinds)

    def shoot_of(self, copy_id: int) -> int:
        """The shoot that a copy belongs to."""
        return shoots.shoot_of_copy(self.catalog, copy_id)

    def home_of(self, copy: Copy) -> str:
        """The path a copy belongs at: where it was before it was first moved."""
        for one in findings_of_copy(self.catalog, copy.id):
            was = one.evidence.get("was")
            if one.kind is FindingKind.MISPLACED and isinstance(was, str):
                return was
        return copy.path

    def lies_elsewhere(self, copy: Copy, entry: Entry, medium: Medium) -> bool:
        """A copy lies at entry's path and was read there; whether that is not where it belongs."""
        home = self.home_of(copy)
        self.close(copy.path, f"it lies at {shown(entry.path)} now")
        self.close(entry.path, "it is known what this is", (FindingKind.STRAY,))
        copy_lies_at(self.catalog, copy.id, self.place.id, entry)
        copy_verified(self.catalog, copy.id, medium, self.now, self.place.insertion)
        if entry.path == home:
            self.close(home, "it is back in its place")
            return False
        self.misplaced(copy.id, copy.file_id, entry.path, home)
        return True

    def misplaced(self, copy_id: int, file_id: int, path: str, home: str) -> None:
        """A copy lies at path and belongs at home."""
        notice(
            self.catalog,
            FindingKind.MISPLACED,
            self.place.id,
            path,
            self.now,
            copy_id=copy_id,
            file_id=file_id,
            shoot_id=self.shoot_of(copy_id),
            evidence={"was": home if is_text(home) else None},
        )


@dataclass(frozen=True, slots=True)
class Seen:
    """A companion as it was read: where, what it holds, a sample of that, and how far down the reading reached."""

    entry: Entry
    file: File
    sample: bytes
    medium: Medium


def is_hollow(file: File) -> bool:
    """Whether a companion holds nothing, or zeros only: what is left of one that was being saved in a crash."""
    return file.size == 0 or (file.size <= _LARGEST_HOLLOW and file.digest == digest_of(bytes(file.size)))


def enter_edit(look: Look, copy: Copy, seen: Seen) -> None:
    """A companion was edited at its path: what it held before stays a version, what it holds now is the newest."""
    home = look.home_of(copy)
    look.close(copy.path, "a new version was entered", _NOT_ITS_PLACE)
    _enter_version(look, copy, seen, home)


_NOT_ITS_PLACE = tuple(kind for kind in FindingKind if kind is not FindingKind.MISPLACED)


def enter_beside(look: Look, seen: Seen) -> int | None:
    """Enter a companion that lies beside its original and is not recorded there; None if it lies beside none.

    What is given back is the id of the copy that was missing until now; 0 if it is new.
    """
    entry = seen.entry
    if kind_of(entry.name) is not Kind.COMPANION or is_hollow(seen.file):
        return None
    frame = frame_key(entry.path)
    beside = next(
        (
            copy
            for copy in folders.copies_right_in(look.catalog, look.place.id, entry.folder)
            if frame_key(copy.path) == frame and copy.state is CopyState.PRESENT and not _is_companion(copy)
        ),
        None,
    )
    if beside is None:
        return None
    look.close(entry.path, "it was entered", (FindingKind.STRAY,))
    home = _home_beside(look, entry, beside)
    missed = questions.copy_at(look.catalog, look.place.id, home) if home != entry.path else None
    if missed is not None and missed.state is CopyState.MISSING and _is_companion(missed):
        look.lies_elsewhere(missed, entry, seen.medium)
        _enter_version(look, missed, seen, home)
        return missed.id
    _enter_new(look, seen, beside, home if missed is None else entry.path)
    return 0


def _is_companion(copy: Copy) -> bool:
    return kind_of(copy.path) is Kind.COMPANION


def _home_beside(look: Look, entry: Entry, beside: Copy) -> str:
    """Where a companion belongs: beside its picture's own place, and called as the picture is called there."""
    home = look.home_of(beside)
    folder, _, name = home.rpartition("/")
    stem, own = beside.path.rpartition("/")[2].rpartition(".")[0], name.rpartition(".")[0]
    named = own + entry.name[len(stem) :] if stem and entry.name.startswith(stem) else entry.name
    return f"{folder}/{named}" if folder else named


def _enter_version(look: Look, copy: Copy, seen: Seen, home: str) -> None:
    """What a copy of a companion holds now, as the newest version of what belongs at home. It may be no other."""
    old, shoot_id = questions.file_with_id(look.catalog, copy.file_id), look.shoot_of(copy.id)
    if old.file == seen.file:
        return
    # By its own path: the old version may have been known first under the name of an equal one.
    origin = Origin(seen.entry.name, Kind.COMPANION, shoot_id, None, old.wall_ns, old.offset)
    file_id = ensure_file(look.catalog, seen.file, origin, seen.sample, look.wants, look.now)
    add_version(look.catalog, shoot_id, home, copy.file_id, copy.mtime_ns, look.now)
    add_edit(look.catalog, shoot_id, home, file_id, seen.entry.mtime_ns, look.now, of=copy.file_id)
    copy_holds(look.catalog, copy.id, file_id, seen.entry, look.now, look.place.insertion)
    copy_verified(look.catalog, copy.id, seen.medium, look.now, look.place.insertion)
    _event(look, EventType.METADATA_MODIFICATION, f"{shown(home)} has a new version", shoot_id, file_id)
    pictures = pictures_beside(look.catalog, look.place.id, seen.entry.path)
    for other in folders.copies_at_path(look.catalog, seen.entry.path):
        if other.file_id == file_id and not is_of_one_line(look.catalog, other, pictures):
            has_twin(look.catalog, file_id)
    settle_wants(look.catalog, home, look.wants)
    mark_stale(look.catalog, home, look.now)


def _enter_new(look: Look, seen: Seen, beside: Copy, home: str) -> None:
    entry, shoot_id = seen.entry, look.shoot_of(beside.id)
    original = questions.file_with_id(look.catalog, beside.file_id)
    origin = Origin(entry.name, Kind.COMPANION, shoot_id, None, original.wall_ns, original.offset)
    file_id = ensure_file(look.catalog, seen.file, origin, seen.sample, look.wants, look.now)
    copy_id = copy_written(
        look.catalog,
        file_id,
        look.place.id,
        shoot_id,
        entry,
        look.now,
        insertion=look.place.insertion,
        by_us=False,
    )
    copy_verified(look.catalog, copy_id, seen.medium, look.now, look.place.insertion)
    if home != entry.path:
        look.misplaced(copy_id, file_id, entry.path, home)
    others: list[Copy] = []
    pictures = pictures_beside(look.catalog, look.place.id, entry.path)
    for copy in folders.copies_at_path(look.catalog, home):
        if copy.id == copy_id:
            continue
        if is_of_one_line(look.catalog, copy, pictures):
            others.append(copy)
        elif copy.file_id == file_id:
            has_twin(look.catalog, file_id)
    for copy in others:
        add_version(look.catalog, shoot_id, home, copy.file_id, copy.mtime_ns, look.now)
    if others:
        add_version(look.catalog, shoot_id, home, file_id, entry.mtime_ns, look.now)
        settle_wants(look.catalog, home, look.wants)
        mark_stale(look.catalog, home, look.now)
    message = f"{shown(entry.path)} was found beside its picture and entered"
    _event(look, EventType.INGESTION, message, shoot_id, file_id)


def mark_stale(catalog: Catalog, path: str, now: int) -> None:
    """Older versions at this path, on any place, are stale; the newest beside each picture is not.

    Call inside `writing`.
    """
    for copy in folders.copies_at_path(catalog, path):
        newest = newest_version(catalog, path, copy.place_id)
        if newest is None or copy.file_id == newest or copy.state is not CopyState.PRESENT:
            # What is missing or rotten stays so, whatever its version.
            over = (FindingKind.STALE,)
            close_at(catalog, copy.place_id, path, "it is no older version", now, kinds=over)
        else:
            notice(
                catalog,
                FindingKind.STALE,
                copy.place_id,
                path,
                now,
                copy_id=copy.id,
                file_id=copy.file_id,
                shoot_id=shoots.shoot_of_copy(catalog, copy.id),
            )


def _event(look: Look, type_: EventType, message: str, shoot_id: int, file_id: int) -> None:
    add_event(
        look.catalog,
        type_,
        Outcome.SUCCESS,
        message,
        look.now,
        job_id=look.job_id,
        place_id=look.place.id,
        shoot_id=shoot_id,
        file_id=file_id,
    )
