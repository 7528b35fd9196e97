"""Entering what happened into the catalog, many rows in one commit, in the order in which it happened.

A row is written only after the bytes it speaks of are flushed and named: the catalog may lag, it never leads.
"""

from __future__ import annotations

from collections.abc import Sequence

from tripleguard.catalog import questions
from tripleguard.catalog.findings import BAD, close_at, notice
from tripleguard.catalog.journal import add_event
from tripleguard.catalog.lineage import newest_version
from tripleguard.catalog.looks import enter_look, has_look
from tripleguard.catalog.writing import (
    Origin,
    add_card_file,
    copy_moved_aside,
    copy_state,
    copy_touched,
    copy_verified,
    copy_written,
    ensure_body,
    ensure_file,
    ensure_shoot,
)
from tripleguard.model import Copy, CopyState, Entry, EventType, File, FindingKind, Outcome
from tripleguard.names import shown
from tripleguard.wording import counted
from tripleguard.work.cards.placing import Placing
from tripleguard.work.cards.results import Disproved, MovedAside, Proved, Task, Written
from tripleguard.work.kit import Kit, OpenDrive
from tripleguard.work.looking import Looked


class Recorder:
    """Writes one job's results. Every method is called inside `Catalog.writing`."""

    def __init__(self, kit: Kit, job_id: int, drives: Sequence[OpenDrive]) -> None:
        self._kit = kit
        self._job = job_id
        self._drives = drives
        self._shoots: dict[tuple[str, str], int] = {}
        self._copies: dict[tuple[int, int], tuple[int, int]] = {}
        self._proofs: dict[tuple[int, int], int] = {}
        self.shoot_files: dict[int, int] = {}

    def read(self, task: Task) -> int:
        """A card file was read and hashed; the file's id."""
        assert task.file is not None
        assert task.placing is not None
        file_id = self._file(task.file, task.placing, task.entry.name, task.sample)
        if questions.as_read(self._kit.catalog, self._job, task.entry.path) is None:
            self._count(task.placing)
        now = self._kit.clock.now()
        add_card_file(self._kit.catalog, self._job, task.entry, file_id, now)
        if task.looked is not None:
            enter_look(self._kit.catalog, file_id, task.looked.verdict, task.looked.traits, now)
        return file_id

    def looked(self, file: File, told: Looked | None) -> None:
        """A file that came from no card was looked into while it was read; what a card's look told is kept."""
        known = questions.file_with_digest(self._kit.catalog, file.digest)
        if told is not None and known is not None and not has_look(self._kit.catalog, known.id):
            enter_look(self._kit.catalog, known.id, told.verdict, told.traits, self._kit.clock.now())

    def resumed(self, entry: Entry, file_id: int, shoot_id: int, read_at: int) -> None:
        """A card file was read by an interrupted run of the same offload."""
        add_card_file(self._kit.catalog, self._job, entry, file_id, read_at)
        self.shoot_files[shoot_id] = self.shoot_files.get(shoot_id, 0) + 1

    def written(self, result: Written, *, by_us: bool = True) -> None:
        """A copy is whole and named on a drive."""
        task = result.task
        assert task.file is not None
        assert task.placing is not None
        file_id = self._file(task.file, task.placing, task.entry.name, task.sample)
        shoot_id = self._shoot(task.placing)
        place = self._drives[result.lane].record
        copy_written(
            self._kit.catalog,
            file_id,
            place.id,
            shoot_id,
            result.entry,
            self._kit.clock.now(),
            insertion=place.insertion,
            by_us=by_us,
        )
        copies, size = self._copies.get((shoot_id, place.id), (0, 0))
        self._copies[shoot_id, place.id] = (copies + 1, size + result.entry.size)

    def proved(self, result: Proved) -> None:
        """A copy was read back and is equal."""
        place = self._drives[result.lane].record
        copy = self._copy(result.proof.copy_id, place.id, result.proof.path)
        if copy is None:
            raise AssertionError(f"a proved copy is not in the catalog: {result.proof.path!r}")
        now = self._kit.clock.now()
        if result.proof.mtime_ns is not None:
            copy_touched(self._kit.catalog, copy, result.proof.mtime_ns)
        copy_verified(self._kit.catalog, copy, result.medium, now, place.insertion)
        close_at(self._kit.catalog, place.id, result.proof.path, "it reads back as it should", now, kinds=BAD)
        row = self._kit.catalog.row("SELECT shoot_id, file_id FROM copies WHERE id = ?", copy)
        assert row is not None
        if newest_version(self._kit.catalog, result.proof.path, place.id) == row[1]:
            stale = (FindingKind.STALE,)
            close_at(self._kit.catalog, place.id, result.proof.path, "it is the newest version", now, kinds=stale)
        self._proofs[row[0], place.id] = self._proofs.get((row[0], place.id), 0) + 1
        if result.readings > 1:
            self._fixity(
                result.lane, Outcome.PARTIAL, result.proof.path, "the first reading back was different", copy
            )

    def disproved(self, result: Disproved) -> None:
        """A copy is not what it should be."""
        place, now = self._drives[result.lane].record, self._kit.clock.now()
        copy = self._copy(result.proof.copy_id, place.id, result.proof.path)
        if copy is None:
            raise AssertionError(f"a disproved copy is not in the catalog: {result.proof.path!r}")
        if result.aside is None:
            self.corrupt(copy, result.why)
        else:
            copy_moved_aside(self._kit.catalog, copy, place.id, result.aside, now)
        where = f"; it lies in {result.aside} now" if result.aside else ""
        self._fixity(result.lane, Outcome.FAILURE, result.proof.path, result.why + where, copy)

    def corrupt(self, copy_id: int, why: str) -> None:
        """A copy does not hold what it should, and stays where it is."""
        now, copy = self._kit.clock.now(), questions.copy_with_id(self._kit.catalog, copy_id)
        copy_state(self._kit.catalog, copy_id, CopyState.CORRUPT, now)
        self._notice(FindingKind.CORRUPT, copy, {"read_back": why})

    def _notice(self, kind: FindingKind, copy: Copy, evidence: dict[str, object]) -> None:
        row = self._kit.catalog.row("SELECT shoot_id FROM copies WHERE id = ?", copy.id)
        notice(
            self._kit.catalog,
            kind,
            copy.place_id,
            copy.path,
            self._kit.clock.now(),
            copy_id=copy.id,
            file_id=copy.file_id,
            shoot_id=row[0] if row else None,
            evidence=evidence,
        )

    def moved_aside(self, result: MovedAside) -> None:
        """A bad copy gave way to a good one."""
        place, now = self._drives[result.lane].record, self._kit.clock.now()
        copy = questions.copy_at(self._kit.catalog, place.id, result.path)
        if copy is not None:
            copy_moved_aside(self._kit.catalog, copy.id, place.id, result.aside, now)
        self.event(
            EventType.QUARANTINE,
            Outcome.SUCCESS,
            f"{shown(result.path)} was moved aside to {result.aside}; nothing was deleted",
            place_id=place.id,
        )

    def gone(self, copy: Copy) -> None:
        """A copy that the catalog had is not there any more, or has another size."""
        now = self._kit.clock.now()
        recorded = questions.copy_at(self._kit.catalog, copy.place_id, copy.path)
        if recorded is None or recorded.id != copy.id or recorded.state is not CopyState.PRESENT:
            return
        copy_state(self._kit.catalog, copy.id, CopyState.MISSING, now)
        self._notice(FindingKind.MISSING, copy, {})
        add_event(
            self._kit.catalog,
            EventType.FIXITY_CHECK,
            Outcome.FAILURE,
            f"{shown(copy.path)} is not there as recorded",
            now,
            job_id=self._job,
            place_id=copy.place_id,
            file_id=copy.file_id,
        )

    def replications(self, outcome: Outcome) -> None:
        """Append one event per shoot and drive that got copies."""
        for (shoot_id, place_id), (copies, size) in self._copies.items():
            self.event(
                EventType.REPLICATION,
                outcome,
                f"{counted(copies, 'copy', 'copies')} written, {counted(size, 'byte')}",
                shoot_id=shoot_id,
                place_id=place_id,
            )
        for (shoot_id, place_id), proved in self._proofs.items():
            self.event(
                EventType.FIXITY_CHECK,
                Outcome.SUCCESS,
                f"{counted(proved, 'copy', 'copies')} read back, all equal",
                shoot_id=shoot_id,
                place_id=place_id,
            )

    def event(self, type_: EventType, outcome: Outcome, message: str, **links: int | None) -> None:
        """Append an event of this job."""
        add_event(
            self._kit.catalog,
            type_,
            outcome,
            message,
            self._kit.clock.now(),
            job_id=self._job,
            place_id=links.get("place_id"),
            shoot_id=links.get("shoot_id"),
        )

    def _file(self, file: File, placing: Placing, name: str, sample: bytes) -> int:
        body_id = None
        if placing.body_key is not None:
            body_id = ensure_body(self._kit.catalog, placing.body, *placing.body_key)
        origin = Origin(name, placing.kind, self._shoot(placing), body_id, placing.wall_ns, placing.offset)
        wants = self._kit.settings.rule.drive_copies
        return ensure_file(self._kit.catalog, file, origin, sample, wants, self._kit.clock.now())

    def _shoot(self, placing: Placing) -> int:
        key = (placing.day, placing.shoot)
        if key not in self._shoots:
            self._shoots[key] = ensure_shoot(self._kit.catalog, *key, self._kit.clock.now())
        return self._shoots[key]

    def _count(self, placing: Placing) -> None:
        shoot_id = self._shoot(placing)
        self.shoot_files[shoot_id] = self.shoot_files.get(shoot_id, 0) + 1

    def _copy(self, copy_id: int | None, place_id: int, path: str) -> int | None:
        if copy_id is not None:
            return copy_id
        copy = questions.copy_at(self._kit.catalog, place_id, path)
        return copy.id if copy else None

    def _fixity(self, lane: int, outcome: Outcome, path: str, why: str, copy_id: int) -> None:
        row = self._kit.catalog.row("SELECT file_id, shoot_id FROM copies WHERE id = ?", copy_id)
        add_event(
            self._kit.catalog,
            EventType.FIXITY_CHECK,
            outcome,
            f"{shown(path)}: {why}",
            self._kit.clock.now(),
            job_id=self._job,
            place_id=self._drives[lane].record.id,
            file_id=row[0] if row else None,
            shoot_id=row[1] if row else None,
        )
