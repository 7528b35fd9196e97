"""What is known of a card file before it is read, and which drives still need it.

A name, a size and a sample of both ends make a guess, which decides whether a file is first only read or
copied at once. Only its digest decides whether it is there already.
"""

from __future__ import annotations

from collections.abc import Iterable, MutableMapping, Sequence
from dataclasses import dataclass, replace

from tripleguard.cameras.kinds import frame_key
from tripleguard.catalog import questions
from tripleguard.catalog.copies_by_name import CopiesByName
from tripleguard.catalog.pairing import companions_of
from tripleguard.catalog.rows import KnownFile
from tripleguard.catalog.store import Catalog
from tripleguard.clock import DAY, HOUR, Clock
from tripleguard.config import Rule
from tripleguard.digest import sample_of
from tripleguard.errors import CopyTrouble
from tripleguard.model import Copy, CopyState, Entry, Evidence, File, Kind
from tripleguard.names import split_suffix, stands_for
from tripleguard.places.card import Card
from tripleguard.rules import is_as_recorded, is_recent, reading_helps
from tripleguard.work.kit import OpenDrive

RESUME_WITHIN = DAY
"""How old an interrupted offload may be for its readings to count when it is resumed, in ns."""


@dataclass(frozen=True, slots=True)
class Lacking:
    """What the drives of a job miss of one file: lanes without a copy, and copies that want proof."""

    lanes: tuple[int, ...]
    unproved: tuple[tuple[int, Copy], ...]
    gone: tuple[Copy, ...]


class Holdings:
    """Questions of one thread about what the drives hold. catalog belongs to that thread.

    within_hours: how recently a copy must have been read back to need no reading now; None: as the rule says.
    seen: where to note how each copy that was looked at lay there (size, mtime, ctime), by place (id) and path.
    """

    def __init__(
        self,
        catalog: Catalog,
        drives: Sequence[OpenDrive],
        rule: Rule,
        clock: Clock,
        *,
        within_hours: int | None = None,
        seen: MutableMapping[tuple[int, str], tuple[int, int, int]] | None = None,
    ) -> None:
        self.catalog = catalog
        self._seen = seen
        self._within_hours = within_hours
        self.by_name = CopiesByName(catalog)
        self._drives = drives
        self._rule = rule
        self._clock = clock

    def resumed(self, card: Card, entry: Entry, insertion: str | None) -> tuple[KnownFile, int] | None:
        """The file an interrupted offload read at this path of this very card, not touched since, and when.

        A card that was taken out, or looks the same, is read again. A reading from a time to come was made by
        another clock, and is of unknown age.
        """
        if insertion is None:
            return None
        now = self._clock.now()
        readings = questions.earlier_reading(self.catalog, entry, now - RESUME_WITHIN, insertion)
        earlier = [(known, at) for known, at in readings if at <= now]
        if not earlier:
            return None
        sample = _sample(card, entry)
        if sample is None:
            return None
        return next(((known, at) for known, at in earlier if known.sample == sample), None)

    def guessed(self, card: Card, entry: Entry) -> KnownFile | None:
        """The file this may be, by name, size and sample: never a proof."""
        alike = questions.lookalikes(self.catalog, entry.name, entry.size)
        if not alike:
            return None
        sample = _sample(card, entry)
        return next((known for known in alike if known.sample in (None, sample)), None)

    def lacking(
        self,
        known: KnownFile,
        entry_name: str,
        lanes: Sequence[int],
        pictures: frozenset[bytes] | None = None,
    ) -> Lacking:
        """Which of these lanes lack a copy of a file that would lie under this name; looks at the drives.

        pictures: as in `copies_serving`. A drive that can't be looked at lacks it: whoever tries to write there
        finds out why.
        """
        missing: list[int] = []
        unproved: list[tuple[int, Copy]] = []
        gone: list[Copy] = []
        copies = [
            copy
            for copy in copies_serving(self.by_name, known, entry_name, pictures)
            if copy.state is CopyState.PRESENT
        ]
        for lane in lanes:
            drive = self._drives[lane]
            mine = [copy for copy in copies if copy.place_id == drive.record.id]
            try:
                there, not_there = self._looked_for(known, drive, mine)
            except CopyTrouble:
                missing.append(lane)
                continue
            gone += not_there
            if there is None:
                missing.append(lane)
            elif self._wants_proof(there, drive):
                unproved.append((lane, there))
        return Lacking(tuple(missing), tuple(unproved), tuple(gone))

    def _looked_for(
        self, known: KnownFile, drive: OpenDrive, copies: Iterable[Copy]
    ) -> tuple[Copy | None, list[Copy]]:
        """The best copy that lies on the drive as recorded, and those that do not. Raises PlaceFailed."""
        there: Copy | None = None
        gone: list[Copy] = []
        for copy in copies:
            seen = drive.place.look(copy.path)
            if self._seen is not None and seen is not None:
                self._seen.setdefault((copy.place_id, copy.path), (seen.size, seen.mtime_ns, seen.ctime_ns))
            # A companion with another time was edited: it is a newer version, and no bad copy to move aside.
            edited = known.kind is Kind.COMPANION and not is_as_recorded(copy, seen)
            if seen is None or seen.size != copy.size or edited:
                gone.append(copy)
                continue
            found = _as_it_lies(copy, seen)
            if there is None or _better(found, there):
                there = found
        return there, gone

    def _wants_proof(self, copy: Copy, drive: OpenDrive) -> bool:
        evidence = copy.evidence
        if evidence.verified_at is None or evidence.medium is None:
            return True
        if not evidence.medium.reached_device and reading_helps(
            evidence,
            reaches_device=drive.place.depth.medium.reached_device,
            insertion=drive.record.insertion,
        ):
            return True
        rule, now = self._rule, self._clock.now()
        if self._within_hours is not None:
            return not now - self._within_hours * HOUR <= evidence.verified_at <= now
        return not is_recent(evidence.verified_at, drive.record.role, rule.road_days, rule.shelf_days, now)


