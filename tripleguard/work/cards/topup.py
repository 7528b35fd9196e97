"""Paying what is owed: the copies that a drive was away or too full for, made from a good copy elsewhere.

Files with the fewest good copies come first. The source is read and hashed like a card; if its digest is not
the one that is known, that copy is marked corrupt and nothing is made from it.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from tripleguard.catalog import questions, shoots
from tripleguard.catalog.lineage import newest_version
from tripleguard.catalog.pairing import pictures_beside
from tripleguard.catalog.rows import KnownFile
from tripleguard.catalog.twins import further_debts, twin_debts, twin_ids
from tripleguard.errors import CopyTrouble, TripleguardError
from tripleguard.model import Copy, CopyState, Entry, File, Outcome
from tripleguard.names import numbered
from tripleguard.rules import is_as_recorded, is_untouched
from tripleguard.work.cards.copying import Copier, CopyGone, CopyResult, Found, Read
from tripleguard.work.cards.following import Companion, Following
from tripleguard.work.cards.from_copies import FromCopies, placed_as
from tripleguard.work.cards.namegiving import Chosen, NameGiver, no_name_left
from tripleguard.work.cards.placing import MOST_NAMES
from tripleguard.work.cards.results import NotCopied, Proved, Task, ToProve, Written
from tripleguard.work.companion_content import holds_as_recorded
from tripleguard.work.from_memory import FromMemory, from_memory, to_prove
from tripleguard.work.holdings import Holdings, content_is_identity
from tripleguard.work.kit import Kit, OpenDrive, Source
from tripleguard.work.progress import Job, Moved, Progress

_PASSES = 3


@dataclass(frozen=True, slots=True)
class TopupResult:
    """What a top-up did.

    made: new copies by drive. proved: copies read back by drive. total_bytes: written. still_short: files that
    are still owed; no_source: how many of them have no good copy on a connected drive. unproved: drives with
    copies that were read back, maybe from memory.
    """

    made: dict[str, int]
    proved: dict[str, int]
    total_bytes: int
    still_short: int
    no_source: int
    troubles: tuple[TripleguardError, ...]
    seconds: float
    unproved: tuple[FromMemory, ...] = ()


def topup(
    kit: Kit,
    drives: Sequence[OpenDrive],
    refused: Sequence[TripleguardError] = (),
    sources: Sequence[Source] = (),
) -> Job[TopupResult]:
    """Make the copies that are still owed, on the open and locked drives. Yields progress.

    sources: more drives to read from, on the shelf or leaving; nothing is written to them. refused: why other
    drives that are connected can't be used now; it is told with the rest.
    Raises Stopped, PlaceFailed (no drive left), CatalogTrouble.
    """
    began = time.monotonic()
    yield Moved("looking what is owed", 0, 0, 0, 0, 0.0, None)
    run = _Topup(kit, drives, sources)
    run.troubles += refused
    yield from run.run()
    return TopupResult(
        made=run.made,
        proved=run.proved,
        total_bytes=run.total_bytes,
        still_short=shoots.totals(kit.catalog)[2] + further_debts(kit.catalog, kit.settings.rule.drive_copies),
        no_source=run.no_source,
        troubles=tuple(run.troubles),
        seconds=round(time.monotonic() - began, 3),
        unproved=tuple(
            found for drive in drives if (found := from_memory(kit, drive.record, drive.place.root)) is not None
        ),
    )


class _Topup(FromCopies):
    """One run, from the caller's thread."""

    def __init__(self, kit: Kit, drives: Sequence[OpenDrive], sources: Sequence[Source]) -> None:
        short = shoots.owed(kit.catalog)
        super().__init__(
            kit, drives, "topup", sum(owed.short for owed in short), sum(owed.bytes for owed in short), sources
        )
        self._sources = sources
        self.made = {drive.record.name: 0 for drive in drives}
        self.proved = {drive.record.name: 0 for drive in drives}
        self.total_bytes = 0
        self.no_source = 0

    def run(self) -> Iterator[Progress]:
        """Passes until nothing more can be done: a bad source found in one is avoided in the next."""
        try:
            for _ in range(_PASSES):
                plan = _Plan(self.kit, self.drives, self.alive_lanes(), self._sources)
                try:
                    yield from self.one_pass(plan.tasks, plan.decide)
                finally:
                    self.no_source = plan.no_source
                    plan.close()
                if not self.take_again():
                    break
        except BaseException:
            # What ended the work is told; what goes wrong while leaving in good order is not.
            with contextlib.suppress(TripleguardError):
                self.leave(with_snapshots=False)
                self._close(Outcome.FAILURE)
            raise
        self.give_up()
        self.leave(with_snapshots=True)
        self._close(Outcome.PARTIAL if self.troubles or self.no_source else Outcome.SUCCESS)

    def enter(self, result: CopyResult) -> None:
        match result:
            case Read():
                self.files_done += 1
            case Written(_, lane, entry):
                super().enter(result)
                self.made[self.drives[lane].record.name] += 1
                self.total_bytes += entry.size
            case Proved(_, lane, _, _):
                super().enter(result)
                self.proved[self.drives[lane].record.name] += 1
            case _:
                super().enter(result)

    def _close(self, outcome: Outcome) -> None:
        with self.kit.catalog.writing():
            self.end(outcome, {"made": self.made, "proved": self.proved, "bytes": self.total_bytes})


