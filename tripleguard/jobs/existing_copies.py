"""Find which copies of a card file exist already, and which drives still need one.

Name, size and a sample of both ends give a guess, which decides whether a file is first only read or copied at
once. Only its digest decides whether it exists already.
"""

from __future__ import annotations

from collections.abc import Iterable, MutableMapping, Sequence
from dataclasses import dataclass, replace

from tripleguard.cameras.kinds import get_frame_key
from tripleguard.catalog import file_queries
from tripleguard.catalog.companions import list_companions
from tripleguard.catalog.file_queries import CopiesByName
from tripleguard.catalog.rows import KnownFile
from tripleguard.catalog.store import Catalog
from tripleguard.clock import DAY, HOUR, Clock
from tripleguard.config import RuleSettings
from tripleguard.digest import compute_sample
from tripleguard.errors import CopyError
from tripleguard.jobs.drives import OpenDrive
from tripleguard.model import Copy, CopyState, Entry, Evidence, File, FileKind
from tripleguard.names import is_name_of_copy, split_suffix
from tripleguard.places.base import SourceFolder
from tripleguard.rules import is_as_recorded, is_recent, should_read_again

RESUME_WINDOW_NS = DAY
"""How old an interrupted offload may be for its readings to be reused, in ns."""


@dataclass(frozen=True, slots=True)
class CopyGaps:
    """What a job's drives lack of one file: lanes without a copy, and copies to verify."""

    lanes: tuple[int, ...]
    unverified: tuple[tuple[int, Copy], ...]
    missing: tuple[Copy, ...]


class ExistingCopies:
    """Looks up existing copies for one thread, which owns the catalog connection.

    Args:
        max_age_hours: How recently a copy must have been read back; None for the rule's value.
        stamps: Receives the stamp (size, mtime, ctime) of each checked copy, by place id and path.
    """

    def __init__(
        self,
        catalog: Catalog,
        drives: Sequence[OpenDrive],
        rule: RuleSettings,
        clock: Clock,
        *,
        max_age_hours: int | None = None,
        stamps: MutableMapping[tuple[int, str], tuple[int, int, int]] | None = None,
    ) -> None:
        self.catalog = catalog
        self._stamps = stamps
        self._max_age_hours = max_age_hours
        self.by_name = CopiesByName(catalog)
        self._drives = drives
        self._rule = rule
        self._clock = clock

    def find_resumable(
        self, card: SourceFolder, entry: Entry, insertion: str | None
    ) -> tuple[KnownFile, int] | None:
        """Return the file that an interrupted offload read at this path of this card, unchanged since, and when.

        A card that was removed, or merely looks the same, is read again. A reading from the future was made by
        another clock, so its age is unknown.
        """
        if insertion is None:
            return None
        now = self._clock.now()
        readings = file_queries.list_earlier_readings(self.catalog, entry, now - RESUME_WINDOW_NS, insertion)
        earlier = [(known, at) for known, at in readings if at <= now]
        if not earlier:
            return None
        sample = _read_sample(card, entry)
        if sample is None:
            return None
        return next(((known, at) for known, at in earlier if known.sample == sample), None)

    def guess_file(self, card: SourceFolder, entry: Entry) -> KnownFile | None:
        """Return the file this may be, by name, size and sample; it is only a guess."""
        alike = file_queries.list_files_like(self.catalog, entry.name, entry.size)
        if not alike:
            return None
        sample = _read_sample(card, entry)
        return next((known for known in alike if known.sample in (None, sample)), None)

    def find_gaps(
        self,
        known: KnownFile,
        entry_name: str,
        lanes: Sequence[int],
        originals: frozenset[bytes] | None = None,
    ) -> CopyGaps:
        """Return which of these lanes lack a copy of a file that would get this name; checks the drives.

        originals: as in `copies_usable_for`. A drive that does not respond lacks it: writing there will report
        why.
        """
        missing: list[int] = []
        unproved: list[tuple[int, Copy]] = []
        gone: list[Copy] = []
        copies = [
            copy
            for copy in copies_usable_for(self.by_name, known, entry_name, originals)
            if copy.state is CopyState.PRESENT
        ]
        for lane in lanes:
            drive = self._drives[lane]
            mine = [copy for copy in copies if copy.place_id == drive.record.id]
            try:
                there, not_there = self._find_on_drive(known, drive, mine)
            except CopyError:
                missing.append(lane)
                continue
            gone += not_there
            if there is None:
                missing.append(lane)
            elif self._needs_verification(there, drive):
                unproved.append((lane, there))
        return CopyGaps(tuple(missing), tuple(unproved), tuple(gone))

    def _find_on_drive(
        self, known: KnownFile, drive: OpenDrive, copies: Iterable[Copy]
    ) -> tuple[Copy | None, list[Copy]]:
        """Return the best copy that is on the drive as recorded, and the missing ones. Raises PlaceFailedError."""
        there: Copy | None = None
        gone: list[Copy] = []
        for copy in copies:
            seen = drive.place.stat(copy.path)
            if self._stamps is not None and seen is not None:
                self._stamps.setdefault((copy.place_id, copy.path), (seen.size, seen.mtime_ns, seen.ctime_ns))
            # A companion with another time was edited: it is a newer version, not a bad copy to quarantine.
            edited = known.kind is FileKind.COMPANION and not is_as_recorded(copy, seen)
            if seen is None or seen.size != copy.size or edited:
                gone.append(copy)
                continue
            found = _with_current_mtime(copy, seen)
            if self._was_changed(copy, seen, drive):
                found = replace(found, evidence=Evidence(copy.evidence.written_at))
            if there is None or _is_better(found, there):
                there = found
        return there, gone

    def _was_changed(self, copy: Copy, seen: Entry, drive: OpenDrive) -> bool:
        """Return whether a copy for a yes was, or may have been, changed since it was read back."""
        if self._max_age_hours is None or not drive.place.keeps_change_times:
            return False
        return copy.evidence.ctime_ns != seen.ctime_ns

    def _needs_verification(self, copy: Copy, drive: OpenDrive) -> bool:
        evidence = copy.evidence
        if evidence.verified_at is None or evidence.medium is None:
            return True
        if not evidence.medium.is_from_device and should_read_again(
            evidence,
            reaches_device=drive.place.best_medium.is_from_device,
            insertion=drive.record.insertion,
        ):
            return True
        rule, now = self._rule, self._clock.now()
        if self._max_age_hours is not None:
            return not now - self._max_age_hours * HOUR <= evidence.verified_at <= now
        return not is_recent(evidence.verified_at, drive.record.role, rule.road_days, rule.shelf_days, now)


