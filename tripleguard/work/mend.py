"""Putting right what a good copy can put right, without ever risking that copy.

The source is only read, and its digest is checked while it is. The new copy is written and flushed beside the bad
one; only then is the bad one moved aside, and the good one takes its name and is read back. Files with the fewest
good copies come first. Where no copy is good, everything is kept, and two bad copies are laid side by side to see
whether one whole file is left in them.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from tripleguard.catalog import questions, shoots
from tripleguard.catalog.findings import Noticed, close_at, open_findings
from tripleguard.catalog.lineage import newest_version
from tripleguard.catalog.rows import KnownFile
from tripleguard.catalog.writing import copy_lies_at
from tripleguard.clock import iso_utc
from tripleguard.errors import CopyTrouble, SourceDiffers, TripleguardError
from tripleguard.model import Copy, CopyState, Entry, EventType, File, FindingKind, Kind, Outcome
from tripleguard.names import numbered, shown
from tripleguard.places.base import Reading
from tripleguard.rules import is_as_recorded
from tripleguard.work.copying import Copier, CopyResult, Found, Read, Unread
from tripleguard.work.kit import Kit, OpenDrive
from tripleguard.work.namegiving import Chosen, NameGiver, no_name_left
from tripleguard.work.placing import MOST_NAMES, Placing
from tripleguard.work.progress import Job, Moved, Progress
from tripleguard.work.recombining import ReadAt, combination, patient_reader
from tripleguard.work.results import NotCopied, Proved, Task, ToProve
from tripleguard.work.run import CopyRun

_PASSES = 3
_FROM_COPY = (FindingKind.MISSING, FindingKind.CORRUPT, FindingKind.ALTERED, FindingKind.STALE)

_NO_COPY = (
    "no good copy is on any connected drive. Every version was kept. Connect the other drives and the card; if it "
    "is on none of them, a recovery service can work with the drive and the files in .tripleguard/aside"
)
_CHANGED_SINCE = "what stands there is not what was found last: run `rescan` first; nothing was done with it"
_STRAY = "it is not in the catalog: keep it where it is, or move it away yourself; nothing was done with it"


@dataclass(frozen=True, slots=True)
class Mended:
    """One finding and what was done, or why nothing was."""

    kind: FindingKind
    place: str
    path: str
    how: str


@dataclass(frozen=True, slots=True)
class MendResult:
    """What a mend did, or with dry_run would do."""

    mended: tuple[Mended, ...]
    not_mended: tuple[Mended, ...]
    dry_run: bool
    troubles: tuple[TripleguardError, ...]
    seconds: float


def mend(kit: Kit, drives: Sequence[OpenDrive], *, dry_run: bool = False) -> Job[MendResult]:
    """Put right what is open and can be put right on the open and locked drives. Yields progress.

    Raises Stopped, PlaceFailed (no drive left), CatalogTrouble.
    """
    began = time.monotonic()
    yield Moved("looking what is wrong", 0, 0, 0, 0, 0.0, None)
    if dry_run:
        plan = _Plan(kit, drives, range(len(drives)))
        would = [_said(one, plan) for one in plan.wounds]
        plan.close()
        return MendResult(
            tuple(mended for mended, can in would if can),
            tuple(mended for mended, can in would if not can),
            True,
            (),
            round(time.monotonic() - began, 3),
        )
    run = _Mend(kit, drives)
    yield from run.run()
    return MendResult(
        tuple(run.mended), tuple(run.not_mended()), False, tuple(run.troubles), round(time.monotonic() - began, 3)
    )


@dataclass(frozen=True, slots=True)
class _Wound:
    """One open finding on a drive that is here. known: what should be at the path; good: its good copies."""

    finding: Noticed
    known: KnownFile | None
    lane: int
    good: int


class _Mend(CopyRun):
    """One run, from the caller's thread."""

    def __init__(self, kit: Kit, drives: Sequence[OpenDrive]) -> None:
        self._plan = _Plan(kit, drives, range(len(drives)))
        wounds = [wound for wound in self._plan.wounds if wound.known is not None]
        total = sum(wound.known.file.size for wound in wounds if wound.known)
        super().__init__(kit, drives, "mend", "", len(wounds), total)
        self.mended: list[Mended] = []
        self._open = {wound.finding.id: wound for wound in self._plan.wounds}

    def run(self) -> Iterator[Progress]:
        """Names first, then copies, in passes: a bad source found in one is avoided in the next."""
        try:
            self._put_back_in_place()
            for _ in range(_PASSES):
                yield from self.one_pass(self._plan.tasks, self._plan.decide)
                again = bool(self.take_again()) or self._plan.once_more
                self._plan.close()
                said = self._plan.why_not
                self._plan = _Plan(self.kit, self.drives, self.alive_lanes())
                self._plan.why_not = said | self._plan.why_not
                if not again:
                    break
        except BaseException:
            with contextlib.suppress(TripleguardError):
                self.leave(with_snapshots=False)
                self._close(Outcome.FAILURE)
            raise
        finally:
            self._plan.close()
        self.give_up()
        self.leave(with_snapshots=True)
        self._close(Outcome.PARTIAL if self._open else Outcome.SUCCESS)

    def not_mended(self) -> Iterator[Mended]:
        """What is still open, and why."""
        for wound in self._open.values():
            drive = self.drives[wound.lane].record.name
            why = self._plan.why_not.get(wound.finding.id) or _NO_COPY
            yield Mended(wound.finding.kind, drive, wound.finding.path, why)

    def enter(self, result: CopyResult) -> None:
        match result:
            case Read():
                self.files_done += 1
            case Proved(proof, lane, _, _):
                super().enter(result)
                self._healed(lane, proof.path)
            case Unread(task, why) if why != "stopped" and not self.kit.stop.is_set():
                self.bad_source(task, why)
            case NotCopied(task, _, error) if isinstance(error, SourceDiffers):
                self.bad_source(task, error.what)
            case _:
                super().enter(result)

    def line_for(self, result: CopyResult) -> str | None:
        if isinstance(result, NotCopied) and isinstance(result.error, SourceDiffers):
            return str(result.error)
        return super().line_for(result)

    def _put_back_in_place(self) -> None:
        """Give files that lie at another path their own name back, where it is free."""
        for wound in list(self._open.values()):
            if wound.finding.kind is not FindingKind.MISPLACED:
                continue
            drive, finding = self.drives[wound.lane], wound.finding
            was = finding.evidence.get("was")
            if not isinstance(was, str) or finding.copy_id is None:
                continue
            if questions.copy_at(self.kit.catalog, drive.record.id, was) is not None:
                self._plan.why_not[finding.id] = "its name belongs to another file now. It is whole where it lies"
                continue
            try:
                entry = drive.place.move(finding.path, was)
            except CopyTrouble as error:
                self._plan.why_not[finding.id] = f"{error.what} It is whole where it lies now"
                continue
            now = self.kit.clock.now()
            with self.kit.catalog.writing():
                copy_lies_at(self.kit.catalog, finding.copy_id, drive.record.id, entry)
                close_at(self.kit.catalog, drive.record.id, finding.path, "it was moved back", now)
                self.recorder.event(
                    EventType.RECOVERY,
                    Outcome.SUCCESS,
                    f"{shown(was)} lies in its place again",
                    place_id=drive.record.id,
                )
            self._done(wound, "moved back to its place")

    def _healed(self, lane: int, path: str) -> None:
        """A copy at this path is proved now: what was open there is over."""
        drive = self.drives[lane].record
        close_at(self.kit.catalog, drive.id, path, "mended from a good copy", self.kit.clock.now())
        for wound in list(self._open.values()):
            if wound.lane == lane and wound.finding.path == path:
                self.recorder.event(
                    EventType.RECOVERY, Outcome.SUCCESS, f"{shown(path)} was mended", place_id=drive.id
                )
                self._done(wound, "copied from a good copy and read back")

    def _done(self, wound: _Wound, how: str) -> None:
        self._open.pop(wound.finding.id, None)
        name = self.drives[wound.lane].record.name
        self.mended.append(Mended(wound.finding.kind, name, wound.finding.path, how))

    def _close(self, outcome: Outcome) -> None:
        with self.kit.catalog.writing():
            self.end(outcome, {"mended": len(self.mended), "open": len(self._open)})


