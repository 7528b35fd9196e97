"""Plan what to do with each card file before it is read. Runs in the reader's thread.

Files read by an interrupted run are recognized; a file that looks like one that all drives have is only read; the
rest is copied to every drive that lacks it. Copies with missing or weak evidence are queued for reading back.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, MutableMapping, Sequence

from tripleguard.cameras.kinds import kind_of
from tripleguard.catalog.rows import KnownFile
from tripleguard.jobs.clearance.card_observation import CardObservation, FileStamp
from tripleguard.jobs.clearance.counted_copies import CopyKey
from tripleguard.jobs.context import JobContext
from tripleguard.jobs.copying.copy_tasks import CopyTask, VerifyRequest
from tripleguard.jobs.copying.engine import CopyEngine, CopyMissing, EntrySkipped, SourceResumed
from tripleguard.jobs.drives import OpenDrive
from tripleguard.jobs.existing_copies import CopyGaps, ExistingCopies, FrameOriginals
from tripleguard.jobs.integrity import start_integrity_check
from tripleguard.model import Entry


class CardPlan:
    """Tasks for the card's files. lanes: the drives that take part; copy_stamps: as in `ExistingCopies`."""

    def __init__(
        self,
        ctx: JobContext,
        observation: CardObservation,
        drives: Sequence[OpenDrive],
        lanes: Sequence[int],
        copy_stamps: MutableMapping[CopyKey, FileStamp],
    ) -> None:
        self._ctx = ctx
        self._observation = observation
        self._card = observation.card
        self._lanes = tuple(lanes)
        self._frame_originals = FrameOriginals()
        self._insertion = self._card.read_insertion()
        self._existing = ExistingCopies(
            ctx.catalog.reopen(),
            drives,
            ctx.settings.rule,
            ctx.clock,
            max_age_hours=ctx.settings.clearance.card_hours,
            stamps=copy_stamps,
        )

    def close(self) -> None:
        self._existing.catalog.close()

    def all_tasks(self, engine: CopyEngine) -> Iterator[CopyTask]:
        """Yield one task for each file on the card that must be read. Raises CardGoneError."""
        for item in self._observation.list_entries():
            engine.wait_for_backlog()
            if isinstance(item, Entry):
                task = self._plan_file(engine, item)
                if task is not None:
                    yield task
            else:
                engine.report(EntrySkipped(item))

    def retry_tasks(
        self, engine: CopyEngine, retries: Iterable[tuple[Entry, tuple[int, ...]]]
    ) -> Iterator[CopyTask]:
        """Yield tasks for the card files to retry on these lanes."""
        for entry, lanes in retries:
            alive = tuple(lane for lane in lanes if lane in self._lanes and engine.lanes[lane].is_alive)
            if alive:
                yield self._make_task(self._card.stat(entry.path) or entry, alive)

    def _plan_file(self, engine: CopyEngine, entry: Entry) -> CopyTask | None:
        if not kind_of(entry.name).is_original and self._frame_originals.digests(entry) == frozenset():
            # Its picture is new, so an existing copy of these bytes belongs to another picture.
            return self._make_task(entry, self._lanes)
        resumed = self._existing.find_resumable(self._card, entry, self._insertion)
        if resumed is not None:
            known, read_at = resumed
            lacking = self._find_gaps(engine, known, entry)
            if not lacking.lanes:
                engine.report(SourceResumed(entry, known, read_at))
                return None
            return self._make_task(entry, lacking.lanes, expected=known)
        guess = self._existing.guess_file(self._card, entry)
        if guess is None:
            if kind_of(entry.name).is_original:
                self._frame_originals.add_unknown(entry)
            return self._make_task(entry, self._lanes)
        lacking = self._find_gaps(engine, guess, entry)
        return self._make_task(entry, lacking.lanes, expected=guess)

    def _find_gaps(self, engine: CopyEngine, known: KnownFile, entry: Entry) -> CopyGaps:
        if kind_of(entry.name).is_original:
            self._frame_originals.add(entry, known.file)
        lacking = self._existing.find_gaps(known, entry.name, self._lanes, self._frame_originals.digests(entry))
        for copy in lacking.missing:
            engine.report(CopyMissing(copy))
        for lane, copy in lacking.unverified:
            engine.verify(
                lane, VerifyRequest(copy.path, known.file, copy.id, self._make_task(entry, (lane,)), copy.mtime_ns)
            )
        return lacking

    def _make_task(self, entry: Entry, lanes: tuple[int, ...], expected: KnownFile | None = None) -> CopyTask:
        return CopyTask(
            entry,
            open=lambda: self._card.open_reader(entry.path),
            lanes=lanes,
            is_source_unchanged=lambda: self._card.is_unchanged(entry),
            expected_file=expected.file if expected else None,
            integrity_check=start_integrity_check(entry),
        )
