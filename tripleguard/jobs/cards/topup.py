"""Top up drives: make the copies that an absent or full drive lacks, from good copies elsewhere.

Files with the fewest good copies come first. The source is read and hashed like a card; if its digest differs from
the recorded one, that copy is marked corrupt and not used.
"""

from __future__ import annotations

import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from tripleguard.catalog import file_queries, shoots
from tripleguard.catalog.companions import find_newest_version, find_pictures
from tripleguard.catalog.rows import KnownFile
from tripleguard.catalog.shared_sidecars import count_extra_missing_copies, iter_shortages, list_shared_file_ids
from tripleguard.errors import CopyError, TripleguardError
from tripleguard.jobs.cached_copies import CachedCopies, find_cached_copies, iter_verifiable_copies
from tripleguard.jobs.cards.free_paths import (
    ChosenPaths,
    CompanionFile,
    CompanionPathChooser,
    FreePathChooser,
    no_free_name_error,
)
from tripleguard.jobs.context import JobContext
from tripleguard.jobs.copying.copy_tasks import CopyFailed, CopyTask, CopyVerified, CopyWritten, VerifyRequest
from tripleguard.jobs.copying.destination import MAX_NAME_NUMBER
from tripleguard.jobs.copying.engine import CopyEngine, CopyMissing, CopyResult, ExistingCopyFound, SourceRead
from tripleguard.jobs.copying.hashing import has_recorded_content
from tripleguard.jobs.copying.replication import ReplicationRun, set_destination_from_copy
from tripleguard.jobs.drives import CopySource, OpenDrive
from tripleguard.jobs.existing_copies import ExistingCopies, is_identified_by_content
from tripleguard.jobs.progress import Job, Progress, ProgressUpdate
from tripleguard.model import Copy, CopyState, Entry, EventOutcome, File
from tripleguard.names import add_number
from tripleguard.rules import is_as_recorded, is_good_copy, is_untouched

_MAX_PASSES = 3


@dataclass(frozen=True, slots=True)
class TopupResult:
    """What a topup did.

    Attributes:
        created: New copies, by drive.
        verified: Copies read back, by drive.
        total_bytes: Bytes written.
        still_under_replicated: Files that still lack copies.
        without_source: How many of them have no good copy on a connected drive.
        cached: Drives whose copies were read back but may have come from a cache.
    """

    created: dict[str, int]
    verified: dict[str, int]
    total_bytes: int
    still_under_replicated: int
    without_source: int
    errors: tuple[TripleguardError, ...]
    seconds: float
    cached: tuple[CachedCopies, ...] = ()


def topup(
    ctx: JobContext,
    drives: Sequence[OpenDrive],
    unavailable: Sequence[TripleguardError] = (),
    sources: Sequence[CopySource] = (),
) -> Job[TopupResult]:
    """Make the missing copies on the open and locked drives. Yields progress.

    Raises StoppedError, PlaceFailedError (no drive left), CatalogError.

    Args:
        unavailable: Why other connected drives can't be used now; reported with the result.
        sources: More drives to read from, shelved or leaving; nothing is written to them.
    """
    began = time.monotonic()
    yield ProgressUpdate("looking what is owed", 0, 0, 0, 0, 0.0, None)
    run = _TopupRun(ctx, drives, sources)
    run.errors += unavailable
    yield from run.run()
    return TopupResult(
        created=run.created,
        verified=run.verified,
        total_bytes=run.total_bytes,
        still_under_replicated=shoots.count_totals(ctx.catalog)[2]
        + count_extra_missing_copies(ctx.catalog, ctx.settings.rule.drive_copies),
        without_source=run.without_source,
        errors=tuple(run.errors),
        seconds=round(time.monotonic() - began, 3),
        cached=tuple(
            found
            for drive in drives
            if (found := find_cached_copies(ctx, drive.record, drive.place.root)) is not None
        ),
    )


