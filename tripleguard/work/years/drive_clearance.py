"""May this drive be taken out of service and reformatted? What would be missing if it were gone.

The drive is listed at this moment: what is on it and not in the catalog, or not as recorded, is a reason to keep
it. Each of its files must have the copies that the rule asks for on *other* drives that are here now, and those
copies must have been read back lately. In doubt the answer is no.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from blake3 import blake3

from tripleguard.answers import Clearance
from tripleguard.catalog import folders, questions, shoots
from tripleguard.catalog.journal import drives_given_yes
from tripleguard.catalog.lineage import newest_version
from tripleguard.catalog.pairing import pictures_beside
from tripleguard.catalog.places import all_places
from tripleguard.catalog.rows import KnownFile
from tripleguard.errors import CardGone, PlaceFailed, Stopped
from tripleguard.model import Copy, CopyState, Entry, Kind, PlaceRecord, PlaceState, Shoot
from tripleguard.places.card import Card, Left
from tripleguard.places.drive import held_root
from tripleguard.places.media import disk_of
from tripleguard.places.own import is_own
from tripleguard.rules import Needs, Standing, is_as_recorded, telling
from tripleguard.work.companion_content import holds_as_recorded
from tripleguard.work.counting import Counting
from tripleguard.work.holdings import content_is_identity
from tripleguard.work.kit import Kit, OpenDrive
from tripleguard.work.progress import Job, Moved
from tripleguard.work.tally import Tally

SOLE = "only here"
_LOST = "no good copy"
GIVEN = "yes given"
_WORSE_FIRST = (_LOST, SOLE, GIVEN, "one elsewhere")
_SAY_EVERY = 200
_WORDS = {
    Standing.GONE: "copy missing elsewhere",
    Standing.UNPROVED: "not proved elsewhere",
    Standing.OVERDUE: "not read lately",
    Standing.CACHED: "not proved elsewhere",
    Standing.AWAY: "other drive away",
    Standing.OUT: "other drive out of service",
}


@dataclass(frozen=True, slots=True)
class Uncovered:
    """A file on the drive that would fall below the rule. elsewhere: drives on which it counts."""

    path: str
    size: int
    shoot_id: int
    elsewhere: int
    word: str

    @property
    def is_sole(self) -> bool:
        """Whether nothing is known of a copy elsewhere that could be fetched or proved."""
        return self.word in (SOLE, _LOST)


@dataclass(frozen=True, slots=True)
class ShootAtRisk:
    """What of one shoot would fall below the rule. sole: files with no copy elsewhere, not even one away."""

    shoot: Shoot
    files: int
    total_bytes: int
    sole: int


@dataclass(frozen=True, slots=True)
class DriveAnswer:
    """The answer for one drive. uncovered: sole copies first, then by path."""

    record: PlaceRecord
    clearance: Clearance
    uncovered: tuple[Uncovered, ...]
    at_risk: tuple[ShootAtRisk, ...]
    covered: tuple[tuple[str, bytes], ...]


def answer_for_drive(kit: Kit, record: PlaceRecord, drives: Sequence[OpenDrive]) -> Job[DriveAnswer]:
    """Look at the drive and at every other copy of what it holds, on the drives that are here, and answer.

    Raises PlaceFailed if the drive goes away meanwhile, Stopped, CatalogTrouble.
    """
    asking = _Asking(kit, record, drives)
    of_files = sum(held.copies for held in shoots.coverage(kit.catalog, record.id))
    for number, path in enumerate(asking.steps()):
        if kit.stop.is_set():
            raise Stopped(
                "Stopped before the whole drive was looked at.",
                safe="Nothing was changed. There is no answer: keep the drive.",
                do="Ask again.",
            )
        if number % _SAY_EVERY == 0:
            yield Moved(f"looking at drive {record.name}", number, max(number, of_files), 0, 0, 0.0, None)
        asking.take(path)
    return asking.answer()


class _Asking:
    """One question being answered."""

    def __init__(self, kit: Kit, record: PlaceRecord, drives: Sequence[OpenDrive]) -> None:
        self._kit = kit
        self._record = record
        self._drive = next((drive for drive in drives if drive.record.id == record.id), None)
        self._others = [drive for drive in drives if drive.record.id != record.id]
        self._now = kit.clock.now()
        days = kit.settings.clearance.drive_days
        needs = Needs(days, days, kit.settings.rule.accept_cached)
        self._given = drives_given_yes(kit.catalog) - {record.id}
        self._counting = Counting(
            kit.catalog, self._others, needs, self._now, without={record.id, *self._given}, reads_companions=True
        )
        self._reasons = Tally(_WORSE_FIRST)
        self._notes = Tally()
        self._files = self._bytes = 0
        self._uncovered: list[Uncovered] = []
        self._covered: list[tuple[str, bytes]] = []
        self._list = blake3()
        self._listed: set[str] = set()

    def steps(self) -> Iterator[Entry | Copy]:
        """What lies on the drive now; then what the catalog has there that was not among it."""
        if self._drive is None:
            self._reasons.add("drive not here")
        else:
            yield from self._entries(self._drive)
            self._look_aside(self._drive)
        for folder in folders.folders_with_copies(self._kit.catalog, self._record.id):
            for copy in folders.copies_in(self._kit.catalog, self._record.id, folder):
                if copy.path not in self._listed:
                    yield copy

    def take(self, item: Entry | Copy) -> None:
        """Count one of them."""
        if isinstance(item, Copy):
            self._not_listed(item)
            return
        self._listed.add(item.path)
        copy = questions.copy_at(self._kit.catalog, self._record.id, item.path)
        if copy is None:
            self._reasons.add("not in the catalog", item.path)
        elif copy.state is CopyState.ALTERED or not is_as_recorded(copy, item):
            self._reasons.add("changed here", item.path)
        else:
            known = questions.file_with_id(self._kit.catalog, copy.file_id)
            if self._was_edited(known, copy):
                self._reasons.add("changed here", item.path)
            else:
                self._file(known, copy)

    def _was_edited(self, known: KnownFile, copy: Copy) -> bool:
        """Whether a companion that looks as recorded holds something else: it is read, as no time tells."""
        if known.kind is not Kind.COMPANION or copy.state is not CopyState.PRESENT or self._drive is None:
            return False
        return not holds_as_recorded(self._drive, copy, known)

    def answer(self) -> DriveAnswer:
        """The answer from what was counted."""
        reasons = self._reasons.reasons()
        if not reasons and (self._uncovered or len(self._covered) != self._files):
            raise AssertionError("a yes that does not cover every file")
        self._note_disks()
        for record in all_places(self._kit.catalog):
            if record.id in self._given and record.state in (PlaceState.ACTIVE, PlaceState.SHELVED):
                self._notes.add("yes stands", record.name)
        clearance = Clearance(
            answer=not reasons,
            subject=f"drive {self._record.name}",
            at=self._now,
            files=self._files,
            total_bytes=self._bytes,
            covered=len(self._covered),
            list_digest=self._list.digest(),
            reasons=reasons,
            notes=self._notes.reasons(),
        )
        uncovered = sorted(self._uncovered, key=lambda one: (not one.is_sole, one.elsewhere, one.path))
        return DriveAnswer(self._record, clearance, tuple(uncovered), tuple(self._at_risk()), tuple(self._covered))

    def _entries(self, drive: OpenDrive) -> Iterator[Entry]:
        folder = held_root(drive.place.root, quiet=True)
        listing = Card(folder)
        try:
            for item in listing.listed():
                if is_own(item.path):
                    continue
                if isinstance(item, Entry):
                    yield item
                elif isinstance(item, Left):
                    self._notes.add("litter on the drive", item.path)
                else:
                    self._reasons.add("odd on the drive", item.path)
        except CardGone as error:
            raise PlaceFailed(
                f"Drive {self._record.name} went away while it was looked at.",
                safe="Nothing was changed. There is no answer: keep the drive.",
                do="Connect it and ask again.",
            ) from error
        finally:
            listing.close()

    def _look_aside(self, drive: OpenDrive) -> None:
        """What lies aside and is in no catalog may be the last bytes of a picture: its notes are not believed."""
        for lying in drive.place.lies_aside():
            if lying.odd or questions.copy_at(self._kit.catalog, self._record.id, lying.path) is None:
                self._reasons.add("aside and unknown", lying.path)

    def _not_listed(self, copy: Copy) -> None:
        """A copy that the catalog has here and that was not seen: gone, or a bad one that was moved aside."""
        known = questions.file_with_id(self._kit.catalog, copy.file_id)
        if copy.state is CopyState.ASIDE:
            # An older version of a sidecar is moved aside too; only an original can be past mending.
            elsewhere = self._counting.count(known, known.name, None).on
            if known.kind is not Kind.COMPANION and not elsewhere and not self._is_good_here(known):
                self._reasons.add("no good copy", copy.path)
            return
        if copy.state is CopyState.MISSING or self._drive is not None:
            self._notes.add("gone from the drive", copy.path)
            return
        self._file(known, copy)

    def _file(self, known: KnownFile, copy: Copy) -> None:
        """Count one file of the drive, and why it would fall below the rule if it would."""
        self._files += 1
        self._bytes += known.file.size
        path = copy.path
        name = path.rpartition("/")[2]
        if self._is_superseded(known, path):
            self._notes.add("older version", path)
            self._cover(path, known)
            return
        counted = self._counting.count(known, name, self._pictures_beside(known, path))
        if len(counted.on) >= self._kit.settings.rule.drive_copies:
            self._cover(path, known)
            return
        rests = self._given and any(
            one.place_id in self._given and one.state is CopyState.PRESENT
            for one in questions.copies_of(self._kit.catalog, known.id)
        )
        word = GIVEN if rests else self._word(len(counted.on), counted.standings, copy)
        self._reasons.add(word, path)
        self._uncovered.append(Uncovered(path, known.file.size, known.shoot_id, len(counted.on), word))

    def _is_superseded(self, known: KnownFile, path: str) -> bool:
        """Whether this is an older version of a sidecar whose newest one is safe without the drive."""
        if known.kind is not Kind.COMPANION:
            return False
        newest = newest_version(self._kit.catalog, path, self._record.id)
        if newest is None or newest == known.id:
            return False
        newer = questions.file_with_id(self._kit.catalog, newest)
        counted = self._counting.count(newer, path.rpartition("/")[2], self._pictures_beside(known, path))
        return len(counted.on) >= self._kit.settings.rule.drive_copies

    def _word(self, elsewhere: int, standings: Sequence[Standing], copy: Copy) -> str:
        told = telling(standings)
        if elsewhere == 0 and told in (None, Standing.GONE, Standing.OUT):
            return SOLE if copy.state is CopyState.PRESENT else _LOST
        return _WORDS[told] if told is not None else "one elsewhere"

    def _cover(self, path: str, known: KnownFile) -> None:
        self._covered.append((path, known.file.digest))
        line = f"{known.file.digest.hex()}  {known.file.size}  "
        self._list.update(line.encode() + path.encode("utf-8", "surrogateescape") + b"\n")

    def _pictures_beside(self, known: KnownFile, path: str) -> frozenset[bytes] | None:
        """The originals that a companion lies beside here; None where it lies beside none, or is one itself."""
        if content_is_identity(known.kind, known.file.size):
            return None
        return pictures_beside(self._kit.catalog, self._record.id, path) or None

    def _is_good_here(self, known: KnownFile) -> bool:
        return any(
            copy.place_id == self._record.id and copy.state is CopyState.PRESENT
            for copy in questions.copies_of(self._kit.catalog, known.id)
        )

    def _at_risk(self) -> Iterator[ShootAtRisk]:
        by_shoot: dict[int, list[Uncovered]] = {}
        for one in self._uncovered:
            by_shoot.setdefault(one.shoot_id, []).append(one)
        found = [
            ShootAtRisk(
                shoots.shoot_with_id(self._kit.catalog, shoot_id),
                len(files),
                sum(one.size for one in files),
                sum(one.is_sole for one in files),
            )
            for shoot_id, files in by_shoot.items()
        ]
        yield from sorted(found, key=lambda one: (-one.sole, one.shoot.day))

    def _note_disks(self) -> None:
        disks = [disk_of(drive.place.root) for drive in self._others]
        if len(disks) > 1 and len(set(disks)) < len(disks):
            self._notes.add("one device")
        mine = disk_of(self._drive.place.root) if self._drive else None
        for drive, disk in zip(self._others, disks, strict=True):
            if mine is not None and disk == mine:
                self._notes.add("same device", drive.record.name)
