"""Reading the archive again: what is still what it was, and what is not.

Every drive is listed first, which finds what vanished, moved or appeared. Then the copies that are due are read
from the medium, those with the oldest evidence first, on all drives at once. What is wrong becomes a finding; what
is right again closes one.
"""

from __future__ import annotations

import queue
import time
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from tripleguard.catalog.findings import add_evidence, open_findings
from tripleguard.catalog.journal import add_event, begin_job, end_job
from tripleguard.clock import DAY
from tripleguard.errors import CopyTrouble
from tripleguard.model import Copy, EventType, FindingKind, Outcome
from tripleguard.names import shown
from tripleguard.rules import overdue_before
from tripleguard.wording import counted
from tripleguard.work.budget import Budget
from tripleguard.work.from_memory import FromMemory, from_memory
from tripleguard.work.kit import Kit, OpenDrive, agent
from tripleguard.work.progress import Job, LaneProgress, Moved, Progress, Said
from tripleguard.work.rescanning.comparing import damage_at
from tripleguard.work.rescanning.entering import Entering
from tripleguard.work.rescanning.scanning import Depth, ScanLane
from tripleguard.work.rescanning.seen import (
    Absent,
    Different,
    Equal,
    Listed,
    NotAsRecorded,
    ReadBack,
    ScanEnded,
    ScanResult,
    Unknown,
)

_TICK = 0.1
_BATCH = 1000
_FORCED_EVERY = 2.0
"""Seconds of reading that a power cut may make to be done again."""
_SAID_AT_MOST = 20
_DESCRIBED_AT_MOST = 1000
"""Bad copies that are laid beside a good one in one run; the others wait for the next."""
_RESUME_WITHIN = 7 * DAY
"""How old a cut-off run of `all` may be to be gone on with, in ns: what it read would else pass as read now."""


@dataclass(slots=True)
class PlaceScanned:
    """What a rescan did on one drive.

    checked: copies looked at; unchanged: of these, as recorded; read_back: of these, read from the medium;
    from_memory: of these, read and equal, but maybe from memory. unproved: what only such a reading speaks for.
    found: what is wrong that was not known before. finished: all that was asked for was looked at. trouble: why it
    could not be looked at to the end, though it answers.
    """

    place: str
    checked: int = 0
    unchanged: int = 0
    read_back: int = 0
    from_memory: int = 0
    read_bytes: int = 0
    finished: bool = False
    gone: bool = False
    trouble: str = ""
    offsite: bool = False
    found: list[tuple[FindingKind, str]] = field(default_factory=list)
    unproved: FromMemory | None = None


@dataclass(frozen=True, slots=True)
class RescanResult:
    """What a rescan found, by drive. stopped: the person ended it early.

    still_open: copies on these drives that are missing, corrupt or altered now, found this time or before, and
    that nobody has accepted.
    """

    places: tuple[PlaceScanned, ...]
    seconds: float
    stopped: bool
    still_open: int


@dataclass(frozen=True, slots=True)
class Shared:
    """Only the copies of files that a place has too, if last verified before then. before: UTC ns."""

    place_id: int
    before: int


def rescan(
    kit: Kit, drives: Sequence[OpenDrive], depth: Depth, budget: Budget, shared: Shared | None = None
) -> Job[RescanResult]:
    """Look at the open and locked drives again, within the budget. Yields progress, returns what was found.

    shared: with depth `due`, what is due instead of what the rule says.
    A stop by the person ends it in good order. Raises CatalogTrouble.
    """
    began = time.monotonic()
    run = _Rescan(kit, drives, depth, budget, shared)
    yield from run.run()
    seconds = round(time.monotonic() - began, 3)
    return RescanResult(
        tuple(run.scanned), seconds, kit.stop.is_set(), still_open(kit, {drive.record.id for drive in drives})
    )


def read_back(kit: Kit, drives: Sequence[OpenDrive], named: Mapping[int, Sequence[Copy]]) -> Job[RescanResult]:
    """Read these copies back now, by place (id), all drives at once; what was found is entered as by any rescan.

    Raises CatalogTrouble.
    """
    began = time.monotonic()
    run = _Rescan(kit, [drive for drive in drives if named.get(drive.record.id)], "named", Budget(), None, named)
    yield from run.run()
    return RescanResult(tuple(run.scanned), round(time.monotonic() - began, 3), kit.stop.is_set(), 0)


def still_open(kit: Kit, place_ids: Collection[int]) -> int:
    """How many copies on these places are missing, corrupt or altered, and nobody has accepted that."""
    bad = (FindingKind.MISSING, FindingKind.CORRUPT, FindingKind.ALTERED)
    return sum(
        one.place_id in place_ids and one.kind in bad and one.accepted_at is None
        for one in open_findings(kit.catalog)
    )