class _TopupRun(ReplicationRun):
    """One run, in the caller's thread."""

    def __init__(self, ctx: JobContext, drives: Sequence[OpenDrive], sources: Sequence[CopySource]) -> None:
        short = shoots.list_shortages(ctx.catalog)
        super().__init__(
            ctx,
            drives,
            "topup",
            sum(owed.under_replicated for owed in short),
            sum(owed.bytes for owed in short),
            sources,
        )
        self._sources = sources
        self.created = {drive.record.name: 0 for drive in drives}
        self.verified = {drive.record.name: 0 for drive in drives}
        self.total_bytes = 0
        self.without_source = 0

    def run(self) -> Iterator[Progress]:
        """Run passes until nothing more can be done; each avoids the bad sources found before."""
        try:
            for _ in range(_MAX_PASSES):
                plan = _TopupPlan(self.ctx, self.drives, self.active_lanes(), self._sources)
                try:
                    yield from self.run_pass(plan.tasks, plan.decide)
                finally:
                    self.without_source = plan.without_source
                    plan.close()
                if not self.take_retries():
                    break
        except BaseException:
            self.finish_after_error(self._finish_topup)
            raise
        self.collect_last_errors()
        self.write_drive_records(with_snapshots=True)
        self._finish_topup(EventOutcome.PARTIAL if self.errors or self.without_source else EventOutcome.SUCCESS)

    def record_result(self, result: CopyResult) -> None:
        match result:
            case SourceRead():
                self.files_done += 1
            case CopyWritten(_, lane, entry):
                super().record_result(result)
                self.created[self.drives[lane].record.name] += 1
                self.total_bytes += entry.size
            case CopyVerified(_, lane, _, _):
                super().record_result(result)
                self.verified[self.drives[lane].record.name] += 1
            case _:
                super().record_result(result)

    def _finish_topup(self, outcome: EventOutcome) -> None:
        with self.ctx.catalog.transaction():
            self.finish_job(outcome, {"made": self.created, "proved": self.verified, "bytes": self.total_bytes})