def copies_serving(
    by_name: CopiesByName, known: KnownFile, entry_name: str, pictures: frozenset[bytes] | None
) -> list[Copy]:
    """The copies of a file that stand for a card file of this name, whatever their state but moved aside.

    A bad copy that was moved aside has left its place: nothing is missing because of it, and nothing helps it.

    An original's bytes are what counts, wherever they lie. A sidecar or an empty file means something only under
    its own name, and beside its own picture on the very drive: the same settings beside another one are another
    statement. pictures: the digests of the originals of its frame; None where it has none.
    """
    if content_is_identity(known.kind, known.file.size) or pictures is None or known.file.size == 0:
        return [
            copy
            for copy in copies_for(by_name, known, entry_name)
            if copy.state is not CopyState.ASIDE and serves(known, copy.path, entry_name)
        ]
    end = split_suffix(entry_name)[1]
    return [
        copy
        for copy in companions_of(by_name.catalog, known.id, pictures)
        if stands_for(f"x{split_suffix(copy.path)[1]}", f"x{end}")
    ]


def serves(known: KnownFile, path: str, entry_name: str) -> bool:
    """Whether a copy at path stands for a file of this name, wherever the pictures of the two lie."""
    return content_is_identity(known.kind, known.file.size) or stands_for(path.rpartition("/")[2], entry_name)


def copies_for(by_name: CopiesByName, known: KnownFile, entry_name: str) -> list[Copy]:
    """Every copy that can stand for a card file of this name, wherever it lies: see `serves`."""
    if content_is_identity(known.kind, known.file.size):
        return questions.copies_of(by_name.catalog, known.id)
    return by_name.standing_for(known.id, entry_name)


class Beside:
    """The originals of the frame that is being looked at, one frame after another, known by their content."""

    def __init__(self) -> None:
        self._frame: tuple[str, str] | None = None
        self._pictures: dict[bytes, str] | None = None

    def is_new(self, entry: Entry) -> None:
        """This entry is an original of its frame, and what it holds is not known yet."""
        self._turn_to(entry)
        self._pictures = self._pictures or {}

    def holds(self, entry: Entry, file: File) -> None:
        """This entry is an original of its frame, and this is what it holds. An empty one is no picture."""
        self._turn_to(entry)
        if file.size > 0:
            self._pictures = {**(self._pictures or {}), file.digest: entry.name}

    def pictures(self, entry: Entry) -> frozenset[bytes] | None:
        """The digests of the originals of this entry's frame; None if it has none that is known."""
        self._turn_to(entry)
        return frozenset(self._pictures) if self._pictures is not None else None

    def closest(self, entry: Entry) -> list[bytes]:
        """The same, the one that this entry names in its own name first, then as the card lists them."""
        self._turn_to(entry)
        names = self._pictures or {}
        return sorted(
            names, key=lambda digest: not entry.name.casefold().startswith(f"{names[digest]}.".casefold())
        )

    def _turn_to(self, entry: Entry) -> None:
        frame = frame_key(entry.path)
        if frame != self._frame:
            self._frame, self._pictures = frame, None


def content_is_identity(kind: Kind, size: int) -> bool:
    """Whether equal bytes make equal files, whatever they are called."""
    return kind.is_original and size > 0


def _as_it_lies(copy: Copy, seen: Entry) -> Copy:
    """The copy with the time it has now; what was proved of it counts no more if that is not the recorded one."""
    evidence = copy.evidence if is_as_recorded(copy, seen) else Evidence(copy.evidence.written_at)
    return replace(copy, mtime_ns=seen.mtime_ns, evidence=evidence)


def _better(one: Copy, other: Copy) -> bool:
    return (one.evidence.verified_at or 0) > (other.evidence.verified_at or 0)


def _sample(card: Card, entry: Entry) -> bytes | None:
    def read_at(offset: int, length: int) -> bytes:
        return card.read_at(entry.path, offset, length)

    try:
        return sample_of(entry.size, read_at)
    except OSError:
        return None