class _Rescan:
    """One run, from the caller's thread."""

    def __init__(
        self,
        kit: Kit,
        drives: Sequence[OpenDrive],
        depth: Depth,
        budget: Budget,
        shared: Shared | None,
        named: Mapping[int, Sequence[Copy]] | None = None,
    ) -> None:
        self._kit = kit
        self._drives = drives
        self._budget = budget
        self._results: queue.Queue[ScanResult] = queue.Queue(maxsize=10_000)
        self._began = kit.clock.now()
        self.scanned = [PlaceScanned(drive.record.name) for drive in drives]
        self._jobs: list[int] = []
        self._entering: list[Entering] = []
        self._lanes: list[ScanLane] = []
        self._lasting_at = time.monotonic()
        for number, drive in enumerate(drives):
            before = shared.before if shared else self._due_before(drive, depth)
            with kit.catalog.writing():
                job = begin_job(kit.catalog, f"rescan {depth}", drive.record.name, agent(), self._began)
            self._jobs.append(job)
            self._entering.append(
                Entering(kit.catalog, job, drive.record, kit.settings.rule.drive_copies, self._began)
            )
            self._lanes.append(
                ScanLane(
                    number,
                    drive,
                    kit.catalog.reopened(),
                    depth,
                    before,
                    self._began,
                    budget,
                    kit.stop.is_set,
                    self._results.put,
                    shared.place_id if shared else None,
                    (named or {}).get(drive.record.id, ()),
                )
            )

    def run(self) -> Iterator[Progress]:
        """Until every lane is through."""
        for lane in self._lanes:
            lane.start()
        waiting = len(self._lanes)
        try:
            while waiting:
                batch = self._drained()
                ended = [result for result in batch if isinstance(result, ScanEnded)]
                waiting -= len(ended)
                yield from self._entered(batch)
                for end in ended:
                    if end.error is not None and not isinstance(end.error, OSError | CopyTrouble):
                        raise end.error
                yield self._moved()
        finally:
            self._kit.stop.set() if waiting else None
            while any(lane.alive for lane in self._lanes) or not self._results.empty():
                for _ in self._entered(self._drained()):
                    pass
            for lane in self._lanes:
                lane.join()
            self._close()
        yield from self._described()

    def _described(self) -> Iterator[Progress]:
        """Lay what is bad, and was not compared yet, beside a good copy that is connected; keep how it differs.

        When the time is up, only a few are: the others wait for the next run.
        """
        by_id = {drive.record.id: drive for drive in self._drives}
        described = 0
        for one in open_findings(self._kit.catalog):
            drive = by_id.get(one.place_id)
            wanted = one.kind in (FindingKind.CORRUPT, FindingKind.ALTERED) and one.evidence.get("damage") is None
            if drive is None or not wanted:
                continue
            self._budget.quiet(self._kit.stop.is_set)
            most = _SAID_AT_MOST if self._budget.used_up() else _DESCRIBED_AT_MOST
            if described >= most or self._kit.stop.is_set() or self._budget.paused.is_set():
                return
            damage = damage_at(self._kit, self._drives, drive, one.path)
            if damage is None:
                continue
            described += 1
            size = one.evidence.get("size")
            spent = self._budget.spend(2 * size if isinstance(size, int) else 0)
            self._budget.hold_back(spent, self._kit.stop.is_set)
            told = {"damage": damage.words, "shape": damage.shape, "differing": damage.differing}
            with self._kit.catalog.writing():
                add_evidence(self._kit.catalog, drive.record.id, one.path, told)
            if described <= _SAID_AT_MOST:
                yield Said(f"Drive {drive.record.name}: {shown(one.path)}: {damage.words}.")

    def _due_before(self, drive: OpenDrive, depth: Depth) -> int:
        """Before which moment a copy must have been verified to be read now.

        A run of `all` that was cut off goes on where it was: what it had read is not read again.
        """
        rule = self._kit.settings.rule
        if depth != "all":
            return overdue_before(drive.record.role, rule.road_days, rule.shelf_days, self._began)
        row = self._kit.catalog.row(
            "SELECT started_at, outcome FROM jobs WHERE kind = 'rescan all' AND subject = ? AND started_at > ?"
            " ORDER BY id DESC LIMIT 1",
            drive.record.name,
            self._began - _RESUME_WITHIN,
        )
        if row is None or row[1] == Outcome.SUCCESS:
            return self._began
        first = self._kit.catalog.row(
            "SELECT min(started_at) FROM jobs WHERE kind = 'rescan all' AND subject = ? AND started_at >"
            " max(coalesce((SELECT max(started_at) FROM jobs WHERE kind = 'rescan all' AND subject = ?"
            " AND outcome = 'success'), 0), ?)",
            drive.record.name,
            drive.record.name,
            self._began - _RESUME_WITHIN,
        )
        # A clock that was ahead then must not make this run read what it has just read.
        return min(int(first[0]), self._began) if first and first[0] else self._began

    def _drained(self) -> list[ScanResult]:
        batch: list[ScanResult] = []
        try:
            batch.append(self._results.get(timeout=_TICK))
            while len(batch) < _BATCH:
                batch.append(self._results.get_nowait())
        except queue.Empty:
            pass
        return batch

    def _entered(self, batch: list[ScanResult]) -> Iterator[Progress]:
        if not batch:
            return
        said: list[str] = []
        lasting = self._is_to_last(batch)
        with self._kit.catalog.writing(lasting=lasting):
            for result in batch:
                self._enter(result, said)
        if lasting:
            self._lasting_at = time.monotonic()
        for result in batch:
            if isinstance(result, ReadBack):
                self._lanes[result.lane].entered(result)
        yield from map(Said, said)

    def _is_to_last(self, batch: list[ScanResult]) -> bool:
        """Whether a power cut must not take back what this batch tells.

        That a copy is as it was costs a second reading if it is forgotten, so it is forced to the disk every so
        often only: a drive would else idle while the catalog's disk confirms each picture.
        """
        if time.monotonic() - self._lasting_at >= _FORCED_EVERY:
            return True
        return not all(isinstance(result, Equal | Listed) for result in batch)

    def _enter(self, result: ScanResult, said: list[str]) -> None:
        seen, entering = self.scanned[result.lane], self._entering[result.lane]
        kind: FindingKind | None = None
        match result:
            case Listed(_, copy_ids):
                entering.listed(result)
                seen.checked += len(copy_ids)
                seen.unchanged += len(copy_ids)
                return
            case NotAsRecorded(_, copies):
                seen.checked += copies
                return
            case Equal():
                if entering.equal(result).reached_device:
                    seen.read_back += 1
                else:
                    seen.from_memory += 1
                return
            case ScanEnded(_, finished, gone, error):
                seen.finished, seen.gone = finished, gone
                if finished:
                    self._close_vanished(result.lane)
                if gone:
                    said.append(f"Drive {seen.place} stopped answering; what was read before is entered.")
                elif error is not None:
                    seen.trouble = str(error)
                said += self._missing(seen, entering)
                return
            case Absent(_, copy):
                # It may turn up under another name yet: told at the end.
                kind = entering.absent(result)
                seen.checked += 1
                if kind is not None:
                    seen.found.append((kind, copy.path))
                return
            case Different(_, copy):
                kind, path = entering.different(result), copy.path
            case Unknown(_, entry):
                kind, path = entering.unknown(result), entry.path
        if kind is not None:
            seen.found.append((kind, path))
            if len(seen.found) <= _SAID_AT_MOST:
                said.append(f"Drive {seen.place}: {shown(path)} is {kind}.")

    def _missing(self, seen: PlaceScanned, entering: Entering) -> Iterator[str]:
        """What is missing now that all was looked at; what lies under another name only moved."""
        missing = FindingKind.MISSING
        seen.found = [
            (kind, path) for kind, path in seen.found if kind is not missing or path not in entering.came_back
        ]
        paths = [path for kind, path in seen.found if kind is missing]
        yield from (f"Drive {seen.place}: {shown(path)} is {missing}." for path in paths[:_SAID_AT_MOST])

    def _close_vanished(self, lane: int) -> None:
        """Strays and moved files that were not seen again are gone from where they were."""
        drive = self._drives[lane]
        for one in open_findings(self._kit.catalog):
            if one.place_id == drive.record.id and one.kind is FindingKind.STRAY and one.seen_at < self._began:
                try:
                    still = drive.place.look(one.path) is not None
                except CopyTrouble:
                    return
                if not still:
                    self._entering[lane].vanished(one.path)

    def _moved(self) -> Moved:
        read = sum(lane.read for lane in self._lanes)
        of_bytes = sum(lane.of_bytes for lane in self._lanes)
        lanes = tuple(
            LaneProgress(drive.record.name, 0, lane.read, alive=not seen.gone)
            for drive, lane, seen in zip(self._drives, self._lanes, self.scanned, strict=True)
        )
        elapsed = max(0.001, (self._kit.clock.now() - self._began) / 1e9)
        rate = read / elapsed
        left = (of_bytes - read) / rate if rate > 0 and of_bytes > read else None
        checked = sum(seen.checked for seen in self.scanned)
        return Moved("rescan", checked, checked, read, of_bytes, rate, left, lanes)

    def _close(self) -> None:
        with self._kit.catalog.writing():
            for job, lane, drive, seen in zip(self._jobs, self._lanes, self._drives, self.scanned, strict=True):
                seen.read_bytes = lane.read
                seen.unproved = from_memory(self._kit, drive.record, None if seen.gone else drive.place.root)
                outcome = Outcome.SUCCESS if seen.finished else Outcome.PARTIAL
                bad = [path for kind, path in seen.found]
                add_event(
                    self._kit.catalog,
                    EventType.FIXITY_CHECK,
                    Outcome.FAILURE if bad else outcome,
                    f"{counted(seen.checked, 'copy', 'copies')} looked at, {seen.read_back:,} read back"
                    f"{f' and {seen.from_memory:,} maybe from memory' if seen.from_memory else ''}, "
                    f"{counted(len(bad), 'new finding')}",
                    self._kit.clock.now(),
                    job_id=job,
                    place_id=drive.record.id,
                )
                detail = {
                    "checked": seen.checked,
                    "read_back": seen.read_back,
                    "from_memory": seen.from_memory,
                    "bytes": lane.read,
                    "seconds": round(lane.seconds, 3),
                }
                end_job(self._kit.catalog, job, outcome, detail, self._kit.clock.now())