class _TopupPlan:
    """Plans the tasks in the reader's thread and decides in the hasher's, each with its own connection."""

    def __init__(
        self, ctx: JobContext, drives: Sequence[OpenDrive], lanes: Sequence[int], sources: Sequence[CopySource]
    ) -> None:
        self.without_source = 0
        self._ctx = ctx
        self._drives = drives
        self._sources: dict[int, CopySource] = {drive.record.id: drive for drive in (*drives, *sources)}
        self._lanes = tuple(lanes)
        self._existing = ExistingCopies(ctx.catalog.reopen(), drives, ctx.settings.rule, ctx.clock)
        self._hasher_catalog = ctx.catalog.reopen()
        self._free_paths = FreePathChooser(self._hasher_catalog, drives)
        self._companion_paths = CompanionPathChooser(self._hasher_catalog, drives)

    def close(self) -> None:
        self._existing.catalog.close()
        self._hasher_catalog.close()

    def tasks(self, engine: CopyEngine) -> Iterator[CopyTask]:
        """Verify unverified copies and make missing ones, for each file that falls short of the rule."""
        for lane in self._lanes:
            self._verify_cached(engine, lane)
        twins = list_shared_file_ids(self._existing.catalog)
        for is_original in (True, False):
            # A companion's path depends on its picture's, so pictures come first.
            for known in shoots.iter_under_replicated_files(self._existing.catalog):
                if known.id not in twins and known.kind.is_original is is_original:
                    yield from self._tasks_by_content(engine, known)
        yield from self._tasks_by_name(engine)

    def _tasks_by_content(self, engine: CopyEngine, known: KnownFile) -> Iterator[CopyTask]:
        """Yield the tasks for one file that is counted by content."""
        lacking = self._existing.find_gaps(known, known.name, self._lanes)
        for copy in lacking.missing:
            engine.report(CopyMissing(copy))
        for lane, copy in lacking.unverified:
            engine.verify(lane, VerifyRequest(copy.path, known.file, copy.id, mtime_ns=copy.mtime_ns))
        good = self._count_good_drives(known, {copy.id for copy in lacking.missing})
        wanted = self._ctx.settings.rule.drive_copies - good - len(lacking.unverified)
        if wanted <= 0:
            return
        source = self._find_source(known, {copy.id for copy in lacking.missing})
        if source is None:
            self.without_source += 1
        elif lacking.lanes:
            yield self._make_task(
                known, *source, lanes=self._order_by_free_space(lacking.lanes, known.file.size)[:wanted]
            )

    def _verify_cached(self, engine: CopyEngine, lane: int) -> None:
        """Read back copies whose last reading may have come from a cache and can come from the device now."""
        drive, catalog = self._drives[lane], self._existing.catalog
        for copy in iter_verifiable_copies(catalog, drive):
            if is_as_recorded(copy, drive.stat_or_none(copy.path)):
                known = file_queries.get_file(catalog, copy.file_id)
                engine.verify(lane, VerifyRequest(copy.path, known.file, copy.id))

    def _tasks_by_name(self, engine: CopyEngine) -> Iterator[CopyTask]:
        """Yield the tasks for files that are counted by name: equal sidecars of two pictures need a copy each."""
        rule = self._ctx.settings.rule
        lanes = {self._drives[lane].record.id: lane for lane in self._lanes}
        for debt in iter_shortages(self._existing.catalog, rule.drive_copies):
            there: dict[int, tuple[CopySource, Copy, Entry]] = {}
            for copy in debt.copies:
                drive = self._sources.get(copy.place_id)
                if drive is None or copy.state is not CopyState.PRESENT:
                    continue
                entry = drive.stat_or_none(copy.path)
                if entry is not None and is_as_recorded(copy, entry):
                    there[copy.place_id] = (drive, copy, entry)
                elif copy.place_id in lanes:
                    engine.report(CopyMissing(copy))
            unproved = [
                (lanes[place], copy)
                for place, (_, copy, _) in there.items()
                if place in lanes and not is_good_copy(copy)
            ]
            for lane, copy in unproved:
                engine.verify(
                    lane, VerifyRequest(copy.path, debt.known_file.file, copy.id, mtime_ns=copy.mtime_ns)
                )
            lacking = tuple(lane for place, lane in lanes.items() if place not in there)
            wanted = rule.drive_copies - debt.verified - len(unproved)
            if not there:
                self.without_source += 1
            elif wanted > 0 and lacking:
                source = min(there.values(), key=lambda one: not is_good_copy(one[1]))
                chosen = self._order_by_free_space(lacking, debt.known_file.file.size)[:wanted]
                yield self._make_task(debt.known_file, *source, lanes=chosen)

    def decide(self, engine: CopyEngine, task: CopyTask, file: File, __: bytes) -> dict[int, str]:
        """Return the source's path on each lane, or beside a companion's picture; numbered where taken.

        Raises SourceMismatchError, NameTakenError.
        """
        known = set_destination_from_copy(self._hasher_catalog, task, file, task.entry.path)
        follows = self._companion_of(task, known)
        wanted = (
            self._companion_paths.preferred_paths(follows, task.lanes)
            if follows
            else dict.fromkeys(task.lanes, task.entry.path)
        )
        paths = self._older_versions(task, known, wanted)
        wanted = {lane: path for lane, path in wanted.items() if lane not in paths}
        chosen = ChosenPaths()
        if wanted and follows:
            chosen = self._companion_paths.choose_paths(follows, self._free_paths, wanted)
        elif wanted:
            chosen = self._choose_numbered(task, file, tuple(wanted))
        self._free_paths.reserve(chosen.paths, file)
        if known.kind.is_original:
            self._companion_paths.remember_original(
                file, {lane: entry.path for lane, entry in chosen.existing.items()} | chosen.paths
            )
        for lane, entry in chosen.existing.items():
            engine.report(ExistingCopyFound(task, lane, entry))
            engine.verify(lane, VerifyRequest(entry.path, file))
        for lane, error in chosen.failed.items():
            engine.report(CopyFailed(task, lane, error))
        return {lane: path for lane, path in paths.items() if path is not None} | chosen.paths

    def _companion_of(self, task: CopyTask, known: KnownFile) -> CompanionFile | None:
        """Return the companion with the pictures beside its source; None if there are none."""
        if task.source_copy_id is None or is_identified_by_content(known.kind, known.file.size):
            return None
        place_id = file_queries.get_copy(self._hasher_catalog, task.source_copy_id).place_id
        pictures = find_pictures(self._hasher_catalog, place_id, task.entry.path)
        if not pictures:
            return None
        return CompanionFile(known.file, task.entry.name, sorted(pictures), task.entry.path)

    def _older_versions(
        self, task: CopyTask, known: KnownFile, preferred: Mapping[int, str]
    ) -> dict[int, str | None]:
        """Return the paths, by lane, at which a companion's newest version replaces an older one.

        A version that was edited since it was checked may be newer still and stays; that lane's path is None.
        """
        paths: dict[int, str | None] = {}
        for lane, path in preferred.items():
            place_id = self._drives[lane].record.id
            existing = file_queries.find_copy_at(self._hasher_catalog, place_id, path)
            if existing is None or existing.state is not CopyState.PRESENT or existing.file_id == known.id:
                continue
            if find_newest_version(self._hasher_catalog, path, place_id) != known.id:
                continue
            seen = self._drives[lane].stat_or_none(path)
            held = file_queries.get_file(self._hasher_catalog, existing.file_id)
            if seen is None or (
                is_untouched(existing, seen) and has_recorded_content(self._drives[lane], existing, held)
            ):
                task.replaces[lane] = "an older version; the newest has taken its place"
                task.expected_entries[lane] = seen
                paths[lane] = path
            else:
                paths[lane] = None
        return paths

    def _choose_numbered(self, task: CopyTask, file: File, lanes: Sequence[int]) -> ChosenPaths:
        folder, _, name = task.entry.path.rpartition("/")
        for number in range(1, MAX_NAME_NUMBER):
            chosen = self._free_paths.check_path(f"{folder}/{add_number(name, number)}", file, lanes)
            if chosen is not None:
                return chosen
        raise no_free_name_error(task.entry.path)

    def _order_by_free_space(self, lanes: Sequence[int], size: int) -> tuple[int, ...]:
        """Return these lanes, those with space for size bytes first."""
        return tuple(sorted(lanes, key=lambda lane: not self._has_room_for(lane, size)))

    def _has_room_for(self, lane: int, size: int) -> bool:
        try:
            return self._drives[lane].place.free_space().can_hold(size)
        except CopyError:
            return False

    def _count_good_drives(self, known: KnownFile, missing_ids: set[int]) -> int:
        """Return how many drives hold a verified copy that still counts, connected or not."""
        copies = file_queries.list_counted_drive_copies(self._existing.catalog, known.id)
        return len({copy.place_id for copy in copies if copy.id not in missing_ids})

    def _find_source(self, known: KnownFile, missing_ids: set[int]) -> tuple[CopySource, Copy, Entry] | None:
        """Return a copy on a connected drive to read from, verified ones first."""
        copies = [
            copy
            for copy in file_queries.list_copies(self._existing.catalog, known.id)
            if copy.state is CopyState.PRESENT and copy.id not in missing_ids
        ]
        for copy in sorted(copies, key=lambda copy: not is_good_copy(copy)):
            drive = self._sources.get(copy.place_id)
            entry = drive.stat_or_none(copy.path) if drive else None
            if drive is not None and entry is not None and entry.size == copy.size:
                return drive, copy, entry
        return None

    def _make_task(
        self, known: KnownFile, drive: CopySource, copy: Copy, entry: Entry, lanes: tuple[int, ...]
    ) -> CopyTask:
        return CopyTask(
            entry,
            open=lambda: drive.place.open_reader(copy.path),
            lanes=lanes,
            is_source_unchanged=lambda: drive.stat_or_none(copy.path) == entry,
            expected_file=known.file,
            source_copy_id=copy.id,
        )
