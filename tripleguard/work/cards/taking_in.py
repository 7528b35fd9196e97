"""Taking in what another program put onto a drive: hashed, entered under the shoot it lies in, proved.

The file stays where it is. It is forced to the medium first and then read from there, so what is entered is what
the drive holds. A file that changes while it is read is left for later; one that is known and was only moved is
entered as moved.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from tripleguard.cameras.kinds import kind_of
from tripleguard.catalog import folders, questions, shoots
from tripleguard.catalog.findings import close_at
from tripleguard.catalog.journal import begin_job, end_job
from tripleguard.catalog.looks import settle_habits
from tripleguard.catalog.numbers import night_cards
from tripleguard.catalog.writing import ensure_shoot
from tripleguard.digest import SampledHasher
from tripleguard.errors import CopyTrouble, PlaceFailed, Stopped, TripleguardError
from tripleguard.layout import shoot_at, shoot_called
from tripleguard.model import Copy, CopyState, Entry, EventType, File, FindingKind, Kind, Medium, Outcome
from tripleguard.places.media import aligned_buffer
from tripleguard.rules import is_exactly_as_recorded
from tripleguard.wording import counted
from tripleguard.work.cards.copying import HEAD
from tripleguard.work.cards.placing import Placer, Placing
from tripleguard.work.cards.recording import Recorder
from tripleguard.work.cards.results import Proved, Task, ToProve, Written
from tripleguard.work.chunks import CHUNK
from tripleguard.work.kit import Kit, OpenDrive, agent
from tripleguard.work.leaving import leave_all
from tripleguard.work.looking import Looked, look_for, looked
from tripleguard.work.numbering import settle_nights
from tripleguard.work.progress import Job, Moved
from tripleguard.work.rescanning.entering import Entering
from tripleguard.work.rescanning.seen import Absent, Different, Equal, Unknown

_BATCH = 64
"""Files that are forced to the medium together and entered in one commit."""


@dataclass(slots=True)
class TakenIn:
    """What was taken in. entered: files that are new on this drive; moved: known ones that lie elsewhere now.

    left: paths that changed while they were read or could not be read: they are looked at again. empty: paths of
    entered files that hold nothing.
    """

    entered: int = 0
    moved: int = 0
    total_bytes: int = 0
    left: list[str] = field(default_factory=list)
    empty: list[str] = field(default_factory=list)
    troubles: list[TripleguardError] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class _Read:
    """One file as it lies on the medium."""

    entry: Entry
    file: File
    sample: bytes
    head: bytes
    medium: Medium
    looked: Looked | None


def take_in(kit: Kit, drive: OpenDrive, paths: Sequence[str], *, anywhere: bool = False) -> Job[TakenIn]:
    """Enter the files at these paths of an open and locked drive. Yields progress.

    anywhere: also what lies in no shoot's folder, under the name of the folder it lies in.
    Raises Stopped, PlaceFailed if the drive goes, CatalogTrouble. What was entered before stays.
    """
    job = _TakingIn(kit, drive, anywhere=anywhere)
    outcome = Outcome.FAILURE
    try:
        for start in range(0, len(paths), _BATCH):
            if kit.stop.is_set():
                raise _stopped(start, len(paths))
            job.enter(job.read_all(paths[start : start + _BATCH]))
            done = min(start + _BATCH, len(paths))
            yield Moved(f"new files on {drive.record.name}", done, len(paths), job.done.total_bytes, 0, 0.0, None)
        outcome = Outcome.PARTIAL if job.done.left else Outcome.SUCCESS
    finally:
        job.end(outcome)
    job.done.troubles += leave_all(kit, [drive], with_snapshots=True)
    return job.done


def _stopped(done: int, of_files: int) -> Stopped:
    return Stopped(
        f"Stopped after {done:,} of {of_files:,} files.",
        safe="What was entered stays; the files lie where they are.",
        do="The watch takes in the rest at its next start.",
    )


class _TakingIn:
    """One run on one drive, from the caller's thread."""

    def __init__(self, kit: Kit, drive: OpenDrive, *, anywhere: bool) -> None:
        self._anywhere = anywhere
        self.done = TakenIn()
        self._kit = kit
        self._drive = drive
        self._buffer = aligned_buffer(CHUNK)
        self._shoots: dict[int, int] = {}
        labels = {key: label for key, (_, label) in shoots.bodies(kit.catalog).items()}
        self._placer = Placer(kit.settings.layout, kit.clock.zone(), lambda _: kit.settings.layout.shoot, labels)
        now = kit.clock.now()
        with kit.catalog.writing():
            self._job = begin_job(kit.catalog, "take in", drive.record.name, agent(), now)
        self._recorder = Recorder(kit, self._job, [drive])
        self._entering = Entering(kit.catalog, self._job, drive.record, kit.settings.rule.drive_copies, now)

    def read_all(self, paths: Sequence[str]) -> list[_Read]:
        """What the medium holds at these paths, where something new lies there that holds still.

        When the job is asked to stop, what was read by then. Raises PlaceFailed if the drive went.
        """
        entries = []
        for path in paths:
            entry = self._drive.place.look(path)
            # What another program began a moment ago holds nothing yet; in an old archive it never will.
            if entry is not None and (entry.size > 0 or self._anywhere) and not self._is_known(entry):
                entries.append(entry)
        found = []
        for entry in self._hardened(entries):
            if self._kit.stop.is_set():
                break
            one = self._read(entry)
            if one is None:
                self.done.left.append(entry.path)
            else:
                found.append(one)
        return found

    def _hardened(self, entries: Sequence[Entry]) -> list[Entry]:
        """Those of these files that could be forced to the medium. Raises PlaceFailed if the drive went."""
        if not entries:
            return []
        try:
            self._drive.place.harden(*(entry.path for entry in entries))
        except CopyTrouble as error:
            if not self._drive.place.here():
                raise self._gone() from error
            if len(entries) == 1:
                self.done.left.append(entries[0].path)
                return []
            half = len(entries) // 2
            return [*self._hardened(entries[:half]), *self._hardened(entries[half:])]
        return list(entries)

    def _read(self, entry: Entry) -> _Read | None:
        """What the medium holds; None if it can't be read or changed meanwhile. Raises PlaceFailed."""
        place = self._drive.place
        hasher, look, head = SampledHasher(), look_for(entry), b""
        try:
            reading = place.read(entry.path)
            try:
                while count := reading.readinto(self._buffer):
                    if len(head) < HEAD:
                        head += bytes(self._buffer[: min(count, HEAD - len(head))])
                    hasher.update(self._buffer[:count])
                    if look is not None:
                        look.feed(self._buffer[:count])
            finally:
                reading.close()
            file, now = hasher.file(), place.look(entry.path)
        except (OSError, CopyTrouble) as error:
            if not place.here():
                raise self._gone() from error
            return None
        if now != entry or file.size != entry.size:
            return None
        told = looked(look, head, entry.name) if look is not None else None
        return _Read(entry, file, hasher.sample(), head, reading.medium, told)

    def enter(self, batch: Sequence[_Read]) -> None:
        """Enter what was read, in one commit."""
        if not batch:
            return
        with self._kit.catalog.writing():
            for found in batch:
                before = self.done.entered
                self._enter(found)
                if found.file.size == 0 and self.done.entered > before:
                    self.done.empty.append(found.entry.path)

    def end(self, outcome: Outcome) -> None:
        """Close the job, with one event for each shoot that got something."""
        name = self._drive.record.name
        with self._kit.catalog.writing():
            for shoot_id, files in self._shoots.items():
                self._recorder.event(
                    EventType.INGESTION,
                    outcome,
                    f"{counted(files, 'file that', 'files that')} another program put on drive {name} "
                    f"{'was' if files == 1 else 'were'} entered",
                    shoot_id=shoot_id,
                    place_id=self._drive.record.id,
                )
            settle_habits(self._kit.catalog, self._kit.clock.now())
            detail = {"entered": self.done.entered, "moved": self.done.moved, "bytes": self.done.total_bytes}
            end_job(self._kit.catalog, self._job, outcome, detail, self._kit.clock.now())
        # Frames that came without a card are not missing from one.
        settle_nights(self._kit, self._nights())

    def _nights(self) -> list[str]:
        """The shooting days of what was entered that had cards."""
        days = {shoots.shoot_with_id(self._kit.catalog, shoot_id).day for shoot_id in self._shoots}
        return sorted(day for day in days if night_cards(self._kit.catalog, day).readings)

    def _is_known(self, entry: Entry) -> bool:
        """Whether the catalog has this path as it is. A changed original is for the rescan to judge."""
        copy = questions.copy_at(self._kit.catalog, self._drive.record.id, entry.path)
        if copy is None or copy.state is CopyState.MISSING:
            return False
        if kind_of(entry.name) is Kind.COMPANION:
            return is_exactly_as_recorded(copy, entry)
        return True

    def _enter(self, found: _Read) -> None:
        catalog, place_id, entry = self._kit.catalog, self._drive.record.id, found.entry
        self.done.total_bytes += found.file.size
        here = questions.copy_at(catalog, place_id, entry.path)
        unknown = Unknown(0, entry, found.file, found.sample, found.medium)
        if here is not None and here.state is CopyState.MISSING:
            self._back(found, here)
        elif here is not None:
            self._entering.different(Different(0, here, entry, found.file, found.sample, 0, found.medium))
            self.done.entered += 1
        elif found.file.size > 0 and self._was_moved(found):
            self._entering.unknown(unknown)
            self.done.moved += 1
        elif kind_of(entry.name) is Kind.COMPANION:
            self._entering.unknown(unknown)
            if self._anywhere and questions.copy_at(catalog, place_id, entry.path) is None:
                # It lies beside no picture, or holds nothing: it is kept all the same.
                self._enter_original(found, self._adopted_shoot(found))
            else:
                self.done.entered += 1
        elif self._anywhere:
            self._enter_original(found, self._adopted_shoot(found))
        elif (shoot := self._shoot_of(entry)) is not None:
            self._enter_original(found, shoot)
        else:
            self._entering.unknown(unknown)

    def _back(self, found: _Read, copy: Copy) -> None:
        """A missing copy's path holds something again: that copy, or what a rescan has to judge."""
        if questions.file_with_id(self._kit.catalog, copy.file_id).file == found.file:
            self._entering.equal(Equal(0, copy, found.entry, found.medium))
            self.done.moved += 1

    def _was_moved(self, found: _Read) -> bool:
        """Whether a copy of these bytes is not at its old path on this drive any more."""
        known = questions.file_with_digest(self._kit.catalog, found.file.digest)
        moved = False
        for copy in questions.copies_of(self._kit.catalog, known.id) if known else ():
            if copy.place_id != self._drive.record.id or copy.state not in (CopyState.PRESENT, CopyState.MISSING):
                continue
            if self._drive.place.look(copy.path) is None:
                if copy.state is CopyState.PRESENT:
                    self._entering.absent(Absent(0, copy))
                moved = True
        return moved

    def _shoot_of(self, entry: Entry) -> tuple[str, str] | None:
        """The shoot in whose folder a file lies, by the layout or by what lies beside it; None if in none."""
        shoot = shoot_at(self._kit.settings.layout, entry.path)
        if shoot is not None:
            return shoot
        beside = folders.copies_right_in(self._kit.catalog, self._drive.record.id, entry.folder)
        for copy in beside:
            row = self._kit.catalog.row("SELECT shoot_id FROM copies WHERE id = ?", copy.id)
            if row is not None:
                one = shoots.shoot_with_id(self._kit.catalog, row[0])
                return one.day, one.name
        return None

    def _adopted_shoot(self, found: _Read) -> tuple[str, str]:
        """The shoot of a file in an archive made by hand: the one these bytes are known in, else by its folder."""
        known = questions.file_with_digest(self._kit.catalog, found.file.digest)
        if known is not None and found.file.size > 0:
            shoot = shoots.shoot_with_id(self._kit.catalog, known.shoot_id)
            return shoot.day, shoot.name
        day, name = self._shoot_of(found.entry) or shoot_called(found.entry.folder)
        placing = self._placer.placing(found.entry, found.head)
        return day or placing.day, name or self._kit.settings.layout.shoot

    def _enter_original(self, found: _Read, shoot: tuple[str, str]) -> None:
        placing = self._placed(found, shoot)
        task = Task(found.entry, lambda: self._drive.place.read(found.entry.path), (0,), lambda: True)
        task.file, task.sample, task.placing = found.file, found.sample, placing
        self._recorder.written(Written(task, 0, found.entry), by_us=False)
        self._recorder.looked(found.file, found.looked)
        proof = ToProve(found.entry.path, found.file, task=task)
        self._recorder.proved(Proved(proof, 0, found.medium, 1, found.entry))
        close_at(
            self._kit.catalog,
            self._drive.record.id,
            found.entry.path,
            "it was entered",
            self._kit.clock.now(),
            kinds=(FindingKind.STRAY, FindingKind.MISSING),
        )
        shoot_id = ensure_shoot(self._kit.catalog, *shoot, self._kit.clock.now())
        self._shoots[shoot_id] = self._shoots.get(shoot_id, 0) + 1
        self.done.entered += 1

    def _placed(self, found: _Read, shoot: tuple[str, str]) -> Placing:
        """What the camera wrote, under the shoot that the folder says."""
        placing = self._placer.placing(found.entry, found.head)
        return replace(placing, day=shoot[0], shoot=shoot[1])

    def _gone(self) -> CopyTrouble:
        return PlaceFailed(
            f"Drive {self._drive.record.name} stopped answering.",
            safe="What was entered before stays in the catalog.",
            do="Check the cable and connect it again: the rest is taken in then.",
        )
