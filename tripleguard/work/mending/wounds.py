"""What is wrong on the drives that are here, and what can put each of it right.

A wound is an open finding on a connected drive. What heals it is read from a verified copy; where there is none,
from wherever the same bytes were last found (under another file's name, or moved aside), or it is put together
from two bad copies. Whatever the source, only a digest that is the file's own makes a copy of it.

Nothing is done to a path where something else stands now than what was found there: it may be newer, or another's.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from tripleguard.cameras.kinds import kind_of
from tripleguard.catalog import questions
from tripleguard.catalog.findings import Noticed, open_findings, whereabouts
from tripleguard.catalog.lineage import newest_version
from tripleguard.catalog.rows import KnownFile
from tripleguard.clock import iso_utc
from tripleguard.errors import CopyTrouble
from tripleguard.model import Copy, CopyState, Entry, File, FindingKind, Kind
from tripleguard.places.base import Reading
from tripleguard.rules import is_as_recorded, is_untouched
from tripleguard.work.cards.copying import Copier
from tripleguard.work.cards.from_copies import placed_as
from tripleguard.work.cards.results import Heals, Task
from tripleguard.work.kit import Kit, OpenDrive, Source
from tripleguard.work.mending.recombining import ReadAt, combination, patient_reader

NO_COPY = (
    "no good copy is on any drive that could be read. Every version was kept. Connect the other drives and the "
    "card; if it is on none of them, a recovery service can work with the drive and what is in .tripleguard/aside"
)
CHANGED_SINCE = "what stands there is not what was found last: run `rescan` first; nothing was done with it"
IN_THE_WAY = (
    "something that is no plain file has its name now (a folder, a link): move that away or rename it, then run "
    "`rescan` and `mend` again; nothing was done with it"
)
CHANGED_SOURCE = "the copy it would be made from was changed since it was looked at: run `rescan` first"
STRAY = "it is not in the catalog: keep it where it is, or move it away yourself; nothing was done with it"
TAKEN = (
    "a file that is not in the catalog has its name now: move that away or rename it, then run `rescan` and "
    "`mend` again; nothing was done with it"
)
LATER = "it could not be put right in this run: run `mend` again"


@dataclass(frozen=True, slots=True)
class Wound:
    """One open finding on a drive that is here. known: what should be at the path; good: its good copies."""

    finding: Noticed
    known: KnownFile | None
    lane: int
    good: int


class Plan:
    """What can be put right, as tasks: in the reader's thread; `decide` in the hasher's.

    lanes: numbers of the drives that are written to; sources: drives that are only read from. Those with the
    fewest good copies come first. once_more: something is left for the next pass.
    """

    def __init__(
        self, kit: Kit, drives: Sequence[OpenDrive], lanes: Sequence[int], sources: Sequence[Source] = ()
    ) -> None:
        self.why_not: dict[int, str] = {}
        self.once_more = False
        self._kit = kit
        self._drives = drives
        self._sources: dict[int, Source] = {drive.record.id: drive for drive in (*drives, *sources)}
        self._lanes = tuple(lanes)
        self._catalog = kit.catalog.reopened()
        self._naming = kit.catalog.reopened()
        self._combined: dict[int, Callable[[], Reading] | None] = {}
        self._whereabouts: dict[bytes, list[tuple[int, str]]] | None = None
        self._given_up: set[tuple[int, str]] = set()
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
            self._given_up.add((self._drives[wound.lane].record.id, wound.finding.path))
            yield task

    def decide(self, _: Copier, task: Task, file: File, __: bytes) -> dict[int, str]:
        """The wound's own path and no other: what takes it meanwhile is left. Raises SourceDiffers."""
        assert task.heals is not None
        placed_as(self._naming, task, file, task.heals.path)
        return {task.lanes[0]: task.heals.path}

    def can(self, wound: Wound) -> bool:
        """Whether a copy can heal it now; `why_not` says why not."""
        return wound.known is not None and self._task(wound, wound.known) is not None

    def _wounds(self) -> Iterator[Wound]:
        lanes = {self._drives[lane].record.id: lane for lane in self._lanes}
        for finding in open_findings(self._catalog):
            lane = lanes.get(finding.place_id)
            if lane is None or finding.accepted_at is not None:
                continue
            known = self._should_be(finding)
            if known is None:
                self.why_not[finding.id] = STRAY
            yield Wound(finding, known, lane, sum(1 for _ in self._good(known)) if known else 0)

    def _should_be(self, finding: Noticed) -> KnownFile | None:
        """The file that the path of this finding should hold: of a companion, its newest version."""
        if finding.kind is FindingKind.STRAY or finding.copy_id is None:
            return None
        row = self._catalog.row("SELECT file_id FROM copies WHERE id = ?", finding.copy_id)
        newest = newest_version(self._catalog, finding.path, finding.place_id)
        file_id = newest if newest is not None else (row[0] if row else None)
        return questions.file_with_id(self._catalog, file_id) if file_id is not None else None

    def _good(self, known: KnownFile) -> Iterator[tuple[Source, Copy, Entry]]:
        """Verified copies of a file that lie on drives that are here; no sidecar that was edited since."""
        for drive, copy, entry in self._verified(known):
            if entry.size == copy.size and (known.kind is not Kind.COMPANION or is_untouched(copy, entry)):
                yield drive, copy, entry

    def _verified(self, known: KnownFile) -> Iterator[tuple[Source, Copy, Entry]]:
        copies = questions.copies_of(self._catalog, known.id)
        # What comes over a line, and may be paid by the byte, comes last.
        for copy in sorted(copies, key=lambda copy: not isinstance(self._sources.get(copy.place_id), OpenDrive)):
            drive = self._sources.get(copy.place_id)
            if drive is None or copy.state is not CopyState.PRESENT or copy.evidence.verified_at is None:
                continue
            entry = drive.seen(copy.path)
            if entry is not None and _may_read(drive, entry):
                yield drive, copy, entry

    def _task(self, wound: Wound, known: KnownFile) -> Task | None:
        seen = self._drives[wound.lane].seen(wound.finding.path)
        why = self._left_alone(wound.finding, self._drives[wound.lane], seen)
        if why is not None:
            self.why_not[wound.finding.id] = why
            return None
        for drive, copy, entry in self._good(known):
            return self._aimed(_reading(known, drive, entry, (wound.lane,), copy.id), wound, seen)
        task = self._from_elsewhere(wound, known) or self._recombining(wound, known)
        if task is None:
            self.why_not[wound.finding.id] = CHANGED_SOURCE if any(self._verified(known)) else NO_COPY
            return None
        return self._aimed(task, wound, seen)

    def _left_alone(self, finding: Noticed, drive: OpenDrive, seen: Entry | None) -> str | None:
        """Why nothing is done at this path: what stands there is not what was found there, or no file at all."""
        if seen is None:
            try:
                return IN_THE_WAY if drive.place.taken(finding.path) else None
            except CopyTrouble as error:
                return error.what
        if finding.kind is FindingKind.MISSING:
            return CHANGED_SINCE
        recorded = questions.copy_at(self._catalog, drive.record.id, finding.path)
        if recorded is None:
            return TAKEN
        size, mtime_ns = finding.evidence.get("size"), finding.evidence.get("mtime_ns")
        if finding.kind is not FindingKind.STALE and isinstance(mtime_ns, int):
            return None if (seen.size, seen.mtime_ns) == (size, mtime_ns) else CHANGED_SINCE
        same = is_untouched if kind_of(finding.path) is Kind.COMPANION else is_as_recorded
        return None if same(recorded, seen) else CHANGED_SINCE

    def _from_elsewhere(self, wound: Wound, known: KnownFile) -> Task | None:
        """A task that reads from where these bytes were last found, though that is not where they belong.

        Two files that changed names hold each other's bytes. Where one of them was moved aside in this pass, the
        other one is read from there in the next.
        """
        if self._whereabouts is None:
            self._whereabouts = whereabouts(self._catalog)
        for place_id, path in self._whereabouts.get(known.file.digest, []):
            if (place_id, path) in self._given_up:
                self.once_more = True
                continue
            drive = self._sources.get(place_id)
            entry = drive.seen(path) if drive else None
            if drive is not None and entry is not None and entry.size == known.file.size:
                return _reading(known, drive, entry, (wound.lane,), None)
        return None

    def _recombining(self, wound: Wound, known: KnownFile) -> Task | None:
        """A task that puts one whole file together from two bad copies, if that can be proved."""
        if known.id not in self._combined:
            bad = self._bad_copies(known)
            self._combined[known.id] = combination(known.file, bad, self._kit.stop.is_set)
        opened = self._combined[known.id]
        if opened is None:
            return None
        entry = Entry(wound.finding.path, known.file.size, self._kit.clock.now())
        return Task(entry, open=opened, lanes=(wound.lane,), still_same=lambda: True, guess=known.file)

    def _bad_copies(self, known: KnownFile) -> list[ReadAt]:
        found: list[ReadAt] = []
        for copy in questions.copies_of(self._catalog, known.id):
            drive = self._sources.get(copy.place_id)
            if not isinstance(drive, OpenDrive) or copy.state not in (
                CopyState.CORRUPT,
                CopyState.ALTERED,
                CopyState.ASIDE,
            ):
                continue
            entry = drive.seen(copy.path)
            if entry is not None and entry.size == known.file.size:
                found.append(patient_reader(drive.place.open_for_reading, copy.path))
        return found

    def _aimed(self, task: Task, wound: Wound, seen: Entry | None) -> Task:
        finding = wound.finding
        task.heals = Heals(finding.id, finding.path)
        if finding.kind is not FindingKind.MISSING:
            since = iso_utc(finding.since)
            task.gives_way[wound.lane] = f"{finding.kind} since {since}; a good copy has taken its place"
            task.as_seen[wound.lane] = seen
        return task


def _may_read(drive: Source, entry: Entry) -> bool:
    """Whether who runs this may read it: a copy that may not be read is no rotten source."""
    if isinstance(drive, OpenDrive):
        try:
            os.close(drive.place.open_for_reading(entry.path))
        except PermissionError:
            return False
        except OSError:
            return True
    return True


def _reading(known: KnownFile, drive: Source, entry: Entry, lanes: tuple[int, ...], copy_id: int | None) -> Task:
    return Task(
        entry,
        open=lambda: drive.place.read(entry.path),
        lanes=lanes,
        still_same=lambda: drive.seen(entry.path) == entry,
        guess=known.file,
        source=copy_id,
    )
