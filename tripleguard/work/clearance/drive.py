"""May this drive be taken out of service and reformatted? What would be missing if it were gone.

The drive is listed at this moment: what is on it and not in the catalog, or not as recorded, is a reason to keep
it. Each of its files must have the copies that the rule asks for on *other* drives that are here now, and those
copies must have been read back lately. In doubt the answer is no.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Sequence

from blake3 import blake3

from tripleguard.catalog import folders, questions, shoots
from tripleguard.catalog.aside import aside_copies
from tripleguard.catalog.journal import drives_given_yes
from tripleguard.catalog.lineage import newest_version
from tripleguard.catalog.pairing import pictures_beside
from tripleguard.catalog.places import all_places
from tripleguard.catalog.rows import KnownFile
from tripleguard.clock import DAY
from tripleguard.errors import CardGone, PlaceFailed, Stopped
from tripleguard.model import Copy, CopyState, Entry, Kind, Odd, PlaceRecord, PlaceState
from tripleguard.places.aside import Lying
from tripleguard.places.card import Card, Left
from tripleguard.places.drive import held_root
from tripleguard.places.media import disk_of
from tripleguard.places.own import ASIDE, is_own
from tripleguard.rules import Needs, Standing, is_as_recorded, telling
from tripleguard.work.clearance.copies import CHANGED, SAME_COPY, SAME_DISK, CopyEvidence, CountedCopies
from tripleguard.work.clearance.drive_answer import LOST, SOLE, DriveAnswer, Uncovered, shoots_at_risk
from tripleguard.work.clearance.observation import Stamp, stamp_of
from tripleguard.work.clearance.quarantined import content_of, name_of
from tripleguard.work.clearance.verdict import verdict
from tripleguard.work.companion_content import holds_as_recorded
from tripleguard.work.holdings import content_is_identity
from tripleguard.work.kit import Kit, OpenDrive, catalog_is_current
from tripleguard.work.progress import Job, Moved
from tripleguard.work.tally import Tally

GIVEN = "yes given"
_WORSE_FIRST = (LOST, SOLE, GIVEN, "one elsewhere")
_SAY_EVERY = 200
_WORDS = {
    Standing.GONE: "copy missing elsewhere",
    Standing.UNPROVED: "not proved elsewhere",
    Standing.OVERDUE: "not read lately",
    Standing.CACHED: "not proved elsewhere",
    Standing.AWAY: "other drive away",
    Standing.OUT: "other drive out of service",
}


def answer_for_drive(kit: Kit, record: PlaceRecord, drives: Sequence[OpenDrive]) -> Job[DriveAnswer]:
    """Look at the drive and at every other copy of what it holds, on the drives that are here, and answer.

    Raises PlaceFailed if the drive goes away meanwhile, Stopped, CatalogTrouble.
    """
    of_files = sum(held.copies for held in shoots.coverage(kit.catalog, record.id))
    with contextlib.closing(_Asking(kit, record, drives)) as asking:
        for number, item in enumerate(asking.steps()):
            asking.first_look(item)
            if number % _SAY_EVERY == 0:
                yield _moved(kit, f"looking at drive {record.name}", number, of_files)
        asking.begin_last_look()
        for number, item in enumerate(asking.items):
            asking.take(item)
            if number % _SAY_EVERY == 0:
                yield _moved(kit, f"looking at drive {record.name} once more", number, len(asking.items))
        asking.end_last_look()
        return asking.answer()


def _moved(kit: Kit, doing: str, number: int, of_files: int) -> Moved:
    if kit.stop.is_set():
        raise Stopped(
            "Stopped before the whole drive was looked at.",
            safe="Nothing was changed. There is no answer: keep the drive.",
            do="Ask again.",
        )
    return Moved(doing, number, max(number, of_files), 0, 0, 0.0, None)


class _Asking:
    """One question being answered."""

    def __init__(self, kit: Kit, record: PlaceRecord, drives: Sequence[OpenDrive]) -> None:
        self._kit = kit
        self._record = record
        self._drive = next((drive for drive in drives if drive.record.id == record.id), None)
        self._others = [drive for drive in drives if drive.record.id != record.id]
        self._at = kit.clock.now()
        needs = Needs(0, 0, kit.settings.rule.accept_cached, within=kit.settings.clearance.drive_days * DAY)
        self._given = drives_given_yes(kit.catalog) - {record.id}
        self._copies = CopyEvidence(
            kit,
            self._others,
            needs,
            kit.settings.rule.drive_copies,
            without={record.id, *self._given},
            leaving=self._drive,
        )
        self._monitor = self._drive.place.change_monitor() if self._drive else None
        self.items: list[Entry | Lying | Copy] = []
        self._rests_on: list[tuple[str, CountedCopies]] = []
        self._stamps: dict[str, Stamp] = {}
        self._as_recorded: dict[str, bool] = {}
        self._content: dict[str, KnownFile | None] = {}
        self._reasons = Tally(_WORSE_FIRST)
        self._notes = Tally()
        self._files = self._bytes = 0
        self._uncovered: list[Uncovered] = []
        self._covered: list[tuple[str, bytes]] = []
        self._list = blake3()
        self._listed: set[str] = set()
        self._in_quarantine = {one.copy.path: one for one in aside_copies(kit.catalog, record.id)}

    def steps(self) -> Iterator[Entry | Lying | Copy]:
        """What lies on the drive now; then what the catalog has there that was not among it."""
        if self._drive is None:
            self._reasons.add("drive not here")
        else:
            yield from self._entries(self._drive)
            yield from self._drive.place.lies_aside()
        for folder in folders.folders_with_copies(self._kit.catalog, self._record.id):
            for copy in folders.copies_in(self._kit.catalog, self._record.id, folder):
                if copy.path not in self._listed:
                    yield copy

    def close(self) -> None:
        """End the watching for changes."""
        self._copies.close()
        if self._monitor is not None:
            self._monitor.close()

    def first_look(self, item: Entry | Lying | Copy) -> None:
        """Remember one of them, and look at the copies that it may rest on."""
        self.items.append(item)
        copy = item if isinstance(item, Copy) else None
        if isinstance(item, Entry):
            self._stamps[item.path] = stamp_of(item)
            self._watch(item.folder)
            copy = questions.copy_at(self._kit.catalog, self._record.id, item.path)
        elif isinstance(item, Lying):
            self._watch(item.path.rpartition("/")[0])
            aside = self._in_quarantine.get(item.path)
            known = content_of(self._kit.catalog, self._drive, item) if self._drive is not None else None
            self._content[item.path] = known
            if known is not None:
                self._copies.first_look(known, name_of(aside, item), None)
        if copy is not None:
            known = questions.file_with_id(self._kit.catalog, copy.file_id)
            if isinstance(item, Entry):
                self._listed.add(copy.path)
                # Read before the last look, which then shows that it stayed so.
                self._as_recorded[copy.path] = self._lies_as_recorded(copy, known, item)
            for one in self._versions(known, copy.path):
                self._copies.first_look(one, copy.path.rpartition("/")[2], self._pictures_beside(one, copy.path))

    def begin_last_look(self) -> None:
        """List the drive again: what this answers is so at the moment this begins."""
        self._at = self._kit.clock.now()
        if self._drive is not None:
            if not self._drive.place.here():
                raise self._gone()
            now = {entry.path: stamp_of(entry) for entry in self._entries(self._drive, counting=False)}
            for path in sorted(self._stamps.keys() - now.keys()):
                self._reasons.add("gone meanwhile here", path)
            for path in sorted(now.keys() - self._stamps.keys()):
                self._reasons.add("changed meanwhile here", path)
            for path in sorted(now.keys() & self._stamps.keys()):
                if now[path] != self._stamps[path]:
                    self._reasons.add("changed meanwhile here", path)
            aside = {item for item in self._drive.place.lies_aside() if not item.is_note}
            if aside != {item for item in self.items if isinstance(item, Lying) and not item.is_note}:
                self._reasons.add("changed meanwhile here", ASIDE)
        for name in self._copies.begin_last_look():
            self._reasons.add("drive gone meanwhile", name)

    def end_last_look(self) -> None:
        """Add what was changed on any drive since the first look."""
        for name in self._copies.end_last_look():
            self._reasons.add("drive gone meanwhile", name)
        for path, counted in self._rests_on:
            if not self._copies.is_unchanged(counted):
                self._reasons.add("copy changed meanwhile", path)
        if self._drive is not None and self._monitor is not None:
            changes = self._monitor.changes()
            for path in sorted(self._stamps):
                if changes.may_include(path):
                    self._reasons.add("changed meanwhile here", path)
            if not self._drive.place.here():
                raise self._gone()
        if catalog_is_current(self._kit, [*self._others, *([self._drive] if self._drive else [])]) is not None:
            self._reasons.add("catalog from the past")

    def take(self, item: Entry | Lying | Copy) -> None:
        """Count one of them."""
        if isinstance(item, Copy):
            self._not_listed(item)
            return
        if isinstance(item, Lying):
            assert self._drive is not None
            self._look_at_aside(self._drive, item)
            return
        copy = questions.copy_at(self._kit.catalog, self._record.id, item.path)
        known = None if copy is None else questions.file_with_id(self._kit.catalog, copy.file_id)
        if copy is None or known is None:
            self._reasons.add(self._said("not in the catalog"), item.path)
        elif copy.state is CopyState.ALTERED or not self._as_recorded.get(item.path, False):
            self._reasons.add(self._said("changed here"), item.path)
        else:
            self._file(known, copy)

    def _said(self, word: str) -> str:
        """The word as it is for this drive: on one that is leaving, nothing is entered or put right."""
        return f"{word}, leaving" if self._record.state is PlaceState.LEAVING else word

    def _lies_as_recorded(self, copy: Copy, known: KnownFile, entry: Entry) -> bool:
        """Whether a file on the drive is the recorded one; read where size and time don't say so exactly.

        An editor can save a sidecar twice within two seconds, so a companion is read always: it is small.
        """
        if not is_as_recorded(copy, entry):
            return False
        if known.kind.is_original and known.file.size > 0 and copy.mtime_ns == entry.mtime_ns:
            return True
        if copy.state is not CopyState.PRESENT:
            return True
        assert self._drive is not None
        return holds_as_recorded(self._drive, copy, known)

    def answer(self) -> DriveAnswer:
        """The answer from what was counted."""
        reasons = self._reasons.reasons()
        if not reasons and (self._uncovered or len(self._covered) != self._files):
            raise AssertionError("a yes that does not cover every file")
        self._note_disks()
        for record in all_places(self._kit.catalog):
            if record.id in self._given and record.state in (PlaceState.ACTIVE, PlaceState.SHELVED):
                self._notes.add("yes stands", record.name)
        clearance = verdict(
            self._kit,
            subject=f"drive {self._record.name}",
            at=self._at,
            files=self._files,
            total_bytes=self._bytes,
            covered=len(self._covered),
            list_digest=self._list.digest(),
            reasons=reasons,
            notes=self._notes.reasons(),
        )
        uncovered = sorted(self._uncovered, key=lambda one: (not one.is_sole, one.elsewhere, one.path))
        return DriveAnswer(
            self._record,
            clearance,
            tuple(uncovered),
            shoots_at_risk(self._kit.catalog, self._uncovered),
            tuple(self._covered),
        )

    def _entries(self, drive: OpenDrive, *, counting: bool = True) -> Iterator[Entry]:
        folder = held_root(drive.place.root, quiet=True)
        listing = Card(folder)
        try:
            for item in listing.listed():
                if is_own(item.path) and self._is_the_tools(drive, item):
                    continue
                if isinstance(item, Entry):
                    yield item
                elif not counting:
                    continue
                elif isinstance(item, Left):
                    self._notes.add("litter on the drive", item.path)
                else:
                    self._reasons.add("odd on the drive", item.path)
        except CardGone as error:
            raise self._gone() from error
        finally:
            listing.close()

    def _gone(self) -> PlaceFailed:
        return PlaceFailed(
            f"Drive {self._record.name} went away while it was looked at.",
            safe="Nothing was changed. There is no answer: keep the drive.",
            do="Connect it and ask again.",
        )

    def _watch(self, folder: str) -> None:
        if self._monitor is not None:
            self._monitor.watch(folder)

    def _count(self, path: str, known: KnownFile, name: str, pictures: frozenset[bytes] | None) -> CountedCopies:
        """Count the copies elsewhere in the last look; whether they stayed as they were is asked at the end."""
        counted = self._copies.last_look(known, name, pictures)
        if self._copies.enough(counted):
            self._rests_on.append((path, counted))
        return counted

    def _versions(self, known: KnownFile, path: str) -> Iterator[KnownFile]:
        """The file, and of a sidecar also its newest version."""
        yield known
        newest = newest_version(self._kit.catalog, path, self._record.id) if known.kind is Kind.COMPANION else None
        if newest is not None and newest != known.id:
            yield questions.file_with_id(self._kit.catalog, newest)

    @staticmethod
    def _is_the_tools(drive: OpenDrive, item: Entry | Left | Odd) -> bool:
        """Whether something under a name that the tool keeps for itself is certainly its own, or lies aside."""
        if item.path == ASIDE or item.path.startswith(f"{ASIDE}/"):
            return True
        return isinstance(item, Entry) and drive.place.is_certainly_own(item.path)

    def _look_at_aside(self, drive: OpenDrive, lying: Lying) -> None:
        """It may be somebody's work or the last bytes of a picture: it is read, no name or note is believed."""
        if lying.is_note:
            return
        copy = self._in_quarantine.get(lying.path)
        known = self._content.get(lying.path)
        if known is None or not self._copies.enough(self._count(lying.path, known, name_of(copy, lying), None)):
            self._reasons.add("aside and unknown" if copy is None else "only in quarantine", lying.path)

    def _not_listed(self, copy: Copy) -> None:
        """A copy that the catalog has here and that was not seen: gone, or a bad one that was moved aside."""
        known = questions.file_with_id(self._kit.catalog, copy.file_id)
        if copy.state is CopyState.ASIDE:
            # An older version of a sidecar is moved aside too; only an original can be past mending.
            elsewhere = self._copies.last_look(known, known.name, None).copies
            if known.kind is not Kind.COMPANION and not elsewhere and not self._is_good_here(known):
                self._reasons.add("no good copy", copy.path)
            return
        if self._drive is None:
            self._file(known, copy)
            return
        counted = self._count(
            copy.path, known, copy.path.rpartition("/")[2], self._pictures_beside(known, copy.path)
        )
        if self._copies.enough(counted) or self._is_superseded(known, copy.path):
            self._notes.add("gone from the drive", copy.path)
        else:
            # It may only be hidden, under a mount or by a failing file system.
            self._reasons.add("gone and short", copy.path)

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
        counted = self._count(path, known, name, self._pictures_beside(known, path))
        if self._copies.enough(counted):
            self._cover(path, known)
            return
        rests = self._given and any(
            one.place_id in self._given and one.state is CopyState.PRESENT
            for one in questions.copies_of(self._kit.catalog, known.id)
        )
        word = GIVEN if rests else self._word(counted, copy)
        self._reasons.add(word, path)
        self._uncovered.append(Uncovered(path, known.file.size, known.shoot_id, counted.independent, word))

    def _is_superseded(self, known: KnownFile, path: str) -> bool:
        """Whether this is an older version of a sidecar whose newest one is safe without the drive."""
        newest = newest_version(self._kit.catalog, path, self._record.id) if known.kind is Kind.COMPANION else None
        if newest is None or newest == known.id:
            return False
        newer = questions.file_with_id(self._kit.catalog, newest)
        counted = self._count(path, newer, path.rpartition("/")[2], self._pictures_beside(known, path))
        return self._copies.enough(counted)

    def _word(self, counted: CountedCopies, copy: Copy) -> str:
        for problem in (CHANGED, SAME_COPY, SAME_DISK):
            if problem in counted.problems:
                return problem
        told = telling(counted.standings)
        if not counted.copies and told in (None, Standing.GONE, Standing.OUT):
            return SOLE if copy.state is CopyState.PRESENT else LOST
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

    def _note_disks(self) -> None:
        disks = [disk_of(drive.place.root) for drive in self._others]
        if len(disks) > 1 and len(set(disks)) < len(disks):
            self._notes.add("one device")
        mine = disk_of(self._drive.place.root) if self._drive else None
        for drive, disk in zip(self._others, disks, strict=True):
            if mine is not None and disk == mine:
                self._notes.add("same device", drive.record.name)