def copies_usable_for(
    by_name: CopiesByName, known: KnownFile, entry_name: str, originals: frozenset[bytes] | None
) -> list[Copy]:
    """Return the copies usable for a card file of this name, whatever their state except quarantined.

    A quarantined copy has left its path: nothing is missing because of it, and nothing helps it.

    An original counts by its bytes, wherever it is. A sidecar or an empty file counts only under its own name, and
    beside its own picture on the same drive: equal settings beside another picture are another statement.
    originals: the digests of its frame's originals; None if it has none.
    """
    if is_identified_by_content(known.kind, known.file.size) or originals is None or known.file.size == 0:
        return [
            copy
            for copy in candidate_copies(by_name, known, entry_name)
            if copy.state is not CopyState.QUARANTINED and satisfies(known, copy.path, entry_name)
        ]
    end = split_suffix(entry_name)[1]
    return [
        copy
        for copy in list_companions(by_name.catalog, known.id, originals)
        if is_name_of_copy(f"x{split_suffix(copy.path)[1]}", f"x{end}")
    ]


def satisfies(known: KnownFile, path: str, entry_name: str) -> bool:
    """Return whether a copy at path is usable for a file of this name, whatever the pictures beside them."""
    return is_identified_by_content(known.kind, known.file.size) or is_name_of_copy(
        path.rpartition("/")[2], entry_name
    )


def candidate_copies(by_name: CopiesByName, known: KnownFile, entry_name: str) -> list[Copy]:
    """Return every copy that may be usable for a card file of this name, at any path; see `satisfies`."""
    if is_identified_by_content(known.kind, known.file.size):
        return file_queries.list_copies(by_name.catalog, known.id)
    return by_name.find_copies(known.id, entry_name)


class FrameOriginals:
    """The originals of one frame after another, by their content."""

    def __init__(self) -> None:
        self._frame: tuple[str, str] | None = None
        self._originals: dict[bytes, str] | None = None

    def add_unknown(self, entry: Entry) -> None:
        """Add an original of its frame whose content is not known yet."""
        self._switch_frame(entry)
        self._originals = self._originals or {}

    def add(self, entry: Entry, file: File) -> None:
        """Add an original of its frame with its content; an empty one is no picture."""
        self._switch_frame(entry)
        if file.size > 0:
            self._originals = {**(self._originals or {}), file.digest: entry.name}

    def digests(self, entry: Entry) -> frozenset[bytes] | None:
        """Return the digests of the originals of this entry's frame; None if none is known."""
        self._switch_frame(entry)
        return frozenset(self._originals) if self._originals is not None else None

    def digests_by_closeness(self, entry: Entry) -> list[bytes]:
        """Return the same, first the one named in this entry's name, then in the card's order."""
        self._switch_frame(entry)
        names = self._originals or {}
        return sorted(
            names, key=lambda digest: not entry.name.casefold().startswith(f"{names[digest]}.".casefold())
        )

    def _switch_frame(self, entry: Entry) -> None:
        frame = get_frame_key(entry.path)
        if frame != self._frame:
            self._frame, self._originals = frame, None


def is_identified_by_content(kind: FileKind, size: int) -> bool:
    """Return whether equal bytes make equal files, whatever their names."""
    return kind.is_original and size > 0


def _with_current_mtime(copy: Copy, entry: Entry) -> Copy:
    """Return the copy with its current time; a differing time voids its verification."""
    evidence = copy.evidence if is_as_recorded(copy, entry) else Evidence(copy.evidence.written_at)
    return replace(copy, mtime_ns=entry.mtime_ns, evidence=evidence)


def _is_better(one: Copy, other: Copy) -> bool:
    return (one.evidence.verified_at or 0) > (other.evidence.verified_at or 0)


def _read_sample(card: SourceFolder, entry: Entry) -> bytes | None:
    def read_at(offset: int, length: int) -> bytes:
        return card.read_at(entry.path, offset, length)

    try:
        return compute_sample(entry.size, read_at)
    except OSError:
        return None