class _Plan:
    """What is owed, as tasks: runs in the reader's thread; `decide` in the hasher's, each with its catalog."""

    def __init__(
        self, kit: Kit, drives: Sequence[OpenDrive], lanes: Sequence[int], sources: Sequence[Source]
    ) -> None:
        self.no_source = 0
        self._kit = kit
        self._drives = drives
        self._sources: dict[int, Source] = {drive.record.id: drive for drive in (*drives, *sources)}
        self._lanes = tuple(lanes)
        self._holdings = Holdings(kit.catalog.reopened(), drives, kit.settings.rule, kit.clock)
        self._naming = kit.catalog.reopened()
        self._names = NameGiver(self._naming, drives)
        self._following = Following(self._naming, drives)

    def close(self) -> None:
        self._holdings.catalog.close()
        self._naming.close()

    def tasks(self, copier: Copier) -> Iterator[Task]:
        """Prove what only lacks proof, and copy what lacks copies, for each file short of the rule."""
        for lane in self._lanes:
            self._prove_cached(copier, lane)
        twins = twin_ids(self._holdings.catalog)
        for is_original in (True, False):
            # A companion is told where to lie by its picture, which has to have its place first.
            for known in shoots.short_files(self._holdings.catalog):
                if known.id not in twins and known.kind.is_original is is_original:
                    yield from self._for_content(copier, known)
        yield from self._for_names(copier)

    def _for_content(self, copier: Copier, known: KnownFile) -> Iterator[Task]:
        """What one file is owed that is counted by its content."""
        lacking = self._holdings.lacking(known, known.name, self._lanes)
        for copy in lacking.gone:
            copier.report(CopyGone(copy))
        for lane, copy in lacking.unproved:
            copier.prove(lane, ToProve(copy.path, known.file, copy.id, mtime_ns=copy.mtime_ns))
        good = self._good_drives(known, {copy.id for copy in lacking.gone})
        wanted = self._kit.settings.rule.drive_copies - good - len(lacking.unproved)
        if wanted <= 0:
            return
        source = self._source(known, {copy.id for copy in lacking.gone})
        if source is None:
            self.no_source += 1
        elif lacking.lanes:
            yield self._task(known, *source, lanes=self._roomiest(lacking.lanes, known.file.size)[:wanted])

    def _prove_cached(self, copier: Copier, lane: int) -> None:
        """Read back what was last read from memory, maybe, and would come from the device now."""
        drive, catalog = self._drives[lane], self._holdings.catalog
        for copy in to_prove(catalog, drive):
            if is_as_recorded(copy, drive.seen(copy.path)):
                known = questions.file_with_id(catalog, copy.file_id)
                copier.prove(lane, ToProve(copy.path, known.file, copy.id))

    def _for_names(self, copier: Copier) -> Iterator[Task]:
        """The same for files that are counted by name: equal sidecars of two pictures are two debts."""
        rule = self._kit.settings.rule
        lanes = {self._drives[lane].record.id: lane for lane in self._lanes}
        for debt in twin_debts(self._holdings.catalog, rule.drive_copies):
            there: dict[int, tuple[Source, Copy, Entry]] = {}
            for copy in debt.copies:
                drive = self._sources.get(copy.place_id)
                if drive is None or copy.state is not CopyState.PRESENT:
                    continue
                entry = drive.seen(copy.path)
                if entry is not None and is_as_recorded(copy, entry):
                    there[copy.place_id] = (drive, copy, entry)
                elif copy.place_id in lanes:
                    copier.report(CopyGone(copy))
            unproved = [
                (lanes[place], copy)
                for place, (_, copy, _) in there.items()
                if place in lanes and copy.evidence.verified_at is None
            ]
            for lane, copy in unproved:
                copier.prove(lane, ToProve(copy.path, debt.known.file, copy.id, mtime_ns=copy.mtime_ns))
            lacking = tuple(lane for place, lane in lanes.items() if place not in there)
            wanted = rule.drive_copies - debt.good - len(unproved)
            if not there:
                self.no_source += 1
            elif wanted > 0 and lacking:
                source = min(there.values(), key=lambda one: one[1].evidence.verified_at is None)
                chosen = self._roomiest(lacking, debt.known.file.size)[:wanted]
                yield self._task(debt.known, *source, lanes=chosen)

    def decide(self, copier: Copier, task: Task, file: File, __: bytes) -> dict[int, str]:
        """The source's own path on each lane, numbered where that is taken; a companion's, beside its picture.

        Raises SourceDiffers, NameTaken.
        """
        known = placed_as(self._naming, task, file, task.entry.path)
        follows = self._companion(task, known)
        wanted = (
            self._following.paths(follows, task.lanes) if follows else dict.fromkeys(task.lanes, task.entry.path)
        )
        paths = self._older_versions(task, known, wanted)
        wanted = {lane: path for lane, path in wanted.items() if lane not in paths}
        chosen = Chosen()
        if wanted and follows:
            chosen = self._following.chosen(follows, self._names, wanted)
        elif wanted:
            chosen = self._chosen(task, file, tuple(wanted))
        self._names.give(chosen.paths, file)
        if known.kind.is_original:
            self._following.named(file, {lane: entry.path for lane, entry in chosen.found.items()} | chosen.paths)
        for lane, entry in chosen.found.items():
            copier.report(Found(task, lane, entry))
            copier.prove(lane, ToProve(entry.path, file))
        for lane, error in chosen.failed.items():
            copier.report(NotCopied(task, lane, error))
        return {lane: path for lane, path in paths.items() if path is not None} | chosen.paths

    def _companion(self, task: Task, known: KnownFile) -> Companion | None:
        """How a companion is to follow the pictures that its source lies beside; None if it lies beside none."""
        if task.source is None or content_is_identity(known.kind, known.file.size):
            return None
        place_id = questions.copy_with_id(self._naming, task.source).place_id
        pictures = pictures_beside(self._naming, place_id, task.entry.path)
        if not pictures:
            return None
        return Companion(known.file, task.entry.name, sorted(pictures), task.entry.path)

    def _older_versions(self, task: Task, known: KnownFile, wanted: Mapping[int, str]) -> dict[int, str | None]:
        """The lanes on which a companion's newest version takes the path of an older one, which is kept aside.

        One that was edited since it was looked at keeps its path, as it may be newer still: there it gets none.
        """
        paths: dict[int, str | None] = {}
        for lane, path in wanted.items():
            place_id = self._drives[lane].record.id
            here = questions.copy_at(self._naming, place_id, path)
            if here is None or here.state is not CopyState.PRESENT or here.file_id == known.id:
                continue
            if newest_version(self._naming, path, place_id) != known.id:
                continue
            seen = self._drives[lane].seen(path)
            held = questions.file_with_id(self._naming, here.file_id)
            if seen is None or (is_untouched(here, seen) and holds_as_recorded(self._drives[lane], here, held)):
                task.gives_way[lane] = "an older version; the newest has taken its place"
                task.as_seen[lane] = seen
                paths[lane] = path
            else:
                paths[lane] = None
        return paths

    def _chosen(self, task: Task, file: File, lanes: Sequence[int]) -> Chosen:
        folder, _, name = task.entry.path.rpartition("/")
        for number in range(1, MOST_NAMES):
            chosen = self._names.is_free(f"{folder}/{numbered(name, number)}", file, lanes)
            if chosen is not None:
                return chosen
        raise no_name_left(task.entry.path)

    def _roomiest(self, lanes: Sequence[int], size: int) -> tuple[int, ...]:
        """These lanes, those with room for size bytes first."""
        return tuple(sorted(lanes, key=lambda lane: not self._holds(lane, size)))

    def _holds(self, lane: int, size: int) -> bool:
        try:
            return self._drives[lane].place.room().holds(size)
        except CopyTrouble:
            return False

    def _good_drives(self, known: KnownFile, gone: set[int]) -> int:
        """On how many drives the catalog has a verified copy that still counts, wherever they are now."""
        rows = self._holdings.catalog.rows(
            "SELECT c.id, c.place_id FROM copies c JOIN places p ON p.id = c.place_id WHERE c.file_id = ?"
            " AND c.state = 'present' AND c.verified_at IS NOT NULL AND p.kind = 'drive'"
            " AND p.state IN ('active', 'shelved') AND p.leaving_since IS NULL",
            known.id,
        )
        return len({place for copy, place in rows if copy not in gone})

    def _source(self, known: KnownFile, gone: set[int]) -> tuple[Source, Copy, Entry] | None:
        """A copy on a connected drive to read from: a verified one first."""
        copies = [
            copy
            for copy in questions.copies_of(self._holdings.catalog, known.id)
            if copy.state is CopyState.PRESENT and copy.id not in gone
        ]
        for copy in sorted(copies, key=lambda copy: copy.evidence.verified_at is None):
            drive = self._sources.get(copy.place_id)
            entry = drive.seen(copy.path) if drive else None
            if drive is not None and entry is not None and entry.size == copy.size:
                return drive, copy, entry
        return None

    def _task(self, known: KnownFile, drive: Source, copy: Copy, entry: Entry, lanes: tuple[int, ...]) -> Task:
        return Task(
            entry,
            open=lambda: drive.place.read(copy.path),
            lanes=lanes,
            still_same=lambda: drive.seen(copy.path) == entry,
            guess=known.file,
            source=copy.id,
        )