class _Plan:
    """What is wrong and can be put right, as tasks: in the reader's thread; `decide` in the hasher's."""

    def __init__(self, kit: Kit, drives: Sequence[OpenDrive], lanes: Sequence[int]) -> None:
        self.why_not: dict[int, str] = {}
        self._kit = kit
        self._drives = drives
        self._lanes = tuple(lanes)
        self._catalog = kit.catalog.reopened()
        self._naming = kit.catalog.reopened()
        self._names = NameGiver(self._naming, drives)
        self._paths: dict[tuple[int, int], str] = {}
        self._combined: dict[int, Callable[[], Reading] | None] = {}
        self.once_more = False
        self.wounds = sorted(self._wounds(), key=lambda wound: (wound.good, wound.finding.since))

    def close(self) -> None:
        self._catalog.close()
        self._naming.close()

    def tasks(self, copier: Copier) -> Iterator[Task]:
        """One task for each wound that a copy can heal; of a file that is put together, one in a pass.

        The next pass has a good copy of it; in this one its bad copies must stay where they are read.
        """
        together: set[int] = set()
        for wound in self.wounds:
            if wound.finding.kind is FindingKind.MISPLACED or wound.known is None:
                continue
            task = self._task(wound, wound.known)
            if task is None or not copier.lanes[wound.lane].alive:
                continue
            if task.source is None:
                if wound.known.id in together:
                    self.once_more = True
                    continue
                together.add(wound.known.id)
            yield task

    def decide(self, copier: Copier, task: Task, file: File, _: bytes) -> dict[int, str]:
        """The wound's own path; if something else stands there now, the next free one. Raises SourceDiffers."""
        if file != task.guess:
            raise SourceDiffers(
                f"{shown(task.entry.path)} does not hold what was recorded.",
                safe="Nothing was made from it, and it was left as it is.",
                do="Another copy is used if there is one; see `tripleguard report`.",
            )
        known = questions.file_with_digest(self._naming, file.digest)
        assert known is not None
        shoot = shoots.shoot_with_id(self._naming, known.shoot_id)
        task.placing = Placing(known.kind, shoot.day, shoot.name, "", None, known.wall_ns, known.offset)
        lane = task.lanes[0]
        path = self._paths[lane, id(task)]
        if task.gives_way:
            return {lane: path}
        chosen = self._chosen(path, file, lane)
        self._names.give(chosen.paths, file)
        for found_lane, entry in chosen.found.items():
            copier.report(Found(task, found_lane, entry))
            copier.prove(found_lane, ToProve(entry.path, file))
        for failed_lane, error in chosen.failed.items():
            copier.report(NotCopied(task, failed_lane, error))
        return chosen.paths

    def can(self, wound: _Wound) -> bool:
        """Whether something can be done about it now; `why_not` says why else."""
        if wound.finding.kind is FindingKind.MISPLACED:
            return isinstance(wound.finding.evidence.get("was"), str)
        return wound.known is not None and self._task(wound, wound.known) is not None

    def _wounds(self) -> Iterator[_Wound]:
        lanes = {self._drives[lane].record.id: lane for lane in self._lanes}
        for finding in open_findings(self._catalog):
            lane = lanes.get(finding.place_id)
            if lane is None or finding.accepted_at is not None:
                continue
            known = self._should_be(finding)
            if known is None:
                self.why_not[finding.id] = _STRAY
            good = self._good(known) if known else []
            yield _Wound(finding, known, lane, len(good))

    def _should_be(self, finding: Noticed) -> KnownFile | None:
        """The file that the path of this finding should hold."""
        if finding.kind is FindingKind.STRAY or finding.copy_id is None:
            return None
        file_id: int | None = None
        if finding.kind is FindingKind.STALE:
            file_id = newest_version(self._catalog, finding.path)
        else:
            row = self._catalog.row("SELECT file_id FROM copies WHERE id = ?", finding.copy_id)
            file_id = row[0] if row else None
        return questions.file_with_id(self._catalog, file_id) if file_id is not None else None

    def _good(self, known: KnownFile) -> list[Copy]:
        """Verified copies of a file on connected drives that are there as recorded."""
        places = {drive.record.id: drive for drive in self._drives}
        good = []
        for copy in questions.copies_of(self._catalog, known.id):
            drive = places.get(copy.place_id)
            if drive is None or copy.state is not CopyState.PRESENT or copy.evidence.verified_at is None:
                continue
            entry = drive.seen(copy.path)
            if entry is not None and entry.size == copy.size:
                good.append(copy)
        return good

    def _task(self, wound: _Wound, known: KnownFile) -> Task | None:
        if self._changed_since(wound.finding, known, self._drives[wound.lane]):
            self.why_not[wound.finding.id] = _CHANGED_SINCE
            return None
        for copy in self._good(known):
            drive = next(drive for drive in self._drives if drive.record.id == copy.place_id)
            entry = drive.seen(copy.path)
            if entry is not None:
                return self._copying(wound, known, copy, drive, entry)
        return self._recombining(wound, known)

    def _changed_since(self, finding: Noticed, known: KnownFile, drive: OpenDrive) -> bool:
        """Whether a missing copy's name is taken now, or a companion was edited after it was looked at."""
        if finding.kind is FindingKind.MISSING:
            try:
                return drive.place.taken(finding.path)
            except CopyTrouble:
                return True
        seen = drive.seen(finding.path)
        if known.kind is not Kind.COMPANION or seen is None:
            return False
        recorded = questions.copy_at(self._catalog, drive.record.id, finding.path)
        return recorded is None or not is_as_recorded(recorded, seen)

    def _copying(self, wound: _Wound, known: KnownFile, copy: Copy, drive: OpenDrive, entry: Entry) -> Task:
        task = Task(
            entry,
            open=lambda: drive.place.read(copy.path),
            lanes=(wound.lane,),
            still_same=lambda: drive.seen(copy.path) == entry,
            guess=known.file,
            source=copy.id,
        )
        return self._aimed(task, wound)

    def _recombining(self, wound: _Wound, known: KnownFile) -> Task | None:
        """A task that puts one whole file together from two bad copies, if that can be proved."""
        if known.id not in self._combined:
            bad = self._bad_copies(known)
            self._combined[known.id] = combination(known.file, bad, self._kit.stop.is_set)
        opened = self._combined[known.id]
        if opened is None:
            self.why_not.setdefault(wound.finding.id, _NO_COPY)
            return None
        entry = Entry(wound.finding.path, known.file.size, self._kit.clock.now())
        task = Task(entry, open=opened, lanes=(wound.lane,), still_same=lambda: True, guess=known.file)
        return self._aimed(task, wound)

    def _bad_copies(self, known: KnownFile) -> list[ReadAt]:
        places = {drive.record.id: drive for drive in self._drives}
        found: list[ReadAt] = []
        for copy in questions.copies_of(self._catalog, known.id):
            drive = places.get(copy.place_id)
            if drive is None or copy.state not in (CopyState.CORRUPT, CopyState.ALTERED, CopyState.ASIDE):
                continue
            entry = drive.seen(copy.path)
            if entry is not None and entry.size == known.file.size:
                found.append(patient_reader(drive.place.open_for_reading, copy.path))
        return found

    def _aimed(self, task: Task, wound: _Wound) -> Task:
        finding = wound.finding
        self._paths[wound.lane, id(task)] = finding.path
        if finding.kind is not FindingKind.MISSING:
            since = iso_utc(finding.since)
            task.gives_way[wound.lane] = f"{finding.kind} since {since}; a good copy has taken its place"
        return task

    def _chosen(self, path: str, file: File, lane: int) -> Chosen:
        folder, _, name = path.rpartition("/")
        for number in range(1, MOST_NAMES):
            candidate = numbered(name, number)
            chosen = self._names.is_free(f"{folder}/{candidate}" if folder else candidate, file, [lane])
            if chosen is not None:
                return chosen
        raise no_name_left(path)


def _said(wound: _Wound, plan: _Plan) -> tuple[Mended, bool]:
    can = plan.can(wound)
    name = plan._drives[wound.lane].record.name
    how = "would be put right from a good copy" if can else plan.why_not.get(wound.finding.id, _NO_COPY)
    return Mended(wound.finding.kind, name, wound.finding.path, how), can
